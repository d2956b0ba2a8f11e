"""Make equal points one point."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

_MIX = (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9)  # any odd numbers will do


def weld(
    points: NDArray[np.floating], group: NDArray[np.int64] | None = None
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Find the points that are exactly equal (-0.0 equals 0.0), keeping the file's order.

    points (n, 3) float32 or float64, finite; group (n,): points of unequal group stay apart.
    Returns (kept, index): `points[kept]` are the distinct points in order of first appearance,
    and point i is distinct point `index[i]`.

    Points are brought together by sorting a 64-bit mix of their bits; neighbours are then
    compared bit by bit, and in the (contrived) case of two points with one mix, sorted in full.
    """
    count = len(points)
    if count == 0:
        return np.empty(0, np.int64), np.empty(0, np.int32)
    bits = np.uint32 if points.dtype == np.float32 else np.uint64

    def columns() -> Iterator[NDArray[np.unsignedinteger]]:
        # Made anew each time: held, they take as much memory as the points.
        for axis in range(3):
            yield (points[:, axis] + points.dtype.type(0)).view(bits)
        if group is not None:
            yield group.astype(np.uint64)

    mixed = np.zeros(count, np.uint64)
    for place, column in enumerate(columns()):
        mixed ^= mixed >> np.uint64(29)
        mixed *= np.uint64(_MIX[0])
        mixed += column * np.uint64(_MIX[place % 3])
    order = np.argsort(mixed)
    new = _changes([mixed], order)
    del mixed
    if not np.array_equal(new, _changes(columns(), order)):
        order = np.lexsort(list(columns()))
        new = _changes(columns(), order)
    starts = np.flatnonzero(new)
    first = np.minimum.reduceat(order, starts)
    is_first = np.zeros(count, bool)
    is_first[first] = True
    number = np.cumsum(is_first, dtype=np.int32) - np.int32(1)
    index = np.empty(count, np.int32)
    index[order] = np.repeat(number[first], np.diff(starts, append=count))
    return np.flatnonzero(is_first), index


def _changes(
    columns: Iterable[NDArray[np.unsignedinteger]], order: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Where, along `order`, a row differs from the one before it; the first row does."""
    new = np.zeros(len(order), bool)
    new[0] = True
    for column in columns:
        ordered = column[order]
        new[1:] |= ordered[1:] != ordered[:-1]
    return new
