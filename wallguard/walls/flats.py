"""Flat faces of a mesh in few, well-shaped triangles.

Modellers fill a flat face with slivers, or cut it into thousands of pieces. What is found on a face
must not depend on that, nor cost more for it: here a face of many triangles is filled anew, from
its outline alone (constrained Delaunay, by shapely).
"""

from __future__ import annotations

from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from wallguard.mesh.edges import edges_of

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Faces of no more triangles stay as they are.
FEW = 4
# An outline must keep its area to this share, or the face stays as it is.
_SAME = 1e-6
# Squares of corners that faces may have together: finding triangles takes as much, some 5 seconds
# for this many. Those that are larger than that stay as they are.
_SQUARES = 1_000_000_000


def filled_anew(vertices: _Floats, triangles: _Ints, normal: _Floats, face: _Ints) -> _Ints:
    """Triangles (m, 3) with flat faces of many filled anew; no vertex is added.

    vertices (n, 3) mm; triangles (t, 3) and the unit normal (t, 3) that they are wound about;
    face (t,) the number of the flat face of each
    """
    size = np.bincount(face)
    many = size > FEW
    # A triangle has three sides.
    if float(((3.0 * size[many]) ** 2).sum()) > _SQUARES:
        many &= _small(outline(triangles, face)[2], len(many))
    mine = many[face]
    if not mine.any():
        return triangles
    import shapely

    number = np.cumsum(many) - 1
    label, some = number[face[mine]], triangles[mine]
    count = int(many.sum())
    one_of = np.zeros(count, np.int64)
    one_of[label] = np.flatnonzero(mine)
    along, across = frames(normal[one_of])
    begin, end, owner, _ = outline(some, label)
    ends = np.stack([vertices[begin], vertices[end]], axis=1)
    flat = np.stack(
        [
            np.einsum("kij,kj->ki", ends, along[owner]),
            np.einsum("kij,kj->ki", ends, across[owner]),
        ],
        axis=2,
    )
    areas = shapely.build_area(shapely.multilinestrings(shapely.linestrings(flat), indices=owner))
    shapes = _in_triangles(areas)
    parts, of = shapely.get_parts(shapes, return_index=True)
    corners = shapely.get_coordinates(parts).reshape(-1, 4, 2)[:, :3]
    fresh, known = _numbered(corners, of, flat, np.column_stack([begin, end]), owner)
    good = _area_kept(vertices, some, label, shapely.area(areas), count)
    good[of[~known]] = False
    good[np.bincount(of, minlength=count) == 0] = False
    # Wound about the face's normal.
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    back = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0] < 0
    fresh[back] = fresh[back][:, ::-1]
    kept = triangles[~mine], some[~good[label]], fresh[good[of]]
    return np.concatenate(kept)


def _small(owner: _Ints, count: int) -> NDArray[np.bool_]:
    """(count,) which faces, the smallest first, have together no more corners squared than may be
    filled; owner (k,): the face of each edge of their outlines."""
    corners = np.bincount(owner, minlength=count).astype(np.float64)
    order = np.argsort(corners, kind="stable")
    small = np.zeros(count, bool)
    small[order] = np.cumsum(corners[order] ** 2) <= _SQUARES
    return small


def _in_triangles(areas: NDArray[np.object_]) -> NDArray[np.object_]:
    """Each area as triangles; empty where there are none to be found, as in one that merely touches
    itself."""
    import shapely

    with suppress(shapely.GEOSException):
        return np.asarray(shapely.constrained_delaunay_triangles(areas), object)
    shapes = np.full(len(areas), shapely.GeometryCollection(), object)
    for at, area in enumerate(areas):
        with suppress(shapely.GEOSException):
            shapes[at] = shapely.constrained_delaunay_triangles(area)
    return shapes


def frames(normal: _Floats) -> tuple[_Floats, _Floats]:
    """Two unit vectors (k, 3) across each normal, right-handed with it."""
    along = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal), axis=1)])
    along /= np.linalg.norm(along, axis=1)[:, None]
    return along, np.cross(normal, along)


