"""What evidence moves: ranges of thickness, edges of the band table and bead settings, as they are
told. Lengths in mm."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby

from wallguard.bands.beads import shared
from wallguard.bands.table import BandTable
from wallguard.base.text import mm
from wallguard.findings.rehearsal import Edge, Otherwise, Setting
from wallguard.fitting.evidence import Evidence
from wallguard.fitting.fit import Fit
from wallguard.fitting.settings import Range
from wallguard.rules.model import Beads, Rules

_PER_MM = 100
# A setting has moved if it lies this far outside of what explains the toolpath, mm.
_MOVED = 0.005


def otherwise(found: Evidence) -> Iterator[Otherwise]:
    """Thicknesses that come out otherwise, thinnest first."""
    for first, last in found.stretches():
        lower, upper = first / _PER_MM, last / _PER_MM
        before, after = found.before.outcome(lower), found.after.outcome(lower)
        yield Otherwise(
            lower=lower,
            upper=None if math.isinf(upper) else upper,
            before=before.fill,
            after=after.fill,
            printed_before=before.printed,
            printed_after=after.printed,
            read=tuple(one for one in found.read if lower - 1e-6 <= one <= upper + 1e-6),
        )


def edges(found: Evidence) -> Iterator[Edge]:
    """The edges of the table that moved, came or went, by thickness."""
    before, after = (_edges(table) for table in (found.before, found.after))
    stay = [edge for edge in before if edge in after]
    came = [edge for edge in after if edge not in stay]
    left = [edge for edge in before if edge not in stay]
    pairs = [(one, other) for one in left for other in came if one[:2] == other[:2]]
    made = []
    # The nearest first: an edge may be gone, and the next one of its kind have moved.
    for one, other in sorted(pairs, key=lambda pair: abs(pair[1][2] - pair[0][2])):
        if one in left and other in came:
            left.remove(one)
            came.remove(other)
            made.append(Edge(*one[:2], one[2:], other[2:]))
    made += [Edge(*edge[:2], edge[2:], None) for edge in left]
    made += [Edge(*edge[:2], None, edge[2:]) for edge in came]
    yield from sorted(made, key=lambda edge: edge.before or edge.after or (0.0, 0.0))


def standing(found: Evidence) -> Iterator[Edge]:
    """The edges that stand, each with the walls read to either side of it: it was seen between
    them, and may have moved between them unseen."""
    after = _edges(found.after)
    for edge in _edges(found.before):
        below = [one for one in found.read if one < edge[2] - 1e-6]
        above = [one for one in found.read if one >= edge[3] - 1e-6]
        if edge in after and below and above:
            yield Edge(*edge[:2], edge[2:], (below[-1], above[0]))


_Place = tuple[str, str, float, float]


def _edges(table: BandTable) -> list[_Place]:
    """Fill below and above each edge, and the least and greatest thickness from which the fill
    above may hold. What is uncertain between two fills is one edge, somewhere in it."""
    runs: list[tuple[str, float]] = []
    for fill, bands in groupby(table.bands, key=lambda band: band.fill):
        readings = next(bands).readings
        if readings is not None:
            runs.append((fill, readings[0]))
    found: list[_Place] = []
    for at in range(1, len(runs)):
        (below, _), (above, low) = runs[at - 1 : at + 1]
        if above == "uncertain" and at + 1 < len(runs):
            continue
        start = low
        if below == "uncertain" and at > 1:
            below, start = runs[at - 2][0], runs[at - 1][1]
        if below != above:
            found.append((below, above, start, low))
    return found


def settings(fitted: Fit, base: Rules) -> Iterator[Setting]:
    """What explains the toolpath, beside what the rules say."""
    found, beads = fitted.found, base.beads
    if found is None or beads is None:
        return
    share = shared(beads, base.layer_height)
    for key, one in found.ranges.items():
        if key == "contours" and found.contours_taken:
            continue
        before = _said(key, beads, share)
        moved = before is not None and not one.low - _MOVED <= before <= one.high + _MOVED
        yield Setting(key, "" if before is None else _text(key, before), _ranged(key, one), moved)
    words = found.choices.get("between_one_and_two", ())
    said = beads.between_one_and_two
    yield Setting("between_one_and_two", said, " or ".join(words), said not in words)


def _said(key: str, beads: Beads, share: float) -> float | None:
    varies = beads.width_varies
    if key in ("narrowest bead", "widest bead"):
        return varies[key == "widest bead"] if varies else beads.width
    if key == "spacing":
        return beads.width - share
    return float(getattr(beads, key))


def _text(key: str, value: float) -> str:
    return f"{value:g}" if key == "contours" else f"{mm(value)} mm"


def _ranged(key: str, one: Range) -> str:
    low, high = (_text(key, value).removesuffix(" mm") for value in (one.low, one.high))
    unit = "" if key == "contours" else " mm"
    return f"{low}{unit}" if low == high else f"{low} to {high}{unit}"
