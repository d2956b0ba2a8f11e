"""The bodies of a part in numbers that stay when it is exported, moved, renamed or divided."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import columns, connected
from wallguard.findings.model import Body
from wallguard.mesh.mesh import Mesh

# Of a part with more bodies only the whole is known: a lattice of loose pieces has thousands.
_MOST = 200
# Triangles that are reckoned with together.
_AT_ONCE = 10_000
# For a quadratic function over a triangle the mean of its values at the middles of the sides is
# exact, for a cubic one 9/20 of the value in the middle, 2/15 of the sum at the middles of the
# sides and 1/20 of the sum at the corners is (Hammer and Stroud, "Numerical evaluation of multiple
# integrals II", 1958; from memory).
_MIDDLE, _SIDE, _CORNER = 9 / 20, 2 / 15, 1 / 20


def bodies(mesh: Mesh) -> tuple[Body, ...]:
    """Each connected body of the mesh as it is drawn, largest surface first, and after several of
    them the part as a whole."""
    one, two, three = mesh.triangles.T
    links = np.concatenate([one, two]), np.concatenate([two, three])
    count, label = connected(*links, len(mesh.vertices))
    _, of = np.unique(label[one], return_inverse=True)
    count = int(of.max(initial=-1)) + 1
    if count > _MOST:
        count = 1
    several = range(count) if count > 1 else ()
    bodies = [_body(mesh.vertices, mesh.triangles[of == at]) for at in several]
    bodies.sort(key=lambda body: (-round(body.area, 3), body.centre))
    return (*bodies, _body(mesh.vertices, mesh.triangles))


def _body(vertices: NDArray[np.float64], triangles: NDArray[np.int32]) -> Body:
    """Of triangles (n, 3) of vertices (m, 3); some at a time, few enough to stay in the cache."""
    axes = columns(vertices)
    parts = np.split(triangles, range(_AT_ONCE, len(triangles), _AT_ONCE))
    surface, centre = 0.0, np.zeros(3)
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for part in parts:
        corners = axes.take(part.T, axis=1)
        area = _area(_normal(corners))
        surface += float(area.sum())
        centre += _middle(corners) @ area
        low = np.minimum(low, corners.min(axis=(1, 2), initial=np.inf))
        high = np.maximum(high, corners.max(axis=(1, 2), initial=-np.inf))
    whole = surface or 1.0
    centre /= whole
    axes -= centre[:, None]
    volume, spread, lean = 0.0, np.zeros((3, 3)), np.zeros(3)
    for part in parts:
        corners = axes.take(part.T, axis=1)
        normal = _normal(corners)
        area = _area(normal)
        volume += float((corners[:, 0] * normal).sum()) / 3
        sides = corners + corners[:, [1, 2, 0]]
        sides /= 2
        spread += np.einsum("isn,jsn->ij", sides * area, sides, optimize=True) / 3 / whole
        points = ((_middle(corners)[:, None], _MIDDLE), (sides, _SIDE), (corners, _CORNER))
        for at, weight in points:
            far = (at * at).sum(axis=0)
            far *= weight * area
            lean += at.reshape(3, -1) @ far.ravel()
    lean /= whole * (float(np.trace(spread)) or 1.0)
    (xx, xy, xz), (_, yy, yz), (_, _, zz) = spread.tolist()
    return Body(
        area=surface,
        volume=volume,
        centre=_point(centre),
        spread=(xx, yy, zz, yz, xz, xy),
        lean=_point(lean),
        box=(_point(low), _point(high)),
    )


def _middle(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """(3, n) the mean of the corners (3, 3, n) of each triangle: axes, corners, triangles."""
    middle: NDArray[np.float64] = corners[:, 0] + corners[:, 1]
    middle += corners[:, 2]
    middle /= 3
    return middle


def _normal(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """(3, n) the normal of each triangle, as long as its area; corners as of `_middle`."""
    (a, b, c), (x, y, z) = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    normal: NDArray[np.float64] = np.stack([b * z - c * y, c * x - a * z, a * y - b * x])
    normal /= 2
    return normal


def _area(normal: NDArray[np.float64]) -> NDArray[np.float64]:
    area: NDArray[np.float64] = np.sqrt((normal * normal).sum(axis=0))
    return area


def _point(values: NDArray[np.float64]) -> tuple[float, float, float]:
    x, y, z = values.tolist()
    return x, y, z


def owners(
    mesh: Mesh, places: Sequence[tuple[tuple[float, float, float], bool]]
) -> list[tuple[str, ...]]:
    """The names of the bodies that places in the mesh's frame belong to: of the surface that is
    nearest, and for a place in a gap of that on its other side, too. None where they have none."""
    if mesh.objects is None or not places:
        return [() for _ in places]
    import igl

    points = np.array([point for point, _ in places], np.float64)
    triangles = np.asarray(mesh.triangles, np.int64)
    _, facet, nearest = igl.point_mesh_squared_distance(points, mesh.vertices, triangles)
    _, beyond, _ = igl.point_mesh_squared_distance(
        2 * points - np.asarray(nearest).reshape(-1, 3), mesh.vertices, triangles
    )
    object_of = mesh.objects[triangles[:, 0]]
    named = []
    for at, (_, gap) in enumerate(places):
        facets = [np.ravel(facet)[at], np.ravel(beyond)[at]] if gap else [np.ravel(facet)[at]]
        objects = dict.fromkeys(int(object_of[int(each)]) for each in facets)
        names = dict.fromkeys(mesh.names[each] for each in objects)
        named.append(tuple(sorted(name for name in names if name)))
    return named
