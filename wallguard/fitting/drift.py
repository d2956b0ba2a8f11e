"""A later print of the coupon against the rule file: does the process still do what it says?

Fill: a wall that comes out otherwise than its band says is a changed outcome. Where the band says
`uncertain` nothing can have changed.

Printed thickness: the difference between the mean reading and what the band says is compared with
the U of both, as in comparisons between laboratories: En = |difference| / sqrt(U_band^2 + U_mean^2)
(ISO 13528, ISO/IEC 17043, from memory); above 1 the reading lies outside. Of many walls some lie
outside by chance, one in 22, although nothing changed. So it is called drift only where that many
hardly come by chance: one wall farther out than the farthest of all would be in 1 of 100 coupons,
or more walls outside than would be in 1 of 100. For the latter the instrument's own error, which
shifts all readings alike, is allowed for first: all differences are moved together by as much of it
as makes them smallest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from statistics import median

from wallguard.bands.declared import band_table
from wallguard.bands.table import BandTable, Outcome
from wallguard.base.errors import InputError
from wallguard.coupon.readings import Readings
from wallguard.fitting.steps import Grouped, Scatter, Step, by_axis, scatter_of
from wallguard.fitting.uncertainty import COVERAGE, expanded
from wallguard.rules.model import Axis, Rules

_MANY, _FAR = 0.01, 0.01


@dataclass(frozen=True)
class Compared:
    """One wall of the coupon against its band. Lengths in mm.

    u_mean     U (k = 2) of the mean reading; 0 where there is none
    u_scatter  the same without the instrument's error
    difference mean reading - what the band says; None where nothing can be compared
    """

    axis: Axis
    step: Step
    outcome: Outcome
    u_mean: float = 0.0
    u_scatter: float = 0.0
    difference: float | None = None

    @property
    def normalised(self) -> float | None:
        """The difference over the U of both (En); None where nothing can be compared."""
        if self.difference is None:
            return None
        return abs(self.difference) / max(1e-9, math.hypot(self.outcome.uncertainty, self.u_mean))

    def outside_after(self, shift: float) -> bool:
        """Whether it lies outside U where all readings are `shift` mm too large."""
        u = math.hypot(self.outcome.uncertainty, self.u_scatter)
        return self.difference is not None and abs(self.difference - shift) > u + 1e-9

    @property
    def changed(self) -> bool:
        """Whether it came out otherwise."""
        return self.outcome.fill != "uncertain" and self.step.fill != self.outcome.fill

    @property
    def outside(self) -> bool:
        """Whether the printed thickness lies outside U."""
        return self.normalised is not None and self.normalised > 1

    @property
    def settles(self) -> bool:
        """Whether it tells what the rules leave open."""
        return self.outcome.fill == "uncertain"


@dataclass(frozen=True)
class Since:
    """Between which days a process drifted; None: not known.

    measured  whether the first is the day on which the rules were measured
    """

    good: date | None = None
    bad: date | None = None
    measured: bool = False


@dataclass(frozen=True)
class Drift:
    """The comparison of a coupon: all its walls, and what of it is drift.

    many       whether more walls lie outside than by chance, the instrument's error allowed for
    far        walls so far outside that it is more than chance by itself
    remarks    what is odd about the files of readings
    since      of drift, when that was, as far as the files say their days
    """

    walls: tuple[Compared, ...]
    many: bool
    far: tuple[Compared, ...]
    remarks: tuple[str, ...] = ()
    since: Since = Since()

    @property
    def changed(self) -> tuple[Compared, ...]:
        return tuple(wall for wall in self.walls if wall.changed)

    @property
    def outside(self) -> tuple[Compared, ...]:
        return tuple(wall for wall in self.walls if wall.outside)

    @property
    def drifted(self) -> bool:
        """Whether the process no longer does what the rules say."""
        return bool(self.changed or self.far or self.many)


def drift(files: Sequence[Readings], rules: Rules) -> Drift:
    """Compare the walls in `files` with the band table of `rules`.

    Raises InputError: no wall among the readings, or no band table follows from the rules.
    """
    rows = [row for file in files for row in file.rows if row.feature == "wall"]
    if not rows:
        raise InputError(files[0].path, "no wall is among the readings", remedy="Measure the walls")
    limit = max(file.error for file in files)
    scatter = scatter_of(rows, max(file.resolution for file in files), limit)
    measured: Grouped = by_axis(rows)
    walls = tuple(
        _compare(axis, step, table, scatter)
        for axis, steps in measured.items()
        for table in (band_table(rules, axis),)
        for step in steps
    )
    compared = [wall for wall in walls if wall.difference is not None]
    edge = _farthest_by_chance(len(compared))
    far = tuple(wall for wall in compared if (wall.normalised or 0.0) > edge)
    shift = median([wall.difference or 0.0 for wall in compared]) if compared else 0.0
    shift = max(-limit, min(limit, shift))
    outside = sum(wall.outside_after(shift) for wall in compared)
    remarks = tuple(remark for file in files for remark in file.remarks)
    return Drift(walls, outside > _most_by_chance(len(compared)), far, remarks)


def since(files: Sequence[tuple[date, Readings]], rules: Rules) -> Since:
    """When a process drifted: after the last day of readings that agree with `rules`, and by the
    first day of those that do not, each day by itself. Before all readings come the rules' own."""
    found = Since(good=rules.measured_on, measured=rules.measured_on is not None)
    for day in sorted({day for day, _ in files}):
        walls = [file for when, file in files if when == day and _has_walls(file)]
        if walls and drift(walls, rules).drifted:
            return replace(found, bad=day)
        if walls:
            found = Since(good=day)
    return found


def _has_walls(file: Readings) -> bool:
    return any(row.feature == "wall" for row in file.rows)


def _compare(axis: Axis, step: Step, table: BandTable, scatter: Scatter) -> Compared:
    outcome = table.outcome(step.nominal)
    if not step.readings or outcome.printed is None:
        return Compared(axis, step, outcome)
    mean = scatter.of_mean(step)
    compared = outcome.fill != "uncertain" and step.fill == outcome.fill
    return Compared(
        axis,
        step,
        outcome,
        u_mean=scatter.expanded(mean),
        u_scatter=expanded(mean),
        difference=step.mean - outcome.printed if compared else None,
    )


def _most_by_chance(count: int) -> int:
    """How many of `count` walls lie outside by chance in all but 1 of 100 coupons."""
    rest, outside = 1.0, 1 - COVERAGE
    for number in range(count + 1):
        rest -= math.comb(count, number) * outside**number * COVERAGE ** (count - number)
        if rest < _MANY:
            return number
    return count


def _farthest_by_chance(count: int) -> float:
    """The En that the farthest of `count` walls passes by chance in 1 of 100 coupons."""
    from scipy.special import ndtri

    return float(ndtri(1 - _FAR / (2 * max(1, count)))) / 2
