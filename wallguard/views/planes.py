"""Planes through a part, the outlines in them, and what lies across from a point."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from wallguard.mesh.mesh import Mesh
from wallguard.views.model import Box2, Flat, Line

_Floats = NDArray[np.float64]
# What is as steep as this (across over up) says nothing of where to cut.
_STEEP = 0.05
# Planes nearer than this (mm) to an end of the part cut nothing.
_END = 1e-4


@dataclass(frozen=True, eq=False)
class Frame:
    """A plane in space: a point on it, and two unit vectors in it at right angles. mm."""

    origin: _Floats
    right: _Floats
    up: _Floats

    def flat(self, points: _Floats) -> _Floats:
        """Points (n, 3) as seen in the plane, (n, 2), from the frame's axes alone: the origin is
        not taken away, so a level plane shows the printer's own x and y."""
        return points @ np.column_stack([self.right, self.up])


def level(point: _Floats) -> Frame:
    """The plane of the layers, through a point (3,)."""
    return Frame(point, np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))


def upright(point: _Floats, toward: _Floats) -> Frame:
    """The standing plane through a point that holds the direction `toward` (3,)."""
    flat = np.array([toward[0], toward[1], 0.0])
    length = float(np.linalg.norm(flat))
    right = (
        flat / length
        if length > max(1e-6, _STEEP * abs(float(toward[2])))
        else np.array([1.0, 0.0, 0.0])
    )
    # Seen from one side whatever the sign, so that equal walls look alike.
    if right[0] < -1e-9 or (abs(right[0]) <= 1e-9 and right[1] < 0):
        right = -right
    return Frame(point, right, np.array([0.0, 0.0, 1.0]))


def across_axis(point: _Floats, axis: _Floats) -> Frame:
    """The plane through a point at right angles to a direction that is not upright."""
    right = np.cross([0.0, 0.0, 1.0], axis)
    right /= np.linalg.norm(right)
    up = np.cross(axis, right)
    return Frame(point, right, up if up[2] >= 0 else -up)


def outlines(mesh: Mesh, frame: Frame, untangle: bool) -> list[_Floats]:
    """The rings (n, 2) in which a plane cuts a mesh, material to their left.

    Raises TooLargeError.
    """
    from wallguard.sections.cut import cut

    normal = np.cross(frame.right, frame.up)
    right, sign = frame.right, 1.0
    away = (mesh.vertices - frame.origin) @ normal
    if -away.min() < away.max():  # so that the plane is the first of few layers
        normal, right, sign = -normal, -right, -1.0
        away = -away
    low = -float(away.min())
    if low < _END:
        return []
    turned = np.column_stack([mesh.vertices @ right, mesh.vertices @ frame.up, away])
    sections = cut(Mesh(turned, mesh.triangles), 2 * low, untangle=untangle)
    if not len(sections.distinct) or sections.distinct[0] < 0:
        return []
    rings = sections.rings(int(sections.distinct[0]))
    return rings if sign > 0 else [(ring * [-1.0, 1.0])[::-1] for ring in rings]


def region(rings: Iterable[_Floats], box: Box2) -> BaseGeometry:
    """The material within a box, from rings with the material to their left."""
    frame = shapely.box(*box)
    shapes: list[tuple[float, BaseGeometry]] = []
    for ring in rings:
        low, high = ring.min(axis=0), ring.max(axis=0)
        apart = low[0] > box[2] or low[1] > box[3] or high[0] < box[0] or high[1] < box[1]
        if len(ring) < 3 or apart:
            continue
        ahead = np.roll(ring, -1, axis=0)
        twice = float((ring[:, 0] * ahead[:, 1] - ahead[:, 0] * ring[:, 1]).sum())
        shape = shapely.Polygon(ring)
        if not shape.is_valid:
            shape = shape.buffer(0)
        shapes.append((twice, shape.intersection(frame)))
    # The largest first: a hole lies in what is larger, an island in the hole.
    shapes.sort(key=lambda pair: -abs(pair[0]))
    material: BaseGeometry = shapely.Polygon()
    for twice, shape in shapes:
        material = material.union(shape) if twice > 0 else material.difference(shape)
    return material


# What lies across from a contact of a disc lies farther round it than this (cosine).
_ACROSS = -0.3


def crossing(rings: Sequence[_Floats], point: _Floats) -> tuple[_Floats, _Floats] | None:
    """The ends of the diameter of the disc round a point (2,) that fits between the outlines, from
    the nearest of them toward the nearest across from it.

    Two points (2,), None where there is no outline or none across.
    """
    if not rings:
        return None
    start = np.concatenate(rings)
    end = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    way = end - start
    square = np.einsum("ij,ij->i", way, way)
    share = np.einsum("ij,ij->i", point - start, way) / np.maximum(square, 1e-18)
    away = start + np.clip(share, 0.0, 1.0)[:, None] * way - point
    gap = np.linalg.norm(away, axis=1)
    first = int(np.argmin(gap))
    radius = float(gap[first])
    if radius < 1e-6:
        return None
    across = np.flatnonzero(away @ away[first] < _ACROSS * radius * gap)
    if not len(across):
        return None
    second = across[int(np.argmin(gap[across]))]
    # Of a straight wall cut aslant, as of one that is held by a corner, both ends lie as far away.
    half = (away[first] - away[second]) * radius / float(np.linalg.norm(away[first] - away[second]))
    if gap[second] <= radius * 1.02:
        return point + half, point - half
    # The point is no disc's middle: straight across, beyond it.
    return _beyond(start, way, point + away[first], point, -away[first] / radius)


