"""Which thicknesses to print next, so that what is uncertain becomes narrower.

Whatever a wall in the middle of an uncertain range turns out to be, the half of the range on one
side of it is uncertain no more. So each range gets a wall in its middle before any gets a second,
and further walls go where the stretches left would be widest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from wallguard.bands.declared import band_table
from wallguard.bands.table import BandTable
from wallguard.rules.model import Axis, Rules

# A range of less than this (mm) cannot be divided: thickness is read in hundredths.
NARROWEST = 0.02
# Thicker than this (mm) no coupon's wall is, where a range has no end of its own.
_FARTHEST = 30.0
# Where only the printed thickness is in doubt: a U (mm) this much above the neighbours'.
_DOUBT = 0.1


@dataclass(frozen=True)
class NextStep:
    """One wall to print: its thickness, and the range (mm) it divides.

    fills  what lies on either side of the range: (below, above)
    why    `fill` or, where only the printed thickness changes in it, `thickness`
    """

    thickness: float
    lower: float
    upper: float
    fills: tuple[str, str]
    why: str


@dataclass(frozen=True)
class _Range:
    lower: float
    upper: float
    fills: tuple[str, str]
    why: str

    @property
    def width(self) -> float:
        return self.upper - self.lower

    def parts(self, count: int) -> list[float]:
        """`count` thicknesses that divide the range evenly, in hundredths."""
        first, last = self.lower, self.upper
        made = [first + (last - first) * at / (count + 1) for at in range(1, count + 1)]
        return list(dict.fromkeys(round(thickness, 2) for thickness in made))


def next_steps(rules: Rules, at_most: int = 8) -> tuple[NextStep, ...]:
    """The walls to print next, thinnest first: one for each uncertain range, and up to `at_most`
    in all where there are fewer ranges; empty where nothing can be narrowed.

    Walls run along both axes on a coupon, so the ranges of both count.
    """
    ranges = _ranges(rules)
    if not ranges:
        return ()
    counts = [1] * len(ranges)
    while sum(counts) < at_most:
        # Where the pieces left are widest, another wall helps most.
        at = max(range(len(ranges)), key=lambda i: (ranges[i].width / (counts[i] + 1), -i))
        if ranges[at].width / (counts[at] + 1) < 2 * NARROWEST:
            break
        counts[at] += 1
    steps = {
        thickness: NextStep(thickness, part.lower, part.upper, part.fills, part.why)
        for part, count in zip(ranges, counts, strict=True)
        for thickness in part.parts(count)
        if part.lower < thickness < part.upper
    }
    return tuple(steps[thickness] for thickness in sorted(steps))


def _ranges(rules: Rules) -> list[_Range]:
    axes: tuple[Axis | None, ...] = tuple(sorted(rules.axes)) if rules.axes else (None,)
    ranges: list[_Range] = []
    for axis in axes:
        ranges += _of_table(band_table(rules, axis))
    return _apart(ranges)


def _of_table(table: BandTable) -> Iterable[_Range]:
    bands = table.bands
    for at, band in enumerate(bands):
        above = bands[at + 1] if at + 1 < len(bands) else None
        below = bands[at - 1] if at else None
        upper = band.upper if math.isfinite(band.upper) else min(_FARTHEST, 2 * band.lower)
        if upper - band.lower < NARROWEST:
            continue
        fills = (below.fill if below else "not known", above.fill if above else "not known")
        if band.fill == "uncertain":
            yield _Range(round(band.lower, 2), round(upper, 2), fills, "fill")
        elif (
            below
            and above
            and band.source == "measured"
            and band.fill != "missing"
            and min(band.uncertainty - beside.uncertainty for beside in (below, above)) > _DOUBT
        ):
            # A step in what is printed, somewhere between two walls.
            yield _Range(round(band.lower, 2), round(upper, 2), fills, "thickness")


def _apart(ranges: Sequence[_Range]) -> list[_Range]:
    """Ranges of two axes that are nearly the same as one; what overlaps otherwise stays apart."""
    apart: list[_Range] = []
    for wanted in sorted(set(ranges), key=lambda each: (each.lower, each.upper, each.why)):
        alike = any(
            abs(wanted.lower - other.lower) < NARROWEST
            and abs(wanted.upper - other.upper) < NARROWEST
            for other in apart
        )
        if not alike:
            apart.append(wanted)
    return apart
