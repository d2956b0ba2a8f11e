"""From which size on gaps, holes, pins, strokes and ways out come out, and how well that is known.

One print shows a size up to which nothing came out and one from which on everything did; its own
threshold lies anywhere between, which is a rectangle (JCGM 100, 4.3.7). Thresholds of prints
scatter, and the next print's is one more of them: with n prints the half-width that covers it is
Student's factor times s sqrt(1 + 1/n) (a prediction interval: Hahn and Meeker, Statistical
Intervals, 1991). U joins both, each at 95.45 %, as the root of the sum of their squares:

    does not come out     | came out in some prints |     came out
    ----------------------+------------+------------+---------------- size
                       m - U           m          m + U

Thresholds of one print are not taken for independent trials, as probits would: what a machine does
on one day it does to all of a plate. With fewer than four prints s is hardly known, so k = 2 is not
claimed, and of a single print only its own interval is. Clause numbers and the book from memory.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import mean, stdev
from typing import NamedTuple

from wallguard.base.plain import counted
from wallguard.coupon.readings import Readings
from wallguard.coupon.rows import Row
from wallguard.fitting.steps import FEWEST_FREEDOM
from wallguard.fitting.uncertainty import Component, expanded, rectangular
from wallguard.rules.features import FEATURES, larger_is_worse
from wallguard.rules.model import Limit, Rules

_CHECKS = {("hole", "vertical"): "upright_hole", ("hole", "horizontal"): "lying_hole"}
_NAMES = {
    "gap": "gaps",
    "hole": "holes",
    "pin": "pins",
    "raised": "raised strokes",
    "sunken": "sunken strokes",
    "escape": "ways out",
}
_WAYS = {"vertical": "upright ", "horizontal": "lying "}


class _Threshold(NamedTuple):
    """Of one print: the size up to which nothing came out, and that from which on all did (inf:
    not even the largest), mm."""

    lower: float
    upper: float


@dataclass(frozen=True)
class Minimum:
    """From which size on a kind of feature comes out. Lengths in mm.

    check   whose limit it is
    name    in words: "gaps along x"
    prints  that it rests on
    value   the threshold; None where no print has sizes on both sides of it
    u       expanded uncertainty of the next print's threshold (k = 2)
    limit   what to ask of a part: below `fail` it does not come out, below `warn` it may not
    open    whether in some print even the smallest came out, so that smaller ones would tell more
    """

    check: str
    name: str
    prints: int
    value: float | None
    u: float
    limit: Limit
    open: bool = False

    @property
    def claimed(self) -> bool:
        """Whether there were prints enough to claim k = 2."""
        return self.value is not None and self.prints > FEWEST_FREEDOM

    @property
    def words(self) -> str:
        """All of it in words."""
        prints = counted(self.prints, "print")
        if self.value is not None:
            said = f"{self.name} from {self.value:.2f} ± {self.u:.2f} mm ({prints}"
            few = f"; k = 2 is claimed from {FEWEST_FREEDOM + 1} prints on"
            smaller = "; even the smallest came out in some, smaller ones tell more"
            return f"{said}{'' if self.claimed else few}{smaller if self.open else ''})"
        if self.limit.fail is None:
            even = f"{self.name}: even {self.limit.warn or 0:.2f} mm came out"
            return f"{even} ({prints}; smaller ones tell more)"
        return f"{self.name}: not even {self.limit.fail:.2f} mm came out in each ({prints})"


def minima(files: Sequence[Readings]) -> tuple[Minimum, ...]:
    """Of each kind of feature, and each way that it runs, that was printed and looked at; toolpaths
    print nothing."""
    groups: dict[tuple[str, str], dict[str, list[Row]]] = defaultdict(lambda: defaultdict(list))
    for file in files:
        if file.keys.get("source", "print") == "print":
            for row in file.rows:
                if row.feature != "wall":
                    groups[row.feature, row.axis][row.path].append(row)
    return tuple(
        _minimum(feature, axis, [_threshold(rows) for rows in prints.values()])
        for (feature, axis), prints in sorted(groups.items())
    )


def _threshold(rows: Iterable[Row]) -> _Threshold:
    """Between what is seen of it in one print; the wider where a larger size failed than one that
    came out."""
    came = {row.nominal: row.fill != "missing" for row in rows}
    lost = [size for size, out in came.items() if not out]
    out = [size for size, out in came.items() if out]
    above = [size for size in out if size > max(lost, default=0.0)]
    below = [size for size in lost if size < min(out, default=math.inf)]
    return _Threshold(max(below, default=0.0), min(above, default=math.inf))


def _minimum(feature: str, axis: str, prints: Sequence[_Threshold]) -> Minimum:
    check = _CHECKS.get((feature, axis), feature)
    along = f" along {axis}" if axis in ("x", "y") else ""
    name = f"{_WAYS.get(axis, '') if feature == 'hole' else ''}{_NAMES[feature]}{along}"
    number = len(prints)
    most = max(each.lower for each in prints)
    if any(math.isinf(each.upper) for each in prints):
        return Minimum(check, name, number, None, 0.0, Limit(fail=most or None))
    if most == 0:
        largest = max(each.upper for each in prints)
        return Minimum(check, name, number, None, 0.0, Limit(warn=largest), open=True)
    middles = [(each.lower + each.upper) / 2 for each in prints]
    half = max((each.upper - each.lower) / 2 for each in prints)
    value, u = mean(middles), uncertainty(middles, half)
    fail = math.floor((value - u) * 100 + 1e-6) / 100
    warn = math.ceil((value + u) * 100 - 1e-6) / 100
    limit = Limit(fail if fail > 0 else None, warn)
    return Minimum(check, name, number, value, u, limit, open=min(prints).lower == 0)


def uncertainty(middles: Sequence[float], half: float) -> float:
    """U (mm, k = 2) of the threshold of one more print, from the middles of the intervals in which
    those of `middles` prints lie, none wider than twice `half`."""
    one_more = math.sqrt(1 + 1 / len(middles))
    parts = [expanded(Component(rectangular(half).u * one_more))]
    if len(middles) > 1:
        parts.append(expanded(Component(stdev(middles) * one_more, len(middles) - 1.0)))
    return math.hypot(*parts)


def limits(found: Sequence[Minimum], base: Rules) -> Iterator[tuple[str, Limit, str]]:
    """Limits by their check, and what is said of each: what was found of features that run either
    way, the worse of both, and never less than the base asks: a hole may be wide for a string."""
    known = {row.id for row in FEATURES if row.limit and base.category in row.categories}
    by_check: dict[str, list[Minimum]] = defaultdict(list)
    for each in found:
        if each.check in known and not larger_is_worse(each.check):
            by_check[each.check].append(each)
    for check, alike in by_check.items():
        asked = base.minimum.get(check, Limit())
        fail = _most([asked.fail, *(each.limit.fail for each in alike)])
        warn = _most([asked.warn, *(each.limit.warn for each in alike)])
        made = Limit(fail, warn if warn and warn > (fail or 0) else None)
        said = "; ".join(each.words for each in alike)
        if made != Limit(_most([each.limit.fail for each in alike]), _most_warn(alike)):
            said += "; the base asks more"
        yield check, made, said


def _most(levels: Iterable[float | None]) -> float | None:
    return max((level for level in levels if level is not None), default=None)


def _most_warn(alike: Sequence[Minimum]) -> float | None:
    return _most([each.limit.warn for each in alike])
