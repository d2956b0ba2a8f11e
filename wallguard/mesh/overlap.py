"""Closed bodies that run into each other, and their union; manifold3d does the exact work."""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d as m3
import numpy as np
from numpy.typing import NDArray

from wallguard.mesh.nesting import expand, nesting

# Bodies that share a layer thinner than this touch: it is what rounding leaves of one surface.
TOUCHING = 1e-4
MAX_PAIRS = 500_000
_LARGE = 20_000  # triangles; below, manifold3d is as fast as asking first
MAX_CANDIDATES = 20_000_000
MAX_WORK = 20_000_000  # triangles given to manifold3d, each as often as it is compared
_PAIR = 1_000  # triangles' worth of work that a pair costs by itself


@dataclass(frozen=True)
class Meeting:
    """Two solids that overlap, or touch where `depth` is 0.

    first, second  their numbers; depth  mean thickness of what they share, mm; at  a point there
    """

    first: int
    second: int
    depth: float
    at: NDArray[np.float64]


def meetings(
    vertices: NDArray[np.float64], solids: list[NDArray[np.int32]]
) -> tuple[list[Meeting], bool]:
    """Pairs of solids that overlap or touch, and whether all pairs could be compared.

    solids: the triangles of each, closed and outward (cavities with their body). manifold3d is
    asked only where surfaces come near each other; where they do not, two solids are apart or
    one lies inside the other, which one point of it tells.
    """
    boxes = np.array([_box(vertices, each) for each in solids])
    low, high = boxes[:, 0], boxes[:, 1]
    pairs = _box_pairs(low, high)
    if pairs is None:
        return [], False
    found: list[Meeting] = []
    enclosed: list[tuple[int, int]] = []
    made: dict[int, m3.Manifold | None] = {}
    complete, work = True, 0
    for first, second in pairs:
        size = len(solids[first]) + len(solids[second])
        if size > _LARGE and not _near(vertices, solids[first], solids[second]):
            enclosed += [
                (inner, outer)
                for inner, outer in ((first, second), (second, first))
                if (low[outer] <= low[inner]).all() and (high[inner] <= high[outer]).all()
            ]
            continue
        work += size + _PAIR
        if work > MAX_WORK:
            complete = False
            break
        for each in (first, second):
            if each not in made:
                made[each] = manifold(vertices, solids[each])
        a, b = made[first], made[second]
        if a is None or b is None:
            complete = False
            continue
        met = _meeting(first, second, a, b)
        if met is not None:
            found.append(met)
    inside, known = _inside(vertices, solids, enclosed)
    return sorted(found + inside, key=lambda met: (met.first, met.second)), complete and known


def _box(vertices: NDArray[np.float64], triangles: NDArray[np.int32]) -> NDArray[np.float64]:
    used = np.unique(triangles) if len(triangles) < _LARGE else triangles.ravel()
    return np.array([[reach(vertices[used, i]) for i in range(3)] for reach in (np.min, np.max)])


def _near(vertices: NDArray[np.float64], one: NDArray[np.int32], other: NDArray[np.int32]) -> bool:
    """Whether a triangle of the one may be within TOUCHING of one of the other."""
    own = _within(vertices, one, _box(vertices, other))
    if not len(own):
        return False
    theirs = _within(vertices, other, np.array([own.min(axis=(0, 1)), own.max(axis=(0, 1))]))
    if not len(theirs):
        return False
    left = theirs[..., 0].min(axis=1)
    theirs, left = theirs[np.argsort(left, kind="stable")], np.sort(left)
    widest = (theirs[..., 0].max(axis=1) - left).max()
    own_low, own_high = own.min(axis=1) - TOUCHING, own.max(axis=1) + TOUCHING
    their_low, their_high = theirs.min(axis=1), theirs.max(axis=1)
    start = np.searchsorted(left, own_low[:, 0] - widest)
    number = np.searchsorted(left, own_high[:, 0], "right") - start
    if number.sum() > MAX_CANDIDATES:
        return True
    for i, j in expand(start, number):
        meet = ((own_low[i] <= their_high[j]) & (their_low[j] <= own_high[i])).all(axis=1)
        a, b = own[i[meet]], theirs[j[meet]]
        if (~_apart(a, b) & ~_apart(b, a)).any():
            return True
    return False


