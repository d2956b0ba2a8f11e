"""Columns of material over the cells of a plan, where they may be short: from the mesh itself.

Only where a surface that faces up lies little above one that faces down can material be a few
layers high. So the plan is cut into blocks of cells; in each, the heights of both kinds of surface
are noted in steps, and only blocks where the two come near each other are looked into:

        up    ___________              ______          one block is 16 x 16 cells; `*` is looked
             |           |____________|   *  |         into, with the blocks around it
        down |________________________|______|

There a column's runs of material follow from the triangles above its cell, in order of height.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import common, ranges

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Cells along the side of a block: few enough to be looked into, many enough to be left out at once.
_SIDE = 16
# Planes this much steeper than one layer in two cells bear no nine cells of one height; they are
# left out unless they are so few cells large that several of them might make such a place.
_STEEP, _SMALL = 2.0, 3.0
# Heights are noted in steps of one layer, or of so many that about this many make the limit.
_STEPS = 6


@dataclass(frozen=True)
class Grid:
    """Cells in rows of `width`; x, y (3, m) of triangles' corners in cells, z (3, m) in mm."""

    width: int
    rows: int
    x: _Floats
    y: _Floats
    z: _Floats


def short_columns(
    grid: Grid, heights: _Floats, layers: tuple[float, int], most: int
) -> tuple[_Ints, _Ints, _Ints]:
    """Runs of layers with material in all cells in and around which fewer layers than the limit may
    lie on each other: the cell, the first layer and how many layers, of each run.

    heights  (L,) of the layers' middles, rising; layers: their height, and the limit
    most     pairs of triangles and cells to look at

    Raises ValueError where there are more, or the triangles do not close.
    """
    faces = _Faces.of(grid)
    triangle, block = _blocks(faces, grid)
    wanted = _near_each_other(faces, triangle, block, grid, layers)
    inside = np.flatnonzero(wanted.take(block))
    return _runs(faces, triangle.take(inside), block.take(inside), grid, (heights, most))


# Pairs of triangles and blocks that are held at a time: some 0.5 GB.
_PAIRS = 20_000_000


@dataclass(frozen=True)
class _Faces:
    """Triangles that are seen from above: x, y (3, m) in cells, z (3, m), slope (2, m) mm for each
    cell, and whether they face up."""

    x: _Floats
    y: _Floats
    z: _Floats
    slope: _Floats
    up: _Bools

    @classmethod
    def of(cls, grid: Grid) -> _Faces:
        x, y, z = grid.x, grid.y, grid.z
        doubled = (x[1] - x[0]) * (y[2] - y[0]) - (y[1] - y[0]) * (x[2] - x[0])
        seen = np.flatnonzero(np.abs(doubled) > 1e-12)
        x, y, z = (each.take(seen, axis=1) for each in (x, y, z))
        doubled = doubled.take(seen)
        ux, uy, vx, vy = x[1] - x[0], y[1] - y[0], x[2] - x[0], y[2] - y[0]
        rise, climb = z[1] - z[0], z[2] - z[0]
        slope = np.stack([rise * vy - climb * uy, climb * ux - rise * vx])
        slope /= doubled
        return cls(x, y, z, slope, doubled > 0)

    @cached_property
    def low(self) -> _Floats:
        """(3, m) the least x, y and z of each."""
        return np.stack([each.min(axis=0) for each in (self.x, self.y, self.z)])

    @cached_property
    def high(self) -> _Floats:
        """(3, m) the greatest."""
        return np.stack([each.max(axis=0) for each in (self.x, self.y, self.z)])

    def at(self, which: _Ints, x: _Floats | _Ints, y: _Floats | _Ints) -> _Floats:
        """The height of planes at places, (k,) each."""
        height: _Floats = self.slope[0].take(which) * (x - self.x[0].take(which))
        height += self.slope[1].take(which) * (y - self.y[0].take(which))
        height += self.z[0].take(which)
        return height

    def within(self, which: _Ints, height: _Floats) -> _Floats:
        """Heights (k,) no lower or higher than their triangles."""
        height = np.maximum(height, self.low[2].take(which))
        np.minimum(height, self.high[2].take(which), out=height)
        return height


def _across(grid: Grid) -> int:
    return grid.width // _SIDE + 1


def _blocks(faces: _Faces, grid: Grid) -> tuple[_Ints, _Ints]:
    """Pairs of triangles and blocks that their boxes touch. Beyond the plan no layer has material:
    a flat cone is far wider than its first section."""
    first, size = [], []
    for low, high, cells in zip(faces.low, faces.high, (grid.width, grid.rows), strict=False):
        most = (cells - 1) // _SIDE
        begin = np.clip(np.floor(low / _SIDE), 0, most + 1).astype(np.int64)
        end = np.clip(np.floor(high / _SIDE), -1, most).astype(np.int64)
        first.append(begin)
        size.append(np.maximum(end - begin + 1, 0))
    count = size[0] * size[1]
    # Long thin triangles have boxes far larger than they are.
    if int(count.sum()) > _PAIRS:
        raise ValueError("too many blocks")
    triangle, local = ranges(0, count)
    up, along = np.divmod(local, size[0].take(triangle))
    row = first[1].take(triangle) + up
    return triangle, row * _across(grid) + first[0].take(triangle) + along


