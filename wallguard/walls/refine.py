"""Long triangles of curved surfaces cut into shorter ones, without moving the surface."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Edges are halved so often at most, and no more once there are so many triangles.
_ROUNDS, _MOST = 8, 600_000


def halved(
    vertices: _Floats, triangles: _Ints, which: _Bools, longest: float
) -> tuple[_Floats, _Ints, _Ints]:
    """Halve edges of some triangles until none is longer than `longest` (mm), for both triangles
    beside them, or there are too many.

    vertices (n, 3); triangles (m, 3); which (m,)
    Returns all vertices and triangles, wound as before, and which triangle each is a piece of.
    """
    owner = np.arange(len(triangles))
    for _ in range(_ROUNDS):
        if len(triangles) > _MOST:
            break
        ahead = triangles[:, [1, 2, 0]]
        edge = vertices[ahead] - vertices[triangles]
        long = np.einsum("tij,tij->ti", edge, edge) > longest**2
        long &= which[owner][:, None]
        if not long.any():
            break
        key = np.minimum(triangles, ahead) * len(vertices) + np.maximum(triangles, ahead)
        split = distinct(key[long])
        place = np.minimum(np.searchsorted(split, key), len(split) - 1)
        middle = np.where(split[place] == key, len(vertices) + place, -1)
        ends = vertices[np.column_stack([split // len(vertices), split % len(vertices)])]
        vertices = np.concatenate([vertices, ends.mean(axis=1)])
        whole = (middle < 0).all(axis=1)
        pieces, of = _pieces(vertices, triangles[~whole], middle[~whole])
        triangles = np.concatenate([triangles[whole], pieces])
        owner = np.concatenate([owner[whole], owner[~whole][of]])
    return vertices, triangles, owner


def _pieces(vertices: _Floats, triangles: _Ints, middle: _Ints) -> tuple[_Ints, _Ints]:
    """Triangles with one, two or three edges split at `middle` (m, 3), -1 where not; and which
    triangle each piece is of."""
    count = (middle >= 0).sum(axis=1)
    # Turn each so that its first edge is split, and the last one is not where two are.
    first = np.where(
        count == 1, np.argmax(middle >= 0, axis=1), (np.argmin(middle, axis=1) + 1) % 3
    )
    turn = (first[:, None] + np.arange(3)) % 3
    a, b, c = np.take_along_axis(triangles, turn, axis=1).T
    ab, bc, ca = np.take_along_axis(middle, turn, axis=1).T
    one, two, three = (np.flatnonzero(count == n) for n in (1, 2, 3))
    across = np.linalg.norm(vertices[a[two]] - vertices[bc[two]], axis=1)
    other = np.linalg.norm(vertices[c[two]] - vertices[ab[two]], axis=1)
    near, far = two[across <= other], two[across > other]
    pieces = [
        (one, (a, ab, c)),
        (one, (ab, b, c)),
        (two, (ab, b, bc)),
        (near, (a, ab, bc)),
        (near, (a, bc, c)),
        (far, (a, ab, c)),
        (far, (ab, bc, c)),
        (three, (a, ab, ca)),
        (three, (ab, b, bc)),
        (three, (ca, bc, c)),
        (three, (ab, bc, ca)),
    ]
    return (
        np.concatenate([np.column_stack([each[which] for each in new]) for which, new in pieces]),
        np.concatenate([which for which, _ in pieces]),
    )
