"""Which closed bodies lie inside which: crossings of upright rays, counted with their sign."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges

_CHUNK = 100_000
MAX_PAIRS = 200_000_000  # a few seconds' work


@dataclass(frozen=True)
class Nesting:
    """For each pair listed: how many times `body` winds around point `point` (never 0).

    complete  False where there was too much to count; the rest is then missing
    """

    point: NDArray[np.int64]
    body: NDArray[np.int64]
    winding: NDArray[np.int64]
    complete: bool = True


def nesting(
    points: NDArray[np.float64],
    own: NDArray[np.int64],
    vertices: NDArray[np.float64],
    triangles: NDArray[np.int32],
    body: NDArray[np.int32],
) -> Nesting:
    """Winding numbers of closed bodies around points, from what lies above each point.

    points (k, 3), each on the body `own`, which is left out; body (m,): the body of each triangle.
    A ray up from a point leaves a body once more than it enters it where the point is inside
    (Jordan-Brouwer). Points seen from above lie left or right of an edge by one rule for
    both its triangles, so that no ray slips through between them.
    """
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    order = np.argsort(points[:, 0], kind="stable")
    across = points[order, 0]
    first = np.searchsorted(across, low[:, 0], "left")
    number = np.searchsorted(across, high[:, 0], "right") - first
    crossings: list[NDArray[np.int64]] = []
    complete = bool(number.sum() <= MAX_PAIRS)
    for face, at in expand(first, number) if complete else ():
        point = order[at]
        place = points[point]
        near = (
            (low[face, 1] <= place[:, 1])
            & (place[:, 1] <= high[face, 1])
            & (place[:, 2] <= high[face, 2])
            & (body[face] != own[point])
        )
        near_face, point, place = face[near], point[near], place[near]
        left, height = _seen_from_above(vertices, triangles[near_face], place[:, :2])
        inside = left.all(axis=1) | ~left.any(axis=1)
        hit = inside & (height > place[:, 2])
        sign = np.where(left[:, 0], 1, -1)
        crossings.append(np.stack([point, body[near_face].astype(np.int64), sign], axis=1)[hit])
    if not crossings:
        none = np.empty(0, np.int64)
        return Nesting(none, none, none, complete)
    hits = np.concatenate(crossings)
    bodies = int(body.max(initial=0)) + 1
    pair, where = np.unique(hits[:, 0] * bodies + hits[:, 1], return_inverse=True)
    winding = np.zeros(len(pair), np.int64)
    np.add.at(winding, where, hits[:, 2])
    kept = winding != 0
    return Nesting(pair[kept] // bodies, pair[kept] % bodies, winding[kept], complete)


def expand(
    first: NDArray[np.int64], number: NDArray[np.int64]
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """All pairs (i, j) with first[i] <= j < first[i] + number[i], in chunks of bounded size."""
    total = np.cumsum(number)
    done = 0
    while done < len(number):
        before = int(total[done - 1]) if done else 0
        stop = max(int(np.searchsorted(total, before + _CHUNK, "right")), done + 1)
        count = number[done:stop]
        i, j = ranges(first[done:stop], count)
        yield i + done, j
        done = stop


def _seen_from_above(
    vertices: NDArray[np.float64], triangles: NDArray[np.int32], points: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Whether points (k, 2) lie left of each side of their triangles, and the height there."""
    left = np.empty((len(triangles), 3), bool)
    area = np.empty((len(triangles), 3))
    for i in range(3):
        begin, end = triangles[:, i], triangles[:, (i + 1) % 3]
        back = begin > end
        a = vertices[np.where(back, end, begin), :2]
        b = vertices[np.where(back, begin, end), :2]
        side = (b[:, 0] - a[:, 0]) * (points[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (
            points[:, 0] - a[:, 0]
        )
        left[:, i] = (side >= 0) != back
        area[:, i] = np.where(back, -side, side)
    heights = vertices[triangles, 2][:, [2, 0, 1]]  # the corner that faces each side
    with np.errstate(all="ignore"):  # upright triangles are never hit
        height = (area * heights).sum(axis=1) / area.sum(axis=1)
    return left, np.clip(height, heights.min(axis=1), heights.max(axis=1))
