"""The space around and in a part in cells: which lie in the material, and how far others are off.

A cell is of the material if its middle lies in it, or if the surface passes through it: so a sheet
thinner than a cell has no holes. Where surfaces pass is found along rays through the middles of
cells, for each triangle in the direction that it faces most; along upright rays the crossings are
counted with their sign, too, which tells what lies within. (Cohen-Or and Kaufman, "Fundamentals of
surface voxelization", Graphical Models and Image Processing 57, 1995: what rays along the main
direction of a triangle meet has no gap; from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Cells lie off any even measure, so that rays meet no edge.
_ODD = np.array([0.137, 0.241, 0.319])
# Crossings that are computed at a time.
_AT_ONCE = 1_000_000
# How far `squares` looks, cells, so that what it adds up fits into a byte.
FARTHEST = 11


@dataclass(frozen=True, eq=False)
class Cells:
    """low (3,) the middle of the first cell, cell: how wide they are, mm; shape: how many."""

    low: _Floats
    cell: float
    shape: tuple[int, int, int]

    @classmethod
    def about(cls, vertices: _Floats, cell: float, margin: float) -> Cells:
        """Cells over all vertices (n, 3) and a margin, mm, with one cell more on each side."""
        low = vertices.min(axis=0) - margin - cell * (1 + _ODD)
        x, y, z = (np.ceil((vertices.max(axis=0) + margin - low) / cell).astype(int) + 2).tolist()
        return cls(low, cell, (x, y, z))

    def middle(self, cell: _Ints) -> _Floats:
        """Middles of cells (n, 3)."""
        return self.low + self.cell * cell

    def filled(self, corners: _Floats) -> tuple[_Bools, _Bools]:
        """Which cells have their middle in what triangles (m, 3, 3) enclose, and which the
        triangles pass through; (x, y, z) each."""
        corner = (corners - self.low) / self.cell
        main = _main(corner)
        passed = np.zeros(self.shape, bool)
        for axis in (0, 1):
            # The ray's axis last.
            order = [each for each in range(3) if each != axis] + [axis]
            seen = np.zeros([self.shape[each] for each in order], bool)
            for ray, height, _ in _crossings(corner[main == axis][:, :, order], seen.shape[1]):
                seen.ravel()[ray * seen.shape[2] + _whole(height + 0.5)] = True
            passed |= seen.transpose(np.argsort(order))
        turns = np.zeros(self.shape, np.int8)
        for ray, height, up in _crossings(corner, self.shape[1]):
            at = ray * self.shape[2] + _whole(height + 0.5)
            passed.ravel()[at] = True
            # From below the first surface faces down. Whatever lies up to its middle is beyond.
            at += height > at - ray * self.shape[2]
            np.add.at(turns.ravel(), at, np.where(up, np.int8(-1), np.int8(1)))
        np.cumsum(turns, axis=2, out=turns)
        return np.asarray(turns > 0), passed


def _whole(values: _Floats) -> _Ints:
    return values.astype(np.int64)


def _main(corner: _Floats) -> _Ints:
    """(m,) the axis along which each triangle (m, 3, 3) faces most."""
    (a, b, c), (x, y, z) = (corner[:, i].T - corner[:, 0].T for i in (1, 2))
    faces = np.stack([b * z - c * y, c * x - a * z, a * y - b * x])
    return np.asarray(np.abs(faces).argmax(axis=0), np.int64)


def _crossings(corner: _Floats, width: int) -> Iterator[tuple[_Ints, _Floats, _Bools]]:
    """Where upright rays through whole numbers x, y meet triangles (m, 3, 3): the ray's number,
    x * width + y, the height, and whether the triangle faces up; some at a time.

    Row by row of x: between the two sides of the triangle that a row meets. Both triangles at a
    side find the same place on it, so that each ray through it meets one of them.
    """
    x, y, z = (np.ascontiguousarray(corner[:, :, axis].T) for axis in range(3))
    met = np.ceil(x.min(axis=0)) < np.ceil(x.max(axis=0))
    met &= np.ceil(y.min(axis=0)) < np.ceil(y.max(axis=0))
    turn = (x[1] - x[0]) * (y[2] - y[0]) - (y[1] - y[0]) * (x[2] - x[0])
    use = np.flatnonzero(met & (turn != 0.0))
    rise = x[:, use].argsort(axis=0)
    x, y, z = (np.take_along_axis(each[:, use], rise, axis=0) for each in (x, y, z))
    up = turn[use] > 0
    first = np.ceil(x[0]).astype(np.int64)
    owner, row = ranges(first, np.ceil(x[2]).astype(np.int64) - first)
    before = row < x[1][owner]
    begin, end = np.where(before, 0, 1), np.where(before, 1, 2)

    def at(start: _Ints | int, finish: _Ints | int) -> tuple[_Floats, _Floats]:
        share = (row - x[start, owner]) / (x[finish, owner] - x[start, owner])
        return (
            y[start, owner] + share * (y[finish, owner] - y[start, owner]),
            z[start, owner] + share * (z[finish, owner] - z[start, owner]),
        )

    (near, high), (far, to_high) = at(0, 2), at(begin, end)
    low = np.ceil(np.minimum(near, far)).astype(np.int64)
    size = np.ceil(np.maximum(near, far)).astype(np.int64) - low
    slope = np.divide(to_high - high, far - near, out=np.zeros_like(near), where=far != near)
    # Height over the first place of a row.
    high += (low - near) * slope
    ray, up = row * width + low, up[owner]
    ends = np.cumsum(size)
    start = 0
    while start < len(ends):
        done = int(ends[start - 1]) if start else 0
        stop = max(int(np.searchsorted(ends, done + _AT_ONCE, side="right")), start + 1)
        some = slice(start, stop)
        which, across = ranges(0, size[some])
        which += start
        yield ray[which] + across, high[which] + across * slope[which], up[which]
        start = stop


def squares(solid: _Bools, reach: int) -> NDArray[np.uint8]:
    """The square of how far each cell lies from the nearest solid one, middle to middle, in cells;
    more than reach² where that is farther than `reach` (at most `FARTHEST`).

    Axis by axis (Saito and Toriwaki, "New algorithms for Euclidean distance transformation",
    Pattern Recognition 27, 1994; from memory).
    """
    far = np.uint8(reach**2 + 1)
    square = np.where(solid, np.uint8(0), far)
    more = np.empty_like(square)
    for axis in range(3):
        new = square.copy()
        old, made, room = (np.moveaxis(each, axis, 0) for each in (square, new, more))
        for step in range(1, min(reach, len(old) - 1) + 1):
            into = room[step:]
            np.add(old[step:], np.uint8(step**2), out=into)
            np.minimum(made[:-step], into, out=made[:-step])
            np.add(old[:-step], np.uint8(step**2), out=into)
            np.minimum(made[step:], into, out=made[step:])
        square = new
    return square


def halved(solid: _Bools) -> _Bools:
    """Cells twice as wide, of which those are solid that hold a solid one."""
    room = np.zeros([size + size % 2 for size in solid.shape], bool)
    room[tuple(slice(size) for size in solid.shape)] = solid
    for axis in range(3):
        pairs = np.moveaxis(room, axis, 0)
        room = np.moveaxis(pairs[::2] | pairs[1::2], 0, axis)
    return np.ascontiguousarray(room)


def number_of(vertices: _Floats, cell: float, margin: float) -> float:
    """How many cells `Cells.about` has, or a few less."""
    size = np.ptp(vertices, axis=0) + 2 * margin
    return float(math.prod((size / cell + 4).tolist()))
