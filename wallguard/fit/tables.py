"""From lines through the steps of a coupon to the bands of a rule file.

A band is `measured` where steps of one fill follow each other and one line goes through them. Where
the line changes between two steps the band there covers both; where the fill changes it is
`uncertain` there. Beyond the steps, and between two of them where beads may come out otherwise, the
settings that explain the readings have their say: where all of them agree nothing is written,
so that the rule file's `beads` hold; where they do not, the band is `uncertain` and `calculated`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from wallguard.bands.beads import FILLS
from wallguard.bands.calculated import calculated
from wallguard.bands.table import Band, BandTable
from wallguard.fit.lines import Line, Lines
from wallguard.fit.settings import Estimate, laid
from wallguard.fit.steps import INCLUDED, Step
from wallguard.rules.model import DeclaredBand, Fill

# From worst to best: of walls in any direction the worse outcome is told.
_WORST: tuple[Fill, ...] = ("missing", "hollow", "uncertain", "solid")
_MOST_UNCERTAINTY = 5.0
_PER_MM = 100


@dataclass(frozen=True)
class _Rule:
    """printed = offset + slope * nominal, within U. mm."""

    offset: float
    slope: float
    uncertainty: float

    def at(self, nominal: float) -> float:
        return self.offset + self.slope * nominal


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
            found.append(_between(lines.lines[at - 1], line, (*rules[at - 1], *rules[at]), table))
        lower = 0.0 if at == 0 and line.fill == "missing" else line.lower
        found.append(_band(lower, line.upper, line.fill, rules[at], table))
    return tuple(band for band in found if band.upper is None or band.lower < band.upper)


def _rules_of(line: Line, lines: Lines) -> tuple[_Rule, ...]:
    """What may be printed along a line; several where it came out in several ways."""
    if line.fill == "missing":
        return ()
    if line.fill == "uncertain":
        one = lines.uncertainty(replace(line, fill="solid")) if line.steps else 0
        return tuple(
            _Rule(value - step.nominal, 1.0, one)
            for step in line.steps
            for value in (min(step.readings), max(step.readings))
        )
    return (_Rule(line.offset, line.slope, lines.uncertainty(line)),)


def _between(
    before: Line, after: Line, rules: tuple[_Rule, ...], table: BandTable | None
) -> DeclaredBand:
    """The band from one step to the next where they do not come out by one rule."""
    fill = before.fill if before.fill == after.fill else "uncertain"
    return _band(before.upper, after.lower, fill, rules, table)


def _band(
    lower: float,
    upper: float,
    fill: Fill,
    rules: Sequence[_Rule],
    table: BandTable | None,
) -> DeclaredBand:
    if fill == "missing":
        return DeclaredBand(lower, upper, fill, source="measured")
    rule = _cover(rules, lower, upper)
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


def _cover(rules: Sequence[_Rule], lower: float, upper: float) -> _Rule:
    """One rule that covers all of `rules` between two thicknesses (mm)."""
    if not rules:
        return _Rule(0.0, 1.0, min(_MOST_UNCERTAINTY, _up(max(upper, 0.1))))
    ends = (lower, upper)
    slope = math.fsum(rule.slope for rule in rules) / len(rules)
    # About a common slope, from the lowest to the highest that any of them reaches.
    reach = [
        rule.at(end) - slope * end + sign * rule.uncertainty
        for rule in rules
        for end in ends
        for sign in (-1, 1)
    ]
    offset = (min(reach) + max(reach)) / 2
    half = (max(reach) - min(reach)) / 2
    if offset + min(slope * end for end in ends) < 0:
        slope, offset = 0.0, max(0.0, offset + slope * (lower + upper) / 2)
        half = max(abs(rule.at(end) - offset) + rule.uncertainty for rule in rules for end in ends)
    return _Rule(round(offset, 3), round(slope, 4), min(_MOST_UNCERTAINTY, _up(half)))


def with_settings(
    bands: Sequence[DeclaredBand], found: Estimate, steps: Sequence[Step]
) -> tuple[DeclaredBand, ...]:
    """The bands, made uncertain or taken out where the settings that explain the steps say so."""
    beads, kept = found.beads, found.kept
    farthest = max(2 * row[2] * row[1] + row[5] + row[6] for row in kept.tolist())
    farthest = max(farthest, *(step.nominal for step in steps)) + 0.1
    hundredths = np.arange(1, math.ceil(farthest * _PER_MM) + 1)
    made = laid(hundredths / _PER_MM, kept)
    inner = hundredths[hundredths <= math.ceil(steps[-1].nominal * _PER_MM)]
    every = laid(inner / _PER_MM, found.every).fill
    table = calculated(beads)
    best = [FILLS.index(table.outcome(at / _PER_MM).fill) for at in hundredths.tolist()]
    share = (made.fill == np.array(best)).mean(axis=0)
    known = {round(step.lower * _PER_MM) for step in steps}
    known |= {math.floor(step.upper * _PER_MM) for step in steps}
    verdicts: list[str] = []
    for index, at in enumerate(hundredths.tolist()):
        band = _at(bands, at / _PER_MM)
        if band is None:
            verdicts.append("" if share[index] == 1 else "?")
        elif band.fill == "uncertain" or at in known:
            verdicts.append("measured")
        else:
            other = float((every[:, index] != FILLS.index(band.fill)).mean())
            if other == 1:
                verdicts.append("")
            else:
                verdicts.append("?" if other > 0 else "measured")
    result = [cut for band in bands for cut in _left(band, verdicts)]
    for first, last in _spans(verdicts):
        lower = 0.0 if first == 1 else (first - 1) / _PER_MM + INCLUDED
        upper = (last + 1) / _PER_MM
        near = [band for band in result if band.lower < upper and (band.upper or 0) > lower]
        for low, high in _free(lower, upper, near):
            deviation = made.printed[:, first - 1 : last] - hundredths[first - 1 : last] / _PER_MM
            deviation = deviation[np.isfinite(deviation)]
            rules = (
                [
                    _Rule(float(value), 1.0, beads.uncertainty)
                    for value in (deviation.min(), deviation.max())
                ]
                if deviation.size
                else []
            )
            result.append(replace(_band(low, high, "uncertain", rules, None), source="calculated"))
    return tuple(sorted(result, key=lambda band: band.lower))


def _at(bands: Sequence[DeclaredBand], nominal: float) -> DeclaredBand | None:
    for band in bands:
        if band.lower <= nominal + 1e-6 and (band.upper is None or nominal + 1e-6 < band.upper):
            return band
    return None


def _left(band: DeclaredBand, verdicts: Sequence[str]) -> Iterator[DeclaredBand]:
    """What of a measured band the settings leave standing: whole, or the parts about its steps."""
    if band.upper is None or band.fill == "uncertain":
        yield band
        return
    first = math.ceil(band.lower * _PER_MM - 1e-4)
    last = math.ceil(band.upper * _PER_MM - 1e-4) - 1
    inside = [at for at in range(max(1, first), last + 1) if at <= len(verdicts)]
    if all(verdicts[at - 1] == "measured" for at in inside):
        yield band
        return
    start: float | None = band.lower
    for at in inside:
        standing = verdicts[at - 1] == "measured"
        if standing and start is None:
            start = at / _PER_MM
        elif not standing and start is not None:
            end = (at - 1) / _PER_MM + INCLUDED
            if end > start:
                yield replace(band, lower=start, upper=round(end, 4))
            start = None
    if start is not None and start < band.upper:
        yield replace(band, lower=start)


def _spans(verdicts: Sequence[str]) -> Iterator[tuple[int, int]]:
    """First and last hundredth of each stretch that is uncertain."""
    start = None
    for at, verdict in enumerate((*verdicts, ""), 1):
        if verdict == "?" and start is None:
            start = at
        elif verdict != "?" and start is not None:
            yield start, at - 1
            start = None


def _free(
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
        first = result[0]
        # Nobody tried: anything from nothing up to what the first step gave.
        most = first.lower * (first.slope or 0) + (first.printed or 0) + first.uncertainty
        result.insert(
            0,
            DeclaredBand(
                0.0,
                first.lower,
                "uncertain",
                printed=round(most / 2, 3),
                uncertainty=min(_MOST_UNCERTAINTY, _up(most / 2)),
                source="calculated",
            ),
        )
    last = result[-1]
    assert last.upper is not None
    goes_on = replace(last, lower=last.upper, upper=None, source="calculated")
    if not (prints_all and last.fill == "solid"):
        goes_on = replace(goes_on, fill="uncertain", solid_width=0.0)
    if goes_on.printed is None:
        goes_on = replace(goes_on, printed=0.0, slope=1.0, uncertainty=_up(last.upper))
    result.append(goes_on)
    return tuple(result)


def _of_base(band: Band, bands: Sequence[DeclaredBand]) -> Iterator[DeclaredBand]:
    """The parts of a base's band that no measured band holds."""
    end = None if math.isinf(band.upper) else band.upper
    whole = DeclaredBand(
        lower=band.lower,
        upper=end,
        fill=band.fill,
        printed=None if band.fill == "missing" else band.offset,
        uncertainty=band.uncertainty,
        source="declared",
        slope=band.slope,
        solid_width=band.solid_width,
    )
    for lower, upper in _free(band.lower, band.upper, [b for b in bands if _touch(b, band)]):
        yield replace(whole, lower=lower, upper=None if math.isinf(upper) else upper)


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
        said = [band for table in rows if (band := _at_exactly(table, lower)) is not None]
        if not said:
            continue
        if len(said) < len(rows) and beads is not None:
            said.append(_calculated(beads, lower))
        found.append(_worst(said, lower, upper))
    return tuple(_joined(found))


