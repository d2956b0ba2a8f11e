import numpy as np
import pytest

from wallguard.base.rotation import rotation_about_axes, rotation_from_up
from wallguard.mesh.mesh import Mesh
from wallguard.part.placed import place

MESH = Mesh(np.array([[0.0, 0, 0], [1, 2, 3], [4, 0, 0]]), np.array([[0, 1, 2]], np.int32), "inch")


def test_upright_at_full_size_is_the_same_mesh():
    assert place(MESH).mesh is MESH
    assert place(MESH).to_file(MESH.vertices).tolist() == MESH.vertices.tolist()


def test_up_becomes_z():
    placed = place(MESH, rotation_from_up((1, 0, 0)))
    assert placed.mesh.vertices[2].tolist() == [0, 0, 4]
    assert placed.mesh.unit == "inch"


def test_a_quarter_turn_about_z_at_half_size():
    placed = place(MESH, rotation_about_axes((0, 0, 90)), 0.5)
    assert placed.mesh.vertices[1].tolist() == [-1, 0.5, 1.5]
    assert placed.mesh.vertices.dtype == np.float64


@pytest.mark.parametrize("angles", [(90, 0, 0), (10, 20, 30), (-170, 45, 3)])
@pytest.mark.parametrize("scale", [1.0, 0.002, 25.4])
def test_to_file_is_the_way_back(angles, scale):
    placed = place(MESH, rotation_about_axes(angles), scale)
    assert placed.to_file(placed.mesh.vertices) == pytest.approx(MESH.vertices, abs=1e-12)
