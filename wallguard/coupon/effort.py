"""How much material a coupon takes, and about how long it prints.

The volume is that of its mesh: a hollow wall and a sparse fill take less. The time is an estimate,
for material extrusion only: all of the volume as beads, at `SPEED` mm of bead a second on the
whole, travel and slow first layers included (common practice for desktop machines, no published
source). What other processes take depends on their machines alone, so nothing is said of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from wallguard.bands.declared import band_table
from wallguard.bands.section import area
from wallguard.coupon.plan import unit_width
from wallguard.mesh.mesh import Mesh, volume
from wallguard.rules.model import Rules

SPEED = 40.0


@dataclass(frozen=True)
class Effort:
    """volume in mm^3; minutes: None where nothing can be said."""

    volume: float
    minutes: float | None

    @property
    def words(self) -> tuple[str, ...]:
        """What it takes, the estimate marked as one."""
        said = f"material: {self.volume / 1000:.1f} cm³ at most"
        if self.minutes is None:
            return (said,)
        return said, (
            f"time to print: about {self._time} (an estimate: {SPEED:g} mm of bead a second on the "
            "whole; heating up not included)"
        )

    @property
    def _time(self) -> str:
        minutes = max(5, 5 * round((self.minutes or 0.0) / 5))
        return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def effort(rules: Rules, meshes: Iterable[Mesh]) -> Effort:
    """What the plates of a coupon take. Raises InputError where no band table follows."""
    material = sum(volume(mesh.vertices, mesh.triangles) for mesh in meshes)
    if rules.category != "material extrusion":
        return Effort(material, None)
    h, width = rules.layer_height, unit_width(rules, band_table(rules))
    return Effort(material, material / (area(max(width, h), h) * SPEED) / 60)
