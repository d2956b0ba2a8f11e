"""What is said of walls in space, once their cells are known (`balls`)."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import dot, grouped
from wallguard.walls.chains import FACING
from wallguard.walls.stretch import Stretch

if TYPE_CHECKING:
    from wallguard.walls.tangent import Surface

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# A wall is flat where nearly all of its normals have one direction.
_FLAT = 0.95
# It is curved one way where the share of its normals along an axis varies by less (squared).
_EVEN = 0.01
# A rim that is shorter than this share of all of it is none: computing error.
_NONE = 1e-3


class Patches(NamedTuple):
    """Triangles of walls (k,): corners (k, 3, 3), unit normal (k, 3), area (k,), and the piece of a
    wall that each belongs to, of so many `pieces`."""

    corners: _Floats
    normal: _Floats
    area: _Floats
    piece: _Ints
    pieces: int


class Rims(NamedTuple):
    """Edges where walls end: from `begin` to `end` (r, 3), the piece of each (r,), whether it is
    held there (r,), and how much of the edge counts (r,)."""

    begin: _Floats
    end: _Floats
    piece: _Ints
    held: NDArray[np.bool_]
    share: _Floats


class Measures(NamedTuple):
    """Of each piece (n,): least, typical and greatest thickness, length; its box, lowest and
    highest corner (n, 3); the middle of the ball where it is thinnest (n, 3); the group it is
    judged by, on how many sides it is held, and its connected wall. mm."""

    least: _Floats
    typical: _Floats
    most: _Floats
    length: _Floats
    lowest: _Floats
    highest: _Floats
    centre: _Floats
    group: _Ints
    sides: _Ints
    wall: _Ints


def stretches(of: Measures) -> list[Stretch]:
    """The pieces as stretches, thinnest first."""
    stretches = []
    for i in range(len(of.least)):
        x, y, z = of.centre[i].tolist()
        (x0, y0, z0), (x1, y1, z1) = of.lowest[i].tolist(), of.highest[i].tolist()
        stretches.append(
            Stretch(
                minimum=float(of.least[i]),
                typical=float(of.typical[i]),
                maximum=float(of.most[i]),
                across=float(of.least[i]),
                length=float(of.length[i]),
                low=z0,
                high=z1,
                point=(x, y, z),
                box=((x0, y0, z0), (x1, y1, z1)),
                group=int(of.group[i]),
                sides=int(of.sides[i]),
                wall=int(of.wall[i]),
            )
        )
    return sorted(stretches, key=lambda each: (each.group, round(each.minimum, 4), each.point))


def moments(vector: _Floats, weight: _Floats, label: _Ints, count: int) -> _Floats:
    """(count, 3, 3) the weighted second moments of each label's vectors."""
    moments = np.empty((count, 3, 3))
    for i in range(3):
        for j in range(3):
            moments[:, i, j] = np.bincount(label, weight * vector[:, i] * vector[:, j], count)
    return moments


def spokesmen(point: _Floats, normal: _Floats, step: float) -> tuple[_Ints, _Ints]:
    """Of places (n, 3) with unit normals (n, 3) those that are asked, so that one within `step` mm
    that lies alike speaks for each other; and which of these speaks for each, (n,)."""
    cell = np.floor(point / step).astype(np.int64)
    way = np.round(1.5 * normal).astype(np.int64)
    order = np.lexsort((*way.T, *cell.T))
    alike = np.column_stack([cell, way])[order]
    new = np.append(True, (alike[1:] != alike[:-1]).any(axis=1))
    spoken = np.empty(len(point), np.int64)
    spoken[order] = np.cumsum(new) - 1
    return order[new], spoken


def sharpened(
    surface: Surface, own: _Ints, radius: _Floats, point: _Floats
) -> tuple[_Floats, _Floats]:
    """Least thickness (n,) and the ball's centre (n, 3) near places on triangles `own` (n,), of
    which the radius and the point are known: each triangle is sampled closer and closer round the
    thinnest place found."""
    best, patch = radius.copy(), surface.corners[own].copy()
    rows = np.arange(len(own))
    grid = np.array([[i, j, 2 - i - j] for i in range(3) for j in range(3 - i)], np.float64)
    weight = (grid + 0.01) / (2 + 0.03)
    for _ in range(3):
        tried = np.einsum("gc,ncx->ngx", weight, patch)
        each = np.repeat(own, len(weight))
        balls = surface.balls(
            tried.reshape(-1, 3), surface.normal[each], np.repeat(1.01 * best, len(weight))
        )
        reached = np.where(balls.facing <= FACING, balls.radius, np.inf).reshape(len(own), -1)
        which = reached.argmin(axis=1)
        least = reached[rows, which]
        better = least < best
        best = np.where(better, least, best)
        point = np.where(better[:, None], tried[rows, which], point)
        patch = point[:, None] + 0.35 * (patch - point[:, None])
    return 2 * best, point + best[:, None] * surface.normal[own]


