"""What evidence moves: ranges of thickness, edges of the band table and bead settings, as they are
told. Lengths in mm."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby

from wallguard.bands.table import PER_MM, BandTable
from wallguard.base.text import mm
from wallguard.findings.rehearsal import Edge, Otherwise, Setting
from wallguard.fitting.evidence import Evidence
from wallguard.fitting.fit import Fit
from wallguard.fitting.settings import Range, number_of, words_of
from wallguard.rules.model import Rules

# A setting has moved if it lies this far outside of what explains the toolpath, mm.
_MOVED = 0.01


def otherwise(evidence: Evidence) -> Iterator[Otherwise]:
    """Thicknesses that come out otherwise, thinnest first."""
    for first, last in evidence.stretches():
        lower, upper = first / PER_MM, last / PER_MM
        before, after = evidence.before.outcome(lower), evidence.after.outcome(lower)
        yield Otherwise(
            lower=lower,
            upper=None if math.isinf(upper) else upper,
            before=before.fill,
            after=after.fill,
            printed_before=before.printed,
            printed_after=after.printed,
            read=tuple(step for step in evidence.read if lower - 1e-6 <= step <= upper + 1e-6),
        )


def edges(evidence: Evidence) -> Iterator[Edge]:
    """The edges of the table that moved, came or went, by thickness."""
    before, after = (_edges(table) for table in (evidence.before, evidence.after))
    stay = [edge for edge in before if edge in after]
    came = [edge for edge in after if edge not in stay]
    left = [edge for edge in before if edge not in stay]
    pairs = [(old, new) for old in left for new in came if old[:2] == new[:2]]
    moved = []
    # The nearest first: an edge may be gone, and the next old of its kind have moved.
    for old, new in sorted(pairs, key=lambda pair: abs(pair[1][2] - pair[0][2])):
        if old in left and new in came:
            left.remove(old)
            came.remove(new)
            moved.append(Edge(*old[:2], old[2:], new[2:]))
    moved += [Edge(*edge[:2], edge[2:], None) for edge in left]
    moved += [Edge(*edge[:2], None, edge[2:]) for edge in came]
    yield from sorted(moved, key=lambda edge: edge.before or edge.after or (0.0, 0.0))


def standing(evidence: Evidence) -> Iterator[Edge]:
    """The edges that stand, each with the nearest thicknesses to either side of it of which the
    toolpath tells the fill: between them it may have moved unseen."""
    after = _edges(evidence.after)
    for edge in _edges(evidence.before):
        reach = evidence.reach(edge[3])
        if edge in after and reach is not None:
            yield Edge(*edge[:2], edge[2:], reach)


_Place = tuple[str, str, float, float]


def _edges(table: BandTable) -> list[_Place]:
    """Fill below and above each edge, and the least and greatest thickness from which the fill
    above may hold. What is uncertain between two fills is one edge, somewhere in it."""
    runs: list[tuple[str, float]] = []
    for fill, bands in groupby(table.bands, key=lambda band: band.fill):
        readings = next(bands).readings
        if readings is not None:
            runs.append((fill, readings[0]))
    places: list[_Place] = []
    for at in range(1, len(runs)):
        (below, _), (above, low) = runs[at - 1 : at + 1]
        if above == "uncertain" and at + 1 < len(runs):
            continue
        start = low
        if below == "uncertain" and at > 1:
            below, start = runs[at - 2][0], runs[at - 1][1]
        if below != above:
            places.append((below, above, start, low))
    return places


def settings(fitted: Fit, base: Rules) -> Iterator[Setting]:
    """What explains the toolpath, beside what the rules say."""
    estimate, beads = fitted.found, base.beads
    if estimate is None or beads is None:
        return
    for key, reach in estimate.ranges.items():
        if key == "contours" and estimate.contours_taken:
            continue
        before = number_of(key, beads, base.layer_height)
        moved = not reach.low - _MOVED <= before <= reach.high + _MOVED
        yield Setting(key, _text(key, before), _ranged(key, reach), moved)
    for key, said in words_of(beads).items():
        words = estimate.choices.get(key, (said,))
        yield Setting(key, said, " or ".join(words), said not in words)


def _text(key: str, value: float) -> str:
    return f"{value:g}" if key == "contours" else f"{mm(value)} mm"


def _ranged(key: str, reach: Range) -> str:
    low, high = (_text(key, value).removesuffix(" mm") for value in (reach.low, reach.high))
    unit = "" if key == "contours" else " mm"
    return f"{low}{unit}" if low == high else f"{low} to {high}{unit}"
