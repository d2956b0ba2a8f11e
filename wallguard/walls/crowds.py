"""How much a search for what is nearest has to look at, counted for a few of many points before it
is done for all.

Whatever tree of boxes is searched, it has to look into every box that lies nearer to a point than
what is nearest in the end. On a usual surface these are some hundred; where thousands of faces meet
in a point, or lie through each other, they are thousands.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wallguard.walls.bounds import along_a_curve

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Pairs of points and boxes that are looked at together: bounds the memory. More are never counted.
_PAIRS = 1_000_000


def boxes_nearer(corners: _Floats, point: _Floats, away: _Floats) -> float:
    """How many boxes, of triangles (m, 3, 3) and of two, four, ... of them, lie nearer to points
    (n, 3) than so far (n,): the mean over the points, or at least as many as say that they are too
    many."""
    first, second, third = corners[:, 0], corners[:, 1], corners[:, 2]
    low = np.minimum(np.minimum(first, second), third)
    high = np.maximum(np.maximum(first, second), third)
    order = along_a_curve((low + high) / 2)
    levels = [(low[order], high[order])]
    while len(levels[-1][0]) > 1:
        low, high = levels[-1]
        even = np.arange(0, len(low), 2)
        levels.append((np.minimum.reduceat(low, even), np.maximum.reduceat(high, even)))
    asked = np.arange(len(point))
    box = np.zeros(len(point), np.int64)
    looked_at = 0
    for low, high in reversed(levels):
        whole = box < len(low)
        asked, box = asked[whole], box[whole]
        looked_at += len(box)
        if len(box) > _PAIRS:
            break
        spot = point[asked]
        gap = np.maximum(np.maximum(low[box] - spot, spot - high[box]), 0.0)
        nearer = np.einsum("ki,ki->k", gap, gap) < away[asked] ** 2
        asked, box = np.repeat(asked[nearer], 2), 2 * np.repeat(box[nearer], 2)
        box[1::2] += 1
    return looked_at / max(len(point), 1)
