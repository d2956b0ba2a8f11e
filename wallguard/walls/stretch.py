"""A stretch: what the geometry says of one wall or one gap, in the frame it is printed in."""

from __future__ import annotations

from dataclasses import dataclass

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Stretch:
    """A wall (or a gap) between two facing boundaries, followed over layers. All in mm.

    minimum, typical, maximum  thickness; typical is the median along its length
    length    along the wall in the layer where it is longest
    low, high extent in z: the bottom of its first layer and the top of its last
    point     a point in the middle of the wall, where it is thinnest
    box       (lowest corner, highest corner)
    group     which of the ranges between the given thickness edges it lies in
    sides     on how many sides it is held by other material (two ends, below, above)
    """

    minimum: float
    typical: float
    maximum: float
    length: float
    low: float
    high: float
    point: Point
    box: tuple[Point, Point]
    group: int
    sides: int
