"""What a part stands on, and what begins in mid-air: its pieces from layer to layer.

    layer 3   ▢▢▢▢▢▢▢▢▢▢▢▢      one region, over two of layer 2: they are one piece from here on
    layer 2   ▢▢▢      ▢▢▢      the right one has nothing below it: an island
    layer 1   ▢▢▢               the footprint

A region of a layer lies on one below where the two share area. Regions that lie on one another are
one piece. A region of any layer but the part's lowest that lies on nothing is an island, and what
lies only on islands hangs with them until it meets what stands. Where the mesh is known, what goes
on beside a region below lies on it, too: a leaning edge that is sharper than it moves on in a layer
shares no area with itself, but its surface goes down without an end.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.base.arrays import connected, distinct, ranges
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh
from wallguard.sections.sections import Sections
from wallguard.shapes.regions import SHARED, Joined, materials, overlaid

Point = tuple[float, float, float]
Box = tuple[Point, Point]
_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]
# A surface that ends so near to an outline, mm, is the one that it was cut from.
_ON = 0.01


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


def find_footprints(
    sections: Sections, mesh: Mesh | None = None
) -> tuple[list[Footprint], list[Island]]:
    """The footprint of each piece that stands, the narrowest for its height first; and what begins
    in mid-air, the lowest first. `mesh`: what the sections were cut from."""
    regions = _regions(sections)
    if not len(regions.shape):
        return [], []
    if mesh is not None:
        regions = _beside(regions, sections, mesh)
    bottom = float(sections.heights[0]) - sections.layer_height / 2
    tops: _Floats = (bottom + sections.layer_height * (regions.layer + 1)).astype(np.float64)
    stands = regions.layer == regions.layer[0]
    return _footprints(regions, stands, tops, bottom), _islands(regions, stands, sections, bottom)


def _regions(sections: Sections) -> _Regions:
    numbers = sections.distinct
    layers = np.flatnonzero(numbers >= 0)
    polygons, first_of = shapely.get_parts(materials(sections), return_index=True)
    ends = np.searchsorted(first_of, np.arange(int(numbers.max(initial=-1)) + 2))
    pairs = _pairs(numbers, polygons, ends)
    shapes: list[NDArray[np.object_]] = []
    layer: list[_Ints] = []
    upper: list[_Ints] = []
    lower: list[_Ints] = []
    before, first = -1, 0
    for at in layers.tolist():
        section = int(numbers[at])
        own = polygons[ends[section] : ends[section + 1]]
        if before == at - 1 and before >= 0:
            below = int(numbers[before])
            low, high = pairs[below, section]
            lower.append(low + first - (ends[below + 1] - ends[below]))
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


def _pairs(
    section: NDArray[np.int32], regions: NDArray[np.object_], ends: _Ints
) -> dict[tuple[int, int], tuple[_Ints, _Ints]]:
    """Of each two sections that lie upon each other somewhere, by the sections (L,) of all layers,
    which of their regions do: those of section s are ends[s] to ends[s + 1]."""
    both = (section[:-1] >= 0) & (section[1:] >= 0)
    size = len(ends)
    lower, upper = np.divmod(
        distinct(section[:-1][both].astype(np.int64) * size + section[1:][both]), size
    )
    only = (np.diff(ends)[lower] == 1) & (np.diff(ends)[upper] == 1)
    meet = np.zeros(len(lower), bool)
    meet[only] = shapely.intersects(regions[ends[lower[only]]], regions[ends[upper[only]]])
    one, none = np.zeros(1, np.int64), np.zeros(0, np.int64)
    pairs = {}
    for below, above, alone, meets in zip(
        *(each.tolist() for each in (lower, upper, only, meet)), strict=True
    ):
        if alone:
            pairs[below, above] = (one, one) if meets else (none, none)
        else:
            shapes = [regions[ends[at] : ends[at + 1]] for at in (below, above)]
            pairs[below, above] = _lying(*shapes)
    return pairs


def _lying(below: NDArray[np.object_], above: NDArray[np.object_]) -> tuple[_Ints, _Ints]:
    """Which of two layers' regions share area."""
    high, low = shapely.STRtree(below).query(above, predicate="intersects")
    if len(high) and (len(below) > 1 or len(above) > 1):
        shared = shapely.area(overlaid(shapely.intersection, above[high], below[low])) > SHARED
        high, low = high[shared], low[shared]
    return low.astype(np.int64), high.astype(np.int64)


