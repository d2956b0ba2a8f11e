"""The steps of a coupon: what was read of each wall thickness, and what is odd about it."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

from wallguard.bands.table import reading
from wallguard.coupon.rows import Row
from wallguard.fitting.uncertainty import Component, combined, expanded, resolution, scatter
from wallguard.rules.model import Axis, Fill, Rules

Floats = NDArray[np.float64]

# A band holds below its upper end: one that includes a step ends this much (mm) above it.
INCLUDED = 1e-4
# Scatter of one reading (mm) where too few were taken to find it out: common practice with
# callipers on printed walls, no published source.
ASSUMED_SCATTER = 0.05
# Fewer degrees of freedom than this tell nothing: Student's factor would be above 4.
FEWEST_FREEDOM = 3
# A reading this many standard deviations from the others of its step is named.
_OUTLIER = 4.0
# Axes differ where chance shifts, scales or sets apart one wall less often: together 1 in 100.
_SHIFTED, _SCALED, _ALONE = 0.003, 0.001, 0.002
# Two scatters are unlike where chance gives such a ratio less often than this.
_UNLIKE = 0.01


@dataclass(frozen=True)
class Step:
    """All that was read of one wall thickness. Lengths in mm.

    nominal   as drawn
    fill      as seen; `uncertain` where it was seen to come out in different ways
    readings  of all rows together
    rows      what it rests on
    """

    nominal: float
    fill: Fill
    readings: tuple[float, ...]
    rows: tuple[Row, ...]

    @property
    def mean(self) -> float:
        """The mean reading; only where there is one."""
        return math.fsum(self.readings) / len(self.readings)

    @property
    def lower(self) -> float:
        """Where the thicknesses begin that are looked up here: also as it is read."""
        return round(min(self.nominal, reading(self.nominal)), 4)

    @property
    def upper(self) -> float:
        return round(max(self.nominal, reading(self.nominal)) + INCLUDED, 4)


@dataclass(frozen=True)
class Scatter:
    """How readings scatter, and what the instrument adds. Standard deviations of one reading in mm.

    solid, hollow  of walls that are so inside; alike where they cannot be told apart
    digit          of the display's last digit; part of every mean, however many are taken
    known          whether there were enough readings to find it out; if not it is assumed
    limit          the instrument's largest error, mm: all readings may be off by as much, alike
    """

    solid: Component
    hollow: Component
    digit: Component
    known: bool
    limit: float = 0.0

    def of(self, fill: Fill) -> Component:
        return self.hollow if fill == "hollow" else self.solid

    def of_mean(self, step: Step) -> Component:
        """How the mean of a step's readings scatters."""
        single = self.of(step.fill)
        mean = Component(single.u / math.sqrt(len(step.readings)), single.freedom)
        return combined((mean, self.digit))

    def expanded(self, *parts: Component) -> float:
        """U (mm, k = 2) of what scatters so, the instrument's error included."""
        return expanded(combined(parts), self.limit)


def steps(rows: Iterable[Row]) -> tuple[Step, ...]:
    """The rows of walls as steps, thinnest first; rows of what is read as one thickness are one."""
    together: dict[float, list[Row]] = defaultdict(list)
    for row in rows:
        together[reading(row.nominal)].append(row)
    return tuple(_step(together[nominal]) for nominal in sorted(together))


def _step(rows: Sequence[Row]) -> Step:
    fills: set[Fill] = {row.fill for row in rows}
    return Step(
        nominal=round(math.fsum(row.nominal for row in rows) / len(rows), 4),
        fill=fills.pop() if len(fills) == 1 else "uncertain",
        readings=tuple(value for row in rows for value in row.readings),
        rows=tuple(rows),
    )


def scatter_of(rows: Sequence[Row], last_digit: float, limit: float = 0.0) -> Scatter:
    """How the readings of walls scatter about the mean of their row.

    last_digit  that the readings show, mm
    limit       the instrument's largest error, mm

    A row's readings are of one wall, so that what differs from print to print is not in it.
    Hollow walls give under the jaws: they have a scatter of their own where it is clearly another.
    """
    digit = resolution(last_digit)
    everything = scatter(row.readings for row in rows)
    if everything.freedom < FEWEST_FREEDOM:
        assumed = Component(max(everything.u, ASSUMED_SCATTER, digit.u))
        return Scatter(assumed, assumed, digit, False, limit)
    by_fill = [
        scatter(row.readings for row in rows if (row.fill == "hollow") == hollow)
        for hollow in (False, True)
    ]
    if min(part.freedom for part in by_fill) >= FEWEST_FREEDOM and _unlike(
        by_fill[0], by_fill[1], digit
    ):
        solid, hollow = by_fill
    else:
        solid = hollow = everything
    return Scatter(_at_least(solid, digit), _at_least(hollow, digit), digit, True, limit)


