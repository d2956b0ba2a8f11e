"""The edges of a triangle mesh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Edges:
    """Undirected edges with the triangle sides that lie on them.

    Side 3 t + i runs from corner i of triangle t to the next corner.

    sides  (s,) int64: sides, those of one edge together
    start  (e + 1,) int64: sides[start[k]:start[k + 1]] lie on edge k
    back   (s,) bool: the side runs from the higher vertex number to the lower
    """

    sides: NDArray[np.int64]
    start: NDArray[np.int64]
    back: NDArray[np.bool_]

    @property
    def count(self) -> NDArray[np.int64]:
        """How many faces share each edge."""
        return np.diff(self.start)

    @property
    def backward(self) -> NDArray[np.int64]:
        """How many of them run along it from the higher vertex number to the lower."""
        return np.add.reduceat(self.back, self.start[:-1], dtype=np.int64)


def edges_of(triangles: NDArray[np.int32], chosen: NDArray[np.bool_]) -> Edges:
    """The edges of the chosen triangles, (m,) bool; no chosen triangle names a vertex twice."""
    corners = triangles.astype(np.int64)
    size = int(corners.max(initial=0)) + 1
    begin, end = corners.ravel(), corners[:, [1, 2, 0]].ravel()
    key = (np.minimum(begin, end) * size + np.maximum(begin, end)) * 2 + (begin > end)
    if chosen.all():
        order = np.argsort(key)
    else:
        sides = np.flatnonzero(np.repeat(chosen, 3))
        order = sides[np.argsort(key[sides])]
    key = key[order]
    edge = key >> 1
    new = np.ones(len(order), bool)
    new[1:] = edge[1:] != edge[:-1]
    start = np.append(np.flatnonzero(new), len(order))
    return Edges(order, start, (key & 1).astype(bool))
