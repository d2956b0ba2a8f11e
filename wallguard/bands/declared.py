"""The band table of a rule file: declared and measured bands over calculated ones."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from wallguard.bands.edges import cut, with_uncertain_edges
from wallguard.bands.table import Band, BandTable, merged
from wallguard.base.errors import InputError
from wallguard.rules.model import Axis, DeclaredBand, Rules


def band_table(rules: Rules, axis: Axis | None = None) -> BandTable:
    """The band table of one process.

    axis  of walls that run along this machine axis; None, or where the rules do not tell the axes
          apart: of walls in any direction

    Where a band is declared (or measured) it holds, elsewhere the one calculated from bead
    settings, with its edges as uncertain as these say (`bands.edges`), or, where no beads are laid,
    the one that follows from how far faces grow. A process of which none of this is known is taken
    to print every wall solid and as drawn, with no uncertainty: its bands say so (`source` is
    `assumed`).

    Raises InputError where the bands overlap, leave a hole that nothing fills, or hold impossible
    numbers.
    """
    try:
        declared = rules.bands if axis is None else rules.axes.get(axis, rules.bands)
        return BandTable(merged(_over(map(_band, declared), _base(rules))))
    except ValueError as error:
        raise InputError(
            rules.path, f"no band table follows: {error}", remedy="Correct `bands` or `beads`"
        ) from None


def believed(rules: Rules) -> Rules:
    """The same rules, which take edges to lie where they are calculated."""
    if rules.beads is None:
        return rules
    return replace(rules, beads=replace(rules.beads, edge_uncertainty=0.0))


def _base(rules: Rules) -> tuple[Band, ...]:
    if rules.beads is not None:
        from wallguard.bands.calculated import calculated  # which brings numpy

        bands = calculated(rules.beads, rules.layer_height).bands
        return tuple(with_uncertain_edges(bands, rules.beads.edge_uncertainty))
    if rules.growth is not None:
        return _grown(rules.growth, rules.growth_uncertainty)
    if rules.category == "material extrusion" or rules.bands:
        return ()
    return (Band(0.0, math.inf, "solid", 0.0, 1.0, 0.0, "assumed"),)


def _grown(growth: float, uncertainty: float) -> tuple[Band, ...]:
    """Every wall with both faces `growth` (mm) further out; of one that shrinks by all of its
    thickness nothing is left."""
    thicker = 2 * growth
    solid = Band(max(0.0, -thicker), math.inf, "solid", thicker, 1.0, uncertainty, "declared")
    if thicker >= 0:
        return (solid,)
    return Band(0.0, -thicker, "missing", 0.0, 0.0, 0.0, "declared"), solid


def _over(upper: Iterator[Band], base: tuple[Band, ...]) -> Iterator[Band]:
    """The bands of `upper`, and those of `base` where `upper` has none, by thickness."""
    covered = 0.0
    for band in sorted(upper, key=lambda band: band.lower):
        yield from cut(base, covered, band.lower)
        yield band
        covered = band.upper
    yield from cut(base, covered, math.inf)


def _band(row: DeclaredBand) -> Band:
    offset, slope = (0.0, 1.0) if row.printed is None else (row.printed, row.slope)
    missing = row.fill == "missing"
    return Band(
        lower=row.lower,
        upper=math.inf if row.upper is None else row.upper,
        fill=row.fill,
        offset=0.0 if missing else offset,
        slope=0.0 if missing else slope,
        uncertainty=0.0 if missing else row.uncertainty,
        source=row.source,
        solid_width=row.solid_width if row.fill == "hollow" else 0.0,
    )
