"""The band table: from the nominal thickness of a wall to how it comes out.

Thickness is *read* to 0.01 mm, as messages show it, callipers read it and people draw it: a wall of
0.7999 mm is a wall of 0.80 mm, and what becomes of it is looked up at 0.80. So two walls that show
the same number never get two answers, and what is advised with two decimals holds as it stands. The
most that reading moves a thickness is 0.005 mm, what the geometry is trusted to anyway.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Literal, TypeVar, get_args

from wallguard.bands.porous import UPRIGHT, Inside, Lean, inside, margin
from wallguard.rules.model import DeclaredBand, OutcomeName
from wallguard.rules.model import Fill as Fill

Source = Literal["measured", "calculated", "declared", "assumed"]
Verdict = Literal["solid", OutcomeName]

# What sums and products of lengths may be off by (mm): 2 x 0.575 + 0.075 is not quite 1.225.
COMPUTING_ERROR = 1e-6
PER_MM = 100
# Edges that are equal but for computing error are one edge.
_EDGE_DECIMALS = 6


def reading(thickness: float) -> float:
    """The thickness (mm) as it is shown, with two decimals."""
    return round(thickness, 2)


def _first_step(length: float) -> int:
    """The smallest whole number of hundredths that is not below `length` (mm)."""
    return math.ceil((length - COMPUTING_ERROR) * PER_MM)


@dataclass(frozen=True)
class Band:
    """A range of nominal thickness, lower <= t < upper, in which one rule holds. All in mm.

    printed thickness = offset + slope * t, with expanded uncertainty U (k = 2);
    air in a hollow wall = printed - solid_width (the beads' own width), never below zero;
    a solid_width of 0 in a hollow wall means that nobody knows how much of it is air;
    either: what an uncertain fill is one of, the best first; empty where nobody knows.
    """

    lower: float
    upper: float
    fill: Fill
    offset: float
    slope: float
    uncertainty: float
    source: Source
    solid_width: float = 0.0
    either: tuple[Fill, ...] = ()

    @property
    def readings(self) -> tuple[float, float] | None:
        """The first and the last reading (inf: no last) in this band; None if it holds none."""
        first, last = self.steps
        return (first / PER_MM, last / PER_MM) if first <= last else None

    @property
    def steps(self) -> tuple[float, float]:
        """The same in whole hundredths; the first is above the last if the band holds none."""
        last = math.inf if math.isinf(self.upper) else _first_step(self.upper) - 1
        return _first_step(self.lower), last

    def printed(self, thickness: float) -> float | None:
        """The printed thickness (mm) of a wall of `thickness` (mm); None where it is missing."""
        if self.fill == "missing":
            return None
        return max(0.0, self.offset + self.slope * thickness)

    def air(self, thickness: float) -> float:
        """The air (mm) in a wall of `thickness` (mm); 0 where there is none or nobody knows."""
        printed = self.printed(thickness)
        if printed is None or self.fill != "hollow" or self.solid_width == 0:
            return 0.0
        return max(0.0, printed - self.solid_width)


# Of a table, or as a rule file declares it.
_Band = TypeVar("_Band", Band, DeclaredBand)


@dataclass(frozen=True)
class Outcome:
    """How one wall comes out: `printed` and `deviation` are None where nothing is printed.

    shift  by how much each layer moves on, mm, where it would be hollow upright; else 0
    """

    fill: Inside
    printed: float | None
    uncertainty: float
    deviation: float | None
    air: float
    band: Band
    shift: float = 0.0


@dataclass(frozen=True)
class BandTable:
    """Contiguous bands from zero up; the last one has no upper end.

    Always holds: the first band begins at 0; each begins where the one before it ends and ends
    above its own beginning; the last upper is inf and every other number is finite; U and
    solid_width are not negative; the printed thickness is nowhere below zero.

    Raises ValueError, on making one, that says which band breaks this and how.
    """

    bands: tuple[Band, ...]

    def __post_init__(self) -> None:
        if not self.bands:
            raise ValueError("a band table needs at least one band")
        for band in self.bands:
            _check(band)
        if self.bands[0].lower != 0:
            raise ValueError(f"the first band begins at {self.bands[0].lower:g} mm, not at 0")
        for before, band in pairwise(self.bands):
            if band.lower != before.upper:
                what = "overlaps" if band.lower < before.upper else "leaves a hole after"
                raise ValueError(
                    f"the band from {band.lower:g} mm {what} "
                    f"the band from {before.lower:g} to {before.upper:g} mm"
                )
        if not math.isinf(self.bands[-1].upper):
            raise ValueError(
                f"the last band ends at {self.bands[-1].upper:g} mm; it must have no upper end"
            )

    @property
    def basis(self) -> Source:
        """What it rests on: readings where any band was fitted to some; else calculation, where any
        band was calculated; else what was written by hand, or taken for granted."""
        sources = {band.source for band in self.bands}
        return next(one for one in get_args(Source) if one in sources)

    @property
    def edges(self) -> tuple[float, ...]:
        """The thicknesses (mm, rising) from which on another band is looked up.

        They lie half way between two readings: before a band that begins at 0.80 stands 0.795. For
        every edge e and thickness t, `t >= e` says whether `outcome(t)` is of a later band. A
        wall drawn in hundredths stays clear of them, whatever the computing error.
        """
        edges = []
        for band in self.bands[1:]:
            first, last = band.steps
            if first <= last and first > 0:
                edge = (first - 0.5) / PER_MM
                # Where the double nearest to a half lies below it, it would still round down.
                edges.append(edge if reading(edge) >= first / PER_MM else math.nextafter(edge, 9e9))
        return tuple(edges)

    def verdict_edges(
        self, tolerance: tuple[float, float], lean: Lean = UPRIGHT
    ) -> tuple[float, ...]:
        """The thicknesses (mm, rising) from which on another band or another verdict holds.

        tolerance  (thinner, thicker) in mm, as `classify` takes it. They lie half way between two
        readings, like `edges`.
        """
        edges = list(self.edges)
        for band in self.bands:
            for crossing in _crossings(band, tolerance, lean):
                if band.lower < crossing < band.upper:
                    step = crossing * PER_MM
                    edges += [
                        (math.floor(step) + 0.5) / PER_MM,
                        (math.ceil(step) - 0.5) / PER_MM,
                    ]
        return tuple(sorted({round(edge, _EDGE_DECIMALS) for edge in edges if edge > 0}))

    def closings(self, height: float) -> tuple[tuple[float, float, float, float], ...]:
        """How far a wall has to lean for another outcome than upright: (first, last, offset,
        slope). A wall from `first` to `last` thick (mm) that moves on with height by offset + slope
        * thickness (mm a mm) or more, in layers of `height` (mm), comes out otherwise than one that
        moves on by less."""
        found = []
        for band in self.bands:
            first, last = band.steps
            if band.fill != "hollow" or band.solid_width == 0 or first > last:
                continue
            for more in (0.0, margin(band.uncertainty, height)):
                offset = (band.offset - band.solid_width + more) / height
                ends = (first - 0.5) / PER_MM, (last + 0.5) / PER_MM
                found.append((*ends, round(offset, _EDGE_DECIMALS), band.slope / height))
        return tuple(found)

    def outcome(self, thickness: float, lean: Lean = UPRIGHT) -> Outcome:
        """What becomes of a wall of `thickness` (mm), looked up at its reading.

        Raises ValueError for a thickness that is negative or not finite.
        """
        if not (math.isfinite(thickness) and thickness >= 0):
            raise ValueError(f"{thickness} mm is not a thickness")
        nominal = reading(thickness)
        known = self._known.get(nominal)
        if known is None:
            known = self._known[nominal] = self._outcome(nominal)
        if known.fill != "hollow" or lean.shift == 0:
            return known
        fill = inside(known.air, known.band.uncertainty, lean)
        return replace(known, fill=fill, shift=lean.shift)

    @cached_property
    def _known(self) -> dict[float, Outcome]:
        """Outcomes by reading of what stands upright: walls are many, readings few."""
        return {}

    def _outcome(self, nominal: float) -> Outcome:
        index = bisect_right(self.bands, nominal + COMPUTING_ERROR, key=lambda band: band.lower)
        band = self.bands[index - 1]
        printed = band.printed(nominal)
        return Outcome(
            fill=band.fill,
            printed=printed,
            uncertainty=float(band.uncertainty) if printed is not None else 0.0,
            deviation=None if printed is None else printed - nominal,
            air=band.air(nominal),
            band=band,
        )

    def classify(
        self, thickness: float, tolerance: tuple[float, float], lean: Lean = UPRIGHT
    ) -> Verdict:
        """What to say of a wall of `thickness` (mm); `solid` is the good one.

        tolerance  (thinner, thicker) in mm, both >= 0: how far printed may lie from nominal

        The uncertainty counts against whoever makes the claim (ISO 14253-1, from memory): a wall is
        good if the deviation stays in the tolerance over all of -U to +U, thickened or thinned if
        it is out of it over all of -U to +U, and indeterminate between. So is a wall of
        which the fill is uncertain. A porous wall is told as such where it is else good.
        """
        outcome = self.outcome(thickness, lean)
        if outcome.fill == "hollow" or outcome.fill == "missing":
            return outcome.fill
        if outcome.fill == "uncertain" or outcome.deviation is None:
            return "indeterminate"
        thinnest = outcome.deviation - outcome.uncertainty
        thickest = outcome.deviation + outcome.uncertainty
        thinner, thicker = tolerance
        if thinnest > thicker + COMPUTING_ERROR:
            return "thickened"
        if thickest < -thinner - COMPUTING_ERROR:
            return "thinned"
        if thickest <= thicker + COMPUTING_ERROR and thinnest >= -thinner - COMPUTING_ERROR:
            return "solid" if outcome.fill == "solid" else "porous"
        return "indeterminate"

    def changes(
        self, tolerance: tuple[float, float], lean: Lean = UPRIGHT
    ) -> tuple[tuple[float, Verdict], ...]:
        """The readings (mm, rising) on both sides of every thickness from which on another verdict
        holds, each with what `classify` says of it."""
        half = 0.5 / PER_MM
        changes: list[tuple[float, Verdict]] = []
        for edge in self.verdict_edges(tolerance, lean):
            sides = [max(edge - half, 0.0), edge + half]
            said = [(each, self.classify(each, tolerance, lean)) for each in sides]
            if said[0][1] != said[1][1]:
                changes += said
        return tuple(changes)

    def good_ranges(
        self, tolerance: tuple[float, float], minimum: float = 0.0
    ) -> tuple[tuple[float, float], ...]:
        """The ranges (first, last) of readings in mm, rising and apart, that `classify` as solid.

        The last may be inf. Whatever lies in a range is good to draw, its ends included. Nothing
        below `minimum` (mm) is in one, nor 0, which is no wall.
        """
        floor = max(1, _first_step(minimum))
        ranges: list[tuple[float, float]] = []
        for band in self.bands:
            first, last = _good_steps(band, tolerance)
            first = max(first, floor)
            if first > last:
                continue
            if ranges and ranges[-1][1] + 1 >= first:
                first = ranges.pop()[0]
            ranges.append((first, last))
        return tuple((first / PER_MM, last / PER_MM) for first, last in ranges)


def merged(bands: Iterable[_Band]) -> tuple[_Band, ...]:
    """The bands with neighbours of the same rule joined into one; never over a hole or overlap."""
    merged: list[_Band] = []
    for band in bands:
        if merged and merged[-1] == replace(band, lower=merged[-1].lower, upper=band.lower):
            merged[-1] = replace(merged[-1], upper=band.upper)
        else:
            merged.append(band)
    return tuple(merged)


def _check(band: Band) -> None:
    numbers = (band.lower, band.offset, band.slope, band.uncertainty, band.solid_width)
    if not all(map(math.isfinite, numbers)) or math.isnan(band.upper):
        raise ValueError(f"the band from {band.lower:g} mm has a number that is not finite")
    if band.upper <= band.lower:
        raise ValueError(f"the band from {band.lower:g} mm ends at {band.upper:g} mm")
    if band.uncertainty < 0 or band.solid_width < 0:
        raise ValueError(
            f"the band from {band.lower:g} mm has a negative uncertainty or solid width"
        )
    if band.fill == "missing":
        return
    # A straight line is lowest at one of its ends.
    falls = band.slope < 0 and math.isinf(band.upper)
    ends = [band.lower] if math.isinf(band.upper) else [band.lower, band.upper]
    if falls or min(band.offset + band.slope * end for end in ends) < -COMPUTING_ERROR:
        raise ValueError(f"the band from {band.lower:g} mm prints walls thinner than nothing")


def _crossings(band: Band, tolerance: tuple[float, float], lean: Lean) -> Iterator[float]:
    """The thicknesses (mm), of the band or not, at which another verdict may begin in it."""
    thinner, thicker = tolerance
    growth = band.slope - 1
    if (band.fill == "solid" or lean.shift > 0) and abs(growth) >= 1e-9:
        for limit in (thicker, -thinner):
            for unsure in (band.uncertainty, -band.uncertainty):
                yield (limit + unsure - band.offset) / growth
    if band.fill == "hollow" and lean.shift > 0 and abs(band.slope) >= 1e-9:
        for more in (0.0, margin(band.uncertainty, lean.height)):
            yield (lean.shift - more - band.offset + band.solid_width) / band.slope


def _good_steps(band: Band, tolerance: tuple[float, float]) -> tuple[float, float]:
    """First and last whole hundredth of a band that is good; first above last if none is."""
    none = (1, 0)
    first, last = band.steps
    thinner, thicker = tolerance
    lowest = -thinner + band.uncertainty - COMPUTING_ERROR
    highest = thicker - band.uncertainty + COMPUTING_ERROR
    if band.fill != "solid" or lowest > highest:
        return none
    # deviation = offset + growth * t must lie between lowest and highest.
    growth = band.slope - 1
    if abs(growth) < 1e-9:
        return (first, last) if lowest <= band.offset <= highest else none
    ends = sorted(((lowest - band.offset) / growth, (highest - band.offset) / growth))
    return max(first, math.ceil(ends[0] * PER_MM)), min(last, math.floor(ends[1] * PER_MM))
