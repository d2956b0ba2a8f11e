"""Where planes meet a mesh: directed segments that the mesh's own edges link into outlines.

A plane meets a triangle in one directed segment, with material on its left. The segment starts on
the triangle's edge that goes down through the plane and ends on the edge that goes up through it;
the neighbour across that edge holds the next segment. A vertex that lies in the plane counts as
above it, which keeps every case regular.

    2 o                   A triangle meets the planes below its middle corner with the same two
      |\\                  edges, and those above it with the same two: two runs of segments, of
      | \\   upper run     which everything but the height is reckoned once.
      |--o 1
      | /   lower run     Segments of one flat face follow each other on one line: the points
      |/                  between them carry no shape and are not reckoned at all.
    0 o
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, dot, ranges, rings

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# A face is flat where its sections lie this close to a line (mm): half of what is straight.
_FLAT = 1e-5
# Flat faces are looked for where triangles have this many segments on average.
_WORTH = 3
# Segments that are linked at a time, of one layer at least: some 0.2 GB.
_AT_ONCE = 1_000_000
# Of a face whose normal is nearer to upright than this (its level part) every point is kept.
_LEVEL = 0.01


@dataclass(frozen=True)
class Outlines:
    """Chains of segments: where each begins (n, 2), mm, and the slope of the surface it was cut
    from (n,); start (r + 1,) of each chain, its layer (r,), whether it is closed (r,), and where
    its last segment ends (r, 2)."""

    points: _Floats
    slope: _Floats
    start: _Ints
    layer: NDArray[np.int32]
    closed: _Bools
    ends: _Floats


def outlines(
    vertices: _Floats,
    z: _Floats,
    triangles: NDArray[np.int32],
    below: NDArray[np.int32],
    heights: _Floats,
) -> Iterator[Outlines]:
    """Cut triangles (m, 3), of which each meets a plane, at heights (L,), rising, mm: the outlines
    of some layers, then those of the next, so that memory is bounded.

    vertices  (n, 3) mm
    z         (n,) the height at which each vertex is taken to be
    below     (n,) how many planes lie at or below it
    """
    runs = _Runs.of(triangles, below)
    twin = _twins(triangles, len(vertices))
    slope = _slopes(vertices, triangles)
    within: _Bools | None = None
    if int(runs.size.sum()) >= _WORTH * len(triangles):
        flat, slope = _flat_faces(vertices, triangles, twin, slope)
        within = flat[runs.down]
    taken = np.column_stack([vertices[:, :2], z])
    for first, last in _slabs(runs, len(heights)):
        run, layer, following = _linked(runs, twin, first, last)
        order, start, closed = rings(following)
        tails, layers = order[start[1:] - 1], layer[order[start[:-1]]].astype(np.int32)
        if within is not None:
            kept = ~within[run[order]]
            order = order[kept]
            start = np.append(0, np.cumsum(kept))[start]
            # What lies within one face alone encloses nothing.
            some = np.diff(start) > 0
            start = np.append(start[:-1][some], start[-1])
            layers, closed, tails = layers[some], closed[some], tails[some]
        which = run[order]
        yield Outlines(
            points=_meet(taken, triangles, runs.down[which], heights[layer[order]]),
            slope=slope[which // 2],
            start=start,
            layer=layers,
            closed=closed,
            ends=_meet(taken, triangles, runs.up[run[tails]], heights[layers]),
        )


def _slabs(runs: _Runs, layers: int) -> Iterator[tuple[int, int]]:
    """Layers, from the first to before the last of each slab, that have few enough segments."""
    change = np.bincount(runs.first, minlength=layers + 1)
    change -= np.bincount(runs.first + runs.size, minlength=layers + 1)
    total = np.append(0, np.cumsum(np.cumsum(change)[:layers]))
    first = 0
    while first < layers:
        last = int(np.searchsorted(total, total[first] + _AT_ONCE, side="right")) - 1
        last = max(last, first + 1)
        if total[last] > total[first]:
            yield first, last
        first = last


def _linked(runs: _Runs, twin: _Ints, first: int, last: int) -> tuple[_Ints, _Ints, _Ints]:
    """The segments of some layers: the run and the layer of each, and the number of the one after
    it, -1 where the mesh is open."""
    begin = np.maximum(runs.first, first)
    size = np.maximum(np.minimum(runs.first + runs.size, last) - begin, 0)
    run, layer = ranges(begin, size)
    # A triangle's segments stand in a row; here would be that of layer 0. The second run goes on
    # where the first ends, or the slab has nothing of that.
    both = size.reshape(-1, 2).sum(axis=1)
    lowest = np.where(size[::2] > 0, begin[::2], begin[1::2])
    origin = np.cumsum(both) - both - lowest
    across = twin[runs.up[run]]
    following = np.where(across >= 0, origin[across // 3] + layer, -1)
    return run, layer, following


@dataclass(frozen=True)
class _Runs:
    """Two runs of segments for each triangle, (2 m,): the first layer, how many, and the sides (3 t
    + i: from corner i of triangle t to the next) that go down and up through their planes."""

    first: _Ints
    size: _Ints
    down: _Ints
    up: _Ints

    @classmethod
    def of(cls, triangles: NDArray[np.int32], below: NDArray[np.int32]) -> _Runs:
        corner = below.take(triangles.T).astype(np.int64)
        low, high = corner.min(axis=0), corner.max(axis=0)
        middle = corner.sum(axis=0) - low - high
        # Of equal corners the first.
        lowest, highest = (
            np.where(corner[0] == each, 0, np.where(corner[1] == each, 1, 2))
            for each in (low, high)
        )
        own = np.arange(len(low))
        before = np.array([2, 0, 1])
        return cls(
            first=np.column_stack([low, middle]).ravel(),
            size=np.column_stack([middle - low, high - middle]).ravel(),
            # Round the lowest corner the side to it goes down; round the highest that from it.
            down=(3 * own[:, None] + np.column_stack([before[lowest], highest])).ravel(),
            up=(3 * own[:, None] + np.column_stack([lowest, before[highest]])).ravel(),
        )


def _meet(vertices: _Floats, triangles: NDArray[np.int32], side: _Ints, height: _Floats) -> _Floats:
    """Where sides meet their planes, (n, 2); always reckoned from the lower end, so that both
    triangles of an edge get the same point to the last bit."""
    one, other = triangles[side // 3, side % 3], triangles[side // 3, (side % 3 + 1) % 3]
    z = vertices[:, 2]
    swap = z[one] > z[other]
    lower, upper = np.where(swap, other, one), np.where(swap, one, other)
    base, top = vertices.take(lower, axis=0), vertices.take(upper, axis=0)
    share = np.clip((height - base[:, 2]) / (top[:, 2] - base[:, 2]), 0.0, 1.0)
    crossing: _Floats = base[:, :2] + share[:, None] * (top[:, :2] - base[:, :2])
    return crossing


def _twins(triangles: NDArray[np.int32], vertices: int) -> NDArray[np.int64]:
    """For half-edge 3 t + i (corner i to the next of triangle t) the opposite half-edge, or -1.

    Where more than two triangles share an edge they are paired in order, one up with one down.
    """
    tail = triangles.ravel().astype(np.int64)
    head = triangles[:, [1, 2, 0]].ravel().astype(np.int64)
    forward = tail < head
    key = np.where(forward, tail * vertices + head, head * vertices + tail)
    twin = np.full(len(key), -1, np.int64)
    forth, back = np.flatnonzero(forward), np.flatnonzero(~forward)
    forth = forth[np.argsort(key[forth], kind="stable")]
    back = back[np.argsort(key[back], kind="stable")]
    key_forth, key_back = key[forth], key[back]
    if np.array_equal(key_forth, key_back):  # every edge has its two sides: the usual case
        twin[forth], twin[back] = back, forth
        return twin
    place_forth = np.arange(len(forth)) - np.searchsorted(key_forth, key_forth)
    place_back = np.arange(len(back)) - np.searchsorted(key_back, key_back)
    position = np.searchsorted(key_back, key_forth) + place_forth
    fits = position < len(back)
    fits[fits] = (key_back[position[fits]] == key_forth[fits]) & (
        place_back[position[fits]] == place_forth[fits]
    )
    twin[forth[fits]] = back[position[fits]]
    twin[back[position[fits]]] = forth[fits]
    return twin


def _slopes(vertices: NDArray[np.float64], triangles: NDArray[np.int32]) -> NDArray[np.float64]:
    """z component over horizontal length of each triangle's outward normal, (m,)."""
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    u, v = b - a, c - a
    nx = u[:, 1] * v[:, 2] - u[:, 2] * v[:, 1]
    ny = u[:, 2] * v[:, 0] - u[:, 0] * v[:, 2]
    nz = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    level = np.hypot(nx, ny)
    return np.divide(nz, level, out=np.zeros_like(nz), where=level > 0)


