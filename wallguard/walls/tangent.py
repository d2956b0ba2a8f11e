"""The largest ball inside a surface that touches it at a point: exact, for many points at once.

A ball that touches the surface at p, where n is the unit normal into the searched side, has its
centre at p + r n, and reaches the point q when |q - p|^2 = 2 r n.(q - p). So the largest one that
holds no other part of the surface has

    r(p) = min over q of |q - p|^2 / (2 n.(q - p)),   n.(q - p) > 0.

On one triangle the points with a value below any given r are those inside a ball, a convex set, so
the least value lies where the ball touches the triangle's plane, or else on one of its edges:
where the ball touches the edge's line, or at the end nearest to that place. Which triangle that is
is found from above: a ball that holds something shrinks until it only touches the triangle that
reaches deepest into it, and again, until it holds nothing. (The shrinking-ball method, Ma, Bae and
Choi, "3D medial axis point approximation using nearest neighbors and the normal field", The Visual
Computer 28, 2012; there onto sample points, here onto whole triangles, so that it ends, exactly.)
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import cross, dot, median
from wallguard.walls.crowds import boxes_nearer
from wallguard.walls.refine import halved
from wallguard.walls.samples import FACING

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Of contacts this close to being first, the one straight across counts: in a round or square
# section every contact is as near as every other.
_TIE = 0.005
# What a ball holds by less than this share of its radius it touches: computing error.
_TOUCH = 1e-7
# A ball shrinks onto another triangle each time; the last ones by next to nothing.
_ROUNDS = 40
# Points that are asked in one go: bounds the memory.
_AT_ONCE = 100_000
# Points that the tree is asked for in one go: until it answers nothing ends this process, not even
# the time it is held to.
_AT_A_TIME = 2_000


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


class Start(NamedTuple):
    """What is known of balls already: they are no larger than `radius` (n,), with which they touch
    `triangle` (n,), -1 for none, at `contact` (n, 3)."""

    radius: _Floats
    contact: _Floats
    triangle: _Ints

    def chosen(self, which: slice) -> Start:
        """Those with these numbers."""
        return Start(self.radius[which], self.contact[which], self.triangle[which])


class Surface:
    """Triangles, with normals (unit, into the searched side), ready to be searched."""

    def __init__(self, corners: _Floats, normal: _Floats) -> None:
        """corners (m, 3, 3); normal (m, 3)."""
        self.corners = corners
        self.normal = normal
        # Long ones in pieces: what lies beside them is found without asking them.
        triangles = np.arange(3 * len(corners)).reshape(-1, 3)
        edge = corners[:, [1, 2, 0]] - corners
        longest = np.sqrt(np.einsum("tij,tij->ti", edge, edge).max(axis=1))
        short = max(4 * median(longest), float(longest.sum()) / len(corners))
        self._vertices, self._triangles, self._owner = halved(
            np.ascontiguousarray(corners.reshape(-1, 3)), triangles, longest > short, short
        )
        # Else it starts a thread for each processor, whatever this process may take.
        os.environ.setdefault("IGL_NUM_THREADS", "1")
        from igl import AABB  # takes long to load, and most flat parts need none

        self._tree = AABB()
        self._tree.init(self._vertices, self._triangles)

    def turned(self) -> Surface:
        """The same surface, searched from its other side."""
        turned = Surface.__new__(Surface)
        turned.__dict__ = {
            **self.__dict__,
            "corners": self.corners[:, ::-1],
            "normal": -self.normal,
        }
        return turned

    def nearest(self, point: _Floats) -> tuple[_Floats, _Ints]:
        """How far (mm) the surface is from each point (n, 3), and its triangle there."""
        if not len(point):
            return np.zeros(0), np.zeros(0, np.int64)
        square, triangle = np.empty(len(point)), np.empty(len(point), np.int64)
        for begin in range(0, len(point), _AT_A_TIME):
            some = slice(begin, begin + _AT_A_TIME)
            # One row alone would be taken for a column.
            asked = np.ascontiguousarray(np.concatenate([point[some], point[begin : begin + 1]]))
            found = self._tree.squared_distance(self._vertices, self._triangles, asked)
            square[some], triangle[some] = found[0][:-1], found[1][:-1]
        return np.sqrt(square), self._owner[triangle]

    def boxes_nearer(self, point: _Floats) -> float:
        """How many boxes a search for what is nearest to one of these points (n, 3) looks into, in
        the mean: see `crowds`."""
        return boxes_nearer(self._vertices[self._triangles], point, self.nearest(point)[0])

    def balls(
        self,
        point: _Floats,
        normal: _Floats,
        largest: float | _Floats,
        start: Start | None = None,
    ) -> Balls:
        """The largest balls at points (n, 3) on the surface with unit normals (n, 3) into the
        searched side; those of a radius beyond `largest` (mm, of all or of each) are not
        followed. What is known already to `start` from is given where they are of one."""
        if start is None:
            most = np.broadcast_to(largest, len(point))
            start = Start(most, point, np.full(len(point), -1))
        parts = []
        for begin in range(0, max(len(point), 1), _AT_ONCE):
            some = slice(begin, begin + _AT_ONCE)
            parts.append(self._shrunk(point[some], normal[some], start.chosen(some)))
        return Balls(
            np.concatenate([each.radius for each in parts]),
            np.concatenate([each.contact for each in parts]),
            np.concatenate([each.triangle for each in parts]),
            np.concatenate([each.facing for each in parts]),
        )

    def _shrunk(self, point: _Floats, normal: _Floats, start: Start) -> Balls:
        radius, contact = start.radius.copy(), start.contact.copy()
        triangle = start.triangle.copy()
        left = np.arange(len(point))
        for _ in range(_ROUNDS):
            reach = radius[left]
            away, met = self.nearest(point[left] + reach[:, None] * normal[left])
            held = away < (1 - _TOUCH) * reach
            left, met = left[held], met[held]
            if not len(left):
                break
            smaller, place = self.touched(point[left], normal[left], met)
            better = smaller < radius[left]
            left = left[better]
            radius[left], contact[left], triangle[left] = (
                smaller[better],
                place[better],
                met[better],
            )
        touched = np.flatnonzero(triangle >= 0)
        facing = np.ones(len(point))
        facing[touched] = _facing(
            point[touched], normal[touched], radius[touched], contact[touched]
        )
        # Something else may be touched nearly as soon, straight across.
        asked = touched[facing[touched] > FACING]
        across = point[asked] + 2 * radius[asked, None] * normal[asked]
        _, met = self.nearest(across)
        other, place = self.touched(point[asked], normal[asked], met)
        kept = other <= (1 + _TIE) * radius[asked]
        asked, met, other, place = asked[kept], met[kept], other[kept], place[kept]
        turned = _facing(point[asked], normal[asked], other, place)
        kept = turned < facing[asked]
        asked = asked[kept]
        contact[asked], triangle[asked] = place[kept], met[kept]
        radius[asked], facing[asked] = other[kept], turned[kept]
        radius[triangle < 0] = np.inf
        return Balls(radius, contact, triangle, np.clip(facing, -1.0, 1.0))

    def touched(self, point: _Floats, normal: _Floats, triangle: _Ints) -> tuple[_Floats, _Floats]:
        """Radius (n,) with which the ball at each point touches its triangle, inf where none does,
        and where (n, 3)."""
        return _first(point, normal, self.corners[triangle], self.normal[triangle])


def _facing(point: _Floats, normal: _Floats, radius: _Floats, contact: _Floats) -> _Floats:
    # From the centre: to p it is -n, to the contact (contact - p - r n) / r.
    facing: _Floats = 1 - dot(contact - point, normal) / np.maximum(radius, 1e-12)
    return facing


def _first(
    point: _Floats, normal: _Floats, corners: _Floats, facing: _Floats
) -> tuple[_Floats, _Floats]:
    """Radius (n,) at which the ball at each point reaches its triangle (n, 3, 3) with the normal
    `facing` (n, 3), and where (n, 3); inf where it never does."""
    away = corners - point[:, None]
    ahead = away[:, [1, 2, 0]]
    edge = ahead - away
    # On the plane: the ball's surface is as far out as the plane is.
    height = -dot(facing, away[:, 0])
    # A large ball may be met from behind, past what it will touch in the end.
    sign = np.where(height < 0, -1.0, 1.0)
    height *= sign
    slant = 1 - sign * dot(facing, normal)
    fits = (height > 1e-9) & (slant > 1e-9)
    radius = np.where(fits, height / np.where(fits, slant, 1.0), np.inf)
    finite = np.where(fits, radius, 0.0)[:, None]
    contact = finite * (normal - sign[:, None] * facing)
    # Inside, where the contact lies left of all edges, as seen from outside.
    inside = fits
    for i in range(3):
        inside &= dot(cross(edge[:, i], contact - away[:, i]), facing) <= 0
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
