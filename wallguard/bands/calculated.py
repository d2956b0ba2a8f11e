"""The band table of a process from its bead settings, by the model of `bands.beads`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from wallguard.bands.beads import FILLS, Settings, edges, lay, shared
from wallguard.bands.table import Band, BandTable, merged
from wallguard.rules.model import Beads

# Edges are computed to the nanometre, so that equal edges from unlike sums are equal numbers.
_DECIMALS = 6


def calculated(beads: Beads, layer_height: float | None = None) -> BandTable:
    """The band table that follows from bead settings.

    layer_height  in mm; may be None where the spacing of beads does not follow from it

    Raises ValueError for settings from which no table follows (no contour, numbers not finite,
    beads that share their whole width or come out thinner than nothing, a layer height that is
    needed and not given).
    """
    if beads.contours < 1:
        raise ValueError(f"{beads.contours} contours on each side of a wall: there must be one")
    common, narrowest = shared(beads, layer_height), (beads.width_varies or (beads.width,))[0]
    if common >= narrowest:
        raise ValueError(f"beads {narrowest:g} mm wide cannot share {common:g} mm")
    if beads.offset <= -narrowest:
        raise ValueError(
            f"beads {narrowest:g} mm wide cannot come out {-beads.offset:g} mm thinner"
        )
    return BandTable(merged(_with_readings(merged(_bands(beads, layer_height)))))


def _bands(beads: Beads, layer_height: float | None) -> Iterator[Band]:
    """A band from each edge of the model to the next: the same rule holds all along it."""
    ends = sorted({0.0, *(round(edge, _DECIMALS) for edge in edges(beads, layer_height))})
    # The last has no end: whatever holds beyond the last edge holds for ever.
    middles = [(low + high) / 2 for low, high in pairwise([*ends, ends[-1] + 1])]
    laid = lay(np.array(middles), Settings.of(beads, layer_height))
    for at, (lower, upper) in enumerate(pairwise([*ends, math.inf])):
        fill = FILLS[laid.fill[at]]
        missing, as_drawn = fill == "missing", bool(laid.as_drawn[at])
        yield Band(
            lower=lower,
            upper=upper,
            fill=fill,
            offset=0.0 if missing else _offset(beads, as_drawn, float(laid.printed[at])),
            slope=float(as_drawn),
            uncertainty=0.0 if missing else beads.uncertainty,
            source="calculated",
            solid_width=round(float(laid.solid[at]), _DECIMALS),
        )


def _offset(beads: Beads, as_drawn: bool, printed: float) -> float:
    """What of the printed thickness (mm) does not grow with the thickness drawn."""
    return beads.offset if as_drawn else round(printed, _DECIMALS)


def _with_readings(bands: Iterable[Band]) -> Iterator[Band]:
    """The bands without those between two readings: they are never looked up, and would only part
    their neighbours."""
    lower = 0.0
    for band in bands:
        if band.readings is not None:
            yield replace(band, lower=lower)
            lower = band.upper