def _beside(regions: _Regions, sections: Sections, mesh: Mesh) -> _Regions:
    """With links from regions that lie on nothing to those that their own surface leads down to."""
    lying = regions.layer == regions.layer[0]
    lying[regions.upper] = True
    begins = np.flatnonzero(~lying)
    if not len(begins):
        return regions
    layers = distinct(regions.layer[begins])
    layers = layers[layers > 0]
    low, high = sections.heights[layers - 1], sections.heights[layers]
    corner_z = mesh.vertices[mesh.triangles, 2]
    bottom, top = corner_z.min(axis=1), corner_z.max(axis=1)
    first = np.searchsorted(high, bottom, side="right")
    count = np.maximum(np.searchsorted(low, top, side="left") - first, 0)
    owner, slab = ranges(first, count)
    order = np.argsort(slab, kind="stable")
    owner, slab = owner[order], slab[order]
    cut = np.searchsorted(slab, np.arange(len(layers) + 1))
    edges = edges_of(mesh.triangles, np.ones(len(mesh.triangles), bool))
    two = edges.start[np.flatnonzero(edges.count == 2)]
    one, other = edges.sides[two], edges.sides[two + 1]
    # Edges by the first of their triangles, so that those of a slab are found without the others.
    ends = mesh.triangles[one // 3, one % 3], mesh.triangles[one // 3, (one % 3 + 1) % 3]
    heights = np.sort(np.stack([mesh.vertices[end, 2] for end in ends]), axis=0)
    of = np.argsort(one // 3, kind="stable")
    start = np.searchsorted((one // 3)[of], np.arange(len(mesh.triangles) + 1))
    number = np.full(len(mesh.triangles), -1)
    upper, lower = [regions.upper], [regions.lower]
    for at, layer in enumerate(layers.tolist()):
        own = owner[cut[at] : cut[at + 1]]
        number[own] = np.arange(len(own))
        _, side = ranges(start[own], start[own + 1] - start[own])
        side = of[side]
        side = side[(heights[0, side] < high[at]) & (heights[1, side] > low[at])]
        side = side[number[other[side] // 3] >= 0]
        _, piece = connected(number[one[side] // 3], number[other[side] // 3], len(own))
        number[own] = -1
        there = begins[regions.layer[begins] == layer]
        under = np.flatnonzero(regions.layer == layer - 1)
        tops = _crossing(mesh, own, float(high[at]))
        feet = _crossing(mesh, own, float(low[at]))
        for link in _leading(regions.shape, there, under, piece, (tops, feet)):
            upper.append(np.array(link[:1]))
            lower.append(np.array(link[1:]))
    above, below = np.concatenate(upper), np.concatenate(lower)
    order = np.lexsort((below, above))
    return replace(regions, upper=above[order], lower=below[order])


def _crossing(mesh: Mesh, own: _Ints, z: float) -> tuple[_Ints, _Floats]:
    """Which of some triangles a level plane crosses, and the middle of each crossing (m, 2)."""
    corner = mesh.vertices[mesh.triangles[own]]
    above = corner[..., 2] > z
    which = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
    corner, above = corner[which], above[which]
    # The corner that lies alone on its side; the plane crosses the two sides that meet there.
    alone = (above == (above.sum(axis=1) == 1)[:, None]).argmax(axis=1)
    a, b, c = (corner[np.arange(len(which)), (alone + step) % 3] for step in range(3))
    points = [
        a[:, :2] + ((z - a[:, 2]) / (end[:, 2] - a[:, 2]))[:, None] * (end - a)[:, :2]
        for end in (b, c)
    ]
    return which, (points[0] + points[1]) / 2


def _leading(
    shape: NDArray[np.object_],
    there: _Ints,
    under: _Ints,
    piece: _Ints,
    crossings: tuple[tuple[_Ints, _Floats], tuple[_Ints, _Floats]],
) -> Iterator[tuple[int, int]]:
    """From each region `there` to those `under` it at which the same piece of surface ends."""
    if not len(under):
        return
    (top, at_top), (foot, at_foot) = crossings
    tree = shapely.STRtree(shapely.boundary(shape[under]))
    for region in there.tolist():
        on = shapely.distance(shapely.boundary(shape[region]), shapely.points(at_top)) <= _ON
        leads = np.isin(piece[foot], piece[top[on]])
        if leads.any():
            found = tree.query_nearest(
                shapely.points(at_foot[leads]), max_distance=_ON, all_matches=False
            )[1]
            yield from ((region, int(under[each])) for each in np.unique(found).tolist())


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
