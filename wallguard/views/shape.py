"""The surface of a part to look at: few triangles, each with the wall it belongs to."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from wallguard.bands.porous import Lean
from wallguard.base.arrays import ranges
from wallguard.mesh.mesh import Mesh
from wallguard.views.model import OUTCOMES, Shape, Shown

if TYPE_CHECKING:
    from wallguard.checks.case import Case

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# A part is shown in about so many triangles; beyond the second its surface is simplified first.
_SHOWN, _FEW = 16_000, 16_000
# How far (mm as printed) simplifying may move the surface: tried in turn. Thin walls must stay.
_TOLERANCES = (0.005, 0.02, 0.05, 0.1, 0.2, 0.5)
# A triangle of an upright face belongs to the nearest wall sample within this, mm: samples stand
# half a millimetre apart.
_REACH, _STEP = 0.6, 0.25
_LEVEL = 0.9
# Lines of a pattern on a part; where there would be more they stand farther apart.
_HATCHES = 7000
# In which directions the lines of a pattern run: normals of the planes that draw them.
_PATTERNS: dict[Shown, tuple[tuple[float, float, float], ...]] = {
    "hollow": ((0.53, 0.53, 0.66),),
    "missing": ((0.53, 0.53, 0.66), (0.53, 0.53, -0.66)),
    "thickened": ((0.0, 0.0, 1.0),),
    "thinned": ((0.707, 0.707, 0.0),),
    "porous": ((0.53, -0.53, 0.66),),
    "indeterminate": ((0.0, 0.0, 1.0), (0.707, 0.707, 0.0)),
}


def shape_of(case: Case) -> Shape:
    """The part's surface with thickness and outcome, in the file's frame."""
    placed = case.geometry.placed
    plain, simplified = _simplified(placed.mesh)
    vertices, triangles = _divided(plain)
    corners = vertices[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1)
    kept = size > 1e-12
    triangles, corners = triangles[kept], corners[kept]
    normal = normal[kept] / size[kept, None]
    thickness, moves = _thickness(case, corners, normal)
    outcome = _outcomes(case, thickness, moves)
    size_across = float(np.ptp(vertices, axis=0).max()) if len(vertices) else 1.0

    there = placed.to_file(vertices)
    low, high = there.min(axis=0), there.max(axis=0)
    room = np.maximum(high - low, 1e-9)

    def steps(points: _Floats) -> bytes:
        share = (placed.to_file(points) - low) / room
        packed: bytes = np.clip(np.rint(share * 65535), 0, 65535).astype("<u2").tobytes()
        return packed

    hatches: list[tuple[Shown, bytes]] = []
    for number, shown in enumerate(OUTCOMES, start=1):
        if shown in _PATTERNS and (outcome == number).any():
            some = outcome == number
            lines = _hatched(corners[some], normal[some], _PATTERNS[shown], size_across / 50)
            hatches.append((shown, steps(lines.reshape(-1, 3))))
    up = placed.rotation.T @ np.array([0.0, 0.0, 1.0])
    return Shape(
        low=_point(low),
        high=_point(high),
        up=_point(up),
        scale=placed.scale,
        vertices=steps(vertices),
        triangles=triangles.astype("<u2").tobytes(),
        thickness=np.clip(np.rint(thickness * 100), 0, 65535).astype("<u2").tobytes(),
        outcomes=outcome.astype("u1").tobytes(),
        hatches=tuple(hatches),
        simplified=simplified,
        drawn=len(case.geometry.drawn.triangles),
    )


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
        for tolerance in _TOLERANCES:
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


def _divided(mesh: Mesh) -> tuple[_Floats, _Ints]:
    """Long edges halved, longest first and as far as _SHOWN allows, so that what lies side by side
    on one face can differ."""
    vertices, triangles = mesh.vertices, mesh.triangles.astype(np.int64)
    size = float(np.ptp(vertices, axis=0).max())
    finest = max(size / 70, 0.3)
    while True:
        corners = vertices[triangles]
        edge = np.linalg.norm(corners[:, [1, 2, 0]] - corners, axis=2)
        length = edge.max(axis=1)
        room = int(1.4 * _SHOWN) - len(triangles)
        # The longest in every pass, so that none stays large where the room runs out.
        some = np.flatnonzero(length > max(finest, 0.6 * float(length.max(initial=0.0))))
        if not len(some) or len(some) > room:
            return vertices, triangles
        first = edge[some].argmax(axis=1)
        turn = (first[:, None] + np.arange(3)) % 3
        a, b, c = np.take_along_axis(triangles[some], turn, axis=1).T
        ends = np.stack([np.minimum(a, b), np.maximum(a, b)], axis=1)
        ends, number = np.unique(ends, axis=0, return_inverse=True)
        middle = len(vertices) + number.reshape(-1)
        vertices = np.concatenate([vertices, vertices[ends].mean(axis=1)])
        halves = [np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)]
        triangles = np.concatenate([np.delete(triangles, some, axis=0), *halves])


def _thickness(case: Case, corners: _Floats, normal: _Floats) -> tuple[_Floats, _Floats]:
    """The thickness (m,) of the wall that each triangle bounds, mm as printed, 0 where none; and by
    how much that wall moves on with height where it leans, mm a mm."""
    if len(corners) and case.layered:
        return _in_layers(case, corners.mean(axis=1), normal)
    thickness = _in_space(case, corners, normal) if len(corners) else np.zeros(0)
    return thickness, np.zeros(len(corners))


def _in_layers(case: Case, centre: _Floats, normal: _Floats) -> tuple[_Floats, _Floats]:
    from wallguard.walls.edges import material_edges
    from wallguard.walls.joins import walls_of
    from wallguard.walls.samples import take_samples

    thickness, moves = np.zeros((2, len(centre)))
    sections = case.geometry.sections(case.rules.layer_height)
    edges = material_edges(sections)
    if not len(edges.length):
        return thickness, moves
    limits = np.asarray(case.splits, np.float64)
    samples = take_samples(
        edges,
        case.largest,
        lambda thickness: np.searchsorted(limits, thickness, side="right").astype(np.int64),
    )
    # Sections far apart in a third direction, so that each sample is found in its own only.
    span = float(np.ptp(sections.points, axis=0).max()) + 10 * _REACH
    depth = edges.section[samples.edge].astype(np.float64) * span
    tree = cKDTree(np.column_stack([samples.point, depth]))
    # Level faces belong to the layer below or above them, the one that is material.
    height = centre[:, 2] - 0.5 * sections.layer_height * normal[:, 2]
    layer = np.searchsorted(sections.heights, height)
    layer = np.clip(layer, 0, len(sections.heights) - 1)
    below = np.maximum(layer - 1, 0)
    nearer = height - sections.heights[below] < sections.heights[layer] - height
    layer = np.where(nearer, below, layer)
    there = np.flatnonzero(sections.distinct[layer] >= 0)
    asked = np.column_stack([centre[there, :2], sections.distinct[layer[there]] * span])
    flat = np.abs(normal[there, 2]) > _LEVEL
    reach = np.where(flat, case.largest / 2, _REACH)
    gap, nearest = tree.query(asked, distance_upper_bound=float(max(case.largest / 2, _REACH)))
    hit = gap <= reach
    there, nearest, gap, flat = there[hit], nearest[hit], gap[hit], flat[hit]
    wall = samples.wall[nearest]
    across = np.where(wall, samples.thickness[nearest], 0.0)
    # The end of a wall, seen from above or below, lies between its outlines.
    across[flat & (gap > np.hypot(across / 2, _STEP) + 0.01)] = 0.0
    thickness[there] = np.where(np.isfinite(across), across, 0.0)
    walls = walls_of(edges, samples)
    leans = np.zeros(len(samples.wall))
    leans[walls.number] = walls.moves
    moves[there] = leans[nearest]
    return thickness, moves


def _in_space(case: Case, corners: _Floats, normal: _Floats) -> _Floats:
    from wallguard.walls.samples import FACING
    from wallguard.walls.tangent import Surface

    surface = Surface(corners, -normal)
    balls = surface.balls(corners.mean(axis=1), -normal, case.largest / 2)
    wall = (balls.facing <= FACING) & np.isfinite(balls.radius)
    return np.where(wall, 2 * balls.radius, 0.0)


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


def _hatched(
    corners: _Floats,
    normal: _Floats,
    directions: tuple[tuple[float, float, float], ...],
    apart: float,
) -> _Floats:
    """Lines (k, 2, 3) on triangles (m, 3, 3), where they cross sets of parallel planes."""
    while True:
        planes = [_planes(corners, normal, np.array(direction), apart) for direction in directions]
        if max(map(len, planes)) <= _HATCHES:
            return np.concatenate(planes)
        apart *= 1.3


def _planes(corners: _Floats, normal: _Floats, direction: _Floats, apart: float) -> _Floats:
    """Lines (k, 2, 3) where triangles (m, 3, 3) cross planes that lie `apart` (mm)."""
    height = corners @ direction / apart
    first = np.ceil(height.min(axis=1)).astype(np.int64)
    count = np.maximum(np.ceil(height.max(axis=1)).astype(np.int64) - first, 0)
    owner, plane = ranges(first, count)
    at = height[owner]
    ahead = at[:, [1, 2, 0]]
    crossed = (at >= plane[:, None]) != (ahead >= plane[:, None])
    two = crossed.sum(axis=1) == 2
    owner, plane, at, ahead, crossed = (each[two] for each in (owner, plane, at, ahead, crossed))
    share = (plane[:, None] - at) / np.where(crossed, ahead - at, 1.0)
    start = corners[owner]
    points = start + share[:, :, None] * (start[:, [1, 2, 0]] - start)
    # A little off the surface, so that they are seen.
    off: _Floats = points[crossed].reshape(-1, 2, 3) + 0.03 * apart * normal[owner][:, None]
    return off