def straight(
    rings: Sequence[_Floats], point: _Floats, direction: _Floats
) -> tuple[_Floats, _Floats] | None:
    """The outlines that lie in a direction (2,), unit, and against it from a point (2,)."""
    if not rings:
        return None
    start = np.concatenate(rings)
    way = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings]) - start
    back = _first_hit(start, way, point, -direction)
    ahead = _first_hit(start, way, point, direction)
    if back is None or ahead is None:
        return None
    return point - back * direction, point + ahead * direction


def in_air(rings: Sequence[_Floats], way: _Floats, wide: float) -> _Floats | None:
    """The last piece of a way (n, 2) that meets no material, and as much again beyond its end as is
    free, but no more than `wide` (mm): two points, None where that is too short for an arrow."""
    start, end = way[-2], way[-1]
    length = float(np.linalg.norm(end - start))
    if length < 1e-9:
        return None
    toward = (end - start) / length
    ends = straight(rings, end, toward)
    if ends is None:  # nothing closes it in on one side
        ends = end - toward * length, end + toward * wide
    back = min(float(np.linalg.norm(end - ends[0])), length)
    ahead = min(0.9 * float(np.linalg.norm(ends[1] - end)), wide)
    made = np.array([end - back * toward, end + ahead * toward])
    return made if back > wide / 4 else None


def _beyond(
    start: _Floats, way: _Floats, first: _Floats, point: _Floats, toward: _Floats
) -> tuple[_Floats, _Floats] | None:
    distance = _first_hit(start, way, point, toward)
    return None if distance is None else (first, point + distance * toward)


def _first_hit(start: _Floats, way: _Floats, point: _Floats, toward: _Floats) -> float | None:
    """How far a ray goes to the first edge."""
    cross = toward[0] * way[:, 1] - toward[1] * way[:, 0]
    safe = np.where(np.abs(cross) > 1e-15, cross, np.inf)
    gap = start - point
    far = (gap[:, 0] * way[:, 1] - gap[:, 1] * way[:, 0]) / safe
    share = (gap[:, 0] * toward[1] - gap[:, 1] * toward[0]) / safe
    hits = far[(far > 1e-9) & (share >= -1e-9) & (share <= 1 + 1e-9) & np.isfinite(safe)]
    return float(hits.min()) if len(hits) else None


def lines_of(shape: BaseGeometry, tolerance: float) -> tuple[Line, ...]:
    """The rings of a region, each without the closing point, in a fixed order; what is smaller
    than `tolerance` (mm) is left out."""
    rings: list[Line] = []
    for part in shapely.get_parts(shape):
        if part.geom_type != "Polygon" or part.area < tolerance**2:
            continue
        plain = part.simplify(tolerance / 2)
        if not plain.is_empty and plain.geom_type == "Polygon":
            rings += [_line(ring.coords)[:-1] for ring in (plain.exterior, *plain.interiors)]
    return tuple(sorted(ring for ring in rings if len(ring) > 2))


def strokes_of(shape: BaseGeometry, tolerance: float) -> tuple[Line, ...]:
    """The lines of a geometry, in a fixed order."""
    merged = shapely.line_merge(shape) if shape.geom_type == "MultiLineString" else shape
    strokes = [
        _line(part.simplify(tolerance / 2).coords)
        for part in shapely.get_parts(merged)
        if part.geom_type in ("LineString", "LinearRing") and part.length > tolerance
    ]
    return tuple(sorted(strokes))


def _line(points: Iterable[Sequence[float]]) -> Line:
    return tuple((round(p[0], 4) + 0.0, round(p[1], 4) + 0.0) for p in points)


def simplified(rings: Sequence[_Floats], most: int) -> tuple[tuple[Line, ...], Box2]:
    """All rings of a section, coarsely, the largest `most` of them; and the box around them."""
    if not rings:
        return (), (0.0, 0.0, 0.0, 0.0)
    points = np.concatenate(rings)
    low, high = points.min(axis=0), points.max(axis=0)
    size = float((high - low).max())
    largest = sorted(rings, key=lambda ring: -float(np.ptp(ring, axis=0).max()))[:most]
    kept = [shapely.LinearRing(ring).simplify(size / 300) for ring in largest if len(ring) > 2]
    lines = tuple(_line(ring.coords)[:-1] for ring in kept)
    return lines, (float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def flat(point: _Floats) -> Flat:
    """A point of the plane as plain numbers."""
    return round(float(point[0]), 4) + 0.0, round(float(point[1]), 4) + 0.0
