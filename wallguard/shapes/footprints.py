"""What a part stands on, and what begins in mid-air: its pieces from layer to layer.

    layer 3   ▢▢▢▢▢▢▢▢▢▢▢▢      one region, over two of layer 2: they are one piece from here on
    layer 2   ▢▢▢      ▢▢▢      the right one has nothing below it: an island
    layer 1   ▢▢▢               the footprint

A region of a layer lies on one below where the two share area. Regions that lie on one another are
one piece. A region of any layer but the part's lowest that lies on nothing is an island, and what
lies only on islands hangs with them until it meets what stands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.sections.sections import Sections
from wallguard.shapes.regions import SHARED, Joined, material, overlaid, parts

Point = tuple[float, float, float]
Box = tuple[Point, Point]
_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Island:
    """Where a piece begins in mid-air. Lengths in mm, in the print frame.

    area    of its first layer, mm²
    above   how far above the lowest point of the part it begins
    point   within its first layer, at the bottom
    box     of its first layer
    hangs   the height over which it hangs alone, until it meets what stands; None: never
    """

    area: float
    above: float
    point: Point
    box: Box
    hangs: float | None


@dataclass(frozen=True)
class Footprint:
    """What one piece stands on. Lengths in mm, in the print frame.

    area    of its first layer, mm²
    width   the least distance between two parallel lines that hold its first layer between them
    height  of all that stands on it
    across  a line as long as `width`, square to those
    point   within its first layer, at the bottom; box: of its first layer
    """

    area: float
    width: float
    height: float
    across: tuple[Point, Point]
    point: Point
    box: Box

    @property
    def slenderness(self) -> float:
        """Height over width."""
        return self.height / self.width if self.width > 0 else math.inf


@dataclass(frozen=True, eq=False)
class _Regions:
    """Regions of all layers: which layer each is of, and links from a region to what it lies on.

    shape  (n,) polygons, equal ones of equal layers the same object
    layer  (n,) int64, rising
    upper, lower  (k,) int64: region upper[i] lies on region lower[i], of the layer below
    """

    shape: NDArray[np.object_]
    layer: _Ints
    upper: _Ints
    lower: _Ints


def find_footprints(sections: Sections) -> tuple[list[Footprint], list[Island]]:
    """The footprint of each piece that stands, the narrowest for its height first; and what begins
    in mid-air, the lowest first."""
    regions = _regions(sections)
    if not len(regions.shape):
        return [], []
    bottom = float(sections.heights[0]) - sections.layer_height / 2
    tops: _Floats = (bottom + sections.layer_height * (regions.layer + 1)).astype(np.float64)
    stands = regions.layer == regions.layer[0]
    return _footprints(regions, stands, tops, bottom), _islands(regions, stands, sections, bottom)


def _regions(sections: Sections) -> _Regions:
    distinct = sections.distinct
    layers = np.flatnonzero(distinct >= 0)
    used = np.unique(distinct[layers])
    polygons = {number: parts(material(sections, number)) for number in used.tolist()}
    pairs: dict[tuple[int, int], tuple[_Ints, _Ints]] = {}
    shapes: list[NDArray[np.object_]] = []
    layer: list[_Ints] = []
    upper: list[_Ints] = []
    lower: list[_Ints] = []
    before, first = -1, 0
    for at in layers.tolist():
        section = int(distinct[at])
        own = polygons[section]
        if before == at - 1 and before >= 0:
            key = int(distinct[before]), section
            if key not in pairs:
                pairs[key] = _lying(polygons[key[0]], own)
            low, high = pairs[key]
            lower.append(low + first - len(polygons[key[0]]))
            upper.append(high + first)
        shapes.append(own)
        layer.append(np.full(len(own), at, np.int64))
        before, first = at, first + len(own)
    return _Regions(
        np.concatenate(shapes) if shapes else np.zeros(0, object),
        np.concatenate(layer) if layer else np.zeros(0, np.int64),
        np.concatenate(upper) if upper else np.zeros(0, np.int64),
        np.concatenate(lower) if lower else np.zeros(0, np.int64),
    )


def _lying(below: NDArray[np.object_], above: NDArray[np.object_]) -> tuple[_Ints, _Ints]:
    """Which of two layers' regions share area."""
    high, low = shapely.STRtree(below).query(above, predicate="intersects")
    if len(high) and (len(below) > 1 or len(above) > 1):
        shared = shapely.area(overlaid(shapely.intersection, above[high], below[low])) > SHARED
        high, low = high[shared], low[shared]
    return low.astype(np.int64), high.astype(np.int64)


