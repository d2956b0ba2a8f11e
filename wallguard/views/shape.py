"""The surface of a part to look at: few triangles, each with the wall it belongs to."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from wallguard.bands.porous import Lean
from wallguard.mesh.mesh import Mesh
from wallguard.views.model import OUTCOMES, STEPS, Shape
from wallguard.views.split import split

if TYPE_CHECKING:
    from wallguard.checks.case import Case

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# A part is shown in about so many triangles, besides those along borders; a mesh of more is
# simplified first.
_SHOWN, _FEW = 10_000, 8_000
# How far (mm as printed) simplifying may move the surface: tried in turn. Thin walls must stay.
_TOLERANCES = (0.0005, 0.005, 0.02, 0.05, 0.1, 0.2, 0.5)
# And no more than this part of its size, or a small part would be shown as another.
_COARSEST = 200
# A triangle of an upright face belongs to the nearest wall sample within this, mm: samples stand
# half a millimetre apart.
_REACH, _STEP = 0.6, 0.25
_LEVEL = 0.9
# Walls whose thickness differs by more than this, mm, with none between, are told apart.
_APART = 0.05
# And what differs by no more than this, hundredths of a millimetre, is one.
_SAME = 2.0
# An edge is drawn where its faces turn by more than this, degrees; of so many the sharpest.
_SHARP, _EDGES = 25.0, 6_000
# Numbers of an underside: two to a degree, and what is none.
DEGREE, NONE = 2, 255


def shape_of(case: Case) -> Shape:
    """The part's surface with thickness, outcome and how far it looks down, in the file's frame."""
    placed = case.geometry.placed
    plain, simplified = _simplified(placed.mesh)
    corners = plain.vertices[plain.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(cross, axis=1)
    kept = size > 1e-12
    corners, normal = corners[kept], cross[kept] / size[kept, None]
    field = _field(case)
    longest = float(np.ptp(plain.vertices, axis=0).max()) if len(plain.vertices) else 1.0
    pieces = split(corners, _Kinds(case, field).ask, max(longest / 70, 0.3), _SHOWN, _SAME)
    there = placed.to_file(plain.vertices)
    low, high = there.min(axis=0), there.max(axis=0)
    room = np.maximum(high - low, 1e-9)

    def steps(points: _Floats) -> NDArray[np.uint16]:
        share = (placed.to_file(points) - low) / room
        return np.asarray(np.clip(np.rint(share * STEPS), 0, STEPS), np.uint16)

    edges = plain.vertices[_sharp_edges(plain)]
    vertices, index = _numbered(
        steps(np.concatenate([pieces.corner.reshape(-1, 3), edges.reshape(-1, 3)]))
    )
    triangles = index[: 3 * len(pieces.corner)].reshape(-1, 3)
    seen = (triangles != triangles[:, [1, 2, 0]]).all(axis=1)
    undersides = _undersides(corners, normal, case.rules.layer_height)
    up = placed.rotation.T @ np.array([0.0, 0.0, 1.0])
    return Shape(
        low=_point(low),
        high=_point(high),
        up=_point(up),
        scale=placed.scale,
        vertices=vertices.astype("<u2").tobytes(),
        triangles=triangles[seen].astype("<u2").tobytes(),
        edges=index[3 * len(pieces.corner) :].astype("<u2").tobytes(),
        thickness=np.clip(np.rint(pieces.value[seen]), 0, 65535).astype("<u2").tobytes(),
        outcomes=(pieces.kind[seen] % (len(OUTCOMES) + 1)).astype("u1").tobytes(),
        undersides=undersides[pieces.source[seen]].astype("u1").tobytes(),
        simplified=simplified,
        drawn=len(case.geometry.drawn.triangles),
    )


class _Kinds:
    """What is said of a point: how the wall there comes out, and which of those of unlike thickness
    it is; and its thickness in hundredths of a millimetre."""

    def __init__(self, case: Case, field: _Field) -> None:
        self._case, self._field = case, field
        self._levels: _Floats | None = None

    def ask(self, point: _Floats, normal: _Floats) -> tuple[_Ints, _Floats]:
        thickness, moves = self._field(point, normal)
        hundredths = np.rint(thickness * 100)
        if self._levels is None:  # the first that are asked for are all over the part
            seen = np.unique(hundredths[hundredths > 0])
            wide = np.flatnonzero(np.diff(seen) > 100 * _APART)
            self._levels = (seen[wide] + seen[wide + 1]) / 2
        outcome = _outcomes(self._case, hundredths / 100, moves).astype(np.int64)
        level = np.where(outcome > 0, np.searchsorted(self._levels, hundredths), 0)
        return level * (len(OUTCOMES) + 1) + outcome, hundredths


def _undersides(corners: _Floats, normal: _Floats, layer: float) -> NDArray[np.uint8]:
    """By how much triangles (m, 3, 3) that look down lie off level, DEGREE to a degree; NONE: they
    do not, or lie on the build surface."""
    angle = np.degrees(np.arccos(np.clip(-normal[:, 2], -1.0, 1.0)))
    lying = corners[..., 2].max(axis=1) <= corners[..., 2].min(initial=np.inf) + layer
    down = (normal[:, 2] < -1e-6) & ~(lying & (angle < 45.0))
    return np.where(down, np.rint(DEGREE * angle), NONE).astype(np.uint8)


def _sharp_edges(mesh: Mesh) -> _Ints:
    """The edges (k, 2) of a mesh that are worth a line: where it turns, or ends."""
    triangles = mesh.triangles.astype(np.int64)
    corners = mesh.vertices[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    ends = np.sort(np.stack([triangles, triangles[:, [1, 2, 0]]], axis=2).reshape(-1, 2), axis=1)
    owner = np.repeat(np.arange(len(triangles)), 3)
    order = np.lexsort((ends[:, 1], ends[:, 0]))
    ends, owner = ends[order], owner[order]
    first = np.flatnonzero(np.r_[True, (ends[1:] != ends[:-1]).any(axis=1)][: len(ends)])
    count = np.diff(np.r_[first, len(ends)])
    turn = np.full(len(first), 180.0)  # one face, or three
    two = count == 2
    a, b = owner[first[two]], owner[first[two] + 1]
    turn[two] = np.degrees(np.arccos(np.clip((normal[a] * normal[b]).sum(axis=1), -1, 1)))
    sharp = np.flatnonzero(turn > _SHARP)
    if len(sharp) > _EDGES:
        sharp = np.sort(sharp[np.argsort(-turn[sharp], kind="stable")[:_EDGES]])
    return np.asarray(ends[first[sharp]])


def _numbered(points: NDArray[np.uint16]) -> tuple[NDArray[np.uint16], _Ints]:
    """Points (n, 3) once each, in the order in which they first come, and the number of each."""
    key = (points[:, 0].astype(np.int64) << 32) | (points[:, 1].astype(np.int64) << 16)
    key |= points[:, 2]
    _, first, number = np.unique(key, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    return points[first[order]], rank[number.reshape(-1)]


def _point(values: _Floats) -> tuple[float, float, float]:
    x, y, z = (round(float(value), 6) + 0.0 for value in values)
    return x, y, z


def _simplified(mesh: Mesh) -> tuple[Mesh, bool]:
    """A mesh of fewer triangles, as far as that can be had, and whether anything was changed."""
    if len(mesh.triangles) <= _FEW:
        return mesh, False
    import manifold3d as m3

    solid = m3.Manifold(
        m3.Mesh64(
            vert_properties=np.array(mesh.vertices, np.float64, order="C"),
            tri_verts=np.array(mesh.triangles, np.uint64, order="C"),
        )
    )
    if solid.status() == m3.Error.NoError and not solid.is_empty():
        best = solid
        size = float(np.ptp(mesh.vertices, axis=0).max())
        for tolerance in (each for each in _TOLERANCES if each <= size / _COARSEST):
            best = solid.simplify(tolerance)
            if best.num_tri() <= _FEW:
                break
        made = best.to_mesh64()
        if best.num_tri() <= _SHOWN:
            return Mesh(
                np.asarray(made.vert_properties[:, :3], np.float64),
                np.asarray(made.tri_verts, np.int32),
            ), True
        mesh = Mesh(
            np.asarray(made.vert_properties[:, :3], np.float64),
            np.asarray(made.tri_verts, np.int32),
        )
    return _clustered(mesh), True


def _clustered(mesh: Mesh) -> Mesh:
    """Vertices within one cell of a grid become one: works on any mesh, however sick."""
    low = mesh.vertices.min(axis=0)
    size = float(np.ptp(mesh.vertices, axis=0).max())
    cells = 400
    while True:
        cell = np.floor((mesh.vertices - low) / (size / cells + 1e-12)).astype(np.int64)
        key = (cell[:, 0] * (cells + 2) + cell[:, 1]) * (cells + 2) + cell[:, 2]
        unique, label = np.unique(key, return_inverse=True)
        triangles = label[mesh.triangles]
        a, b, c = triangles.T
        triangles = triangles[(a != b) & (b != c) & (c != a)]
        _, first = np.unique(np.sort(triangles, axis=1), axis=0, return_index=True)
        triangles = triangles[np.sort(first)]
        if len(triangles) <= _SHOWN or cells <= 8:
            break
        cells = int(cells / 1.4)
    count = np.bincount(label, minlength=len(unique))
    vertices = np.column_stack(
        [
            np.bincount(label, mesh.vertices[:, axis], minlength=len(unique)) / count
            for axis in range(3)
        ]
    )
    return Mesh(vertices, triangles.astype(np.int32))


# The thickness (n,) of the wall, mm as printed, 0 where none, that points (n, 3) of faces with
# normals (n, 3) bound; and by how much that wall moves on with height where it leans, mm a mm.
_Field: TypeAlias = Callable[[_Floats, _Floats], tuple[_Floats, _Floats]]


def _field(case: Case) -> _Field:
    """Where there is a wall, and how thick it is."""
    return _Layers(case) if case.layered else _Space(case)


class _Layers:
    """Walls in the layers: what was measured nearest to a point, in its layer."""

    def __init__(self, case: Case) -> None:
        from wallguard.walls.edges import material_edges
        from wallguard.walls.joins import leans
        from wallguard.walls.samples import take_samples

        self._sections = sections = case.geometry.sections(case.rules.layer_height)
        self._largest = case.largest
        edges = material_edges(sections)
        self._tree: cKDTree | None = None
        if not len(edges.length):
            return
        limits = np.asarray(case.splits, np.float64)
        samples = take_samples(
            edges,
            case.largest,
            lambda thickness: np.searchsorted(limits, thickness, side="right").astype(np.int64),
        )
        # Sections far apart in a third direction, so that a sample is found in its own only.
        self._span = float(np.ptp(sections.points, axis=0).max()) + 10 * _REACH
        depth = edges.section[samples.edge].astype(np.float64) * self._span
        self._tree = cKDTree(np.column_stack([samples.point, depth]))
        across = np.where(samples.wall, samples.thickness, 0.0)
        self._across = np.where(np.isfinite(across), across, 0.0)
        self._leans = np.zeros(len(samples.wall))
        wall = np.flatnonzero(samples.wall)
        self._leans[wall] = leans(edges, samples.edge[wall], samples.discs.edge[wall])[1]

    def __call__(self, point: _Floats, normal: _Floats) -> tuple[_Floats, _Floats]:
        thickness, moves = np.zeros((2, len(point)))
        sections = self._sections
        if self._tree is None:
            return thickness, moves
        # Level faces belong to the layer below or above them, the one that is material.
        height = point[:, 2] - 0.5 * sections.layer_height * normal[:, 2]
        layer = np.searchsorted(sections.heights, height)
        layer = np.clip(layer, 0, len(sections.heights) - 1)
        below = np.maximum(layer - 1, 0)
        nearer = height - sections.heights[below] < sections.heights[layer] - height
        layer = np.where(nearer, below, layer)
        there = np.flatnonzero(sections.distinct[layer] >= 0)
        own = sections.distinct[layer[there]]
        asked = np.column_stack([point[there, :2], own * self._span])
        flat = np.abs(normal[there, 2]) > _LEVEL
        reach = np.where(flat, self._largest / 2, _REACH)
        farthest = float(max(self._largest / 2, _REACH))
        gap, nearest = self._tree.query(asked, distance_upper_bound=farthest)
        hit = gap <= reach
        there, nearest, gap, flat = there[hit], nearest[hit], gap[hit], flat[hit]
        across = self._across[nearest]
        # The end of a wall, seen from above or below, lies between its outlines.
        across = np.where(flat & (gap > np.hypot(across / 2, _STEP) + 0.01), 0.0, across)
        thickness[there] = across
        moves[there] = self._leans[nearest]
        return thickness, moves


class _Space:
    """Walls in space: the ball at a point."""

    def __init__(self, case: Case) -> None:
        from wallguard.walls.tangent import Surface

        mesh = _simplified(case.geometry.placed.mesh)[0]
        corners = mesh.vertices[mesh.triangles]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        size = np.linalg.norm(cross, axis=1)
        kept = size > 1e-12
        self._surface = Surface(corners[kept], -cross[kept] / size[kept, None])
        self._largest = case.largest

    def __call__(self, point: _Floats, normal: _Floats) -> tuple[_Floats, _Floats]:
        from wallguard.walls.samples import FACING

        if not len(point):
            return np.zeros(0), np.zeros(0)
        balls = self._surface.balls(point, -normal, self._largest / 2)
        wall = (balls.facing <= FACING) & np.isfinite(balls.radius)
        return np.where(wall, 2 * balls.radius, 0.0), np.zeros(len(point))


def _outcomes(case: Case, thickness: _Floats, moves: _Floats) -> NDArray[np.uint8]:
    """The number of each outcome, see OUTCOMES, of walls (m,) that lean so."""
    seen, which = np.unique(
        np.rint(100 * np.column_stack([thickness, moves])), axis=0, return_inverse=True
    )
    outcomes = np.zeros(len(seen), np.uint8)
    for number, (step, slope) in enumerate(seen.tolist()):
        if step > 0:
            lean = Lean(case.rules.layer_height, slope / 100)
            verdict = case.table.classify(step / 100, case.rules.tolerance, lean)
            outcomes[number] = OUTCOMES.index(verdict) + 1
    return outcomes[which.reshape(-1)]
