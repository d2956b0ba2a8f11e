"""From lines through the steps of a coupon to the bands of a rule file.

A band is `measured` where steps of one fill follow each other and one line goes through them. Where
the line changes between two steps the band there covers both; where the fill changes it is
`uncertain` there. Beyond the steps, and between two of them where beads may come out otherwise, the
settings that explain the readings have their say, see `fit.doubt`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Literal

from wallguard.bands.cover import MOST_UNCERTAINTY, Rule, cover, rounded_up
from wallguard.bands.table import Band, BandTable, merged
from wallguard.fitting.lines import Line, Lines
from wallguard.fitting.steps import INCLUDED, Scatter, Step
from wallguard.rules.model import DeclaredBand, Fill

# From worst to best: of walls in any direction the worse outcome is told.
_WORST: tuple[Fill, ...] = ("missing", "hollow", "uncertain", "solid")
# A reading contradicts settings if it is off by so many times the U of both (k = 3 together).
_BEYOND_CHANCE = 1.5


def measured_bands(lines: Lines, table: BandTable | None) -> tuple[DeclaredBand, ...]:
    """The bands that the steps show; nothing beyond the first and the last step, unless the first
    is missing: thinner walls are then missing too.

    table  calculated from the settings that explain the readings: says how much of a hollow wall
           is beads
    """
    found: list[DeclaredBand] = []
    rules = [_rules_of(line, lines) for line in lines.lines]
    for at, line in enumerate(lines.lines):
        if at:
            before = lines.lines[at - 1]
            around = [rule for beside in (before, line) for rule in _beside(beside, lines)]
            found.append(_between(before, line, around, table))
        lower = 0.0 if at == 0 and line.fill == "missing" else line.lower
        found.append(band_of(lower, line.upper, line.fill, rules[at], table))
    return tuple(band for band in found if band.upper is None or band.lower < band.upper)


def _rules_of(line: Line, lines: Lines) -> tuple[Rule, ...]:
    """What may be printed along a line; several where it came out in several ways."""
    if line.fill == "missing":
        return ()
    if line.fill == "uncertain":
        one = lines.uncertainty(replace(line, fill="solid")) if line.steps else 0
        return tuple(
            Rule(value - step.nominal, 1.0, one)
            for step in line.steps
            for value in (min(step.readings), max(step.readings))
        )
    return (Rule(line.offset, line.slope, lines.uncertainty(line)),)


def _beside(line: Line, lines: Lines) -> tuple[Rule, ...]:
    """What may be printed beside a line: one wall does not tell whether thickness grows with what
    is drawn."""
    rules = _rules_of(line, lines)
    if line.fill in ("missing", "uncertain") or len(line.steps) > 1:
        return rules
    at, (rule,) = line.steps[0].nominal, rules
    return tuple(Rule(rule.at(at) - slope * at, slope, rule.uncertainty) for slope in (0.0, 1.0))


def _between(
    before: Line, after: Line, rules: Sequence[Rule], table: BandTable | None
) -> DeclaredBand:
    """The band from one step to the next where they do not come out by one rule."""
    fill = before.fill if before.fill == after.fill else "uncertain"
    return band_of(before.upper, after.lower, fill, rules, table)


def band_of(
    lower: float,
    upper: float,
    fill: Fill,
    rules: Sequence[Rule],
    table: BandTable | None,
) -> DeclaredBand:
    if fill == "missing":
        return DeclaredBand(lower, upper, fill, source="measured")
    rule = cover(rules, lower, upper)
    width = 0.0
    if fill == "hollow" and table is not None:
        middle = (lower + upper) / 2
        seen = table.outcome(middle)
        # Beads wider than the wall that was read cannot be what is in it.
        if seen.fill == "hollow" and seen.band.solid_width < rule.at(middle):
            width = round(seen.band.solid_width, 3)
    return DeclaredBand(
        lower=lower,
        upper=upper,
        fill=fill,
        printed=rule.offset,
        uncertainty=rule.uncertainty,
        source="measured",
        slope=rule.slope,
        solid_width=width,
    )


def free(
    lower: float, upper: float, bands: Sequence[DeclaredBand]
) -> Iterator[tuple[float, float]]:
    """The parts from `lower` to `upper` that no band holds."""
    at = lower
    for band in sorted(bands, key=lambda band: band.lower):
        if band.lower - at > INCLUDED:
            yield round(at, 4), round(band.lower, 4)
        at = max(at, band.upper if band.upper is not None else math.inf)
    if upper - at > INCLUDED:
        yield round(at, 4), round(upper, 4)


def held_at(bands: Sequence[DeclaredBand], nominal: float) -> DeclaredBand | None:
    """The band that holds a thickness (mm)."""
    for band in bands:
        if band.lower <= nominal and (band.upper is None or nominal < band.upper):
            return band
    return None


def closed(
    bands: Sequence[DeclaredBand], beyond: BandTable | None, prints_all: bool
) -> tuple[DeclaredBand, ...]:
    """The bands with what is beyond them filled in where no bead settings can be calculated with.

    beyond      what the base says, where it says something
    prints_all  whether walls thicker than a solid one are taken to go on as it did
    """
    result = list(bands)
    if beyond is not None:
        for band in beyond.bands:
            result += _of_base(band, bands)
        return tuple(sorted(result, key=lambda band: band.lower))
    if result[0].lower > 0:
        result.insert(0, _below(result[0]))
    result.append(_above(result[-1], prints_all))
    return tuple(result)


def _below(first: DeclaredBand) -> DeclaredBand:
    """Nobody tried: anything from nothing up to what the first step gave."""
    most = first.lower * (first.slope or 0) + (first.printed or 0) + first.uncertainty
    return DeclaredBand(
        0.0,
        first.lower,
        "uncertain",
        printed=round(most / 2, 3),
        uncertainty=min(MOST_UNCERTAINTY, rounded_up(most / 2)),
        source="calculated",
    )


def _above(last: DeclaredBand, prints_all: bool) -> DeclaredBand:
    """Beyond the last step; as it was there, if walls are taken to go on so."""
    assert last.upper is not None
    goes_on = replace(last, lower=last.upper, upper=None, source="calculated")
    if not (prints_all and last.fill == "solid"):
        goes_on = replace(goes_on, fill="uncertain", solid_width=0.0)
    if goes_on.printed is None:
        most = min(MOST_UNCERTAINTY, rounded_up(last.upper))
        goes_on = replace(goes_on, printed=0.0, slope=1.0, uncertainty=most)
    return goes_on


def doubted_beyond(
    bands: Sequence[DeclaredBand], steps: Sequence[Step], table: BandTable, scatter: Scatter
) -> tuple[DeclaredBand, ...]:
    """The bands, and beyond the steps, where the outermost reading contradicts the settings that
    would hold there, bands that are uncertain. table: calculated from these settings."""
    first, last = steps[0], steps[-1]
    result = list(bands)
    # What is thinner than a missing wall is missing too: see `measured_bands`.
    if first.fill != "missing" and contradicts(first, table, scatter):
        result = [band for band in result if band.lower >= first.lower - INCLUDED]
        if result[0].lower > 0:
            result.insert(0, _below(result[0]))
    if contradicts(last, table, scatter):
        result = [band for band in result if band.lower < last.upper - INCLUDED / 2]
        result.append(_above(result[-1], prints_all=False))
    return tuple(result)


def contradicts(step: Step, table: BandTable, scatter: Scatter) -> bool:
    """Whether a step came out otherwise than the settings of a table say: in its fill, or in its
    printed thickness by more than chance."""
    outcome = table.outcome(step.nominal)
    if step.fill == "uncertain" or outcome.fill == "uncertain":
        return False
    if step.fill != outcome.fill:
        return True
    if not step.readings or outcome.printed is None:
        return False
    u = math.hypot(outcome.uncertainty, scatter.expanded(scatter.of_mean(step)))
    return abs(step.mean - outcome.printed) > _BEYOND_CHANCE * u


def _of_base(band: Band, bands: Sequence[DeclaredBand]) -> Iterator[DeclaredBand]:
    """The parts of a base's band that no measured band holds."""
    whole = declared(band, "declared")
    for lower, upper in free(band.lower, band.upper, [b for b in bands if _touch(b, band)]):
        yield replace(whole, lower=lower, upper=None if math.isinf(upper) else upper)


