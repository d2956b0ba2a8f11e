"""The largest ball inside a surface that touches it at a point: exact, for many points at once.

A ball that touches the surface at p, where n is the unit normal into the searched side, has its
centre at p + r n, and reaches the point q when |q - p|^2 = 2 r n.(q - p). So the largest one that
holds no other part of the surface has

    r(p) = min over q of |q - p|^2 / (2 n.(q - p)),   n.(q - p) > 0.

On one triangle the points with a value below any given r are those inside a ball, a convex set, so
the least value lies where the ball touches the triangle's plane, or else on one of its edges:
where the ball touches the edge's line, or at the end nearest to that place. (The relation is the
one of the shrinking-ball method, Ma, Bae and Choi, "3D medial axis point approximation using
nearest neighbors and the normal field", The Visual Computer 28, 2012; there q runs over sample
points, here over whole triangles.)
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import dot, median

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Of contacts this close to being first, the one straight across counts: in a round or square
# section every contact is as near as every other.
_TIE = 0.005
# Pairs of samples and triangles looked at in one go: bounds the memory.
_PAIRS = 2_000_000


@dataclass(frozen=True)
class Balls:
    """The largest balls that touch the surface at given points.

    radius    (n,) mm, inf where larger than was asked for
    contact   (n, 3) where the ball touches the surface elsewhere
    triangle  (n,) the triangle it touches there, -1 where radius is inf
    facing    (n,) cosine between the directions from its centre to the two contacts: -1 straight
              across, 1 where radius is inf
    """

    radius: _Floats
    contact: _Floats
    triangle: _Ints
    facing: _Floats


class Surface:
    """Small triangles, with normals (unit, into the searched side), ready to be searched."""

    def __init__(self, corners: _Floats, normal: _Floats) -> None:
        """corners (m, 3, 3); normal (m, 3), which may be zero where a triangle has no area."""
        from scipy.spatial import cKDTree  # takes long to load, and flat parts need none

        self.corners = corners
        self.normal = normal
        self.centre = corners.mean(axis=1)
        away = corners - self.centre[:, None]
        self.size = np.sqrt(np.einsum("tij,tij->ti", away, away).max(axis=1))
        # Large triangles apart from small ones, or a small one would be looked for as far away.
        largest = float(self.size.max(initial=0.0))
        self.typical = median(self.size)
        self.classes: list[tuple[_Ints, float, cKDTree]] = []
        upper = largest
        for lower in (largest / 4, largest / 16, -1.0):
            members = np.flatnonzero((self.size <= upper) & (self.size > lower))
            if len(members):
                tree = cKDTree(self.centre[members], balanced_tree=False, compact_nodes=False)
                self.classes.append((members, float(self.size[members].max()), tree))
            upper = lower

    def balls(self, point: _Floats, normal: _Floats, own: _Ints, largest: float) -> Balls:
        """The largest balls at points (n, 3) with unit normals (n, 3), each on triangle own (n,).

        Balls of a radius beyond `largest` (mm) are not followed; small ones are searched first.
        """
        total = len(point)
        balls = Balls(
            np.full(total, np.inf), point.copy(), np.full(total, -1, np.int64), np.ones(total)
        )
        order = np.argsort(own, kind="stable")
        reaches = [largest]
        while reaches[0] > 2 * self.typical and len(reaches) < 5:
            reaches.insert(0, reaches[0] / 2)
        for reach in reaches:
            open_ = order[np.isinf(balls.radius[order])]
            begin, chunk = 0, 1000
            while begin < len(open_):
                some = open_[begin : begin + chunk]
                begin += chunk
                pairs = self._search(point[some], normal[some], own[some], reach, some, balls)
                chunk = int(np.clip(_PAIRS * len(some) / max(pairs, 1), 100, 20_000))
        return balls

    def _search(
        self, point: _Floats, normal: _Floats, own: _Ints, reach: float, some: _Ints, balls: Balls
    ) -> int:
        """Fill in what is found of `some`; returns how many pairs were looked at."""
        centre = point + reach * normal
        pairs = [self._near(each, point, normal, centre, own, reach) for each in self.classes]
        sample = np.concatenate([each.sample for each in pairs])
        triangle = np.concatenate([each.triangle for each in pairs])
        most = np.full(len(point), reach)
        np.minimum.at(most, sample, np.concatenate([each.most for each in pairs]))
        least = np.concatenate([each.least for each in pairs])
        kept = least <= most[sample] * (1 + _TIE)
        sample, triangle = sample[kept], triangle[kept]
        radius, contact = _first(
            point[sample], normal[sample], self.corners[triangle], self.normal[triangle]
        )
        kept = radius <= reach
        sample, triangle = sample[kept], triangle[kept]
        radius, contact = radius[kept], contact[kept]
        looked_at = sum(each.seen for each in pairs)
        if not len(sample):
            return looked_at
        first = np.full(len(point), np.inf)
        np.minimum.at(first, sample, radius)
        kept = radius <= first[sample] * (1 + _TIE)
        sample, triangle = sample[kept], triangle[kept]
        radius, contact = radius[kept], contact[kept]
        away = contact - point[sample]
        # From the centre: to p it is -n, to the contact (away - r n) / r.
        facing = 1 - dot(away, normal[sample]) / np.maximum(radius, 1e-12)
        order = np.lexsort((triangle, radius, np.round(facing, 6), sample))
        order = order[np.diff(sample[order], prepend=-1) != 0]
        place = some[sample[order]]
        balls.radius[place] = radius[order]
        balls.contact[place] = contact[order]
        balls.triangle[place] = triangle[order]
        balls.facing[place] = np.clip(facing[order], -1.0, 1.0)
        return looked_at

    def _near(
        self,
        kind: tuple[_Ints, float, cKDTree],
        point: _Floats,
        normal: _Floats,
        centre: _Floats,
        own: _Ints,
        reach: float,
    ) -> _Pairs:
        """What of one class of size may touch within `reach`."""
        members, largest, tree = kind
        lists = tree.query_ball_point(centre, reach + largest, return_sorted=False)
        count = np.fromiter(map(len, lists), np.int64, len(lists))
        triangle = members[np.fromiter(chain.from_iterable(lists), np.int64, int(count.sum()))]
        sample = np.repeat(np.arange(len(point)), count)
        seen = len(triangle)
        n = np.repeat(normal, count, axis=0)
        away = self.centre[triangle] - np.repeat(point, count, axis=0)
        facing, size = self.normal[triangle], self.size[triangle]
        square = dot(away, away)
        # When the ball reaches the ball about the triangle.
        over = dot(away, n) + size
        least = (square - size**2) / (2 * np.where(over > 0, over, np.inf))
        # A face that lies as the sample's own does cannot be reached from within.
        slant = 1 - dot(facing, n)
        kept = (over > 0) & (least <= reach) & (slant > 1e-9) & (triangle != np.repeat(own, count))
        sample, triangle, n, slant = sample[kept], triangle[kept], n[kept], slant[kept]
        near = np.maximum(np.sqrt(square[kept]) - size[kept], 0.0)
        corners = self.corners[triangle] - point[sample][:, None]
        rise = np.einsum("kij,kj->ki", corners, n)
        # When it reaches the triangle's plane, and when what rises most might be reached.
        plane = np.maximum(-dot(facing[kept], corners[:, 0]), 0.0) / slant
        top = rise.max(axis=1)
        rises = top > 1e-9
        least = np.maximum(least[kept], plane)
        least = np.maximum(least, near**2 / (2 * np.where(rises, top, 1.0)))
        # And by when it has reached a corner.
        risen = rise > 1e-9
        corner = np.einsum("kij,kij->ki", corners, corners) / (2 * np.where(risen, rise, 1.0))
        most = np.where(risen, corner, np.inf).min(axis=1)
        kept = rises & (least <= reach)
        return _Pairs(sample[kept], triangle[kept], least[kept], most[kept], seen)


@dataclass(frozen=True)
class _Pairs:
    """Samples and triangles (k,), with bounds of the radius at which the one's ball reaches the
    other: no less than `least`, no more than `most`; how many were seen to find them."""

    sample: _Ints
    triangle: _Ints
    least: _Floats
    most: _Floats
    seen: int


def _first(
    point: _Floats, normal: _Floats, corners: _Floats, facing: _Floats
) -> tuple[_Floats, _Floats]:
    """Radius (n,) at which the ball at each point reaches its triangle (n, 3, 3) with the normal
    `facing` (n, 3), and where (n, 3); inf where it never does."""
    away = corners - point[:, None]
    ahead = away[:, [1, 2, 0]]
    edge = ahead - away
    # On the plane: the ball's surface is as far out as the plane is.
    height = -np.einsum("ij,ij->i", facing, away[:, 0])
    slant = 1 - np.einsum("ij,ij->i", facing, normal)
    fits = (height > 1e-9) & (slant > 1e-9)
    radius = np.where(fits, height / np.where(fits, slant, 1.0), np.inf)
    finite = np.where(fits, radius, 0.0)[:, None]
    contact = finite * (normal - facing)
    # Inside, where the contact lies left of all edges, as seen from outside.
    side = np.cross(edge, contact[:, None] - away)
    inside = fits & (np.einsum("kij,kj->ki", side, -facing) >= 0).all(axis=1)
    radius = np.where(inside, radius, np.inf)
    rest = np.flatnonzero(~inside)
    away, edge, normal = away[rest], edge[rest], normal[rest]
    length = np.sqrt(np.einsum("kij,kij->ki", edge, edge))
    along = edge / np.maximum(length, 1e-12)[:, :, None]
    rise = np.einsum("kij,kj->ki", away, normal)
    climb = np.einsum("kij,kj->ki", along, normal)
    run = np.einsum("kij,kij->ki", away, along)
    square = np.einsum("kij,kij->ki", away, away)
    # The least of |a + s e|^2 / n.(a + s e) over s: of two roots, the one that rises counts.
    root = np.sqrt(np.maximum(rise**2 - 2 * run * rise * climb + square * climb**2, 0.0))
    steep = np.abs(climb) > 1e-9
    place = np.where(steep, (root - rise) / np.where(steep, climb, 1.0), -run)
    place = np.clip(place, 0.0, length)
    over = rise + place * climb
    reached = over > 1e-12
    value = np.where(
        reached,
        (square + 2 * place * run + place**2) / (2 * np.where(reached, over, 1.0)),
        np.inf,
    )
    best = np.argmin(value, axis=1)
    rows = np.arange(len(rest))
    radius[rest] = value[rows, best]
    contact[rest] = away[rows, best] + place[rows, best, None] * along[rows, best]
    return radius, point + contact