def sides_of(patches: Patches, rims: Rims) -> _Ints:
    """(count,) on how many of four sides each piece is held by other material."""
    begin, end, label = rims.begin[rims.held], rims.end[rims.held], rims.piece[rims.held]
    corners, normal, area, piece, count = patches
    edge, middle = end - begin, (begin + end) / 2
    length = np.linalg.norm(edge, axis=1)
    value, vector = np.linalg.eigh(moments(normal, area, piece, count))
    axis, flat = vector[:, :, 2], value[:, 2] >= _FLAT * value.sum(axis=1)
    u = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis), axis=1)])
    u /= np.linalg.norm(u, axis=1)[:, None]
    v = np.cross(axis, u)
    # The four sides lie along most of the rim that is held.
    turn = np.arctan2(dot(edge, v[label]), dot(edge, u[label]))
    skew = np.arctan2(
        np.bincount(label, length * np.sin(4 * turn), count),
        np.bincount(label, length * np.cos(4 * turn), count),
    )
    cosine, sine = np.cos(skew / 4)[:, None], np.sin(skew / 4)[:, None]
    u, v = cosine * u + sine * v, cosine * v - sine * u
    where = np.empty((2, len(label)))
    half = np.empty((2, count))
    for i, way in enumerate((u, v)):
        reach = np.einsum("kij,kj->ki", corners, way[piece])
        low = grouped(np.minimum, piece, count, reach.min(axis=1))
        high = grouped(np.maximum, piece, count, reach.max(axis=1))
        half[i] = np.maximum((high - low) / 2, 1e-9)
        where[i] = (dot(middle, way[label]) - ((high + low) / 2)[label]) / half[i, label]
    which = np.abs(where).argmax(axis=0)
    far = where[which, np.arange(len(label))]
    outer = np.abs(far) >= 0.7
    key = (4 * label + 2 * which + (far > 0))[outer]
    holding = np.bincount(key, length[outer], 4 * count).reshape(-1, 2, 2)
    # A side is held where half of it is, on one of the wall's two faces at least.
    sides = (holding >= half.T[:, ::-1, None]).sum(axis=(1, 2))
    if not flat.all():
        sides = np.where(flat, sides, _sides_of_curved(patches, rims, vector))
    whole: _Ints = sides.astype(np.int64)
    return whole


def _sides_of_curved(patches: Patches, rims: Rims, frame: _Floats) -> _Ints:
    """The same of curved pieces, of which the normals' moments have these axes (count, 3, 3).

    Round the axis of a tube or a cone lie two sides, where the rim runs along it, or none where the
    wall closes upon itself, which holds it as two would; the other two lie at its ends. A wall that
    is curved both ways is held on as many as the share of its rim comes to.
    """
    _, normal, area, piece, count = patches
    along = np.abs(np.einsum("ki,kij->kj", normal, frame[piece]))
    total = np.maximum(np.bincount(piece, area, count), 1e-12)[:, None]
    mean, square = (
        np.column_stack([np.bincount(piece, area * each, count) for each in power.T]) / total
        for power in (along, along**2)
    )
    varies = square - mean**2
    which = varies.argmin(axis=1)
    rows = np.arange(count)
    axis, single = frame[rows, :, which], varies[rows, which] < _EVEN
    edge, label = rims.end - rims.begin, rims.piece
    length = np.sqrt(dot(edge, edge))
    lengthwise = np.abs(dot(edge, axis[label])) > length / 2
    length *= rims.share
    place = dot((rims.begin + rims.end) / 2, axis[label])
    middle = (patches.corners.mean(axis=1) * axis[piece]).sum(axis=1)
    middle = np.bincount(piece, area * middle, count) / total[:, 0]
    end = np.where(lengthwise, 2, (place > middle[label]).astype(np.int64))
    there = np.bincount(3 * label + end, length, 3 * count).reshape(-1, 3)
    held = np.bincount(3 * label + end, length * rims.held, 3 * count).reshape(-1, 3)
    # What has no rim goes on. An end is held where half of it is, on one of the two faces.
    share = np.where(
        there > _NONE * there.sum(axis=1)[:, None], held / np.maximum(there, 1e-9), 1.0
    )
    around = np.floor(2 * share[:, 2] + 0.5)
    by_ends = (share[:, :2] >= 0.25).sum(axis=1) + around
    whole = held.sum(axis=1) / np.maximum(there.sum(axis=1), 1e-9)
    by_rim = np.where(there.sum(axis=1) > 1e-9, np.floor(4 * whole + 0.5), 4)
    sides: _Ints = np.where(single, by_ends, by_rim).astype(np.int64)
    return sides
