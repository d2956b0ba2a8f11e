"""What is not known of a calculated band table: where exactly its edges lie.

Settings are what software was told, not what it did, so an edge that follows from them may lie up
to u, `beads.edge_uncertainty`, to either side. Within u of it a wall comes out as on one side of it
or as on the other:

           hollow           |           solid            as calculated
    ---------------+--------+--------+----------------
        hollow     |    uncertain    |      solid        as it is told
                 e - u      e      e + u

So what is still called solid or hollow is so wherever the edges lie within u. Only edges between
two fills count; how well the printed thickness is known says its own uncertainty. Ranges that
overlap are one, and a band that lies in them alone is told no more.

How far edges are off is common practice, no published source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from wallguard.bands.cover import Rule, cover
from wallguard.bands.table import Band
from wallguard.rules.model import Fill

# The best first, as they are told.
_FILLS: tuple[Fill, ...] = ("solid", "hollow", "missing")


def with_uncertain_edges(bands: Sequence[Band], u: float) -> Iterator[Band]:
    """The bands of a calculated table, with what is within `u` (mm, from 0) of an edge between two
    fills uncertain; the printed thickness covers that of all bands it may be of."""
    free = 0.0
    for lower, upper in _ranges(bands, u):
        yield from cut(bands, free, lower)
        yield _uncertain(bands, lower, upper)
        free = upper
    yield from cut(bands, free, math.inf)


def cut(bands: Sequence[Band], lower: float, upper: float) -> Iterator[Band]:
    """What of the bands lies from `lower` to `upper` (mm)."""
    for band in bands:
        low, high = max(band.lower, lower), min(band.upper, upper)
        if low < high:
            yield replace(band, lower=low, upper=high)


def _ranges(bands: Sequence[Band], u: float) -> list[tuple[float, float]]:
    """What is within `u` of an edge between two fills, in mm; rising and apart."""
    found: list[tuple[float, float]] = []
    for before, band in pairwise(bands):
        if u > 0 and before.fill != band.fill:
            lower = max(band.lower - u, 0.0)
            if found and found[-1][1] >= lower:
                lower, _ = found.pop()
            found.append((lower, band.lower + u))
    return found


def _uncertain(bands: Sequence[Band], lower: float, upper: float) -> Band:
    may_be = list(cut(bands, lower, upper))
    rules = [Rule(b.offset, b.slope, b.uncertainty) for b in may_be if b.fill != "missing"]
    rule = cover(rules, lower, upper)
    fills = {band.fill for band in may_be}
    return Band(
        lower,
        upper,
        "uncertain",
        rule.offset,
        rule.slope,
        rule.uncertainty,
        "calculated",
        either=tuple(fill for fill in _FILLS if fill in fills),
    )