def _at_least(part: Component, digit: Component) -> Component:
    """Readings that all show the same still scatter within the last digit."""
    return part if part.u >= digit.u else digit


def _unlike(one: Component, other: Component, digit: Component) -> bool:
    """Whether two scatters differ more than by chance (F test, two-sided)."""
    from scipy.special import fdtrc

    large, small = sorted((one, other), key=lambda part: -part.u)
    ratio = (large.u / max(small.u, digit.u, 1e-9)) ** 2
    return bool(2 * fdtrc(large.freedom, small.freedom, ratio) < _UNLIKE)


def axes_differ(x: Sequence[Step], y: Sequence[Step], spread: Scatter, shown: float) -> list[str]:
    """How walls along x and along y come out differently, in words; empty: no more than by chance.

    The instrument's own error is the same for both and cancels. Where the fill is the same the
    printed thickness is compared: all steps together (a shift, whatever the step), in proportion
    to the thickness, and each step by itself. Walls differ by themselves, too: what the
    differences scatter more than readings explain is allowed for (Birge's ratio, from memory),
    with Student's factor for how many there are. Chance says all of it together of less than 1
    coupon in 100. A difference of less than `shown` mm, which no reading shows, is none.

    One fill where the other axis has another is a difference, and so is a step by itself, unless
    the neighbours come out in both ways: there one edge lies on either side of the step by chance.
    """
    others = {reading(step.nominal): step for step in y}
    pairs = [(step, others[at]) for step in x if (at := reading(step.nominal)) in others]
    said = [
        f"{one.nominal:.2f} mm comes out {one.fill} along x and {other.fill} along y"
        for at, (one, other) in enumerate(pairs)
        if one.fill != other.fill and not {one.fill, other.fill} <= _fills_beside(pairs, at)
    ]
    rows = [
        (number, one.nominal, one.mean - other.mean, _of_both(one, other, spread))
        for number, (one, other) in enumerate(pairs)
        if one.fill == other.fill and one.readings and other.readings
    ]
    if not rows:
        return said
    pair, at, off, u = np.array(rows).T
    freedom = spread.solid.freedom if spread.known else 1.0
    shift = _common(off, u, np.ones(len(off)), freedom)
    if abs(shift.value) >= shown and shift.chance < _SHIFTED:
        said.append(f"on the whole walls along x are {_against(shift.value)}")
    if len(off) > 2:
        scale = _common(off - shift.value, u, at - at.mean(), freedom)
        reach = scale.value * float(at.max() - at.min())
        if abs(reach) >= shown and scale.chance < _SCALED:
            said.append(
                f"from {at.min():.2f} to {at.max():.2f} mm walls along x become {_against(reach)}"
            )
    return said + [
        f"{at[number]:.2f} mm along x is {_against(float(off[number]))}"
        for number in _set_apart(off, u, freedom, shown)
        if not _steps_up(pairs, int(pair[number]))
    ]


def _set_apart(off: Floats, u: Floats, freedom: float, shown: float) -> list[int]:
    """Which differences are not like all others together."""
    odd = []
    for number in range(len(off)):
        rest = np.arange(len(off)) != number
        like, ratio, spare = 0.0, 1.0, freedom
        if len(off) > 1:
            others = _common(off[rest], u[rest], np.ones(len(off) - 1), freedom)
            like, ratio, spare = others.value, others.ratio, others.freedom
        apart = float(off[number]) - like
        chance = _chance(apart / (float(u[number]) * ratio), spare)
        if abs(apart) > shown and chance < _ALONE / len(off):
            odd.append(number)
    return odd


def _fills_beside(pairs: Sequence[tuple[Step, Step]], at: int) -> set[Fill]:
    """The fills of a step's neighbours; thinner than the thinnest all may be missing."""
    beside: set[Fill] = {step.fill for pair in _beside(pairs, at) for step in pair}
    return beside | {"missing"} if at == 0 else beside


