"""The connected surfaces of a part: bodies, and the cavities in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh, volume
from wallguard.mesh.nesting import nesting

_Ints = NDArray[np.int64]


def shells_of(mesh: Mesh) -> _Ints:
    """(m,) the number of the connected surface each triangle is of."""
    edges = edges_of(mesh.triangles, np.ones(len(mesh.triangles), bool))
    two = edges.start[np.flatnonzero(edges.count == 2)]
    one, other = edges.sides[two] // 3, edges.sides[two + 1] // 3
    return connected(one, other, len(mesh.triangles))[1]


@dataclass(frozen=True)
class Shells:
    """What each connected surface encloses, and the nearest around it.

    volumes  mm³, below zero where a surface faces inward: a cavity
    around   the number of the smallest surface that each lies in, of those that lie in one
    """

    volumes: list[float]
    around: dict[int, int]

    @classmethod
    def of(cls, mesh: Mesh, label: _Ints) -> Shells:
        """Of a mesh whose triangles (m,) are of these surfaces."""
        count = int(label.max(initial=-1)) + 1
        order = np.argsort(label, kind="stable")
        parts = np.split(order, np.searchsorted(label[order], np.arange(1, count)))
        volumes = [volume(mesh.vertices, mesh.triangles[part]) for part in parts]
        if count < 2:
            return cls(volumes, {})
        points = np.array([mesh.vertices[mesh.triangles[part[0]]].mean(axis=0) for part in parts])
        own, body = np.arange(count), label.astype(np.int32)
        nested = nesting(points, own, mesh.vertices, mesh.triangles, body)
        around: dict[int, int] = {}
        for inner, outer in zip(nested.point.tolist(), nested.body.tolist(), strict=True):
            if inner not in around or abs(volumes[outer]) < abs(volumes[around[inner]]):
                around[inner] = outer
        return cls(volumes, around)

    def bodies(self, label: _Ints) -> _Ints:
        """(m,) the number of the body that each triangle is of: a cavity is of that around it."""
        owner = np.arange(len(self.volumes))
        for inner, outer in self.around.items():
            if self.volumes[inner] < 0:
                owner[inner] = outer
        return owner[label]
