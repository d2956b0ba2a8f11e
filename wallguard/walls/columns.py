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
    """Cells in rows of `width`; corners (m, 3, 2) of triangles in cells, z (m, 3) in mm."""

    width: int
    rows: int
    corners: _Floats
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
    u, v = (grid.corners[:, i] - grid.corners[:, 0] for i in (1, 2))
    doubled = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    flat = np.flatnonzero(np.abs(doubled) > 1e-12)
    corners, z, doubled = grid.corners[flat], grid.z[flat], doubled[flat]
    rise, climb = z[:, 1] - z[:, 0], z[:, 2] - z[:, 0]
    u, v = u[flat], v[flat]
    slope = (
        np.column_stack([rise * v[:, 1] - climb * u[:, 1], climb * u[:, 0] - rise * v[:, 0]])
        / doubled[:, None]
    )
    faces = _Faces(corners, z, slope, doubled > 0)
    triangle, block = _blocks(faces, grid)
    wanted = _near_each_other(faces, triangle, block, grid, layers)
    inside = wanted[block]
    return _runs(faces, triangle[inside], block[inside], grid, (heights, most))


# Pairs of triangles and blocks that are held at a time: some 0.5 GB.
_PAIRS = 20_000_000


@dataclass(frozen=True)
class _Faces:
    """Triangles that are seen from above: corners (m, 3, 2) in cells, z (m, 3), slope (m, 2) mm
    for each cell, and whether they face up."""

    corners: _Floats
    z: _Floats
    slope: _Floats
    up: _Bools

    def at(self, which: _Ints, place: _Floats) -> _Floats:
        """The height of planes at places (k, 2), no lower or higher than their triangles."""
        away = place - self.corners[which, 0]
        height = self.z[which, 0] + (self.slope[which] * away).sum(axis=1)
        lowest, highest = self.z.min(axis=1)[which], self.z.max(axis=1)[which]
        clipped: _Floats = np.clip(height, lowest, highest)
        return clipped


def _across(grid: Grid) -> int:
    return grid.width // _SIDE + 1


