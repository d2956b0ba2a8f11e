"""A band table as rows of text, for terminals, Markdown and pictures alike."""

from __future__ import annotations

import math
from collections.abc import Sequence

from wallguard.bands.advice import range_text
from wallguard.bands.table import Band, BandTable
from wallguard.rules.model import Rules

HEADS = ("nominal t, mm", "outcome", "printed, mm", "± U, mm", "air, mm", "source")


def rows(table: BandTable) -> list[tuple[str, ...]]:
    """One row of HEADS for every band that holds a reading."""
    found: list[tuple[str, ...]] = []
    for band in table.bands:
        if band.readings is not None:
            missing = band.fill == "missing"
            found.append(
                (
                    range_text(*band.readings),
                    band.fill,
                    _printed(band),
                    "-" if missing else f"{band.uncertainty:.2f}",
                    _air(band),
                    band.source,
                )
            )
    return found


def asked(rules: Rules) -> str:
    """What a good thickness has to be, in words."""
    thinner, thicker = rules.tolerance
    text = f"solid, at most {thinner:.2f} mm thinner or {thicker:.2f} mm thicker, U included"
    minimum = rules.least("wall")
    return text + (f", at least {minimum:.2f} mm" if minimum > 0 else "")


def farthest(table: BandTable, good: Sequence[tuple[float, float]]) -> float:
    """How far (mm) a drawing has to reach to show every change, and a little beyond."""
    changes = [*table.edges, *(end for ends in good for end in ends if math.isfinite(end))]
    return 1.1 * max(changes, default=0.0) or 1.0


def _printed(band: Band) -> str:
    if band.fill == "missing":
        return "-"
    if band.slope == 0:
        return f"{band.offset:.2f}"
    if band.slope == 1:
        sign = "-" if band.offset < 0 else "+"
        return f"t {sign} {abs(band.offset):.2f}" if band.offset else "as drawn"
    return f"{band.offset:.2f} + {band.slope:.2f} t"


def _air(band: Band) -> str:
    if band.fill != "hollow" or band.readings is None:
        return "-"
    if band.solid_width == 0:
        return "not known"
    first, last = band.readings
    if math.isinf(last) and band.slope > 0:
        return f"≥ {band.air(first):.2f}"
    ends = sorted({band.air(first), band.air(first if math.isinf(last) else last)})
    return range_text(ends[0], ends[-1])