def _near_each_other(
    faces: _Faces, triangle: _Ints, block: _Ints, grid: Grid, layers: tuple[float, int]
) -> _Bools:
    """Which blocks, or blocks beside them, have surface that faces up little above what faces
    down."""
    height, limit = layers
    across = _across(grid)
    tilt = np.abs(faces.slope)
    steep = tilt.max(axis=0) > _STEEP * height / 2
    steep &= (faces.high - faces.low)[:2].max(axis=0) > _SMALL
    kept = np.flatnonzero(~steep.take(triangle))
    triangle, block = triangle.take(kept), block.take(kept)
    row, column = np.divmod(block, across)
    centre = faces.at(triangle, (column + 0.5) * _SIDE, (row + 0.5) * _SIDE)
    half = tilt.sum(axis=0).take(triangle) * _SIDE / 2
    # Fine steps tell a sheet just above the limit from one below it; not too many of them.
    step = height * max(1, limit // _STEPS)
    base = float(faces.z.min(initial=0.0))
    low, high = (
        np.floor((faces.within(triangle, each) - base) / step).astype(np.int64)
        for each in (centre - half, centre + half)
    )
    up = faces.up.take(triangle)
    # What faces down is noted in the steps above its own as well, up to the limit.
    high += np.where(up, 0, int(np.ceil(limit * height / step)) + 1)
    owner, bin_ = ranges(low, high - low + 1)
    total = int(high.max(initial=0)) + 1
    key, up = block.take(owner) * total + bin_, up.take(owner)
    met = common(key[up], key[~up])
    marked = np.zeros((grid.rows // _SIDE + 3, across), bool)
    marked.ravel()[met // total] = True
    around = marked.copy()
    for axis in (0, 1):
        spread = around.copy()
        for shift in (1, -1):
            spread |= np.roll(around, shift, axis=axis)
        around = spread
    return around.ravel()


def _runs(
    faces: _Faces, triangle: _Ints, block: _Ints, grid: Grid, bounds: tuple[_Floats, int]
) -> tuple[_Ints, _Ints, _Ints]:
    heights, most = bounds
    # The cells of each triangle's box in its block, then those whose middles lie in the triangle.
    first, size = [], []
    corners = np.divmod(block, _across(grid))[::-1]
    for axis, (at, cells) in enumerate(zip(corners, (grid.width, grid.rows), strict=True)):
        low = np.ceil(faces.low[axis]).astype(np.int64).take(triangle)
        high = np.floor(faces.high[axis]).astype(np.int64).take(triangle)
        begin, end = np.maximum(low, at * _SIDE), np.minimum((at + 1) * _SIDE, cells)
        first.append(begin)
        size.append(np.maximum(np.minimum(high, end - 1) - begin + 1, 0))
    count = size[0] * size[1]
    if count.sum() > most:
        raise ValueError("too many triangles lie over each other")
    owner, local = ranges(0, count)
    up, along = np.divmod(local, size[0].take(owner))
    column, row = first[0].take(owner) + along, first[1].take(owner) + up
    triangle, column, row = _inside(faces, triangle.take(owner), column, row)
    height = faces.within(triangle, faces.at(triangle, column, row))
    cell, upward = row * grid.width + column, faces.up.take(triangle)
    # Of two at one height the lower side comes first, so that bodies that touch are one.
    order = np.lexsort((upward, height, cell))
    cell, upward = cell.take(order), upward.take(order)
    layer = np.searchsorted(heights, height.take(order))
    depth = np.cumsum(np.where(upward, -1, 1))
    begins = np.flatnonzero(~upward & (depth == 1))
    ends = np.flatnonzero(upward & (depth == 0))
    if len(begins) != len(ends) or (cell[begins] != cell[ends]).any():
        raise ValueError("the mesh is not closed")
    cell, first_, last = cell[begins], layer[begins], layer[ends]
    some = last > first_
    cell, first_, last = cell[some], first_[some], last[some]
    # What has no layer of air between is one run.
    fresh = np.append(True, (cell[1:] != cell[:-1]) | (first_[1:] != last[:-1]))[: len(cell)]
    final = np.append(fresh[1:], True)[: len(cell)]
    return cell[fresh], first_[fresh], last[final] - first_[fresh]


def _inside(
    faces: _Faces, triangle: _Ints, column: _Ints, row: _Ints
) -> tuple[_Ints, _Ints, _Ints]:
    """Of triangles and cells those where the middle of the cell lies in the triangle, seen from
    above; a middle on an edge lies in one of the two triangles that share it."""
    for i in range(3):
        (ax, bx), (ay, by) = ((each[i], each[(i + 1) % 3]) for each in (faces.x, faces.y))
        # Both triangles reckon a shared edge in one direction, so that both find the same side.
        back = (ax > bx) | ((ax == bx) & (ay > by))
        x, y = np.where(back, bx, ax), np.where(back, by, ay)
        way_x, way_y = np.where(back, ax, bx) - x, np.where(back, ay, by) - y
        side = way_x.take(triangle) * (row - y.take(triangle))
        side -= way_y.take(triangle) * (column - x.take(triangle))
        inside = np.flatnonzero((side >= 0) != (back == faces.up).take(triangle))
        triangle, column, row = (each.take(inside) for each in (triangle, column, row))
    return triangle, column, row