def _blocks(faces: _Faces, grid: Grid) -> tuple[_Ints, _Ints]:
    """Pairs of triangles and blocks that their boxes touch. Beyond the plan no layer has material:
    a flat cone is far wider than its first section."""
    most = np.array([(grid.width - 1) // _SIDE, (grid.rows - 1) // _SIDE])
    ends = (faces.corners.min(axis=1), faces.corners.max(axis=1))
    low, high = (np.floor(end / _SIDE) for end in ends)
    first = np.clip(low, 0, most + 1).astype(np.int64)
    size = np.maximum(np.clip(high, -1, most).astype(np.int64) - first + 1, 0)
    # Long thin triangles have boxes far larger than they are.
    if int((size[:, 0] * size[:, 1]).sum()) > _PAIRS:
        raise ValueError("too many blocks")
    triangle, local = ranges(0, size[:, 0] * size[:, 1])
    column = first[triangle, 0] + local % size[triangle, 0]
    row = first[triangle, 1] + local // size[triangle, 0]
    return triangle, row * _across(grid) + column


def _near_each_other(
    faces: _Faces, triangle: _Ints, block: _Ints, grid: Grid, layers: tuple[float, int]
) -> _Bools:
    """Which blocks, or blocks beside them, have surface that faces up little above what faces
    down."""
    height, limit = layers
    across = _across(grid)
    steep = np.abs(faces.slope).max(axis=1) > _STEEP * height / 2
    large = np.ptp(faces.corners, axis=1).max(axis=1) > _SMALL
    kept = np.flatnonzero(~(steep & large)[triangle])
    triangle, block = triangle[kept], block[kept]
    middle = (np.column_stack([block % across, block // across]) + 0.5) * _SIDE
    half = np.abs(faces.slope[triangle]).sum(axis=1) * _SIDE / 2
    away = middle - faces.corners[triangle, 0]
    centre = faces.z[triangle, 0] + (faces.slope[triangle] * away).sum(axis=1)
    lowest, highest = faces.z.min(axis=1)[triangle], faces.z.max(axis=1)[triangle]
    # Fine steps tell a sheet just above the limit from one below it; not too many of them.
    step = height * max(1, limit // _STEPS)
    base = float(faces.z.min(initial=0.0))
    low = np.floor((np.clip(centre - half, lowest, highest) - base) / step).astype(np.int64)
    high = np.floor((np.clip(centre + half, lowest, highest) - base) / step).astype(np.int64)
    up = faces.up[triangle]
    # What faces down is noted in the steps above its own as well, up to the limit.
    high = np.where(up, high, high + int(np.ceil(limit * height / step)) + 1)
    owner, bin_ = ranges(low, high - low + 1)
    total = int(high.max(initial=0)) + 1
    key = block[owner] * total + bin_
    met = common(key[up[owner]], key[~up[owner]])
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
    across = _across(grid)
    # The cells of each triangle's box in its block, then those whose middles lie in the triangle.
    corner = np.column_stack([block % across, block // across]) * _SIDE
    low = np.ceil(faces.corners.min(axis=1)[triangle]).astype(np.int64)
    high = np.floor(faces.corners.max(axis=1)[triangle]).astype(np.int64)
    end = np.minimum(corner + _SIDE, [grid.width, grid.rows])
    low, high = np.maximum(low, corner), np.minimum(high, end - 1)
    size = np.maximum(high - low + 1, 0)
    count = size[:, 0] * size[:, 1]
    if count.sum() > most:
        raise ValueError("too many triangles lie over each other")
    owner, local = ranges(0, count)
    column = low[owner, 0] + local % np.maximum(size[owner, 0], 1)
    row = low[owner, 1] + local // np.maximum(size[owner, 0], 1)
    triangle = triangle[owner]
    inside = _inside(faces, triangle, column, row)
    triangle, column, row = triangle[inside], column[inside], row[inside]
    height = faces.at(triangle, np.column_stack([column, row]).astype(np.float64))
    cell, up = row * grid.width + column, faces.up[triangle]
    # Of two at one height the lower side comes first, so that bodies that touch are one.
    order = np.lexsort((up, height, cell))
    cell, up = cell[order], up[order]
    layer = np.searchsorted(heights, height[order])
    depth = np.cumsum(np.where(up, -1, 1))
    begins = np.flatnonzero(~up & (depth == 1))
    ends = np.flatnonzero(up & (depth == 0))
    if len(begins) != len(ends) or (cell[begins] != cell[ends]).any():
        raise ValueError("the mesh is not closed")
    cell, first, last = cell[begins], layer[begins], layer[ends]
    some = last > first
    cell, first, last = cell[some], first[some], last[some]
    # What has no layer of air between is one run.
    fresh = np.append(True, (cell[1:] != cell[:-1]) | (first[1:] != last[:-1]))[: len(cell)]
    final = np.append(fresh[1:], True)[: len(cell)]
    return cell[fresh], first[fresh], last[final] - first[fresh]


def _inside(faces: _Faces, triangle: _Ints, column: _Ints, row: _Ints) -> _Bools:
    """Whether the middle of each cell lies in its triangle, seen from above; a middle on an edge
    lies in one of the two triangles that share it."""
    inside = np.ones(len(triangle), bool)
    for i in range(3):
        a, b = faces.corners[:, i], faces.corners[:, (i + 1) % 3]
        # Both triangles reckon a shared edge in one direction, so that both find the same side.
        back = (a[:, 0] > b[:, 0]) | ((a[:, 0] == b[:, 0]) & (a[:, 1] > b[:, 1]))
        a, b = np.where(back[:, None], b, a), np.where(back[:, None], a, b)
        x, y, way_x, way_y = np.column_stack([a, b - a]).take(triangle, axis=0).T
        side = way_x * (row - y) - way_y * (column - x)
        inside &= (side >= 0) != (back == faces.up)[triangle]
    return inside