def _within(
    vertices: NDArray[np.float64], triangles: NDArray[np.int32], box: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Corners (k, 3, 3) of the triangles whose boxes come within TOUCHING of a box."""
    meets = np.ones(len(triangles), bool)
    for axis in range(3):
        column = vertices[:, axis]
        below, above = column < box[0, axis] - TOUCHING, column > box[1, axis] + TOUCHING
        for beyond in (below, above):
            meets &= ~(beyond[triangles[:, 0]] & beyond[triangles[:, 1]] & beyond[triangles[:, 2]])
    return vertices[triangles[meets]]


def _apart(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether triangles b (k, 3, 3) lie wholly on one side of the planes of triangles a."""
    normal = np.cross(a[:, 1] - a[:, 0], a[:, 2] - a[:, 0])
    margin = TOUCHING * np.linalg.norm(normal, axis=1)
    side = np.einsum("kci,ki->kc", b - a[:, :1], normal)
    apart: NDArray[np.bool_] = (side.min(axis=1) > margin) | (side.max(axis=1) < -margin)
    return apart


def _inside(
    vertices: NDArray[np.float64],
    solids: list[NDArray[np.int32]],
    pairs: list[tuple[int, int]],
) -> tuple[list[Meeting], bool]:
    """Of pairs (inner, outer) whose surfaces do not meet: those where inner is inside outer."""
    if not pairs:
        return [], True
    inner = sorted({pair[0] for pair in pairs})
    outer = sorted({pair[1] for pair in pairs})
    points = np.array([vertices[solids[each][0, 0]] for each in inner])
    label = np.repeat(outer, [len(solids[each]) for each in outer]).astype(np.int32)
    faces = np.concatenate([solids[each] for each in outer])
    nest = nesting(points, np.array(inner), vertices, faces, label)
    wanted = set(pairs)
    found = []
    for point, body in zip(nest.point.tolist(), nest.body.tolist(), strict=True):
        if (inner[point], body) in wanted:
            a, b, c = (vertices[solids[inner[point]][:, i]] for i in range(3))
            twice_area = np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()
            volume = float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6
            first, second = sorted((inner[point], body))
            found.append(Meeting(first, second, 4 * abs(volume) / twice_area, points[point]))
    return found, nest.complete


def manifold(vertices: NDArray[np.float64], triangles: NDArray[np.int32]) -> m3.Manifold | None:
    """A solid of these triangles alone, in double precision; None where they make none."""
    used, index = np.unique(triangles, return_inverse=True)
    solid = m3.Manifold(
        m3.Mesh64(np.ascontiguousarray(vertices[used]), index.reshape(-1, 3).astype(np.uint64))
    )
    return solid if solid.status() == m3.Error.NoError and not solid.is_empty() else None


def _meeting(first: int, second: int, a: m3.Manifold, b: m3.Manifold) -> Meeting | None:
    shared = a ^ b
    surface = shared.surface_area()
    depth = 2 * shared.volume() / surface if surface > 0 else 0.0
    if depth > TOUCHING:
        box = shared.bounding_box()
        points = np.asarray(shared.to_mesh64().vert_properties)[:, :3]
        middle = (np.array(box[:3]) + np.array(box[3:])) / 2
        nearest = np.argmin(((points - middle) ** 2).sum(axis=1))
        return Meeting(first, second, depth, points[nearest])
    if a.min_gap(b, 2 * TOUCHING) < TOUCHING:
        return Meeting(first, second, 0.0, np.zeros(3))
    return None


def _box_pairs(low: NDArray[np.float64], high: NDArray[np.float64]) -> list[tuple[int, int]] | None:
    """Pairs of boxes that meet, rising; None where there are too many to look through."""
    low, high = low - TOUCHING / 2, high + TOUCHING / 2
    best: tuple[int, NDArray[np.int64], NDArray[np.int64]] | None = None
    for axis in range(3):
        order = np.argsort(low[:, axis], kind="stable")
        reach = np.searchsorted(low[order, axis], high[order, axis], "right")
        number = reach - np.arange(len(order)) - 1
        if best is None or number.sum() < best[0]:
            best = int(number.sum()), order, number
    if best is None or best[0] > MAX_CANDIDATES:
        return None
    _, order, number = best
    pairs: list[tuple[int, int]] = []
    for i, j in expand(np.arange(len(order)) + 1, number):
        a, b = order[i], order[j]
        meet = ((low[a] <= high[b]) & (low[b] <= high[a])).all(axis=1)
        pairs += zip(np.minimum(a, b)[meet].tolist(), np.maximum(a, b)[meet].tolist(), strict=True)
    return sorted(pairs)
