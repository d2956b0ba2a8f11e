"""Closed bodies that run into each other, and their union; manifold3d does the exact work."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import columns, cross, distinct, dot, lengths, ranges
from wallguard.mesh.mesh import volume
from wallguard.mesh.nesting import expand, nesting

if TYPE_CHECKING:
    import manifold3d as m3

# Bodies that share a layer thinner than this touch: it is what rounding leaves of one surface.
TOUCHING = 1e-4
MAX_PAIRS = 500_000  # of boxes that meet; most are never compared: see MAX_WORK
_LARGE = 20_000  # triangles; below, manifold3d is as fast as asking first
MAX_CANDIDATES = 20_000_000
MAX_WORK = 20_000_000  # triangles given to manifold3d, each as often as it is compared
_PAIR = 4_000  # triangles' worth of work that a pair costs by itself, about 1 ms


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
    pairs, every = _box_pairs(low, high)
    crossing: list[Meeting] = []
    enclosed: list[tuple[int, int]] = []
    made: dict[int, m3.Manifold | None] = {}
    complete, work = every, 0
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
            crossing.append(met)
    inside, known = _inside(vertices, solids, enclosed)
    return sorted(crossing + inside, key=lambda met: (met.first, met.second)), complete and known


def _box(vertices: NDArray[np.float64], triangles: NDArray[np.int32]) -> NDArray[np.float64]:
    used = distinct(triangles) if len(triangles) < _LARGE else triangles.ravel()
    return np.array([[reach(vertices[used, i]) for i in range(3)] for reach in (np.min, np.max)])


def _near(vertices: NDArray[np.float64], one: NDArray[np.int32], other: NDArray[np.int32]) -> bool:
    """Whether a triangle of the one may be within TOUCHING of one of the other."""
    own = _within(vertices, one, _box(vertices, other))
    if not len(own):
        return False
    theirs = _within(vertices, other, np.array([own.min(axis=(0, 1)), own.max(axis=(0, 1))]))
    if not len(theirs):
        return False
    own_low, own_high = own.min(axis=1) - TOUCHING, own.max(axis=1) + TOUCHING
    their_low, their_high = theirs.min(axis=1), theirs.max(axis=1)
    candidates = _candidates((own_low, own_high), (their_low, their_high))
    if candidates is None:
        return True
    owner, start, number, order = candidates
    own_planes, their_planes = _planes(own), _planes(theirs)
    own_corners, their_corners = (columns(each.reshape(-1, 9)) for each in (own, theirs))
    boxes = [(own_low[:, k].copy(), own_high[:, k].copy()) for k in range(3)]
    others = [(their_low[:, k].copy(), their_high[:, k].copy()) for k in range(3)]
    for row, place in expand(start, number):
        i, j = owner[row], order[place]
        for (low, high), (its_low, its_high) in zip(boxes, others, strict=True):
            meet = (low[i] <= its_high[j]) & (its_low[j] <= high[i])
            i, j = i[meet], j[meet]
        open_ = ~_beyond(own_planes, i, their_corners, j)
        i, j = i[open_], j[open_]
        open_ = ~_beyond(their_planes, j, own_corners, i)
        i, j = i[open_], j[open_]
        if not _apart_between_edges(own[i], theirs[j]).all():
            return True
    return False


def _candidates(
    own: tuple[NDArray[np.float64], NDArray[np.float64]],
    theirs: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.int64], ...] | None:
    """Boxes (low, high) of the one side that may meet those of the other, as slices: the number of
    the one, where its slice of the order begins, how long it is; and the order of the others.
    None where there are too many.

    Theirs stand in columns as wide as the widest of them, by where they begin, and in each column
    in order of height; the axis in which they are smallest is the height.
    """
    (own_low, own_high), (low, high) = own, theirs
    span, widest = np.ptp(low, axis=0) + 1.0, (high - low).max(axis=0) + TOUCHING
    axes = np.argsort(widest / span)[::-1]
    width, tall = np.maximum(widest, span / 1000)[axes[:2]], axes[2]
    origin = low.min(axis=0)
    columns = np.floor((span / np.maximum(widest, span / 1000))[axes[:2]]).astype(np.int64) + 2

    def column(corner: NDArray[np.float64]) -> NDArray[np.int64]:
        place = np.floor((corner - origin)[:, axes[:2]] / width).astype(np.int64)
        clipped: NDArray[np.int64] = np.clip(place, -1, columns)
        return clipped

    def key(cell: NDArray[np.int64], height: NDArray[np.float64]) -> NDArray[np.float64]:
        up = np.clip(height - origin[tall] + TOUCHING, 0.0, span[tall])
        keyed: NDArray[np.float64] = cell * 2 * span[tall] + up
        return keyed

    cell = column(low)
    keys = key(cell[:, 0] * columns[1] + cell[:, 1], low[:, tall])
    order = np.argsort(keys, kind="stable")
    keys = keys[order]
    first, last = np.maximum(column(own_low - widest), 0), column(own_high)
    last = np.minimum(last, columns - 1)
    size = np.maximum(last - first + 1, 0)
    # Large triangles reach over very many columns of small ones.
    if int((size[:, 0] * size[:, 1]).sum()) > MAX_CANDIDATES:
        return None
    owner, local = ranges(0, size[:, 0] * size[:, 1])
    across = np.maximum(size[owner, 1], 1)
    at = (first[owner, 0] + local // across) * columns[1] + first[owner, 1] + local % across
    start = np.searchsorted(keys, key(at, (own_low - widest)[owner, tall]) - 1e-9)
    number = np.searchsorted(keys, key(at, own_high[owner, tall]) + 1e-9, "right") - start
    return None if number.sum() > MAX_CANDIDATES else (owner, start, number, order)


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


def _planes(triangles: NDArray[np.float64]) -> NDArray[np.float64]:
    """(4, k) unit normal and offset of the planes of triangles (k, 3, 3)."""
    normal = cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    normal /= np.maximum(lengths(normal), 1e-300)[:, None]
    return columns(normal, dot(normal, triangles[:, 0]))


def _beyond(
    planes: NDArray[np.float64],
    which: NDArray[np.int64],
    corners: NDArray[np.float64],
    other: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Whether the triangles of these numbers, of all (9, n) corners, lie wholly on one side of the
    planes of those, of all (4, k)."""
    x, y, z, offset = (each.take(which) for each in planes)
    away = []
    for c in (0, 3, 6):
        far = corners[c].take(other)
        far *= x
        far += y * corners[c + 1].take(other)
        far += z * corners[c + 2].take(other)
        far -= offset
        away.append(far)
    least, most = np.minimum, np.maximum
    above = least(least(away[0], away[1]), away[2]) > TOUCHING
    beyond: NDArray[np.bool_] = above | (most(most(away[0], away[1]), away[2]) < -TOUCHING)
    return beyond


