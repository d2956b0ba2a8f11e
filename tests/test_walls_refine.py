"""Small triangles on the same surface."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest

from tests.solids import box, mesh
from wallguard.mesh.edges import edges_of
from wallguard.walls.refine import Fine, refine


def measured(fine):
    corners = fine.vertices[fine.triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled = np.linalg.norm(normal, axis=1)
    edges = np.linalg.norm(corners[:, [1, 2, 0]] - corners, axis=2)
    return normal / doubled[:, None], doubled / 2, edges


def fine(solid):
    raw = mesh(solid)
    plain = Fine(raw.vertices, raw.triangles.astype(np.int64), np.zeros((len(raw.triangles), 3)))
    return Fine(plain.vertices, plain.triangles, measured(plain)[0])


def test_same_surface_in_small_triangles_that_fit_together():
    plate = box([20, 20, 2])
    for x in (4, 10, 16):
        plate -= m3.Manifold.cylinder(9, 1.5, 1.5, 64, True).translate([x, 10, 0])
    before = fine(plate.rotate([20, 30, 40]))
    after = refine(before, 2.0)
    normal, area, edges = measured(after)
    assert area.sum() == pytest.approx(measured(before)[1].sum())
    assert np.einsum("ij,ij->i", normal, after.normal).min() > 1 - 1e-6
    assert np.quantile(edges, 0.99) <= 2.0
    assert len(area) < 6000  # a thousand or so would do; halving slivers alone gives far more
    joints = edges_of(after.triangles.astype(np.int32), np.ones(len(area), bool))
    assert (joints.count == 2).all()
    assert (joints.backward == 1).all()


def test_small_triangles_stay_as_they_are():
    ball = fine(m3.Manifold.sphere(3, 48))
    assert refine(ball, 2.0) is ball
