"""Where two surfaces face each other: exactly, facet by facet.

A ball that touches the plane of a facet A (unit normal n into the searched side) and touches a
point q with the normal m there has

    r = h / (1 - n.m),    p = q + r (m - n)        h: height of q over the plane of A

for its radius, and p for the place where it touches A. For one m this is a linear map, so a facet
B is a triangle in the plane of A as well, its image, and where that lies over A, a ball touches
both; its radius runs evenly over that piece. At an edge that juts into the searched side the
contact keeps its place while its normal turns from that of one side to that of the other: the
images of the edge under both leave a strip between them.

          A  ---------------------------
                 : ball  :                a piece: a convex ring in the plane of A, with the radius
          B      --------------           at each of its corners
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct, dot
from wallguard.base.errors import TooLargeError
from wallguard.walls.bounds import (
    Bounds,
    Tree,
    along_a_curve,
    bounds_of,
    meetings,
    near_any,
    wider,
)
from wallguard.walls.facets import Facets, Units, units_of
from wallguard.walls.flats import outline, overlap
from wallguard.walls.rings import INNER, Rings, rings_of
from wallguard.walls.samples import FACING

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# What rises less than this (mm) above a facet lies in it: above float32's step at 300 mm.
_RISE = 1e-4
# Pairs of nodes that may be looked at, and more for each facet: beyond, as where a part is no
# larger than the walls that are asked for, all face all others, and asking at points is faster.
_PAIRS, _EACH = 2_500_000, 100
# Of several one run in so many, of so many of them, tells how many pairs there are.
_SHARE, _RUN, _SEVERAL = 16, 16, 5_000
# So many have a tree of their own made in the time that a grid takes.
_MANY = 20_000
# So many images are clipped at a time: bounds the memory.
_CLIPPED = 100_000
# Labels of a piece's edges: a side of a facet has its number, 3 times the facet's and 0 to 2. What
# lies beyond the others is thicker than asked for; no wall, as something else is in the way.
THICKER, ENDS = -2, -3
# Below an edge that juts in steeply, contacts count that differ by so much (radians) from straight
# across: then the thickness differs by less than a hundredth.
_BELOW = float(np.radians(8.0))


@dataclass(frozen=True)
class Pieces:
    """Rings in the plane of a facet `own` (k,), whose balls touch `contact` (k,), too.

    The fourth coordinate of the rings' points is the balls' radius. `pair`: whether they touch
    that facet all over, so that it has the same piece as an image.
    """

    rings: Rings
    own: _Ints
    contact: _Ints
    pair: NDArray[np.bool_]


def pieces_between(facets: Facets, largest: float, most: int) -> Pieces:
    """All pieces of facets that are not fine where a ball of a diameter up to `largest` (mm)
    touches what faces them, whatever else lies in its way. Of two such facets the first one has
    the piece.

    most  triangles that the pieces may be split into

    Raises TooLargeError where there are more, as soon as that is known.
    """
    units = units_of(facets)
    coarse = np.flatnonzero(~facets.fine[units.facet])
    if not len(coarse):
        return _no_pieces()
    # Where edges are too many that is told sooner.
    strips = _edges(facets, units, coarse, largest)
    return _together([_faces(facets, units, coarse, largest, most), strips])


def too_many(pieces: int) -> TooLargeError:
    """The error of more pieces than are followed."""
    return TooLargeError(f"{pieces} pieces of faces that face each other")


def _together(pieces: list[Pieces]) -> Pieces:
    size = max(each.rings.points.shape[1] for each in pieces)
    points = np.concatenate([_wider(each.rings.points, size) for each in pieces])
    label = np.concatenate([_wider(each.rings.label, size) for each in pieces])
    return Pieces(
        Rings(points, np.concatenate([each.rings.count for each in pieces]), label),
        np.concatenate([each.own for each in pieces]),
        np.concatenate([each.contact for each in pieces]),
        np.concatenate([each.pair for each in pieces]),
    )


def _wider(array: NDArray[np.generic], size: int) -> NDArray[np.generic]:
    missing = [(0, 0)] * array.ndim
    missing[1] = (0, size - array.shape[1])
    return np.pad(array, missing)


def _swept(corners: _Floats, normal: _Floats, reach: float) -> Bounds:
    """Bounds of what lies up to `reach` over triangles or edges (k, v, 3), as `normal` (k, 3) says,
    and a bit more."""
    points = np.concatenate([corners, corners + reach * normal[:, None]], axis=1)
    return wider(bounds_of(points, normal), _RISE)


def _boxes_over(corners: _Floats, ways: Sequence[_Floats], reach: float) -> tuple[_Floats, _Floats]:
    """Lowest and highest corners (k, 3) of the boxes round what lies up to `reach` over triangles
    or edges (k, v, 3) in each of some ways (k, 3), and a bit more."""
    low, high = corners[:, 0], corners[:, 0]
    for i in range(1, corners.shape[1]):
        low, high = np.minimum(low, corners[:, i]), np.maximum(high, corners[:, i])
    down, up = np.zeros_like(low), np.zeros_like(high)
    for way in ways:
        np.minimum(down, way, out=down)
        np.maximum(up, way, out=up)
    return low + (reach * down - _RISE), high + (reach * up + _RISE)


def _near(boxes: tuple[_Floats, _Floats], others: tuple[_Floats, _Floats]) -> _Ints:
    """Which of the others may meet one of the boxes, each by their lowest and highest corners; all
    where they are few, as telling takes as long."""
    few = len(others[0]) < _MANY
    return np.arange(len(others[0])) if few else np.flatnonzero(near_any(boxes, others))


def _faces(facets: Facets, units: Units, coarse: _Ints, largest: float, most: int) -> Pieces:
    normal, fine = facets.normal[units.facet], facets.fine[units.facet]
    low, high = _boxes_over(units.corners, [normal], largest / 2)
    near = _near((low[coarse], high[coarse]), (low, high))
    # Where most are near nothing is gained by leaving out the others.
    near = near if 2 * len(near) < len(low) else np.arange(len(low))
    # What lies flat is told by its slab, if the flat faces keep together.
    large = np.where(facets.broad[units.facet], facets.face[units.facet] + 1, 0)
    met_by = Tree(_swept(units.corners[near], normal[near], largest / 2), large[near])
    bounds = _swept(units.corners[coarse], normal[coarse], largest / 2)
    pairs = _PAIRS + _EACH * len(coarse)
    if len(coarse) > _SEVERAL:
        _refuse_crowds(bounds, met_by, pairs, FACING)
    asked = Tree(bounds, large[coarse])
    ones, others = [coarse[:0]], [coarse[:0]]
    for place, met in meetings(asked, met_by, FACING, pairs):
        one, other = coarse[place], near[met]
        # Of two that are not fine, the first asks.
        kept = (one < other) | fine[other]
        one, other = one[kept], other[kept]
        kept = _over(units, normal, one, other, largest)
        kept &= _over(units, normal, other, one, largest)
        ones.append(one[kept])
        others.append(other[kept])
    one, other = np.concatenate(ones), np.concatenate(others)
    order = np.lexsort((other, one))
    one, other = one[order], other[order]
    broad = facets.broad[units.facet]
    wide = broad[one] & broad[other]
    pieces = list(_of_units(facets, units, one[~wide], other[~wide], largest, most))
    if wide.any():
        facet = units.facet
        pieces.append(_of_faces(facets, facet[one[wide]], facet[other[wide]], largest))
    return _together(pieces)


def _refuse_crowds(bounds: Bounds, met_by: Tree, pairs: int, facing: float | None = None) -> None:
    """Raises TooLargeError where so many of things with these bounds meet those of the tree that
    more than so many pairs had to be looked at, as a share of them tells beforehand."""
    # Runs of neighbours, so that a tree of them is a part of that of all.
    order = along_a_curve((bounds.low + bounds.high) / 2)
    some = order[np.arange(len(order)) // _RUN % _SHARE == 0]
    for _ in meetings(Tree(bounds.chosen(some)), met_by, facing, pairs // _SHARE):
        pass


def _of_units(
    facets: Facets, units: Units, one: _Ints, other: _Ints, largest: float, most: int
) -> Iterator[Pieces]:
    """Pieces of units that face others, some at a time: what is clipped away is gone by then."""
    corners, triangles = 0, 0
    for at in range(0, max(len(one), 1), _CLIPPED):
        some = slice(at, at + _CLIPPED)
        pieces = _of_some(facets, units, one[some], other[some], largest)
        corners += int(pieces.rings.count.sum())
        # A ring has no more triangles than corners; they are made only where that leaves a doubt.
        if corners > most:
            triangles += len(pieces.rings.triangles()[0])
        if triangles > most:
            raise too_many(triangles)
        yield pieces


def _of_some(facets: Facets, units: Units, one: _Ints, other: _Ints, largest: float) -> Pieces:
    own, contact = units.facet[one], units.facet[other]
    n, m = facets.normal[own][:, None], facets.normal[contact][:, None]
    points = _image(units.corners[one, 0], n, units.corners[other], m)
    images = Rings(points, units.count[other], units.side[other])
    rings = _clipped(units, facets.normal[own], images, one, largest)
    kept = rings.count >= 3
    return Pieces(rings.chosen(kept), own[kept], contact[kept], ~facets.fine[contact[kept]])


def _of_faces(facets: Facets, one: _Ints, other: _Ints, largest: float) -> Pieces:
    """The same of whole flat faces of many facets, each pair once, whatever facets they are in."""
    size = int(facets.face.max()) + 1
    key = distinct(
        np.minimum(facets.face[one], facets.face[other]) * size
        + np.maximum(facets.face[one], facets.face[other])
    )
    facet_of = np.zeros(size, np.int64)
    facet_of[facets.face] = np.arange(len(facets.face))
    number, faces = np.unique(np.concatenate([key // size, key % size]), return_inverse=True)
    own, contact = facet_of[key // size], facet_of[key % size]
    mine = np.flatnonzero(np.isin(facets.face, number))
    label = np.searchsorted(number, facets.face[mine])
    _, _, owner, side = outline(facets.triangles[mine], label)
    side = 3 * mine[side // 3] + side % 3
    place = np.stack(
        [facets.corners[side // 3, side % 3], facets.corners[side // 3, (side + 1) % 3]], 1
    )
    bounds = np.searchsorted(owner, np.arange(len(number) + 1))
    pieces = []
    for i in range(len(key)):
        a, b = (slice(bounds[each], bounds[each + 1]) for each in (faces[i], faces[len(key) + i]))
        n, m = facets.normal[own[i]], facets.normal[contact[i]]
        origin = facets.corners[own[i], 0]
        image = _image(origin[None], n[None, None], place[b].reshape(1, -1, 3), m[None, None])
        image = image[0, :, :3].reshape(-1, 2, 3)
        triangles, labels = overlap(place[a] - origin, image - origin, n, (side[a], side[b]))
        points = np.zeros((len(triangles), 3, 4))
        points[:, :, :3] = triangles + origin
        # Back from the plane of the one onto that of the other.
        away = points[:, :, :3] - facets.corners[contact[i], 0]
        points[:, :, 3] = (away @ m) / (1 - n @ m)
        count = len(triangles)
        rings = rings_of(points, labels)
        none = np.full(count, INNER)
        rings = rings.cut(rings.points[:, :, 3] + 1e-9, none)
        rings = rings.cut(largest / 2 - rings.points[:, :, 3] + 1e-9, np.full(count, THICKER))
        kept = rings.count >= 3
        pieces.append(
            Pieces(
                rings.chosen(kept),
                np.full(kept.sum(), own[i]),
                np.full(kept.sum(), contact[i]),
                np.ones(kept.sum(), bool),
            )
        )
    return _together(pieces)


def _over(
    units: Units, normal: _Floats, one: _Ints, other: _Ints, largest: float
) -> NDArray[np.bool_]:
    """Whether a part of the other lies over the plane of the one, within reach."""
    away = units.corners[other] - units.corners[one, :1]
    rise = np.einsum("kij,kj->ki", away, normal[one])
    within: NDArray[np.bool_] = (rise.max(axis=1) > _RISE) & (rise.min(axis=1) < largest)
    return within


def _image(origin: _Floats, n: _Floats, q: _Floats, m: _Floats) -> _Floats:
    """(k, v, 4) where balls touch the plane through origin (k, 3) with the normal n (k, 1, 3) that
    touch points q (k, v, 3) with normals m, and their radius."""
    height = ((q - origin[:, None]) * n).sum(axis=2)
    radius = height / (1 - (n * m).sum(axis=2))
    place = q + radius[:, :, None] * (m - n)
    return np.concatenate([place, radius[:, :, None]], axis=2)


def _clipped(units: Units, normal: _Floats, rings: Rings, own: _Ints, largest: float) -> Rings:
    """What of rings in the planes of units `own` lies on those, with a radius from 0 on."""
    for i in range(4):
        begin, end = units.corners[own, i], units.corners[own, (i + 1) % 4]
        inward = np.cross(end - begin, normal)
        inward /= np.maximum(np.linalg.norm(inward, axis=1), 1e-12)[:, None]
        away = rings.points[:, :, :3] - begin[:, None]
        rings = rings.cut(np.einsum("kvj,kj->kv", away, inward), units.side[own, i])
    none = np.full(len(own), INNER)
    rings = rings.cut(rings.points[:, :, 3] + 1e-9, none)
    return rings.cut(largest / 2 - rings.points[:, :, 3] + 1e-9, np.full(len(own), THICKER))


def _edges(facets: Facets, units: Units, coarse: _Ints, largest: float) -> Pieces:
    """Strips whose balls touch an edge that juts in."""
    side = np.flatnonzero((facets.bend.ravel() < -1e-3) & (facets.beside.ravel() > -1))
    first, second = side // 3, facets.beside.ravel()[side]
    side, first, second = (each[first < second] for each in (side, first, second))
    if not len(side) or not len(coarse):
        return _no_pieces()
    ends = np.stack([facets.corners[first, side % 3], facets.corners[first, (side + 1) % 3]], 1)
    reach = largest / 2
    mean = facets.normal[first] + facets.normal[second]
    mean /= np.maximum(np.linalg.norm(mean, axis=1), 1e-9)[:, None]
    low, high = _boxes_over(ends, [facets.normal[first], facets.normal[second], mean], reach)
    asked = _swept(units.corners[coarse], facets.normal[units.facet[coarse]], reach)
    near = _near((asked.low, asked.high), (low, high))
    first, second, ends, mean = first[near], second[near], ends[near], mean[near]
    bounds = bounds_of(np.stack([low[near], high[near]], axis=1), np.zeros((len(near), 3)))
    large = np.where(facets.broad, facets.face + 1, 0)[units.facet[coarse]]
    places, edges = [], []
    most = _PAIRS + _EACH * len(coarse)
    met_by = Tree(bounds)
    if len(coarse) > _SEVERAL:
        _refuse_crowds(asked, met_by, most)
    for place, edge in meetings(Tree(asked, large), met_by, most=most):
        n = facets.normal[units.facet[coarse[place]]]
        cosines = [dot(n, facets.normal[each[edge]]) for each in (first, second)]
        between = (cosines[0] <= FACING) & (cosines[1] <= FACING)
        kept = between | (dot(n, mean[edge]) <= -0.5)
        places.append(place[kept])
        edges.append(edge[kept])
    place, edge = np.concatenate([coarse[:0], *places]), np.concatenate([coarse[:0], *edges])
    order = np.lexsort((edge, place))
    place, edge = place[order], edge[order]
    unit = coarse[place]
    own = units.facet[unit]
    n, (one, other) = facets.normal[own], _turned(facets, own, first[edge], second[edge])
    kept = dot(one - other, one - other) > 1e-8
    unit, own, edge = unit[kept], own[kept], edge[kept]
    n, one, other = n[kept], one[kept], other[kept]
    q, m = ends[edge][:, [0, 1, 1, 0]], np.stack([one, one, other, other], axis=1)
    points = _image(units.corners[unit, 0], n[:, None], q, m)
    label = np.full(points.shape[:2], INNER)
    rings = _clipped(units, n, rings_of(points, label), unit, largest)
    kept = rings.count >= 3
    return Pieces(rings.chosen(kept), own[kept], first[edge[kept]], np.zeros(kept.sum(), bool))


def _no_pieces() -> Pieces:
    none = np.zeros(0, np.int64)
    rings = rings_of(np.zeros((0, 3, 4)), np.zeros((0, 3), np.int64))
    return Pieces(rings, none, none, np.zeros(0, bool))


def _turned(facets: Facets, own: _Ints, first: _Ints, second: _Ints) -> tuple[_Floats, _Floats]:
    """The normals (k, 3) between which an edge's contact with balls on facets `own` turns: from
    one side's to the other's where both face; else near straight across; equal where never."""
    n, m, k = facets.normal[own], facets.normal[first], facets.normal[second]
    axis = np.cross(m, k)
    whole = np.linalg.norm(axis, axis=1)
    axis /= np.maximum(whole, 1e-12)[:, None]
    angle = np.arctan2(whole, dot(m, k))
    ahead = np.cross(axis, m)
    straight = np.arctan2(-dot(n, ahead), -dot(n, m))
    both = (dot(n, m) <= FACING) & (dot(n, k) <= FACING)
    low = np.where(both, 0.0, np.maximum(straight - _BELOW, 0.0))
    high = np.where(both, angle, np.minimum(straight + _BELOW, angle))
    # Only where straight across lies well between, or one of the sides does the same.
    good = both | ((straight > 1e-3) & (straight < angle - 1e-3))
    high = np.where(good, high, low)

    def turned(by: _Floats) -> _Floats:
        return np.cos(by)[:, None] * m + np.sin(by)[:, None] * ahead

    one, other = turned(low), turned(high)
    # The edge itself may lean, and then no ball lies straight across from it.
    facing = (dot(n, one) <= FACING) & (dot(n, other) <= FACING)
    return one, np.where(facing[:, None], other, one)