def outline(triangles: _Ints, label: _Ints) -> tuple[_Ints, _Ints, _Ints, _Ints]:
    """Edges (begin, end) of triangles at which those of one label end, the label, in whose order
    they are, and the number of the side, 3 times its triangle's and 0 to 2."""
    joints = edges_of(triangles.astype(np.int32), np.ones(len(triangles), bool))
    first = joints.sides[joints.start[:-1]] // 3
    last = joints.sides[joints.start[1:] - 1] // 3
    inner = (joints.count == 2) & (label[first] == label[last])
    side = joints.sides[np.repeat(~inner, joints.count)]
    begin = triangles.ravel()[side]
    end = triangles[side // 3, (side + 1) % 3]
    order = np.argsort(label[side // 3], kind="stable")
    return begin[order], end[order], label[side // 3][order], side[order]


def _numbered(
    corners: _Floats, of: _Ints, flat: _Floats, ends: _Ints, owner: _Ints
) -> tuple[_Ints, NDArray[np.bool_]]:
    """Vertex numbers (t, 3) of triangles' corners (t, 3, 2), by their place in their face; and
    whether each triangle's are all known."""
    known = np.column_stack([np.repeat(owner, 2), flat.reshape(-1, 2)])
    asked = np.column_stack([np.repeat(of, 3), corners.reshape(-1, 2)])
    _, first, group = np.unique(
        np.concatenate([known, asked]), axis=0, return_index=True, return_inverse=True
    )
    place = first[group.ravel()[len(known) :]]
    good = (place < len(known)).reshape(-1, 3)
    number = ends.ravel()[np.minimum(place, len(known) - 1)].reshape(-1, 3)
    distinct = (number != number[:, [1, 2, 0]]).all(axis=1)
    return number, good.all(axis=1) & distinct


def _area_kept(
    vertices: _Floats, triangles: _Ints, label: _Ints, area: _Floats, count: int
) -> NDArray[np.bool_]:
    """Whether each label's triangles have the area that was found for them."""
    corners = vertices[triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    mine = np.bincount(label, np.linalg.norm(cross, axis=1) / 2, count)
    same: NDArray[np.bool_] = np.abs(mine - area) <= _SAME * mine + 1e-9
    return same


def overlap(
    one: _Floats, other: _Floats, normal: _Floats, sides: tuple[_Ints, _Ints]
) -> tuple[_Floats, _Ints]:
    """Where two faces in one plane through 0 lie over each other, in triangles.

    one, other  (k, 2, 3) and (l, 2, 3) the edges of their outlines, mm; normal (3,) unit
    sides       a label for each of those edges

    Returns triangles (t, 3, 3) and the labels (t, 3) of their edges: of the outline that an edge
    lies on, -1 for those within.
    """
    import shapely

    along, across = (each[0] for each in frames(normal[None]))
    frame = np.column_stack([along, across])
    lines = [each @ frame for each in (one, other)]
    areas = [shapely.build_area(shapely.multilinestrings(each)) for each in lines]
    common = shapely.intersection(*areas)
    shapes = shapely.get_parts(shapely.constrained_delaunay_triangles(common))
    corners = shapely.get_coordinates(shapes).reshape(-1, 4, 2)[:, :3]
    if not len(corners):
        return np.zeros((0, 3, 3)), np.zeros((0, 3), np.int64)
    ends = np.stack([corners, corners[:, [1, 2, 0]]], axis=2).reshape(-1, 4)
    backward = (ends[:, 0] > ends[:, 2]) | ((ends[:, 0] == ends[:, 2]) & (ends[:, 1] > ends[:, 3]))
    ends[backward] = ends[backward][:, [2, 3, 0, 1]]
    _, edge, times = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
    rim = np.flatnonzero(times[edge.ravel()] == 1)
    label = np.full(len(ends), -1)
    tree = shapely.STRtree(shapely.linestrings(np.concatenate(lines)))
    middle = (ends[rim, :2] + ends[rim, 2:]) / 2
    label[rim] = np.concatenate(sides)[tree.nearest(shapely.points(middle))]
    return corners @ frame.T, label.reshape(-1, 3)
