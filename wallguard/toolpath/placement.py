"""How one copy of a part lies on the plate, and the way there and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_Floats = NDArray[np.float64]

# How far off the outline an edge of laid material may be to count as the outline's, mm: half a
# bead of the usual 0.5 mm; an edge farther off may be another strand's.
NEAR = 0.25
# Of the outline so much has to have its edge there, or the toolpath is not what the part says.
ENOUGH = 0.9
# Angles nearer to each other than this are one, degrees: 0.02 mm at 100 mm.
_SAME_ANGLE = 0.01


@dataclass(frozen=True)
class Placement:
    """A copy of the part on the plate. Lengths in mm.

    angle     degrees, counter-clockwise seen from above, from 0 up to, not including, 360
    shift     added to the turned part's own coordinates (as printed); `lift`: the same in z
    middle    where the middle of its box lies on the plate
    outline   share of its outline that has an edge of laid material within NEAR
    agrees    the same, within half as much, after what is grown on all sides alike is taken out
    grown     how far outside of the outline the edges lie, on all sides alike
    covered   share of its sections that is covered by beads
    inside    share of the laid ground in its box that lies inside its sections
    raised    how far above the plate it begins: on a raft, say
    mirrored  whether it is laid as in a mirror: x of the part as printed becomes -x before it is
              turned
    """

    angle: float
    shift: tuple[float, float]
    lift: float
    middle: tuple[float, float]
    outline: float = 0.0
    agrees: float = 0.0
    grown: float = 0.0
    covered: float = 0.0
    inside: float = 0.0
    raised: float = 0.0
    mirrored: bool = False

    def to_plate(self, points: _Floats) -> _Floats:
        """Points (n, 2) of the part as printed, on the plate."""
        moved: _Floats = self.ways_to_plate(points) + np.array(self.shift)
        return moved

    def to_part(self, points: _Floats) -> _Floats:
        """Points (n, 2) of the plate, in the part as printed."""
        return self.ways_to_part(points - np.array(self.shift, np.float64))

    def ways_to_plate(self, ways: _Floats) -> _Floats:
        """Directions (n, 2) of the part as printed, on the plate."""
        return turned(mirror(ways) if self.mirrored else ways, self.angle)

    def ways_to_part(self, ways: _Floats) -> _Floats:
        """Directions (n, 2) of the plate, in the part as printed."""
        back = turned(ways, -self.angle)
        return mirror(back) if self.mirrored else back

    def words(self) -> str:
        """Where it lies and how well it fits."""
        x, y = self.middle
        turn = f", turned by {round(self.angle, 2):g}°" if self.angle else ""
        turn += ", mirrored" if self.mirrored else ""
        raised = f", raised by {self.raised:.2f} mm" if self.raised else ""
        return (
            f"the middle of the part lies at X {x:.2f} Y {y:.2f}{turn}{raised}; {self.outline:.0%} "
            f"of its outline has a bead's edge within {NEAR:g} mm, beads cover {self.covered:.0%} "
            f"of its sections, and {self.inside:.0%} of what is laid within its box lies inside "
            "them"
        )


def mirror(points: _Floats) -> _Floats:
    """Points (n, 2 or 3) with x the other way."""
    other = points.copy()
    other[:, 0] = -points[:, 0]
    return other


def turned(points: _Floats, angle: float) -> _Floats:
    """Points (n, 2) turned about the origin by `angle` degrees, counter-clockwise; quarter turns
    are exact."""
    x, y = points[:, 0], points[:, 1]
    way = angle % 360
    if way == 0:
        return points
    if way == 90:
        return np.column_stack([-y, x])
    if way == 180:
        return np.column_stack([-x, -y])
    if way == 270:
        return np.column_stack([y, -x])
    cosine, sine = np.cos(np.radians(way)), np.sin(np.radians(way))
    return np.column_stack([x * cosine - y * sine, x * sine + y * cosine])


def plain_angle(angle: float) -> float:
    """An angle from 0 up to 360 degrees, a whole quarter turn where it is one but for rounding."""
    quarter = round(angle / 90) * 90.0
    kept = quarter if abs(angle - quarter) < _SAME_ANGLE else angle
    return kept % 360.0