def _steps_up(pairs: Sequence[tuple[Step, Step]], at: int) -> bool:
    """Whether what was read of a step lies between what was read of its neighbours: the printed
    thickness may change its rule here."""
    around = [step.mean for pair in _beside(pairs, at) for step in pair if step.readings]
    here = [step.mean for step in pairs[at]]
    if not around or not 0 < at < len(pairs) - 1:
        return False
    return min(around) <= min(here) and max(here) <= max(around)


def _beside(pairs: Sequence[tuple[Step, Step]], at: int) -> tuple[tuple[Step, Step], ...]:
    return (*pairs[max(0, at - 1) : at], *pairs[at + 1 : at + 2])


def _of_both(one: Step, other: Step, spread: Scatter) -> float:
    """Standard uncertainty of the difference of two mean readings, mm; digits are rounded too."""
    parts = (spread.of_mean(one).u, spread.of_mean(other).u)
    return math.hypot(*parts)


@dataclass(frozen=True)
class _Common:
    """A factor that differences have in common, how often chance gives one so far from 0, and by
    how much they scatter more than their uncertainty says, at least 1, with degrees of freedom."""

    value: float
    chance: float
    ratio: float
    freedom: float


def _common(off: Floats, u: Floats, way: Floats, freedom: float) -> _Common:
    """Least squares of off = value x way, weighted; `freedom` is that of `u`."""
    weight = float(((way / u) ** 2).sum())
    value = float((way * off / u**2).sum()) / weight
    spare = len(off) - 1
    squares = float((((off - value * way) / u) ** 2).sum())
    ratio = math.sqrt(squares / spare) if spare else 0.0
    if ratio > 1:
        freedom = float(spare)
    ratio = max(1.0, ratio)
    return _Common(value, _chance(value * math.sqrt(weight) / ratio, freedom), ratio, freedom)


def _chance(times: float, freedom: float) -> float:
    """How often chance gives at least so many standard uncertainties, either way (Student)."""
    from scipy.special import stdtr

    return float(2 * stdtr(freedom, -abs(times)))


def _against(difference: float) -> str:
    word = "thicker" if difference > 0 else "thinner"
    return f"{abs(difference):.3f} mm {word} than along y"


def odd_rows(rows: Iterable[Row], rules: Rules, spread: Scatter) -> list[str]:
    """Readings that cannot be, or hardly, each with its place."""
    remarks: list[str] = []
    for row in rows:
        where = f"{row.path}:{row.line}: {row.nominal:.2f} mm along {row.axis}"
        remarks += [f"{where}: {text}" for text in _impossible(row, rules)]
        if len(row.readings) > 2 and spread.known:
            middle = median(row.readings)
            limit = _OUTLIER * spread.of(row.fill).u
            # Two digits of the display are no outlier, however little the rest scatters.
            limit = max(limit, 2 * math.sqrt(12) * spread.digit.u)
            remarks += [
                f"{where}: the reading {value:g} is an outlier among "
                f"{', '.join(f'{reading:g}' for reading in row.readings)}: measure it again"
                for value in row.readings
                if abs(value - middle) > limit
            ]
    return remarks


def _impossible(row: Row, rules: Rules) -> Iterable[str]:
    """A bead is at least as wide as it is high (its cross-section is a rectangle with half-round
    ends), and a hollow wall has two. Nozzles lay lines down to about their own diameter (common
    practice, no published source)."""
    if rules.category != "material extrusion" or not row.readings:
        return
    least = min(row.readings)
    beads = 2 if row.fill == "hollow" else 1
    possible = beads * rules.layer_height
    if least < possible:
        yield (
            f"the reading {least:g} is thinner than possible: {beads} bead{'s' * (beads > 1)} of "
            f"{rules.layer_height:g} mm height cannot be narrower than {possible:g} mm"
        )
    elif rules.beads and rules.beads.nozzle and least < beads * 0.6 * rules.beads.nozzle:
        yield f"the reading {least:g} is thinner than {beads} x 0.6 nozzle diameters: hardly likely"


Grouped = dict[Axis, tuple[Step, ...]]


def by_axis(rows: Sequence[Row]) -> Grouped:
    """The steps along each axis that was measured."""
    axes: tuple[Axis, ...] = ("x", "y")
    grouped = {axis: steps(row for row in rows if row.axis == axis) for axis in axes}
    return {axis: steps for axis, steps in grouped.items() if steps}