def declared(band: Band, source: Literal["declared", "measured", "calculated"]) -> DeclaredBand:
    """A band of a table as a rule file writes it."""
    return DeclaredBand(
        lower=band.lower,
        upper=None if math.isinf(band.upper) else band.upper,
        fill=band.fill,
        printed=None if band.fill == "missing" else band.offset,
        uncertainty=band.uncertainty,
        source=source,
        slope=band.slope,
        solid_width=band.solid_width,
    )


def _touch(one: DeclaredBand, band: Band) -> bool:
    return one.lower < band.upper and (one.upper is None or one.upper > band.lower)


def worse(
    tables: Iterable[Sequence[DeclaredBand]], beads: BandTable | None
) -> tuple[DeclaredBand, ...]:
    """Bands for walls in any direction: at each thickness the worse fill of the axes, and a printed
    thickness that covers those with it. Where no axis says anything `beads` does, and nothing is
    written.
    """
    rows = [list(table) for table in tables]
    ends = sorted(
        {0.0}
        | {band.lower for table in rows for band in table}
        | {band.upper for table in rows for band in table if band.upper is not None}
    )
    found: list[DeclaredBand] = []
    for lower, upper in (*pairwise(ends), (ends[-1], math.inf)):
        said = [band for table in rows if (band := held_at(table, lower)) is not None]
        if not said:
            continue
        if len(said) < len(rows) and beads is not None:
            found_there = next(band for band in beads.bands if band.lower <= lower < band.upper)
            said.append(declared(found_there, "calculated"))
        found.append(_worst(said, lower, upper))
    return merged(found)


def _worst(said: Sequence[DeclaredBand], lower: float, upper: float) -> DeclaredBand:
    fill = min((band.fill for band in said), key=_WORST.index)
    alike = [band for band in said if band.fill == fill]
    sources = {band.source for band in said}
    source = alike[0].source if len(sources) == 1 else "measured"
    end = None if math.isinf(upper) else upper
    if fill == "missing":
        return DeclaredBand(lower, end, fill, source=source)
    if len(alike) == 1 or end is None:
        chosen = max(alike, key=lambda band: band.uncertainty)
        return replace(chosen, lower=lower, upper=end, source=source)
    rules = [Rule(band.printed or 0.0, band.slope, band.uncertainty) for band in alike]
    rule = cover(rules, lower, upper)
    widths = {band.solid_width for band in alike}
    return DeclaredBand(
        lower,
        end,
        fill,
        rule.offset,
        rule.uncertainty,
        source,
        rule.slope,
        # Two widths: the larger leaves the less air to be sure of.
        0.0 if 0.0 in widths else max(widths),
    )