def _at_exactly(bands: Sequence[DeclaredBand], nominal: float) -> DeclaredBand | None:
    for band in bands:
        if band.lower <= nominal and (band.upper is None or nominal < band.upper):
            return band
    return None


def _calculated(table: BandTable, nominal: float) -> DeclaredBand:
    band = next(band for band in table.bands if band.lower <= nominal < band.upper)
    printed = None if band.fill == "missing" else band.offset
    return DeclaredBand(
        band.lower,
        band.upper,
        band.fill,
        printed,
        band.uncertainty,
        "calculated",
        band.slope,
        band.solid_width,
    )


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
    rules = [_Rule(band.printed or 0.0, band.slope, band.uncertainty) for band in alike]
    rule = _cover(rules, lower, upper)
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


def _joined(bands: Sequence[DeclaredBand]) -> Iterator[DeclaredBand]:
    """Neighbours that say the same as one."""
    held: DeclaredBand | None = None
    for band in bands:
        if (
            held is not None
            and held.upper == band.lower
            and band == replace(held, lower=band.lower, upper=band.upper)
        ):
            held = replace(held, upper=band.upper)
            continue
        if held is not None:
            yield held
        held = band
    if held is not None:
        yield held


def _up(value: float) -> float:
    """Rounded up to thousandths."""
    return math.ceil(value * 1000 - 1e-6) / 1000
