"""Make a mesh's triangles small and well shaped, without moving its surface.

Modellers fill a flat face with long slivers; halving those alone would multiply them. So within
flat faces edges are flipped until the triangulation is Delaunay's, between rounds of halving the
longest edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.mesh.edges import edges_of

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# A corner this near to its neighbour's plane lies in it, mm: above float32's step at 100 mm.
_FLAT = 5e-5
# Rounds go on while they do much: what few long edges remain do no harm.
_FLIPS, _ROUNDS, _FEW = 4, 40, 0.01


@dataclass(frozen=True)
class Fine:
    """Vertices (n, 3), triangles (m, 3) as wound in the mesh, and normal (m, 3) of each, unit."""

    vertices: _Floats
    triangles: _Ints
    normal: _Floats


def refine(fine: Fine, longest: float, most: int = 2_000_000) -> Fine:
    """Flip and halve edges until (nearly) none is longer than `longest` (mm), or there are more
    than `most` triangles.

    What has no long edge, and is not part of a flat face that has one, stays as it is.
    """
    long = np.flatnonzero((_squares(fine.vertices, fine.triangles) > longest**2).any(axis=1))
    if not len(long):
        return fine
    one, other = flat_pairs(fine)[:2]
    count, face = connected(one, other, len(fine.triangles))
    whole = np.zeros(count, bool)
    whole[face[long]] = True
    touched = whole[face]
    work = _delaunay(Fine(fine.vertices, fine.triangles[touched], fine.normal[touched]))
    for _ in range(_ROUNDS):
        halved = _halve(work, longest)
        if halved is None:
            break
        few = len(halved.triangles) - len(work.triangles) < _FEW * len(work.triangles)
        work = _delaunay(halved)
        if few or len(work.triangles) > most:
            break
    return Fine(
        work.vertices,
        np.concatenate([fine.triangles[~touched], work.triangles]),
        np.concatenate([fine.normal[~touched], work.normal]),
    )


def _squares(vertices: _Floats, triangles: _Ints) -> _Floats:
    """(m, 3) squared lengths of the edges from each corner to the next."""
    corners = vertices[triangles]
    edge = corners[:, [1, 2, 0]] - corners
    squares: _Floats = np.einsum("tij,tij->ti", edge, edge)
    return squares


def flat_pairs(fine: Fine) -> tuple[_Ints, _Ints, _Ints, _Ints]:
    """Pairs of triangles in one plane that share an edge: both, and in each of them which of its
    edges that is."""
    joints = edges_of(fine.triangles.astype(np.int32), np.ones(len(fine.triangles), bool))
    two = np.flatnonzero(joints.count == 2)
    side, opposite = joints.sides[joints.start[two]], joints.sides[joints.start[two] + 1]
    one, other = side // 3, opposite // 3
    edge, its = side % 3, opposite % 3
    base = fine.vertices[fine.triangles[one, edge]]
    far = fine.vertices[fine.triangles[other, (its + 2) % 3]] - base
    near = fine.vertices[fine.triangles[one, (edge + 2) % 3]] - base
    first, second = fine.normal[one], fine.normal[other]
    flat = np.abs(np.einsum("ij,ij->i", far, first)) <= _FLAT
    flat &= np.abs(np.einsum("ij,ij->i", near, second)) <= _FLAT
    flat &= np.einsum("ij,ij->i", first, second) > 0.9
    flat &= fine.triangles[one, edge] == fine.triangles[other, (its + 1) % 3]
    return one[flat], other[flat], edge[flat], its[flat]


def _delaunay(fine: Fine) -> Fine:
    """Flip edges within flat faces until the angles across each add up to 180 degrees at most
    (Lawson's flips; from memory)."""
    triangles, normal = fine.triangles.copy(), fine.normal.copy()
    for _ in range(_FLIPS):
        one, other, edge, its = flat_pairs(Fine(fine.vertices, triangles, normal))
        u, v = triangles[one, edge], triangles[one, (edge + 1) % 3]
        a, b = triangles[one, (edge + 2) % 3], triangles[other, (its + 2) % 3]
        cosine_a, sine_a = _angle(fine.vertices, a, u, v)
        cosine_b, sine_b = _angle(fine.vertices, b, u, v)
        flip = np.flatnonzero(sine_a * cosine_b + cosine_a * sine_b < -1e-7)
        if not len(flip):
            break
        # A triangle can take part in one flip at a time.
        first = np.full(len(triangles), len(one))
        np.minimum.at(first, one[flip], flip)
        np.minimum.at(first, other[flip], flip)
        flip = flip[(first[one[flip]] == flip) & (first[other[flip]] == flip)]
        u, v, a, b = u[flip], v[flip], a[flip], b[flip]
        one, other = one[flip], other[flip]
        larger = (sine_a >= sine_b)[flip]
        normal[one] = normal[other] = np.where(larger[:, None], normal[one], normal[other])
        triangles[one] = np.column_stack([a, u, b])
        triangles[other] = np.column_stack([b, v, a])
    return Fine(fine.vertices, triangles, normal)


def _angle(vertices: _Floats, tip: _Ints, u: _Ints, v: _Ints) -> tuple[_Floats, _Floats]:
    """Cosine and sine of the angle at each tip between u and v."""
    left, right = vertices[u] - vertices[tip], vertices[v] - vertices[tip]
    dot = np.einsum("ij,ij->i", left, right)
    cross = np.linalg.norm(np.cross(left, right), axis=1)
    size = np.maximum(np.hypot(dot, cross), 1e-30)
    return dot / size, cross / size


def _halve(fine: Fine, longest: float) -> Fine | None:
    """Halve edges that are too long, for both their sides; None where none is.

    Within a flat face only one in each place is halved: flips then reach for its middle and do
    away with other long edges near by.
    """
    vertices, triangles = fine.vertices, fine.triangles
    square = _squares(vertices, triangles)
    large = square > longest**2
    if not large.any():
        return None
    one, other, edge, its = flat_pairs(fine)
    inner = np.zeros(square.shape, bool)
    inner[one, edge] = inner[other, its] = True
    ahead = triangles[:, [1, 2, 0]]
    key = np.minimum(triangles, ahead) * len(vertices) + np.maximum(triangles, ahead)
    free = large & inner
    middle = (vertices[triangles[free]] + vertices[ahead[free]]) / 2
    cell = np.floor((middle - vertices.min(axis=0)) / (0.7 * longest)).astype(np.int64)
    size = cell.max(axis=0, initial=0) + 1
    place = (cell[:, 0] * size[1] + cell[:, 1]) * size[2] + cell[:, 2]
    order = np.lexsort((key[free], -np.round(square[free], 6), place))
    order = order[np.diff(place[order], prepend=-1) != 0]
    # Of the edges on creases and curves, each triangle's longest.
    top = np.zeros(square.shape, bool)
    top[np.arange(len(square)), np.argmax(np.where(inner, 0.0, square), axis=1)] = True
    split = np.sort(np.concatenate([key[free][order], key[large & ~inner & top]]))
    split = split[np.diff(split, prepend=-1) != 0]
    place = np.minimum(np.searchsorted(split, key), len(split) - 1)
    middles = np.where(split[place] == key, len(vertices) + place, -1)
    ends = vertices[np.column_stack([split // len(vertices), split % len(vertices)])]
    vertices = np.concatenate([vertices, ends.mean(axis=1)])
    whole = (middles < 0).all(axis=1)
    pieces, owner = _pieces(vertices, triangles[~whole], middles[~whole])
    return Fine(
        vertices,
        np.concatenate([triangles[whole], pieces]),
        np.concatenate([fine.normal[whole], fine.normal[~whole][owner]]),
    )


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
