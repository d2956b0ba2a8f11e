"""Uncertainty of a printed thickness, as the GUM (JCGM 100:2008) combines it.

- Type A (4.2): the scatter of readings. Few readings say little about their own scatter, so it is
  pooled over the steps of a coupon, and its degrees of freedom are kept.
- Type B (4.3.7): an instrument whose error is stated as at most a lies anywhere in -a to +a with
  equal chance: u = a / sqrt(3). The last digit shown, q, is a rectangle of full width q: u =
  q / sqrt(12) (F.2.2.1, "0,29 q").
- Combined (5.1.2): the root of the sum of squares; effective degrees of freedom by Welch and
  Satterthwaite (G.4.1).
- Expanded (6.2, G.3): U covers 95.45 %, which is what k = 2 means for a normal distribution (table
  G.2). Two things keep this from being simply 2 u. With few degrees of freedom Student's factor
  takes the place of 2. And where the instrument's rectangle outweighs the scatter, 2 u would cover
  100 % rather than 95.45 % (G.1.5 notes that k depends on the shape), so U is found
  from the convolution of the two distributions itself.

Clause numbers from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

# What k = 2 covers of a normal distribution.
COVERAGE = math.erf(2 / math.sqrt(2))
_NORMAL_K = 2.0


@dataclass(frozen=True)
class Component:
    """A standard uncertainty (mm) and how many degrees of freedom it rests on (inf: known)."""

    u: float
    freedom: float = math.inf


def scatter(groups: Iterable[Sequence[float]]) -> Component:
    """The standard deviation of one reading, pooled over groups of readings of one thing each.

    Its degrees of freedom are 0 (and u is 0) where no group has two readings.
    """
    total, freedom = 0.0, 0
    for group in groups:
        if len(group) > 1:
            mean = math.fsum(group) / len(group)
            total += math.fsum((value - mean) ** 2 for value in group)
            freedom += len(group) - 1
    return Component(math.sqrt(total / freedom) if freedom else 0.0, float(freedom))


def rectangular(half_width: float) -> Component:
    """A value that lies anywhere within +-`half_width` with equal chance (JCGM 100, 4.3.7)."""
    return Component(half_width / math.sqrt(3))


def resolution(step: float) -> Component:
    """A display that shows steps of `step` (JCGM 100, F.2.2.1)."""
    return rectangular(step / 2)


def combined(components: Iterable[Component]) -> Component:
    """Independent components together (JCGM 100, 5.1.2 and G.4.1, Welch and Satterthwaite)."""
    parts = list(components)
    if len(parts) == 1:
        return parts[0]
    u = math.hypot(*(part.u for part in parts))
    spread = math.fsum(part.u**4 / part.freedom for part in parts if part.u > 0)
    return Component(u, u**4 / spread if spread > 0 else math.inf)


def student(freedom: float, coverage: float = COVERAGE) -> float:
    """Student's two-sided factor; the normal one where `freedom` is infinite (table G.2)."""
    from scipy.special import ndtri, stdtrit

    upper = (1 + coverage) / 2
    return float(ndtri(upper) if math.isinf(freedom) else stdtrit(freedom, upper))


def expanded(scattered: Component, limit: float = 0.0) -> float:
    """U (mm) that covers 95.45 %: of a scattered part, and of one that is anywhere within +-limit.

    scattered  all that is normal or Student's; its u is widened to the normal one with the same U
    limit      half the width of the rectangle (mm), as for an instrument's largest error
    """
    if scattered.u <= 0:
        return COVERAGE * limit
    sigma = scattered.u * student(scattered.freedom) / _NORMAL_K
    if limit < 1e-4 * sigma:
        return _NORMAL_K * sigma
    # The half-width grows with what it covers: halve the range it can lie in.
    low, high = 0.0, limit + 4 * sigma
    for _ in range(60):
        middle = (low + high) / 2
        if covered(middle, sigma, limit) < COVERAGE:
            low = middle
        else:
            high = middle
    return high


def covered(half_width: float, sigma: float, limit: float) -> float:
    """How often the sum of a normal value (standard deviation `sigma` > 0) and one anywhere in
    +-`limit` (> 0) lies within +-`half_width`.

    The convolution in closed form: the integral of the normal distribution function is
    x Phi(x) + phi(x).
    """

    def integral(x: float) -> float:
        density = math.exp(-x * x / 2) / math.sqrt(2 * math.pi)
        return x * (1 + math.erf(x / math.sqrt(2))) / 2 + density

    upper = integral((half_width + limit) / sigma) - integral((half_width - limit) / sigma)
    lower = integral((limit - half_width) / sigma) - integral((-half_width - limit) / sigma)
    return sigma / (2 * limit) * (upper - lower)
