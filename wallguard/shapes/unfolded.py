"""A patch of a surface laid out flat, so that what is measured on it is measured in the plane.

A flat patch is seen square to it. One that is bent in one direction only, as on the mantle of a
cylinder or a cone, is unrolled facet by facet, which keeps every length; one that goes right round
is cut open. What is bent in two directions, as on a ball, is seen square to its middle, where it
turns by so little that lengths keep to one per cent; else it is not laid out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.walls.flats import frames

if TYPE_CHECKING:
    from wallguard.shapes.patches import Patches

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# A patch is flat whose corners lie this near to a plane, mm; edges meet again, unrolled, that come
# as near.
_FLAT, _MEETS = 0.002, 0.005
# What is seen as no longer than this, mm, is a point.
_POINT = 1e-6
# By how much a patch that is seen square to its middle may turn away, and what share of the rim of
# one that is unrolled may be cuts.
TURNS, _CUTS = math.cos(math.radians(8.0)), 0.25
# Facets of a patch that is unrolled, at most.
_MOST = 20_000


@dataclass(frozen=True, eq=False)
class Unfolded:
    """A patch in the plane. mm.

    facets  (t,) numbers, rising; corner (t, 3, 2) where their corners lie in the plane
    rings   the outline, first, and its holes: (n, 2) points and (n,) the side that runs from each
            to the next, -1 along a cut. The outline runs counter-clockwise, holes clockwise
    """

    facets: _Ints
    corner: _Floats
    rings: tuple[tuple[_Floats, _Ints], ...]

    @cached_property
    def area(self) -> shapely.Polygon:
        """The region in the plane."""
        outline, *holes = (points for points, _ in self.rings)
        return shapely.Polygon(outline, holes)

    @property
    def is_cut(self) -> bool:
        """Whether it was cut open."""
        return any((sides < 0).any() for _, sides in self.rings)

    @cached_property
    def _plan(self) -> Any:
        return shapely.polygons(self.corner)

    def _nearest(self, point: _Floats) -> int:
        return int(np.argmin(shapely.distance(self._plan, shapely.Point(point))))

    def at(self, point: _Floats) -> int:
        """The number of the facet at, or nearest to, a point (2,) of the plane."""
        return int(self.facets[self._nearest(point)])

    def lift(self, point: _Floats, corner: _Floats) -> _Floats:
        """Where a point (2,) of the plane lies in space, (3,), by the corners (m, 3, 3) of all
        facets."""
        at = self._nearest(point)
        a, b, c = self.corner[at]
        share = np.linalg.solve(np.column_stack([b - a, c - a]), point - a)
        first, second, third = corner[self.facets[at]]
        lifted: _Floats = first + share[0] * (second - first) + share[1] * (third - first)
        return lifted


def unfold(patches: Patches, facets: _Ints) -> Unfolded | None:
    """A patch, given as the numbers of its facets, rising, in the plane; None where it cannot be
    laid out."""
    corner, normal = patches.corner[facets], patches.normal[facets]
    mean = (normal * patches.area[facets, None]).sum(axis=0)
    length = float(np.linalg.norm(mean))
    total = float(patches.area[facets].sum())
    mean = mean / length if length > 1e-9 * total else normal[0]
    off = (corner - corner[0, 0]) @ mean
    square = _square(mean)
    if np.ptp(off) <= _FLAT:
        return _outlined(patches, facets, (corner - corner[0, 0]) @ square)
    if len(facets) <= _MOST:
        made = _outlined(patches, facets, _unrolled(patches, facets))
        if made is not None:
            return made
    if (normal @ mean).min() >= TURNS:
        return _outlined(patches, facets, (corner - corner[0, 0]) @ square)
    return None


def seen_square(patches: Patches, facets: _Ints, rim: _Ints, normal: _Floats) -> Unfolded | None:
    """Facets within the sides (k,) of a rim, seen square to a normal; None where that is not one
    region. Sides that are seen as points are left out."""
    square = _square(normal)
    corner, vertex = patches.corner, patches.vertex
    ahead = 3 * (rim // 3) + (rim % 3 + 1) % 3
    ends = np.concatenate([vertex.ravel()[rim], vertex.ravel()[ahead]])
    place = np.concatenate([corner.reshape(-1, 3)[rim], corner.reshape(-1, 3)[ahead]]) @ square
    number, first, of = np.unique(ends, return_index=True, return_inverse=True)
    of = of.reshape(2, -1)
    place = place[first]
    short = np.linalg.norm(place[of[0]] - place[of[1]], axis=1) <= _POINT
    count, spot = connected(of[0][short], of[1][short], len(number))
    point = np.zeros((count, 2))
    point[spot[::-1]] = place[::-1]
    begin, finish = point[spot[of[0]]][~short], point[spot[of[1]]][~short]
    area = shapely.build_area(shapely.multilinestrings(np.stack([begin, finish], axis=1)))
    if area.geom_type != "Polygon":
        return None
    pairs = zip(map(tuple, begin.tolist()), map(tuple, finish.tolist()), strict=True)
    known: dict[Any, int] = dict(zip(pairs, rim[~short].tolist(), strict=True))
    return Unfolded(facets, corner[facets] @ square, tuple(_rings(area, known)))


def _square(normal: _Floats) -> _Floats:
    """(3, 2) the axes of a plane square to a normal, right-handed with it: what runs
    counter-clockwise about it does so in the plane."""
    square = np.column_stack([each[0] for each in frames(normal[None])])
    if np.linalg.det(np.column_stack([square, normal])) < 0:
        square = square[:, ::-1]
    return square


def _unrolled(patches: Patches, facets: _Ints) -> _Floats:
    """(t, 3, 2) the corners of facets, unrolled from one to its neighbours, outward from the
    first."""
    number = {facet: at for at, facet in enumerate(facets.tolist())}
    corner = patches.corner[facets]
    flat = np.zeros((len(facets), 3, 2))
    length = np.linalg.norm(corner[:, [1, 2, 0]] - corner, axis=2)
    # Of the corner across each side: how far along it lies, and how high over it.
    way = (corner[:, [1, 2, 0]] - corner) / np.maximum(length, 1e-12)[:, :, None]
    tip = corner[:, [2, 0, 1]] - corner
    along = np.einsum("tij,tij->ti", tip, way)
    high = np.sqrt(np.maximum(np.einsum("tij,tij->ti", tip, tip) - along**2, 0.0))
    flat[0] = [[0.0, 0.0], [length[0, 0], 0.0], [along[0, 0], high[0, 0]]]
    placed = {0}
    todo = [0]
    opposite = patches.opposite
    for at in todo:
        for i in range(3):
            across = int(opposite[3 * facets[at] + i])
            other = number.get(across // 3, -1) if across >= 0 else -1
            if other < 0 or other in placed:
                continue
            k = across % 3
            start, end = flat[at, (i + 1) % 3], flat[at, i]
            unit = (end - start) / max(math.dist(start, end), 1e-12)
            flat[other, k], flat[other, (k + 1) % 3] = start, end
            square = np.array([-unit[1], unit[0]])
            flat[other, (k + 2) % 3] = start + along[other, k] * unit + high[other, k] * square
            placed.add(other)
            todo.append(other)
    return flat


def _outlined(patches: Patches, facets: _Ints, flat: _Floats) -> Unfolded | None:
    """The same with its outline; None where it is not one region, or cuts are too much of it."""
    side = (3 * facets[:, None] + np.arange(3)).ravel()
    across = np.minimum(np.searchsorted(side, patches.opposite[side]), len(side) - 1)
    across = np.where(side[across] == patches.opposite[side], across, -1)
    start, end = flat.reshape(-1, 2), flat[:, [1, 2, 0]].reshape(-1, 2)
    off = np.maximum(
        np.linalg.norm(start - end[across], axis=1), np.linalg.norm(end - start[across], axis=1)
    )
    inner = (across >= 0) & (off <= _MEETS)
    # Corners that meet have one place.
    one = np.flatnonzero(inner)
    ahead = 3 * (np.arange(len(side)) // 3) + (np.arange(len(side)) + 1) % 3
    _, spot = connected(
        np.concatenate([one, ahead[one]]),
        np.concatenate([ahead[across[one]], across[one]]),
        len(side),
    )
    spot = _joined(spot, patches.vertex[facets].ravel(), start)
    point = np.zeros((int(spot.max()) + 1, 2))
    point[spot[::-1]] = start[::-1]
    rim = np.flatnonzero(~inner)
    begin, finish = spot[rim], spot[ahead[rim]]
    length = np.linalg.norm(point[finish] - point[begin], axis=1)
    cut = across[rim] >= 0
    if length[cut].sum() > _CUTS * length.sum():
        return None
    named = np.where(cut, -1, side[rim])
    area = shapely.build_area(
        shapely.multilinestrings(np.stack([point[begin], point[finish]], axis=1))
    )
    if area.geom_type != "Polygon":
        return None
    ends = zip(map(tuple, point[begin].tolist()), map(tuple, point[finish].tolist()), strict=True)
    known: dict[Any, int] = dict(zip(ends, named.tolist(), strict=True))
    return Unfolded(facets, point[spot].reshape(-1, 3, 2), tuple(_rings(area, known)))


def _joined(spot: _Ints, vertex: _Ints, place: _Floats) -> _Ints:
    """Numbers of corners, where those of one vertex that lie at one place have one."""
    order = np.lexsort((spot, vertex))
    one, other = order[:-1], order[1:]
    same = vertex[one] == vertex[other]
    same &= np.linalg.norm(place[one] - place[other], axis=1) <= _MEETS
    first = np.concatenate([np.arange(len(spot)), one[same]])
    count = int(spot.max()) + 1
    # Nodes are corners and numbers: each corner hangs on its own.
    second = np.concatenate([len(spot) + spot, other[same]])
    label = connected(first, second, len(spot) + count)[1][: len(spot)]
    return np.unique(label, return_inverse=True)[1].reshape(-1)


def _rings(area: shapely.Polygon, known: dict[Any, int]) -> list[tuple[_Floats, _Ints]]:
    oriented = shapely.orient_polygons(area) if hasattr(shapely, "orient_polygons") else None
    if oriented is None:
        from shapely.geometry.polygon import orient

        oriented = orient(area)
    rings = []
    for ring in (oriented.exterior, *oriented.interiors):
        points = shapely.get_coordinates(ring)
        ends = list(map(tuple, points.tolist()))
        sides = [
            known.get((one, other), known.get((other, one), -1)) for one, other in pairwise(ends)
        ]
        rings.append((points[:-1], np.array(sides, np.int64)))
    return rings
