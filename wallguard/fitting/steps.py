"""The steps of a coupon: what was read of each wall thickness, and what is odd about it."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from wallguard.bands.table import reading
from wallguard.coupon.rows import Row
from wallguard.fitting.uncertainty import Component, combined, expanded, resolution, scatter
from wallguard.rules.model import Axis, Fill, Rules

# A band holds below its upper end: one that includes a step ends this much (mm) above it.
INCLUDED = 1e-4
# Scatter of one reading (mm) where too few were taken to find it out: common practice with
# callipers on printed walls, no published source.
ASSUMED_SCATTER = 0.05
# Fewer degrees of freedom than this tell nothing: Student's factor would be above 4.
FEWEST_FREEDOM = 3
# A reading this many standard deviations from the others of its step is named.
_OUTLIER = 4.0
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
    found          whether there were enough readings to find it out; if not it is assumed
    limit          the instrument's largest error, mm: all readings may be off by as much, alike
    """

    solid: Component
    hollow: Component
    digit: Component
    found: bool
    limit: float = 0.0

    def of(self, fill: Fill) -> Component:
        return self.hollow if fill == "hollow" else self.solid

    def of_mean(self, step: Step) -> Component:
        """How the mean of a step's readings scatters."""
        one = self.of(step.fill)
        mean = Component(one.u / math.sqrt(len(step.readings)), one.freedom)
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

    The instrument's own error is the same for both and cancels. Compared are the fill and, where it
    is the same, the printed thickness: all steps together (a shift, whatever the step), each
    by itself, and all their squares (chi-squared); chance gives each less often than 1 in 100.
    A difference of less than `shown` mm, which no reading shows, is none.
    """
    from scipy.special import chdtrc, ndtri

    others = {reading(step.nominal): step for step in y}
    pairs = [(step, others[at]) for step in x if (at := reading(step.nominal)) in others]
    found = [
        f"{one.nominal:.2f} mm comes out {one.fill} along x and {other.fill} along y"
        for one, other in pairs
        if one.fill != other.fill
    ]
    differences = []
    for one, other in pairs:
        if one.fill == other.fill and one.readings and other.readings:
            u = spread.of(one.fill).u * math.sqrt(1 / len(one.readings) + 1 / len(other.readings))
            differences.append((one.nominal, one.mean - other.mean, u))
    if not differences:
        return found
    weight = math.fsum(u**-2 for _, _, u in differences)
    shift = math.fsum(d * u**-2 for _, d, u in differences) / weight
    alone = float(ndtri(1 - 0.005 / len(differences)))
    if abs(shift) >= shown and abs(shift) * math.sqrt(weight) > ndtri(0.995):
        found.append(f"on the whole walls along x are {_against(shift)}")
    single = [(at, d) for at, d, u in differences if abs(d) > max(alone * u, shown)]
    found += [f"{at:.2f} mm along x is {_against(d)}" for at, d in single]
    squares = math.fsum((d / u) ** 2 for _, d, u in differences)
    if not found and chdtrc(len(differences), squares) < 0.01:
        root = math.sqrt(math.fsum(d * d for _, d, _ in differences) / len(differences))
        if root >= shown:
            found.append(f"walls along x and y differ by {root:.3f} mm, root mean square")
    return found


def _against(difference: float) -> str:
    word = "thicker" if difference > 0 else "thinner"
    return f"{abs(difference):.3f} mm {word} than along y"


def odd_rows(rows: Iterable[Row], rules: Rules, spread: Scatter) -> list[str]:
    """Readings that cannot be, or hardly, each with its place."""
    found: list[str] = []
    for row in rows:
        where = f"{row.path}:{row.line}: {row.nominal:.2f} mm along {row.axis}"
        found += [f"{where}: {text}" for text in _impossible(row, rules)]
        if len(row.readings) > 2 and spread.found:
            middle = median(row.readings)
            limit = _OUTLIER * spread.of(row.fill).u
            # Two digits of the display are no outlier, however little the rest scatters.
            limit = max(limit, 2 * math.sqrt(12) * spread.digit.u)
            found += [
                f"{where}: the reading {value:g} is an outlier among "
                f"{', '.join(f'{one:g}' for one in row.readings)}: measure it again"
                for value in row.readings
                if abs(value - middle) > limit
            ]
    return found


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
    return {axis: found for axis, found in grouped.items() if found}
