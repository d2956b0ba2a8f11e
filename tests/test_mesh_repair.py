import numpy as np
import pytest
from solids import box
from solids import mesh as mesh_of
from test_mesh_health import BALL, CUBE, INNER, joined, turned, without

from wallguard.mesh.health import examine
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.read import read_mesh
from wallguard.mesh.repair import solid


def mended(mesh):
    whole, done = solid(mesh, examine(mesh))
    assert (whole.unit, whole.unit_source) == (mesh.unit, mesh.unit_source)
    assert set(whole.triangles.ravel().tolist()) == set(range(len(whole.vertices)))
    return whole, examine(whole), done


def test_healthy_mesh_comes_back_itself():
    for mesh in (CUBE, joined(BALL, turned(INNER))):
        assert solid(mesh, examine(mesh)) == (mesh, ())


def test_open_mesh_is_left_alone():
    mesh = without(CUBE, [0])
    assert solid(mesh, examine(mesh)) == (mesh, ())


def test_copies_are_left_out():
    twice = Mesh(CUBE.vertices, np.concatenate([CUBE.triangles, CUBE.triangles[:5]]))
    whole, health, done = mended(twice)
    assert health.healthy
    assert whole.triangles.tolist() == CUBE.triangles.tolist()
    assert done == ("left out 5 faces without area or with a double",)


@pytest.mark.parametrize("which", [0, 3, 11])
def test_stray_copy_the_other_way_round_is_left_out(which):
    back = CUBE.triangles[[which], ::-1]
    for faces in ([CUBE.triangles, back], [back, CUBE.triangles]):
        _, health, done = mended(Mesh(CUBE.vertices, np.concatenate(faces)))
        assert health.healthy
        assert health.volume == pytest.approx(1000.0)
        assert done == ("left out 1 face without area or with a double",)


def test_face_between_two_welded_bodies_goes():
    mirrored = Mesh([20, 0, 0] + CUBE.vertices * [-1, 1, 1], CUBE.triangles[:, ::-1])
    _, health, done = mended(joined(CUBE, mirrored))
    assert health.healthy
    assert (health.bodies, health.volume) == (1, pytest.approx(2000.0))
    assert done == ("left out 4 faces without area or with a double",)


def test_collapsed_faces_are_left_out():
    faces = np.concatenate([CUBE.triangles, [[0, 0, 1], [2, 2, 2]]]).astype(np.int32)
    whole, health, _ = mended(Mesh(CUBE.vertices, faces))
    assert health.healthy
    assert len(whole.triangles) == 12


def test_flat_face_that_closes_the_surface_stays():
    """One side of an edge is split by a vertex on it: the flat face between closes the seam."""
    a, b = CUBE.triangles[0, :2]
    middle = (CUBE.vertices[a] + CUBE.vertices[b]) / 2
    c = CUBE.triangles[0, 2]
    faces = [[a, 8, c], [8, b, c], [a, b, 8]]
    mesh = Mesh(
        np.concatenate([CUBE.vertices, [middle]]),
        np.concatenate([CUBE.triangles[1:], faces]).astype(np.int32),
    )
    assert examine(mesh).zero_area_faces.count == 1
    assert solid(mesh, examine(mesh)) == (mesh, ())


@pytest.mark.parametrize("faces", [[0], [0, 1, 2], [5, 40, 99]])
def test_turned_faces_are_turned_back(faces):
    whole, health, done = mended(turned(BALL, faces))
    assert health.healthy
    assert whole.triangles[:, [0, 1, 2]].tolist() == BALL.triangles.tolist()
    assert done[0].startswith(f"turned {len(faces)} face")


def test_moebius_band_is_left_alone():
    """A surface with one side only, closed off as far as it can be, has no right way round."""
    angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    rim = [
        np.column_stack(
            [
                (5 + s * np.cos(angle / 2)) * np.cos(angle),
                (5 + s * np.cos(angle / 2)) * np.sin(angle),
                s * np.sin(angle / 2),
            ]
        )
        for s in (-1, 1)
    ]
    faces = []
    for i in range(12):
        a, b = i, 12 + i
        c, d = (i + 1, 13 + i) if i < 11 else (12, 0)
        faces += [[a, c, b], [b, c, d]]
    mesh = Mesh(np.concatenate(rim), np.array(faces, np.int32))
    assert examine(mesh).turned_edges
    assert solid(mesh, examine(mesh)) == (mesh, ())


def test_inverted_body_is_turned():
    _, health, done = mended(turned(CUBE))
    assert health.healthy
    assert health.volume == pytest.approx(1000.0)
    assert done == ("turned 1 body that faced inward",)


def test_hollow_body_is_turned_with_its_cavity():
    _, health, done = mended(joined(turned(BALL), INNER))
    assert health.healthy
    assert (health.bodies, health.cavities) == (1, 1)
    assert health.volume == pytest.approx(examine(BALL).volume - examine(INNER).volume)
    assert done == ("turned 2 bodies that faced inward",)


def test_overlapping_bodies_are_united():
    _, health, done = mended(joined(CUBE, mesh_of(box([10, 10, 10], [8, 1, 1]))))
    assert health.healthy
    assert (health.bodies, health.volume) == (1, pytest.approx(2000.0 - 2 * 9 * 9))
    assert done == ("united 2 bodies that overlap or touch",)


def test_bodies_that_touch_are_united():
    both = Mesh(
        np.concatenate([CUBE.vertices, CUBE.vertices + np.array([0, 0, 10])]),
        np.concatenate([CUBE.triangles, CUBE.triangles + 8]),
    )
    _, health, _ = mended(both)
    assert (health.bodies, health.volume) == (1, pytest.approx(2000.0))


def test_union_far_from_the_origin_keeps_its_precision():
    far = np.array([1e6, 1e6, 0])
    overlap = joined(CUBE, mesh_of(box([10, 10, 10], [9.9, 0, 0])))
    whole, health, _ = mended(Mesh(overlap.vertices + far, overlap.triangles))
    assert health.volume == pytest.approx(1990.0, abs=1e-4)
    assert np.ptp(whole.vertices, axis=0) == pytest.approx([19.9, 10, 10], abs=1e-8)


def test_solid_within_a_solid_is_absorbed_and_its_cavity_with_it():
    _, health, _ = mended(joined(BALL, INNER, turned(mesh_of(box([2, 2, 2], [-1, -1, -1])))))
    assert health.volume == pytest.approx(examine(BALL).volume)
    assert (health.bodies, health.cavities) == (1, 0)


def test_others_are_left_as_they_are():
    apart = Mesh(CUBE.vertices + np.array([100, 0, 0]), CUBE.triangles)
    whole, health, done = mended(joined(CUBE, mesh_of(box([10, 10, 10], [8, 1, 1])), apart))
    assert health.bodies == 2
    assert done == ("united 2 bodies that overlap or touch",)
    assert {tuple(v) for v in apart.vertices.tolist()} <= {
        tuple(v) for v in whole.vertices.tolist()
    }


def test_real_bodies(real):
    """Volumes of the two bodies once their faces agree, by trimesh 4's repair.fix_normals."""
    _, health, _ = mended(read_mesh(real("multibody.stl")))
    assert health.healthy
    assert health.volume == pytest.approx(0.00147142860 + 0.00595179195, rel=1e-6)


def test_real_overlapping_bodies(real):
    mesh = read_mesh(real("cycloidal.ply"))
    before = examine(mesh)
    assert before.overlapping_bodies.count > 100
    _, health, done = mended(mesh)
    assert not health.overlapping_bodies
    assert health.watertight
    assert health.volume < before.volume
    assert done[-1].startswith("united")
