"""Polygon faces into triangles."""

from __future__ import annotations

from pathlib import Path

import manifold3d
import numpy as np
from numpy.typing import NDArray

from wallguard.base.errors import InputError

MAX_CORNERS = 1_000
_MAX_WORK = 500_000_000  # a few seconds' work: the square of the corners of each


def triangulate(
    path: Path, vertices: NDArray[np.floating], corners: NDArray[np.int64], sizes: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Cut flat polygons into triangles, in the order of the polygons.

    vertices (n, 3); corners: vertex numbers of all polygons, one after the other; sizes (p,):
    corners of each, 3 to MAX_CORNERS. Returns (m, 3). Convex polygons become fans; where a fan
    would fold over (a concave outline), the polygon is cut in its own plane.
    Raises InputError where that would take too long.
    """
    if (sizes == 3).all():
        return corners.reshape(-1, 3)
    starts = np.cumsum(sizes) - sizes
    offsets = np.cumsum(sizes - 2) - (sizes - 2)
    work = 0
    result = np.empty((int((sizes - 2).sum()), 3), np.int64)
    for size in np.unique(sizes):
        chosen = np.flatnonzero(sizes == size)
        rings = corners[starts[chosen, None] + np.arange(size)]
        fans = np.stack(
            [np.broadcast_to(rings[:, :1], (len(rings), size - 2)), rings[:, 1:-1], rings[:, 2:]],
            axis=2,
        )
        folded = np.flatnonzero(_folded(vertices, fans))
        work += len(folded) * int(size) ** 2
        if work > _MAX_WORK:
            raise InputError(
                path,
                "its faces are too many concave polygons with too many corners",
                remedy="Export the part as triangles",
            )
        for at in folded:
            fans[at] = _cut(vertices, rings[at], fans[at])
        result[(offsets[chosen, None] + np.arange(size - 2)).ravel()] = fans.reshape(-1, 3)
    return result


def _normals(vertices: NDArray[np.floating], fans: NDArray[np.int64]) -> NDArray[np.float64]:
    a, b, c = (np.asarray(vertices[fans[..., i]], np.float64) for i in range(3))
    normals: NDArray[np.float64] = np.cross(b - a, c - a)
    return normals


def _folded(vertices: NDArray[np.floating], fans: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which fans (p, k, 3) have a triangle that faces against its polygon."""
    if fans.shape[1] == 1:
        return np.zeros(len(fans), bool)
    with np.errstate(all="ignore"):  # coordinates may be anything here; they are checked later
        normals = _normals(vertices, fans)
        whole = normals.sum(axis=1)
        facing = np.einsum("pki,pi->pk", normals, whole)
        folded: NDArray[np.bool_] = (facing < 0).any(axis=1)
    return folded


def _cut(
    vertices: NDArray[np.floating], ring: NDArray[np.int64], fan: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Triangles of one concave polygon; the fan where its outline cannot be made out."""
    with np.errstate(all="ignore"):
        normal = _normals(vertices, fan).sum(axis=0)
        drop = int(np.argmax(np.abs(normal)))  # look along the axis the polygon faces most
        axes = [(drop + 1) % 3, (drop + 2) % 3]
        if normal[drop] < 0:
            axes.reverse()
        flat = np.asarray(vertices[ring][:, axes], np.float64)
        flat = flat - flat.mean(axis=0)
    if not np.isfinite(flat).all():
        return fan
    triangles = np.asarray(manifold3d.triangulate([flat]), np.int64)
    return ring[triangles] if triangles.shape == fan.shape else fan
