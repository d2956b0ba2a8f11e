"""Outlines and beads as squares of a grid, for the coarse search.

y
|  . . # #      `outline_squares`: is the middle of a square inside the rings?
|  . # # #      `bead_squares`: which share of a square do beads cover?
+---------- x
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges
from wallguard.toolpath.beads import Beads

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


def bead_squares(
    laid: Beads, chosen: _Ints, origin: _Floats, square: float, shape: tuple[int, int]
) -> NDArray[np.float32]:
    """Which share of each square of side `square` (mm) the chosen beads cover, at most 1.

    origin  lower left corner of the first square, mm; shape: rows, columns
    """
    start, end, width = laid.start[chosen], laid.end[chosen], laid.width[chosen]
    length = np.hypot(*(end - start).T)
    count = np.maximum(np.ceil(2 * length / square), 1).astype(np.int64)
    owner, number = ranges(0, count)
    share = (number + 0.5) / count[owner]
    place = start[owner] + share[:, None] * (end - start)[owner]
    column, row = np.floor((place - origin) / square).astype(np.int64).T
    amount = length[owner] / count[owner] * width[owner] / square**2
    total = np.bincount(row * shape[1] + column, amount, shape[0] * shape[1])
    return np.minimum(total, 1.0).reshape(shape).astype(np.float32)


def outline_squares(rings: Sequence[_Floats], rows: int, columns: int) -> NDArray[np.bool_]:
    """Which squares of side 1 have their middle inside the rings, each (n, 2)."""
    turns = np.zeros((rows, columns + 1), np.int32)
    for ring in rings:
        after = np.roll(ring, -1, axis=0)
        first = np.ceil(np.minimum(ring[:, 1], after[:, 1]) - 0.5).astype(np.int64)
        last = np.ceil(np.maximum(ring[:, 1], after[:, 1]) - 0.5).astype(np.int64)
        many = np.maximum(last - first, 0)
        edge, row = ranges(first, many)
        rise = (after - ring)[edge]
        x = ring[edge, 0] + (row + 0.5 - ring[edge, 1]) * rise[:, 0] / rise[:, 1]
        column = np.ceil(x - 0.5).astype(np.int64).clip(0, columns)
        inside = (row >= 0) & (row < rows)
        np.add.at(
            turns,
            (row[inside], column[inside]),
            np.where(rise[inside, 1] > 0, -1, 1).astype(np.int32),
        )
    covered: NDArray[np.bool_] = np.cumsum(turns, axis=1)[:, :columns] != 0
    return covered
