"""The band table: from the nominal thickness of a wall to how it comes out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Fill = Literal["solid", "hollow", "missing", "uncertain"]
Source = Literal["calculated", "measured", "declared"]


@dataclass(frozen=True)
class Band:
    """A range of nominal thickness, lower <= t < upper, in which one rule holds. All in mm.

    printed thickness = offset + slope * t, with expanded uncertainty U (k = 2);
    air in a hollow wall = printed - solid_width (the beads' own width), never below zero.
    """

    lower: float
    upper: float
    fill: Fill
    offset: float
    slope: float
    uncertainty: float
    source: Source
    solid_width: float = 0.0


@dataclass(frozen=True)
class Outcome:
    """How one wall comes out: `printed` and `deviation` are None where nothing is printed."""

    fill: Fill
    printed: float | None
    uncertainty: float
    deviation: float | None
    air: float
    band: Band


@dataclass(frozen=True)
class BandTable:
    """Contiguous bands from zero up; the last one has no upper end."""

    bands: tuple[Band, ...]
