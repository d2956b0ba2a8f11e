"""A mesh's triangles as walls in space need them: their neighbours, flat faces, smooth patches."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, cross, distinct, dot, grouped, lengths, ranges
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh
from wallguard.walls.flats import FEW, filled_anew
from wallguard.walls.refine import halved

if TYPE_CHECKING:
    from wallguard.walls.tangent import Surface

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Neighbours that turn by less (radians) are one flat face: above float32's step.
_LEVEL = 1e-3
# A facet that turns by less than this (radians) into its neighbour is one of a curve, over which
# the thickness changes little: there one so many times as long is fine, too.
_CURVE, _CURVED = float(np.radians(15.0)), 2.0
# More long facets of curved surfaces than this are cut into fine ones: pairs of them cost more.
_MANY = 20_000
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
    behind     the same, seen from the other side, where these were made of that
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
    behind: Facets | None = None

    @cached_property
    def surface(self) -> Surface:
        """The same, to be searched for what is nearest."""
        from wallguard.walls.tangent import Surface

        if self.behind is not None:
            return self.behind.surface.turned()
        return Surface(self.corners, self.normal)

    def turned(self) -> Facets:
        """The same facets, seen from the other side of the surface."""
        ends = [1, 0, 2]
        return replace(
            self,
            triangles=self.triangles[:, ::-1],
            corners=self.corners[:, ::-1],
            normal=-self.normal,
            beside=self.beside[:, ends],
            bend=-self.bend[:, ends],
            behind=self,
        )

    def touching(self, faces: _Ints) -> _Ints:
        """Which flat faces share a vertex with one of these, as face * number of faces + face,
        rising."""
        size = int(self.face.max()) + 1
        named = np.zeros(size, bool)
        named[faces] = True
        shared = np.zeros(int(self.triangles.max()) + 1, bool)
        shared[self.triangles[named[self.face]]] = True
        corner = np.flatnonzero(shared[self.triangles].any(axis=1))
        vertex, face = self.triangles[corner].ravel(), np.repeat(self.face[corner], 3)
        key = distinct((vertex * size + face)[shared[vertex]])
        vertex, face = key // size, key % size
        begin = np.searchsorted(vertex, vertex, side="left")
        number = np.searchsorted(vertex, vertex, side="right") - begin
        one, other = ranges(begin, np.where(named[face], number, 0))
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


def facets_of(mesh: Mesh, small: float, *, cut: bool = False) -> Facets | None:
    """The facets of a mesh, seen from the material; None where nothing has an area.

    small  longest edge (mm) of a facet for which one point speaks, in a flat face no larger
    cut    whether all longer ones are cut, so that all are fine, however many hold each other up
    """
    triangles = mesh.triangles.astype(np.int64)
    corners = mesh.vertices[triangles]
    normal, doubled = _normals(corners)
    solid = doubled > 2e-12
    if not solid.any():
        return None
    if not solid.all():
        triangles, doubled, normal = triangles[solid], doubled[solid], normal[solid]
        corners = corners[solid]
    beside, bend = _neighbours(triangles, corners, normal)
    face = _parts(beside, np.abs(bend), _LEVEL)
    whole, vertices = triangles, mesh.vertices
    triangles = filled_anew(vertices, triangles, normal, face)
    vertices, triangles, piece = _shortened(vertices, triangles, small, cut)
    if triangles is not whole:
        corners = vertices[triangles]
        normal, doubled = _normals(corners)
        beside, bend = _neighbours(triangles, corners, normal)
        # The pieces of a facet that was cut count as facets of their own.
        apart = piece[:, None] & piece[beside] & (beside >= 0)
        face = _parts(beside, np.where(apart, np.inf, np.abs(bend)), _LEVEL)
    patch = _parts(beside, np.abs(bend), np.arccos(ALONG))
    # Seen from within, a surface that is convex from without juts in.
    normal, bend = -normal, -bend
    faces = int(face.max()) + 1
    first, second, third = corners[:, 0], corners[:, 1], corners[:, 2]
    lowest, highest = np.minimum(first, second), np.maximum(first, second)
    low = grouped(np.minimum, face, faces, np.minimum(lowest, third))
    high = grouped(np.maximum, face, faces, np.maximum(highest, third))
    broad = (np.bincount(face) > FEW)[face]
    # A curve's facets turn off a little on both sides.
    curved = ((np.abs(bend) > _LEVEL) & (np.abs(bend) <= _CURVE)).any(axis=1)
    curved |= piece
    most = small * np.where(grouped(np.logical_and, face, faces, curved), _CURVED, 1.0)
    fine = (lengths(high - low) <= most)[face]
    return Facets(
        triangles, corners, normal, doubled / 2, beside, bend, face, patch, fine, broad & ~fine
    )


def _normals(corners: _Floats) -> tuple[_Floats, _Floats]:
    """(m, 3) the unit normals about which triangles are wound, and (m,) twice their areas, mm²."""
    normal = cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled = lengths(normal)
    normal /= np.maximum(doubled, 1e-12)[:, None]
    return normal, doubled


def _parts(beside: _Ints, turn: _Floats, most: float) -> _Ints:
    """(m,) the part that each triangle is of, where parts hold together across turns (m, 3) of up
    to so many radians."""
    side = np.flatnonzero((beside.ravel() >= 0) & (turn.ravel() <= most))
    part: _Ints = connected(side // 3, beside.ravel()[side], len(beside))[1]
    return part


def _shortened(
    vertices: _Floats, triangles: _Ints, small: float, cut: bool
) -> tuple[_Floats, _Ints, _Bools]:
    """Long facets in pieces that are fine: all of them (`cut`), or where very many are of curved
    surfaces. Returns vertices, triangles, and whether each is such a piece."""
    corners = vertices[triangles]
    edge = corners[:, [1, 2, 0]] - corners
    long = np.einsum("tij,tij->ti", edge, edge).max(axis=1) > (_CURVED * small) ** 2
    if not cut and long.sum() > _MANY:
        normal, _ = _normals(corners)
        beside, bend = _neighbours(triangles, corners, normal)
        face = _parts(beside, np.abs(bend), _LEVEL)
        long &= (np.bincount(face) <= 2)[face]
    if not cut and long.sum() <= _MANY:
        return vertices, triangles, np.zeros(len(triangles), bool)
    which = np.ones(len(triangles), bool) if cut else long
    # A box has a diagonal that is longer than the edges in it.
    vertices, triangles, owner = halved(vertices, triangles, which, _CURVED * small / 1.3)
    return vertices, triangles, which[owner]


def _neighbours(triangles: _Ints, corners: _Floats, normal: _Floats) -> tuple[_Ints, _Floats]:
    joints = edges_of(triangles.astype(np.int32), np.ones(len(triangles), bool))
    two = np.flatnonzero(joints.count == 2)
    side, opposite = joints.sides[joints.start[two]], joints.sides[joints.start[two] + 1]
    one, other = side // 3, opposite // 3
    # The arcsine is exact for small turns, where the arccosine is not.
    mine, its = normal[one], normal[other]
    turn = np.arctan2(lengths(cross(mine, its)), dot(mine, its))
    # Its corner that the two do not share.
    over = corners[other, (opposite + 2) % 3] - corners[one, side % 3]
    turn = np.where(dot(over, mine) >= 0, turn, -turn)
    beside = np.full(triangles.shape, -1, np.int64)
    bend = np.zeros(triangles.shape)
    beside.ravel()[side], beside.ravel()[opposite] = other, one
    bend.ravel()[side] = bend.ravel()[opposite] = turn
    return beside, bend
