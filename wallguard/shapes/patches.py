"""Smooth patches of a surface, and the creases between them.

Neighbouring facets that turn by little are one patch, so a flat face and the mantle of a cylinder
are one each, however finely they are meshed. Where the surface turns by more there is a crease,
convex (an edge of the material) or concave (an inner corner).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, dot
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Facets that turn by less are one surface, degrees: a cylinder of twelve facets is one.
CREASE = 35.0
# Facets lower than this over their longest side, mm, are slivers: their normals say nothing, so
# they have that of the neighbour there.
_SLIVER = 1e-4


@dataclass(frozen=True, eq=False)
class Patches:
    """The facets (m,) of a mesh in smooth patches. Side 3 t + i runs from corner i of facet t.

    corner    (m, 3, 3) mm; vertex (m, 3) their numbers
    normal    (m, 3) unit, out of the material; area (m,) mm²
    opposite  (3 m,) the side across each edge, -1 where there is none, or more than one
    turn      (3 m,) degrees there, above zero where the edge is convex, below where concave
    patch     (m,) the number of the patch
    """

    corner: _Floats
    vertex: _Ints
    normal: _Floats
    area: _Floats
    opposite: _Ints
    turn: _Floats
    patch: _Ints

    @cached_property
    def count(self) -> int:
        """How many patches there are."""
        return int(self.patch.max(initial=-1)) + 1

    @cached_property
    def areas(self) -> _Floats:
        """(count,) mm² of each."""
        total: _Floats = np.bincount(self.patch, self.area, self.count).astype(np.float64)
        return total

    @cached_property
    def rim(self) -> _Ints:
        """The sides at which a patch ends."""
        across = self.patch[self.opposite // 3]
        inner = (self.opposite >= 0) & (across == np.repeat(self.patch, 3))
        return np.flatnonzero(~inner)

    @cached_property
    def _order(self) -> tuple[_Ints, _Ints]:
        order = np.argsort(self.patch, kind="stable")
        return order, np.searchsorted(self.patch[order], np.arange(self.count + 1))

    def facets(self, patch: int) -> _Ints:
        """The facets of a patch, rising."""
        order, first = self._order
        return order[first[patch] : first[patch + 1]]

    def ends(self, side: _Ints) -> tuple[_Floats, _Floats]:
        """Where sides (k,) begin and end, (k, 3) each."""
        return self.corner[side // 3, side % 3], self.corner[side // 3, (side % 3 + 1) % 3]


def patches_of(mesh: Mesh) -> Patches:
    """The patches of a mesh; facets without an area are left out."""
    triangles = mesh.triangles.astype(np.int64)
    corner = mesh.vertices[triangles]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    double = np.linalg.norm(cross, axis=1)
    solid = double > 1e-12
    triangles, corner, double = triangles[solid], corner[solid], double[solid]
    normal = cross[solid] / double[:, None]
    opposite = _opposite(triangles)
    normal = _straightened(corner, normal, double, opposite)
    side = np.flatnonzero(opposite >= 0)
    own, other = normal[side // 3], normal[opposite[side] // 3]
    way = corner[side // 3, (side % 3 + 1) % 3] - corner[side // 3, side % 3]
    angle = np.degrees(np.arccos(np.clip(dot(own, other), -1.0, 1.0)))
    turn = np.zeros(len(opposite))
    turn[side] = np.where(dot(np.cross(own, other), way) >= 0, angle, -angle)
    smooth = side[angle <= CREASE]
    patch = connected(smooth // 3, opposite[smooth] // 3, len(triangles))[1]
    return Patches(corner, triangles, normal, double / 2, opposite, turn, patch)


def _opposite(triangles: _Ints) -> _Ints:
    opposite = np.full(3 * len(triangles), -1)
    if len(triangles):
        edges = edges_of(triangles.astype(np.int32), np.ones(len(triangles), bool))
        two = edges.start[np.flatnonzero(edges.count == 2)]
        one, other = edges.sides[two], edges.sides[two + 1]
        opposite[one], opposite[other] = other, one
    return opposite


def _straightened(corner: _Floats, normal: _Floats, double: _Floats, opposite: _Ints) -> _Floats:
    """The normals, where a sliver has that of the facet across its longest side."""
    length = np.linalg.norm(corner[:, [1, 2, 0]] - corner, axis=2)
    longest = length.argmax(axis=1)
    sliver = double <= _SLIVER * length.max(axis=1)
    across = opposite[3 * np.arange(len(corner)) + longest]
    some = np.flatnonzero(sliver & (across >= 0))
    normal = normal.copy()
    for _ in range(3 if len(some) else 0):  # through a few slivers side by side
        normal[some] = normal[across[some] // 3]
    return normal