def _footprints(
    regions: _Regions, stands: NDArray[np.bool_], tops: _Floats, bottom: float
) -> list[Footprint]:
    count, piece = connected(regions.upper, regions.lower, len(regions.shape))
    height = np.full(count, bottom)
    np.maximum.at(height, piece, tops)
    made = []
    for number in np.unique(piece[stands]).tolist():
        own = regions.shape[stands & (piece == number)]
        shape = shapely.union_all(own)
        width, across = _width(shape)
        made.append(
            Footprint(
                float(shape.area),
                width,
                float(height[number]) - bottom,
                ((*across[0], bottom), (*across[1], bottom)),
                _inner(own[int(np.argmax(shapely.area(own)))], bottom),
                _box(shape, bottom, bottom),
            )
        )
    return sorted(made, key=lambda each: (-each.slenderness, each.point))


def _islands(
    regions: _Regions, stands: NDArray[np.bool_], sections: Sections, bottom: float
) -> list[Island]:
    lying = np.zeros(len(regions.shape), bool)
    lying[regions.upper] = True
    begins = np.flatnonzero(~lying & ~stands)
    met = _meetings(regions, stands, begins) if len(begins) else {}
    made = []
    for at in begins.tolist():
        shape, layer = regions.shape[at], int(regions.layer[at])
        above = layer * sections.layer_height
        z = bottom + above
        hangs = (met[at] - layer) * sections.layer_height if at in met else None
        box = _box(shape, z, z + sections.layer_height)
        made.append(Island(float(shape.area), above, _inner(shape, z), box, hangs))
    return made


def _meetings(regions: _Regions, stands: NDArray[np.bool_], begins: _Ints) -> dict[int, int]:
    """The layer in which what begins at each of some regions first is one with what stands.

    Links are gone through from below, and pieces joined as they are met.
    """
    pieces = Joined(len(stands))
    standing = stands.tolist()
    waiting: dict[int, list[int]] = {at: [at] for at in begins.tolist()}
    met: dict[int, int] = {}
    for low, high in zip(regions.lower.tolist(), regions.upper.tolist(), strict=True):
        joined = pieces.join(low, high)
        if joined is None:
            continue
        keep, gone = joined
        together = waiting.pop(keep, []) + waiting.pop(gone, [])
        standing[keep] = standing[keep] or standing[gone]
        if standing[keep]:
            met |= dict.fromkeys(together, int(regions.layer[high]))
        elif together:
            waiting[keep] = together
    return met


def _width(shape: shapely.Geometry) -> tuple[float, tuple[tuple[float, float], ...]]:
    """The least width of a region, and where: one of the two lines that hold it lies along a side
    of its hull (Houle and Toussaint, "Computing the width of a set", IEEE Transactions on Pattern
    Analysis and Machine Intelligence 10, 1988; from memory)."""
    hull = shapely.get_coordinates(shapely.convex_hull(shape))
    start, side = hull[:-1], np.diff(hull, axis=0)
    length = np.linalg.norm(side, axis=1)
    normal = np.column_stack((-side[:, 1], side[:, 0]))[length > 0] / length[length > 0, None]
    start = start[length > 0]
    far = np.abs((hull[None] - start[:, None]) @ normal[:, :, None])[..., 0]
    opposite = far.argmax(axis=1)
    best = int(np.argmin(far.max(axis=1)))
    width = float(far[best].max())
    tip = hull[opposite[best]]
    foot = tip - ((tip - start[best]) @ normal[best]) * normal[best]
    return width, ((float(foot[0]), float(foot[1])), (float(tip[0]), float(tip[1])))


def _inner(shape: shapely.Geometry, z: float) -> Point:
    inner = shape.representative_point()
    return float(inner.x), float(inner.y), z


def _box(shape: shapely.Geometry, low: float, high: float) -> Box:
    left, front, right, back = (float(value) for value in shape.bounds)
    return (left, front, low), (right, back, high)
