"""A mesh's triangles as walls in space need them: their neighbours, flat faces, smooth patches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, distinct, dot, grouped, ranges
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh
from wallguard.walls.flats import FEW, filled_anew

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Neighbours that turn by less (radians) are one flat face: above float32's step.
_LEVEL = 1e-3
# A surface goes on across a turn of up to 50 degrees: an eight-sided tube is one wall.
ALONG = float(np.cos(np.radians(50.0)))


@dataclass(frozen=True)
class Facets:
    """The triangles (m,) of a mesh that have an area, seen from the searched side.

    triangles  (m, 3) numbers of vertices
    corners    (m, 3, 3) mm, wound so that `normal` points away from who sees them so
    normal     (m, 3) unit, into the searched side
    area       (m,) mm²
    beside     (m, 3) the triangle across the side from each corner to the next, -1 for none
    bend       (m, 3) the turn there in radians, positive where the searched side is convex
    face       (m,) number of the flat face, a triangle of a curved surface alone
    patch      (m,) number of the surface without sharp edges
    fine       (m,) whether it is so small that one point speaks for it
    broad      (m,) whether it is one of many in a flat face
    """

    triangles: _Ints
    corners: _Floats
    normal: _Floats
    area: _Floats
    beside: _Ints
    bend: _Floats
    face: _Ints
    patch: _Ints
    fine: _Bools
    broad: _Bools

    def touching(self) -> _Ints:
        """Flat faces that share a vertex, as face * number of faces + face, rising."""
        size = int(self.face.max()) + 1
        key = distinct(self.triangles.ravel() * size + np.repeat(self.face, 3))
        vertex, face = key // size, key % size
        begin = np.searchsorted(vertex, vertex, side="left")
        number = np.searchsorted(vertex, vertex, side="right") - begin
        one, other = ranges(begin, number)
        keys: _Ints = distinct(face[one] * size + face[other])
        return keys


@dataclass(frozen=True)
class Units:
    """What is held against each other: facets, and flat faces of two that are convex.

    facet    (u,) a facet of each
    corners  (u, 4, 3) the last one twice where there are three
    side     (u, 4) the number of the side, see `facing`, from each corner to the next
    count    (u,) 3 or 4
    """

    facet: _Ints
    corners: _Floats
    side: _Ints
    count: _Ints


def units_of(facets: Facets) -> Units:
    """The units that all facets make."""
    size = len(facets.area)
    side = 3 * np.arange(size)[:, None] + np.arange(3)
    two = (np.bincount(facets.face) == 2)[facets.face]
    inner = two[:, None] & (facets.beside >= 0)
    inner &= facets.face[facets.beside] == facets.face[:, None]
    # Each two once, with the corner of the other between the ends of the side they share.
    one = np.flatnonzero(inner.any(axis=1))
    at = inner[one].argmax(axis=1)
    other = facets.beside[one, at]
    first = one < other
    one, at, other = one[first], at[first], other[first]
    its = inner[other].argmax(axis=1)
    step = (at[:, None] + [1, 2]) % 3, (its[:, None] + [1, 2]) % 3
    four = np.column_stack([3 * one[:, None] + step[0], 3 * other[:, None] + step[1]])
    corners = facets.corners[four // 3, four % 3]
    edge = corners[:, [1, 2, 3, 0]] - corners
    turn = np.cross(edge, edge[:, [1, 2, 3, 0]])
    convex = (np.einsum("kij,kj->ki", turn, facets.normal[one]) < -1e-9).all(axis=1)
    single = np.ones(size, bool)
    single[one[convex]] = single[other[convex]] = False
    alone = np.flatnonzero(single)
    three = side[alone][:, [0, 1, 2, 2]]
    every = np.concatenate([three, four[convex]])
    corner = np.concatenate([facets.corners[alone][:, [0, 1, 2, 2]], corners[convex]])
    count = np.concatenate([np.full(len(alone), 3), np.full(int(convex.sum()), 4)])
    return Units(np.concatenate([alone, one[convex]]), corner, every, count)


def facets_of(mesh: Mesh, small: float, *, air: bool) -> Facets | None:
    """The facets of a mesh, seen from the material or the air; None where nothing has an area.

    small  longest edge (mm) of a facet for which one point speaks, in a flat face no larger
    """
    triangles = mesh.triangles.astype(np.int64)
    corners = mesh.vertices[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled = np.linalg.norm(normal, axis=1)
    solid = doubled > 2e-12
    if not solid.any():
        return None
    triangles, doubled = triangles[solid], doubled[solid]
    normal = normal[solid] / doubled[:, None]
    corners = mesh.vertices[triangles]
    beside, bend = _neighbours(triangles, corners, normal)
    face = _parts(beside, bend, np.cos(_LEVEL))
    triangles = filled_anew(mesh.vertices, triangles, normal, face)
    if air:
        triangles = triangles[:, ::-1]
    corners = mesh.vertices[triangles]
    normal = np.cross(corners[:, 2] - corners[:, 0], corners[:, 1] - corners[:, 0])
    doubled = np.linalg.norm(normal, axis=1)
    normal /= np.maximum(doubled, 1e-12)[:, None]
    beside, bend = _neighbours(triangles, corners, normal)
    face, patch = _parts(beside, bend, np.cos(_LEVEL)), _parts(beside, bend, ALONG)
    faces = int(face.max()) + 1
    low = grouped(np.minimum, face, faces, corners.min(axis=1))
    high = grouped(np.maximum, face, faces, corners.max(axis=1))
    broad = (np.bincount(face) > FEW)[face]
    fine = (np.linalg.norm(high - low, axis=1) <= small)[face]
    return Facets(
        triangles, corners, normal, doubled / 2, beside, bend, face, patch, fine, broad & ~fine
    )


def _parts(beside: _Ints, bend: _Floats, least: float) -> _Ints:
    """(m,) the part that each triangle is of, where parts hold together across turns of a cosine
    of at least so much."""
    side = np.flatnonzero((beside.ravel() >= 0) & (np.cos(bend.ravel()) >= least))
    part: _Ints = connected(side // 3, beside.ravel()[side], len(beside))[1]
    return part


def _neighbours(triangles: _Ints, corners: _Floats, normal: _Floats) -> tuple[_Ints, _Floats]:
    joints = edges_of(triangles.astype(np.int32), np.ones(len(triangles), bool))
    two = np.flatnonzero(joints.count == 2)
    side, opposite = joints.sides[joints.start[two]], joints.sides[joints.start[two] + 1]
    one, other = side // 3, opposite // 3
    # The arcsine is exact for small turns, where the arccosine is not.
    size = np.linalg.norm(np.cross(normal[one], normal[other]), axis=1)
    turn = np.arctan2(size, dot(normal[one], normal[other]))
    over = corners[other].mean(axis=1) - corners[one, side % 3]
    turn = np.where(dot(over, normal[one]) >= 0, turn, -turn)
    beside = np.full(triangles.shape, -1, np.int64)
    bend = np.zeros(triangles.shape)
    beside.ravel()[side], beside.ravel()[opposite] = other, one
    bend.ravel()[side] = bend.ravel()[opposite] = turn
    return beside, bend