def _apart_between_edges(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a plane along an edge of each keeps triangles (k, 3, 3) apart. With the planes of
    the triangles themselves these are all that can part two triangles that share no plane."""
    apart = np.zeros(len(a), bool)
    for own in range(3):
        for its in range(3):
            rest = np.flatnonzero(~apart)
            one, two = a[rest], b[rest]
            edge, other = one[:, own] - one[:, own - 1], two[:, its] - two[:, its - 1]
            axis = cross(edge, other)
            margin = TOUCHING * lengths(axis)
            mine = np.einsum("kci,ki->kc", one, axis)
            theirs = np.einsum("kci,ki->kc", two, axis)
            apart[rest] = (mine.min(axis=1) > theirs.max(axis=1) + margin) | (
                theirs.min(axis=1) > mine.max(axis=1) + margin
            )
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
    enclosed = []
    for point, body in zip(nest.point.tolist(), nest.body.tolist(), strict=True):
        if (inner[point], body) in wanted:
            a, b, c = (vertices[solids[inner[point]][:, i]] for i in range(3))
            twice_area = np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()
            inside = volume(vertices, solids[inner[point]])
            first, second = sorted((inner[point], body))
            enclosed.append(Meeting(first, second, 4 * abs(inside) / twice_area, points[point]))
    return enclosed, nest.complete


def manifold(vertices: NDArray[np.float64], triangles: NDArray[np.int32]) -> m3.Manifold | None:
    """A solid of these triangles alone, in double precision; None where they make none."""
    import manifold3d as m3

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


def _box_pairs(
    low: NDArray[np.float64], high: NDArray[np.float64]
) -> tuple[list[tuple[int, int]], bool]:
    """Pairs of boxes that meet, rising, and whether these are all: there may be too many to look
    through, or to name."""
    low, high = low - TOUCHING / 2, high + TOUCHING / 2
    best: tuple[int, NDArray[np.int64], NDArray[np.int64]] | None = None
    for axis in range(3):
        order = np.argsort(low[:, axis], kind="stable")
        reach = np.searchsorted(low[order, axis], high[order, axis], "right")
        number = reach - np.arange(len(order)) - 1
        if best is None or number.sum() < best[0]:
            best = int(number.sum()), order, number
    if best is None or best[0] > MAX_CANDIDATES:
        return [], False
    _, order, number = best
    pairs: list[tuple[int, int]] = []
    for i, j in expand(np.arange(len(order)) + 1, number):
        a, b = order[i], order[j]
        meet = ((low[a] <= high[b]) & (low[b] <= high[a])).all(axis=1)
        pairs += zip(np.minimum(a, b)[meet].tolist(), np.maximum(a, b)[meet].tolist(), strict=True)
        if len(pairs) > MAX_PAIRS:
            return sorted(pairs)[:MAX_PAIRS], False
    return sorted(pairs), True