def _flat_faces(
    vertices: _Floats, triangles: NDArray[np.int32], twin: _Ints, slope: _Floats
) -> tuple[_Bools, _Floats]:
    """Of every side whether it lies within a flat face, and the slope of each triangle, which is
    that of its flat face: of the largest triangle in it, as slivers tell little."""
    flat = np.zeros(3 * len(triangles), bool)
    a, b, c = (vertices.take(triangles[:, i], axis=0) for i in range(3))
    normal = np.cross(b - a, c - a)
    area = np.sqrt(dot(normal, normal))
    normal /= np.maximum(area, 1e-12)[:, None]
    room = _FLAT * np.hypot(normal[:, 0], normal[:, 1])
    side = np.flatnonzero(twin > np.arange(len(twin)))
    its = twin[side]
    # The smaller of the two triangles may lie in the larger one's plane.
    swap = area[side // 3] < area[its // 3]
    larger, smaller = np.where(swap, its, side), np.where(swap, side, its)
    one, other = larger // 3, smaller // 3
    tip = vertices.take(triangles[other, (smaller % 3 + 2) % 3], axis=0)
    in_plane = np.abs(dot(normal[one], tip - a[one])) <= room[one]
    in_plane &= room[one] >= _FLAT * _LEVEL
    one, other, side, its = (each[in_plane] for each in (one, other, side, its))
    if not len(one):
        return flat, slope
    _, face = connected(one, other, len(triangles))
    # What is near its neighbour may still bend away little by little: hold all against one plane.
    by_area = np.argsort(area)
    largest = np.empty(len(triangles), np.int64)
    largest[face[by_area]] = by_area
    plane = largest[face]
    good = dot(normal, normal[plane]) > 0.5
    for corner in (a, b, c):
        good &= np.abs(dot(normal[plane], corner - a[plane])) <= room[plane]
    both = good[one] & good[other]
    flat[side[both]] = flat[its[both]] = True
    within = np.zeros(len(triangles), bool)
    within[one[both]] = within[other[both]] = True
    return flat, np.where(within, slope[plane], slope)
