"""Mesh health: what is wrong with a mesh as a description of a solid, and where."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.mesh.edges import Edges, edges_of
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.nesting import nesting
from wallguard.mesh.overlap import Meeting, meetings

Point = tuple[float, float, float]
SHOWN = 5

# A triangle this flat (height over longest edge) is a line as far as double precision tells.
_FLAT = 1e-12


@dataclass(frozen=True)
class Spots:
    """How many there are, and where the first few of them are (mm, in the mesh's frame)."""

    count: int
    at: tuple[Point, ...] = ()

    def __bool__(self) -> bool:
        return self.count > 0


@dataclass(frozen=True, eq=False)
class Condition:
    """What is wrong with a mesh, and what it holds. Edges are told apart by the vertices they join.

    open_edges        edges of one face only: the surface has a hole or a rim there
    crowded_edges     edges shared by more than two faces
    turned_edges      edges that both their faces run along in the same direction: one of the
                      two faces is the wrong way round
    inverted_bodies   closed bodies that face inward and are not the cavity of another body
    zero_area_faces   triangles without area
    duplicate_faces   triangles that another triangle with the same corners makes needless
    overlapping_bodies  pairs of closed bodies that share space
    bodies, cavities  number of bodies (what is connected through edges), and of the closed
                      inward-facing surfaces inside them
    watertight        no edge is open: every edge is shared by an even number of faces
    volume            mm³, of the faces as they are: cavities and inverted bodies count negative
    complete          False where bodies were too many, or too broken, to compare all of them
    """

    open_edges: Spots
    crowded_edges: Spots
    turned_edges: Spots
    inverted_bodies: Spots
    zero_area_faces: Spots
    duplicate_faces: Spots
    overlapping_bodies: Spots
    bodies: int
    cavities: int
    watertight: bool
    volume: float
    complete: bool

    @cached_property
    def healthy(self) -> bool:
        """Whether nothing at all is wrong."""
        return self.complete and not any(
            (
                self.open_edges,
                self.crowded_edges,
                self.turned_edges,
                self.inverted_bodies,
                self.zero_area_faces,
                self.duplicate_faces,
                self.overlapping_bodies,
            )
        )


@dataclass(frozen=True, eq=False)
class Health(Condition):
    """What `examine` found: the condition, and what a repair needs to know."""

    anatomy: Anatomy

    @property
    def condition(self) -> Condition:
        """Without what only a repair needs."""
        return Condition(*(getattr(self, field.name) for field in fields(Condition)))


@dataclass(frozen=True, eq=False)
class Anatomy:
    """What a repair needs to know of each triangle and body.

    needless  (m,) bool: triangles that can go without leaving a hole
    body      (m,) int32: the body of each triangle; -1 where it is needless
    invert    (b,) bool: bodies to turn inside out
    turned    (b,) bool: bodies some of whose faces are the wrong way round
    solids    bodies, each with its cavities, that can be united with others
    meetings  pairs of solids that overlap or touch
    """

    needless: NDArray[np.bool_]
    body: NDArray[np.int32]
    invert: NDArray[np.bool_]
    turned: NDArray[np.bool_]
    solids: tuple[tuple[int, ...], ...]
    meetings: tuple[Meeting, ...]


def examine(mesh: Mesh) -> Health:
    """Examine a mesh; about a second for a million triangles."""
    middle = np.array([(column.min() + column.max()) / 2 for column in mesh.vertices.T])
    vertices = mesh.vertices - middle
    triangles = mesh.triangles

    def places(points: NDArray[np.float64], count: int) -> Spots:
        shown = (points[:SHOWN] + middle).tolist()
        return Spots(count, tuple((x, y, z) for x, y, z in shown))

    def faces(chosen: NDArray[np.bool_]) -> Spots:
        first = np.flatnonzero(chosen)
        return places(vertices[triangles[first[:SHOWN]]].mean(axis=1), len(first))

    def lines(edges: Edges, chosen: NDArray[np.bool_]) -> Spots:
        first = np.flatnonzero(chosen)
        side = edges.sides[edges.start[first[:SHOWN]]]
        face, corner = side // 3, side % 3
        ends = triangles[face, corner], triangles[face, (corner + 1) % 3]
        return places((vertices[ends[0]] + vertices[ends[1]]) / 2, len(first))

    collapsed = _collapsed(triangles)
    six_volume, flat = _measure(vertices, triangles)
    edges = edges_of(triangles, ~collapsed)
    if not len(edges.sides):
        return _all_collapsed(mesh, faces(flat))
    duplicates = _duplicates(triangles, edges)
    needless, sound_edges = _without_needless(triangles, edges, collapsed, duplicates)
    body, closed, turned = _bodies(sound_edges, needless)
    volume = np.bincount(body[~needless], six_volume[~needless], len(closed)) / 6
    inverted, inside, known = _orientation(vertices, triangles, body, closed & ~turned, volume)
    groups = _solids(closed & ~turned & ~inverted & (volume > 0), inside)
    met: list[Meeting] = []
    if len(groups) > 1:
        met, compared = meetings(vertices, triangles_of(triangles, body, groups))
        known = known and compared
    overlaps = [each for each in met if each.depth > 0]
    count, backward = edges.count, edges.backward
    inside_out = [int(np.argmax(body == each)) for each in np.flatnonzero(inverted)[:SHOWN]]
    return Health(
        open_edges=lines(edges, count == 1),
        crowded_edges=lines(edges, count > 2),
        turned_edges=lines(edges, (count == 2) & (backward != 1)),
        inverted_bodies=places(vertices[triangles[inside_out, 0]], int(inverted.sum())),
        zero_area_faces=faces(flat),
        duplicate_faces=faces(duplicates.repeated),
        overlapping_bodies=places(
            np.array([each.at for each in overlaps[:SHOWN]]).reshape(-1, 3), len(overlaps)
        ),
        bodies=len(closed) - len(inside),
        cavities=len(inside),
        watertight=not (count % 2).any(),
        volume=float(six_volume.sum() / 6),
        complete=known,
        anatomy=Anatomy(needless, body, inverted, turned, groups, tuple(met)),
    )


def _all_collapsed(mesh: Mesh, flat: Spots) -> Health:
    none, no_bodies = Spots(0), np.zeros(0, bool)
    gone = np.ones(len(mesh.triangles), bool)
    anatomy = Anatomy(gone, np.full(len(gone), -1, np.int32), no_bodies, no_bodies, (), ())
    return Health(none, none, none, none, flat, none, none, 0, 0, False, 0.0, True, anatomy)


def _collapsed(triangles: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Triangles that name a vertex twice."""
    a, b, c = triangles.T
    same: NDArray[np.bool_] = (a == b) | (b == c) | (c == a)
    return same


def _measure(
    vertices: NDArray[np.float64], triangles: NDArray[np.int32]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Six times the signed volume between each triangle and the origin; which have no area."""
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    u, v = b - a, c - a
    normal = np.empty_like(u)
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        normal[:, i] = u[:, j] * v[:, k] - u[:, k] * v[:, j]
    dot = "ij,ij->i"
    w = c - b
    longest = np.maximum(
        np.maximum(np.einsum(dot, u, u), np.einsum(dot, v, v)), np.einsum(dot, w, w)
    )
    flat = np.einsum(dot, normal, normal) <= (_FLAT * longest) ** 2
    return np.einsum(dot, a, normal), flat


@dataclass(frozen=True)
class _Duplicates:
    """Faces with the same corners.

    repeated  (m,) bool: all of a group but its first
    copies    (m,) bool: of those of a group that lie the same way round, all but the first
    facing    (k, 2): first faces that lie the one and the other way round, of groups with both
    alone     (k,) bool: the group has no other faces
    """

    repeated: NDArray[np.bool_]
    copies: NDArray[np.bool_]
    facing: NDArray[np.int64]
    alone: NDArray[np.bool_]


def _duplicates(triangles: NDArray[np.int32], edges: Edges) -> _Duplicates:
    count = edges.count
    candidate = np.zeros(len(triangles), bool)
    candidate[edges.sides[np.repeat(count > 2, count)] // 3] = True
    # Two faces alone with the same corners share no crowded edge; equal sums give them away.
    sums = triangles[:, 0].astype(np.int64) + triangles[:, 1] + triangles[:, 2]
    pairs = edges.start[:-1][count == 2]
    a, b = edges.sides[pairs] // 3, edges.sides[pairs + 1] // 3
    alike = sums[a] == sums[b]
    candidate[a[alike]] = candidate[b[alike]] = True

    faces = np.flatnonzero(candidate)
    corners = triangles[faces]
    ordered = np.sort(corners, axis=1)
    order = np.lexsort((faces, *ordered.T))
    faces, corners, ordered = faces[order], corners[order], ordered[order]
    rise = (corners[:, [1, 2, 0]] > corners).sum(axis=1) == 2  # an even permutation of ordered
    new = np.ones(len(faces), bool)
    new[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    group = np.cumsum(new) - 1
    repeated, copies = np.zeros((2, len(triangles)), bool)
    repeated[faces[~new]] = True
    first = []  # of each group, the first face either way round
    for way in (rise, ~rise):
        own, at = np.unique(group[way], return_index=True)
        leading = faces[way][at]
        copies[faces[way]] = True
        copies[leading] = False
        first.append(np.full(int(new.sum()), -1))
        first[-1][own] = leading
    both = (first[0] >= 0) & (first[1] >= 0)
    alone = np.bincount(group, minlength=len(both)) == 2
    return _Duplicates(repeated, copies, np.stack(first, axis=1)[both], alone[both])


def _without_needless(
    triangles: NDArray[np.int32],
    edges: Edges,
    collapsed: NDArray[np.bool_],
    duplicates: _Duplicates,
) -> tuple[NDArray[np.bool_], Edges]:
    """Leave duplicates out only where that mends edges: two bodies may share a face and need
    both, and of two faces that face each other one, the other or none may be needed."""
    needless, facing = collapsed, duplicates.facing
    if duplicates.copies.any():
        fewer = edges_of(triangles, ~(collapsed | duplicates.copies))
        if _irregular(fewer) < _irregular(edges):
            needless, edges = collapsed | duplicates.copies, fewer
        else:
            facing = facing[duplicates.alone]
    if len(facing):
        count = edges.count
        net = np.empty(3 * len(triangles), np.int64)  # faces along less faces against each side
        net[edges.sides] = np.repeat(count - 2 * edges.backward, count) * np.where(
            edges.back, -1, 1
        )
        # What the other faces at the sides of the first face lack: it, the second, or neither.
        lack = -net.reshape(-1, 3)[facing[:, 0]]
        agreed = (lack == lack[:, :1]).all(axis=1)
        needed = np.where(agreed, lack[:, 0], 2)
        extra = np.zeros(len(triangles), bool)
        extra[facing[(needed == 0) | (needed == -1), 0]] = True
        extra[facing[(needed == 0) | (needed == 1), 1]] = True
        fewer = edges_of(triangles, ~(needless | extra))
        if len(fewer.sides) and _irregular(fewer) < _irregular(edges):
            needless, edges = needless | extra, fewer
    return needless, edges


def _irregular(edges: Edges) -> int:
    return int(((edges.count != 2) | (edges.backward != 1)).sum())


def _bodies(
    edges: Edges, needless: NDArray[np.bool_]
) -> tuple[NDArray[np.int32], NDArray[np.bool_], NDArray[np.bool_]]:
    """The body of each triangle (-1: needless); which bodies are closed, and which are but for
    faces the wrong way round."""
    count = edges.count
    pairs = edges.start[:-1][count == 2]
    label = _labels(edges.sides[pairs] // 3, edges.sides[pairs + 1] // 3, needless)
    closed, turned = _closed(edges, label)
    # At crowded edges, surfaces that are closed without each other only touch; others belong
    # together (a wall across the inside of a body, say).
    crowd = edges.sides[np.repeat(count > 2, count)] // 3
    edge = np.repeat(np.arange(len(count)), count)[np.repeat(count > 2, count)]
    loose = ~closed[label[crowd]]
    crowd, edge = crowd[loose], edge[loose]
    joined = edge[1:] == edge[:-1]
    if joined.any():
        a = np.concatenate([edges.sides[pairs] // 3, crowd[:-1][joined]])
        b = np.concatenate([edges.sides[pairs + 1] // 3, crowd[1:][joined]])
        label = _labels(a, b, needless)
        closed, turned = _closed(edges, label)
    return label, closed, turned


def _labels(
    a: NDArray[np.int64], b: NDArray[np.int64], needless: NDArray[np.bool_]
) -> NDArray[np.int32]:
    """Number what is connected, in order of faces, leaving needless faces out."""
    number, whole = connected(a, b, len(needless))
    label = whole.astype(np.int32)
    if not needless.any():
        return label
    used = np.zeros(number, bool)
    used[label[~needless]] = True
    label = (np.cumsum(used, dtype=np.int32) - np.int32(1))[label]
    label[needless] = -1
    return label


def _closed(edges: Edges, body: NDArray[np.int32]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which bodies have an even number of faces at each edge, and which of them not as many
    one way along it as the other."""
    bodies = int(body.max(initial=-1)) + 1
    closed, turned = np.ones(bodies, bool), np.zeros(bodies, bool)
    count, backward = edges.count, edges.backward
    closed[body[edges.sides[edges.start[:-1][count == 1]] // 3]] = False
    turned[body[edges.sides[edges.start[:-1][(count == 2) & (backward != 1)]] // 3]] = True
    crowded = np.repeat(count > 2, count)
    edge = np.repeat(np.arange(len(count)), count)[crowded]
    own = body[edges.sides[crowded] // 3].astype(np.int64)
    pair, where = np.unique(edge * bodies + own, return_inverse=True)
    number = np.bincount(where, minlength=len(pair))
    back = np.bincount(where[edges.back[crowded]], minlength=len(pair))
    closed[pair[number % 2 == 1] % max(bodies, 1)] = False
    turned[pair[number != 2 * back] % max(bodies, 1)] = True
    return closed, turned & closed


def _orientation(
    vertices: NDArray[np.float64],
    triangles: NDArray[np.int32],
    body: NDArray[np.int32],
    sound: NDArray[np.bool_],
    volume: NDArray[np.float64],
) -> tuple[NDArray[np.bool_], dict[int, int], bool]:
    """Which sound bodies are inside out; the body that each cavity is in; whether all is known.

    A body is right where it faces outward and nothing winds around it, or faces inward and lies
    inside one that faces outward. (One that faces outward inside another overlaps it.)
    """
    inverted = np.zeros(len(sound), bool)
    inward = sound & (volume < 0)
    if not inward.any():
        return inverted, {}, True
    chosen = np.flatnonzero(np.append(sound, False)[body])  # the last is for body -1
    part, own = triangles[chosen], body[chosen]
    a, b, c = (vertices[part[:, i]] for i in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    largest = np.zeros(len(sound))
    np.maximum.at(largest, own, area)
    each, at = np.unique(np.where(area == largest[own], own, len(sound)), return_index=True)
    at = at[each < len(sound)]
    # A point with no special place in its triangle, so that rays from it meet no edge.
    points = 0.41 * a[at] + 0.33 * b[at] + 0.26 * c[at]
    nest = nesting(points, own[at].astype(np.int64), vertices, part, own)
    if not nest.complete:
        return inverted, {}, False
    around = np.zeros(len(sound), np.int64)
    np.add.at(around, own[at[nest.point]], nest.winding)
    inverted = sound & np.where(volume < 0, around <= 0, around < 0)
    inside: dict[int, int] = {}
    for cavity, outer, times in zip(
        own[at[nest.point]].tolist(), nest.body.tolist(), nest.winding.tolist(), strict=True
    ):
        if times > 0 and inward[cavity] and not inverted[cavity] and not inward[outer]:
            known = inside.get(cavity)
            if known is None or volume[outer] < volume[known]:
                inside[cavity] = outer
    return inverted, inside, True


def _solids(outward: NDArray[np.bool_], inside: dict[int, int]) -> tuple[tuple[int, ...], ...]:
    """Each outward body, followed by the cavities in it."""
    groups: dict[int, list[int]] = {int(body): [int(body)] for body in np.flatnonzero(outward)}
    for cavity, outer in sorted(inside.items()):
        if outer in groups:
            groups[outer].append(cavity)
    return tuple(tuple(group) for group in groups.values())


def triangles_of(
    triangles: NDArray[np.int32],
    body: NDArray[np.int32],
    groups: tuple[tuple[int, ...], ...],
) -> list[NDArray[np.int32]]:
    """The triangles of each group of bodies."""
    order = np.argsort(body, kind="stable")
    start = np.searchsorted(body[order], np.arange(int(body.max(initial=-1)) + 2))
    return [
        triangles[np.concatenate([order[start[body] : start[body + 1]] for body in group])]
        for group in groups
    ]
