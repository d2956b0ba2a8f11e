"""Sharp edges: where two faces of a part meet in a small angle of material.

The angle between two facets is measured through the material: 180° on a flat face, 90° on the edge
of a box, little on a blade; beyond 180° the edge is re-entrant. It is that of their normals (closed
form), so a curve of facets has angles near 180° and no edge. Sharp edges that share a corner are
one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, dot
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh

Point = tuple[float, float, float]
Box = tuple[Point, Point]
# Facets lower than this over an edge, mm, are slivers: the direction of their normals says nothing.
_SLIVER = 0.005
# Edges shorter than this in all, mm, are none: less than a bead or a spot is wide.
_SHORT = 0.5


@dataclass(frozen=True)
class Knife:
    """A sharp edge. Lengths in mm, in the print frame.

    angle   where it is sharpest, degrees
    length  of all of it
    point   in the middle of where it is sharpest
    sides   points a little into the two faces there
    box     around it
    line    its pieces, from end to end
    """

    angle: float
    length: float
    point: Point
    sides: tuple[Point, Point]
    box: Box
    line: tuple[tuple[Point, Point], ...]


def find_knives(mesh: Mesh, sharper: float) -> list[Knife]:
    """Edges of an angle of less than `sharper` degrees, the sharpest first."""
    corner = mesh.vertices[mesh.triangles]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    size = np.linalg.norm(cross, axis=1)
    normal = cross / np.where(size > 0, size, 1.0)[:, None]
    edges = edges_of(mesh.triangles, np.ones(len(mesh.triangles), bool))
    two = edges.start[np.flatnonzero(edges.count == 2)]
    one, other = edges.sides[two], edges.sides[two + 1]
    first, second = one // 3, other // 3
    start, end = corner[first, one % 3], corner[first, (one % 3 + 1) % 3]
    way = end - start
    length = np.linalg.norm(way, axis=1)
    turn = np.degrees(np.arccos(np.clip(dot(normal[first], normal[second]), -1.0, 1.0)))
    # Outward edges turn to the left along them (the normals part).
    outward = dot(np.cross(normal[first], normal[second]), way) > 0
    sound = (np.minimum(size[first], size[second]) > _SLIVER * length) & (length > 0)
    sharp = np.flatnonzero(outward & sound & (180.0 - turn < sharper))
    if not len(sharp):
        return []
    ends = np.column_stack(
        [mesh.triangles[first, one % 3], mesh.triangles[first, (one % 3 + 1) % 3]]
    )[sharp]
    _, label = connected(ends[:, 0], ends[:, 1], len(mesh.vertices))
    label = label[ends[:, 0]]
    angle = 180.0 - turn[sharp]
    made = []
    for number in np.unique(label).tolist():
        own = np.flatnonzero(label == number)
        total = float(length[sharp[own]].sum())
        if total < _SHORT:
            continue
        # Of equally sharp ones the longest.
        at = own[np.lexsort((-length[sharp[own]], np.round(angle[own], 3)))[0]]
        edge = sharp[at]
        middle = (start[edge] + end[edge]) / 2
        reach = min(2.0, max(0.5, float(length[edge]) / 4))
        sides = [
            _point(middle + reach * side)
            for side in (
                np.cross(normal[first[edge]], way[edge] / length[edge]),
                np.cross(way[edge] / length[edge], normal[second[edge]]),
            )
        ]
        every = np.concatenate([start[sharp[own]], end[sharp[own]]])
        made.append(
            Knife(
                float(angle[at]),
                total,
                _point(middle),
                (sides[0], sides[1]),
                (_point(every.min(axis=0)), _point(every.max(axis=0))),
                tuple(
                    (_point(low), _point(high))
                    for low, high in zip(start[sharp[own]], end[sharp[own]], strict=True)
                ),
            )
        )
    return sorted(made, key=lambda each: (round(each.angle, 3), -each.length, each.point))


def ball(radius: float, angle: float) -> float:
    """How far (mm) from an edge of this angle, degrees, a ball or bead of a radius (mm) ends that
    touches both faces from within: r / sin(angle / 2) - r, closed form."""
    return radius / math.sin(math.radians(angle) / 2) - radius


def _point(values: NDArray[np.float64]) -> Point:
    x, y, z = values.tolist()
    return x, y, z
