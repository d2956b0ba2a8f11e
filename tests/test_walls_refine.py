"""Long triangles in pieces, on the same surface."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest

from tests.solids import mesh
from wallguard.mesh.edges import edges_of
from wallguard.walls.refine import halved


def measured(vertices, triangles):
    corners = vertices[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled = np.linalg.norm(normal, axis=1)
    edges = np.linalg.norm(corners[:, [1, 2, 0]] - corners, axis=2)
    return normal / doubled[:, None], doubled / 2, edges


def test_pieces_fit_together_and_lie_on_what_they_are_of():
    raw = mesh(m3.Manifold.cylinder(15, 5, 3, 24).rotate([20, 30, 40]))
    triangles = raw.triangles.astype(np.int64)
    normal, area, _ = measured(raw.vertices, triangles)
    leaning = np.abs(area - np.median(area)) < 2
    vertices, pieces, owner = halved(raw.vertices, triangles, leaning, 2.0)
    its, areas, edges = measured(vertices, pieces)
    assert np.bincount(owner, areas) == pytest.approx(area)
    assert np.einsum("ij,ij->i", its, normal[owner]).min() > 1 - 1e-9
    assert edges[leaning[owner]].max() <= 2.0
    joints = edges_of(pieces.astype(np.int32), np.ones(len(pieces), bool))
    assert (joints.count == 2).all()
    assert (joints.backward == 1).all()


def test_small_triangles_stay_as_they_are():
    ball = mesh(m3.Manifold.sphere(3, 48))
    triangles = ball.triangles.astype(np.int64)
    _, pieces, owner = halved(ball.vertices, triangles, np.ones(len(triangles), bool), 2.0)
    assert (pieces == triangles).all()
    assert (owner == np.arange(len(triangles))).all()
