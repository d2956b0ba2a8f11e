"""Which part a new file was: told by its geometry, where its name and format changed.

What is measured are moments of the surface and of the volume that stay the same when a part is
exported in another format, triangulated anew, moved, or turned about its upright axis: each as a
length in mm, so that they can be compared with each other. They are exact sums over triangles (a
quadratic function over a triangle is its area times the mean of the values at the middles of its
sides). Mirrored parts measure alike; findings tell those apart.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.mesh.mesh import Mesh

_Floats: TypeAlias = NDArray[np.float64]

# Likenesses apart by no more than this, of the part's size, are of one part: first of one that is
# exported anew, then of one that was edited a little as well.
_SAME, _EDITED = 1e-3, 0.02
# Of several candidates the nearest is taken where the next is so many times as far.
_CLEAR = 2.0
# The volumes of two halves are that of the whole within this share.
_HALVES = 0.005
# Halves are looked for among so many parts at most: each pair is held against each known part.
_FEW = 40
# At most so many bodies of a part, the largest, are told apart.
_BODIES = 64


@dataclass(frozen=True, eq=False)
class Likeness:
    """What a part measures, (k,) lengths in mm, and each of its bodies, largest first.

    volume  mm³; extents: width and depth, the smaller first, and height, mm
    """

    whole: _Floats
    bodies: tuple[_Floats, ...]
    volume: float
    extents: tuple[float, float, float]


def likeness(mesh: Mesh) -> Likeness:
    """The likeness of a part as drawn."""
    triangles = mesh.triangles
    _, of_vertex = connected(
        np.concatenate([triangles[:, 0], triangles[:, 1]]),
        np.concatenate([triangles[:, 1], triangles[:, 2]]),
        len(mesh.vertices),
    )
    body = of_vertex[triangles[:, 0]]
    corners = mesh.vertices[triangles]
    labels, counts = np.unique(body, return_counts=True)
    largest = labels[np.argsort(-counts, kind="stable")][:_BODIES]
    whole = _measures(corners)
    bodies = [_measures(corners[body == label]) for label in largest]
    x, y, z = (mesh.vertices.max(axis=0) - mesh.vertices.min(axis=0)).tolist()
    return Likeness(
        whole,
        tuple(sorted(bodies, key=lambda one: tuple(-one))),
        float(np.linalg.det(corners).sum() / 6),
        (min(x, y), max(x, y), z),
    )


def origins(added: Mapping[str, Likeness], known: Mapping[str, Likeness]) -> dict[str, str]:
    """For each added part that was another one, the name of that, of those that are known.

    known  parts as they were that went, or that are otherwise now

    A part that was divided is the origin of both halves: of files with some of its bodies, and of
    two that are as large as it together.
    """
    found: dict[str, str] = {}
    taken: set[str] = set()
    for limit in (_SAME, _EDITED):
        for name in sorted(set(added) - set(found)):
            rivals = {key: one for key, one in known.items() if key not in taken}
            match = _nearest(name, added[name], rivals, limit)
            if match:
                found[name] = match
                taken.add(match)
    left = {name: added[name] for name in sorted(set(added) - set(found))}
    for name, one in left.items():
        match = next((key for key, was in sorted(known.items()) if _is_piece(one, was)), "")
        if match:
            found[name] = match
    pairs = combinations(left.items(), 2) if max(len(left), len(known)) <= _FEW else ()
    for (name, one), (other_name, other) in pairs:
        match = next(
            (key for key, was in sorted(known.items()) if _are_halves(one, other, was)), ""
        )
        if match and name not in found and other_name not in found:
            found |= {name: match, other_name: match}
    return found


def _nearest(name: str, one: Likeness, known: Mapping[str, Likeness], limit: float) -> str:
    """The known part that is most like this one; of equal ones that of the same name. Empty where
    none is, or where it cannot be told which."""
    stem = name.rpartition("/")[2].partition(".")[0]
    ranked = sorted(
        (_apart(one.whole, was.whole), key.rpartition("/")[2].partition(".")[0] != stem, key)
        for key, was in known.items()
    )
    if not ranked or ranked[0][0] > limit:
        return ""
    if limit > _SAME and len(ranked) > 1 and ranked[1][0] < _CLEAR * ranked[0][0]:
        return ""
    alike = [row for row in ranked if row[0] <= max(_SAME, ranked[0][0])]
    return min(alike, key=lambda row: row[1:])[2]


def _apart(one: _Floats, other: _Floats) -> float:
    """How far two likenesses are apart, of the part's size."""
    return float(np.abs(one - other).max() / max(one[0], other[0], 1e-9))


def _is_piece(one: Likeness, was: Likeness) -> bool:
    """Whether each body of a part is one of those that another had."""
    if len(was.bodies) < 2 or len(one.bodies) >= len(was.bodies):
        return False
    return all(any(_apart(body, old) <= _SAME for old in was.bodies) for body in one.bodies)


def _are_halves(one: Likeness, other: Likeness, was: Likeness) -> bool:
    """Whether two parts are as large as a third together, and each fits into it."""
    if min(one.volume, other.volume) <= 0:
        return False
    if abs(one.volume + other.volume - was.volume) > _HALVES * was.volume:
        return False
    return all(
        side <= room * (1 + _SAME) + 0.01
        for half in (one, other)
        for side, room in zip(half.extents, was.extents, strict=True)
    )


def _measures(corners: _Floats) -> _Floats:
    """Lengths that stay when triangles (n, 3, 3) are moved or turned about z, in mm."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1) / 2
    total = float(area.sum())
    if total <= 0:
        return np.zeros(8)
    middles = (corners + np.roll(corners, -1, axis=1)) / 2
    centre = (area[:, None] * corners.mean(axis=1)).sum(axis=0) / total
    low, high = corners[..., 2].min(), corners[..., 2].max()
    off = middles - centre
    spread = [(area * np.mean(part, axis=1)).sum() / total for part in _squares(off)]
    volume = float(np.linalg.det(corners - centre).sum() / 6)
    facing = cross[:, 2] / 2
    return np.array(
        [
            np.sqrt(total),
            np.cbrt(volume),
            high - low,
            centre[2] - low,
            *np.sqrt(spread),
            np.sqrt(np.clip(facing, 0, None).sum()),
            np.sqrt((np.square(facing) / np.maximum(area, 1e-300)).sum()),
        ]
    )


def _squares(off: _Floats) -> Iterator[_Floats]:
    """Squares of how far points (n, 3, 3) lie from the upright axis, and above or below."""
    yield np.square(off[..., 0]) + np.square(off[..., 1])
    yield np.square(off[..., 2])
