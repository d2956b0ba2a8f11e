"""A rule file as read: one process and what it asks of a part. Lengths in mm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

# ISO/ASTM 52900:2021, 3.2: process categories (terms from memory).
Category = Literal["material extrusion", "vat photopolymerization", "powder bed fusion"]
Fill = Literal["solid", "hollow", "missing", "uncertain"]
Level = Literal["fail", "warn", "ignore"]
OutcomeName = Literal["hollow", "missing", "thickened", "thinned", "indeterminate"]
# The machine axis along which a wall runs.
Axis = Literal["x", "y"]


@dataclass(frozen=True)
class Beads:
    """Bead settings of a material-extrusion process.

    width          of a bead where it is free to choose
    width_varies   (narrowest, widest) bead, or None where the width is fixed
    contours       beads that follow the outline, on each side of a wall
    smallest_wall  thinner walls are not printed
    between_one_and_two  what becomes of a wall too thick for one bead and too thin for two
    squeeze        the largest left-over that is closed by squeezing
    smallest_fill  the smallest left-over that gets a filling bead
    uncertainty    expanded (k = 2), of every calculated printed thickness
    """

    width: float
    contours: int
    smallest_wall: float
    squeeze: float
    smallest_fill: float
    between_one_and_two: Literal["two beads", "one bead", "dropped"] = "two beads"
    width_varies: tuple[float, float] | None = None
    nozzle: float | None = None
    uncertainty: float = 0.05


@dataclass(frozen=True)
class DeclaredBand:
    """A band of a rule file; `printed` None means as drawn (or nothing, where missing).

    source  `calculated` where it tells how far bead settings, fitted to a coupon, can be trusted
    """

    lower: float
    upper: float | None
    fill: Fill
    printed: float | None = None
    uncertainty: float = 0.0
    source: Literal["declared", "measured", "calculated"] = "declared"
    slope: float = 0.0
    solid_width: float = 0.0


@dataclass(frozen=True)
class Limit:
    """Below `fail` the part fails; below `warn` the reviewer is told."""

    fail: float | None = None
    warn: float | None = None


@dataclass(frozen=True)
class Rules:
    """One rule file, with what it inherits already in place.

    tolerance  (thinner, thicker): how far printed may lie below and above nominal, both >= 0
    minimum    limits by the id of their feature (`rules.features`); what is absent is not asked
    outcomes   what each outcome does to the gate
    bands      of walls in any direction
    axes       bands of walls that run along one machine axis, where the axes were found to differ
    files      the rule file and those it extends: a change in any of them re-checks
    filament   diameter of what toolpaths feed; flow: factor between fed and laid; None: unsaid
    """

    path: str
    name: str
    category: Category
    layer_height: float
    build_volume: tuple[float, float, float] | None = None
    beads: Beads | None = None
    bands: tuple[DeclaredBand, ...] = ()
    axes: dict[Axis, tuple[DeclaredBand, ...]] = field(default_factory=dict)
    minimum: Mapping[str, Limit] = field(default_factory=dict)
    tolerance: tuple[float, float] = (0.15, 0.15)
    outcomes: dict[OutcomeName, Level] = field(default_factory=dict)
    printer: str = ""
    material: str = ""
    notes: str = ""
    files: tuple[str, ...] = ()
    filament: float | None = None
    flow: float | None = None

    def least(self, feature: str) -> float:
        """The smallest of its kind that no level complains about; 0 where nothing is asked."""
        limit = self.minimum.get(feature, Limit())
        return max(limit.fail or 0.0, limit.warn or 0.0)
