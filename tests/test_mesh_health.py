import manifold3d as m3
import numpy as np
import pytest
from solids import box
from solids import mesh as mesh_of

from wallguard.mesh.health import SHOWN, examine
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.read import read_mesh


def joined(*meshes):
    """Several meshes as one; equal vertices welded, as in an STL file."""
    vertices = np.concatenate([each.vertices for each in meshes])
    counts = np.cumsum([0, *(len(each.vertices) for each in meshes)])
    faces = np.concatenate([m.triangles + n for m, n in zip(meshes, counts, strict=False)])
    vertices, index = np.unique(vertices, axis=0, return_inverse=True)
    return Mesh(vertices, index.reshape(-1)[faces].astype(np.int32))


def turned(mesh, faces=slice(None)):
    triangles = mesh.triangles.copy()
    triangles[faces] = triangles[faces][:, ::-1]
    return Mesh(mesh.vertices, triangles)


def without(mesh, faces):
    return Mesh(mesh.vertices, np.delete(mesh.triangles, faces, axis=0))


CUBE = mesh_of(box([10, 10, 10]))
BALL = mesh_of(m3.Manifold.sphere(10, 32))
INNER = mesh_of(m3.Manifold.sphere(8, 32))


def ills(health):
    names = ("open_edges", "crowded_edges", "turned_edges", "inverted_bodies")
    names += ("zero_area_faces", "duplicate_faces", "overlapping_bodies")
    return {name: getattr(health, name).count for name in names if getattr(health, name)}


def test_healthy_cube():
    health = examine(CUBE)
    assert health.healthy
    assert ills(health) == {}
    assert (health.bodies, health.cavities, health.watertight) == (1, 0, True)
    assert health.volume == pytest.approx(1000.0)


def test_missing_face_leaves_its_edges_open():
    health = examine(without(CUBE, [0]))
    assert ills(health) == {"open_edges": 3}
    assert not health.watertight
    gap = CUBE.vertices[CUBE.triangles[0]]
    middles = sorted(((gap + np.roll(gap, -1, axis=0)) / 2).tolist())
    assert np.array(sorted(health.open_edges.at)) == pytest.approx(np.array(middles))


def test_only_a_few_places_are_given():
    health = examine(without(BALL, slice(0, 300, 10)))
    assert health.open_edges.count > 2 * SHOWN
    assert len(health.open_edges.at) == SHOWN


def test_edge_shared_by_four_faces():
    health = examine(joined(CUBE, mesh_of(box([10, 10, 10], [10, 10, 0]))))
    assert ills(health) == {"crowded_edges": 1}
    assert health.crowded_edges.at == ((10.0, 10.0, 5.0),)
    assert (health.bodies, health.watertight) == (2, True)


def test_wall_across_the_inside_belongs_to_its_body():
    """Three faces meet at each edge of the wall: two of the skin and one of the wall."""
    ring = np.array([[0.0, 0], [1, 0], [0, 1]])
    low, middle, high = (np.column_stack([ring, np.full(3, z)]) for z in (0.0, 1.0, 2.0))
    faces = [[0, 2, 1], [6, 7, 8], [3, 4, 5]]
    for below in (0, 3):
        for i in range(3):
            a, b = below + i, below + (i + 1) % 3
            faces += [[a, b, b + 3], [a, b + 3, a + 3]]
    health = examine(Mesh(np.concatenate([low, middle, high]), np.array(faces, np.int32)))
    assert ills(health) == {"crowded_edges": 3}
    assert (health.bodies, health.watertight) == (1, False)


def test_bodies_that_share_a_side_cut_two_ways():
    """Welded, their sides have other diagonals: no face is a duplicate, the rim is shared."""
    health = examine(joined(CUBE, mesh_of(box([10, 10, 10], [10, 0, 0]))))
    assert ills(health) == {"crowded_edges": 4}
    assert (health.bodies, health.watertight) == (1, True)
    assert health.volume == pytest.approx(2000.0)


def test_turned_face():
    health = examine(turned(CUBE, [0]))
    assert ills(health) == {"turned_edges": 3}
    assert health.watertight


def test_inverted_cube():
    health = examine(turned(CUBE))
    assert ills(health) == {"inverted_bodies": 1}
    assert health.volume == pytest.approx(-1000.0)


def test_cavity_is_no_inverted_body():
    health = examine(joined(BALL, turned(INNER)))
    assert health.healthy
    assert (health.bodies, health.cavities) == (1, 1)


def test_inverted_body_beside_another():
    far = Mesh(INNER.vertices + np.array([30, 0, 0]), INNER.triangles[:, ::-1])
    assert ills(examine(joined(BALL, far))) == {"inverted_bodies": 1}


def test_hollow_body_that_is_inside_out_as_a_whole():
    health = examine(joined(turned(BALL), INNER))
    assert ills(health) == {"inverted_bodies": 2}


def test_body_within_a_cavity():
    core = mesh_of(m3.Manifold.sphere(5, 32))
    health = examine(joined(BALL, turned(INNER), core))
    assert health.healthy
    assert (health.bodies, health.cavities) == (2, 1)


def test_inverted_body_within_a_cavity():
    core = turned(mesh_of(m3.Manifold.sphere(5, 32)))
    assert ills(examine(joined(BALL, turned(INNER), core))) == {"inverted_bodies": 1}


def test_body_within_a_solid_overlaps_it():
    health = examine(joined(BALL, INNER))
    assert ills(health) == {"overlapping_bodies": 1}


def test_body_within_a_large_solid_overlaps_it():
    """Above a certain size, solids are compared triangle by triangle first."""
    large = mesh_of(m3.Manifold.sphere(10, 400))
    assert len(large.triangles) > 20_000
    assert ills(examine(joined(large, INNER))) == {"overlapping_bodies": 1}
    assert examine(joined(large, turned(INNER))).healthy
    beside = Mesh(INNER.vertices + np.array([17, 0, 0]), INNER.triangles)
    assert ills(examine(joined(large, beside))) == {"overlapping_bodies": 1}
    corner = Mesh(
        INNER.vertices + np.array([13, 13, 0]), INNER.triangles
    )  # boxes meet, balls do not
    assert examine(joined(large, corner)).healthy


def test_overlapping_cubes_and_where():
    health = examine(joined(CUBE, mesh_of(box([10, 10, 10], [8, 0.5, 0.5]))))
    assert ills(health) == {"overlapping_bodies": 1}
    x, y, z = health.overlapping_bodies.at[0]
    assert 8 <= x <= 10
    assert 0.5 <= y <= 10
    assert 0.5 <= z <= 10


def test_bodies_that_touch_do_not_overlap():
    for corner in ([10, 1, 1], [0, 0, 10], [10, 10, 10]):
        touching = Mesh(CUBE.vertices + corner, CUBE.triangles)
        both = Mesh(
            np.concatenate([CUBE.vertices, touching.vertices]),
            np.concatenate([CUBE.triangles, touching.triangles + len(CUBE.vertices)]),
        )
        assert examine(both).healthy


def test_zero_area_faces():
    line = Mesh(
        np.concatenate([CUBE.vertices, [[0.0, 0, 20], [1, 0, 20], [3, 0, 20]]]),
        np.concatenate([CUBE.triangles, [[8, 9, 10], [8, 8, 9]]]).astype(np.int32),
    )
    health = examine(line)
    assert health.zero_area_faces.count == 2
    assert health.zero_area_faces.at[0] == pytest.approx((4 / 3, 0, 20))


def test_nothing_but_zero_area_faces():
    health = examine(Mesh(np.zeros((1, 3)), np.zeros((2, 3), np.int32)))
    assert ills(health) == {"zero_area_faces": 2}
    assert (health.bodies, health.watertight) == (0, False)


def test_thin_triangle_has_an_area():
    thin = Mesh(
        np.array([[0.0, 0, 0], [100, 0, 0], [50, 1e-6, 0]]), np.array([[0, 1, 2]], np.int32)
    )
    assert not examine(thin).zero_area_faces


def test_duplicate_faces():
    doubled = Mesh(CUBE.vertices, np.concatenate([CUBE.triangles, CUBE.triangles[[3]]]))
    assert ills(examine(doubled)) == {"crowded_edges": 3, "duplicate_faces": 1}
    twice = Mesh(CUBE.vertices, np.concatenate([CUBE.triangles] * 2))
    assert examine(twice).duplicate_faces.count == len(CUBE.triangles)
    assert examine(twice).bodies == 1


def test_same_corners_the_other_way_round_are_duplicates():
    sheet = Mesh(np.eye(3), np.array([[0, 1, 2], [0, 2, 1]], np.int32))
    assert ills(examine(sheet)) == {"duplicate_faces": 1}


def test_many_inverted_bodies_are_counted_in_one_go():
    shift = np.array(np.meshgrid(*[np.arange(10) * 20.0] * 3)).reshape(3, -1).T
    vertices = (CUBE.vertices[None] + shift[:, None]).reshape(-1, 3)
    faces = CUBE.triangles[None, :, ::-1] + 8 * np.arange(1000)[:, None, None]
    health = examine(Mesh(vertices, faces.reshape(-1, 3).astype(np.int32)))
    assert health.inverted_bodies.count == 1000


def test_places_are_the_same_in_another_frame():
    cut = without(CUBE, [0])
    moved = Mesh(cut.vertices + np.array([1e5, -1e5, 0]), cut.triangles)
    here, there = examine(cut), examine(moved)
    assert np.array(there.open_edges.at) - [1e5, -1e5, 0] == pytest.approx(
        np.array(here.open_edges.at)
    )
    assert there.volume == pytest.approx(here.volume, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "expected", "bodies"),
    [
        ("1002_tray_bottom.STL", {}, 1),
        ("angle_block.STL", {}, 1),
        ("box.3mf", {}, 1),
        ("busted.STL", {}, 1),
        ("cube_gears.3mf", {"zero_area_faces": 92}, 17),
        ("featuretype.STL", {}, 1),
        ("featuretype.3MF", {"open_edges": 18}, 2),
        ("multibody.stl", {"turned_edges": 12}, 2),
        ("octagonal_pocket.stl", {}, 1),
        ("plate_holes.STL", {}, 1),
    ],
)
def test_real_meshes(real, name, expected, bodies):
    health = examine(read_mesh(real(name)))
    assert ills(health) == expected
    assert health.bodies == bodies


def test_agrees_with_trimesh_on_random_damage():
    """trimesh is the independent reference for open edges, winding and volume."""
    trimesh = pytest.importorskip("trimesh")
    rng = np.random.default_rng(3)
    for _ in range(30):
        damaged = turned(BALL, rng.choice(len(BALL.triangles), rng.integers(0, 3), replace=False))
        damaged = without(damaged, rng.choice(len(BALL.triangles), rng.integers(0, 3)))
        theirs = trimesh.Trimesh(damaged.vertices, damaged.triangles, process=False)
        health = examine(damaged)
        _, count = np.unique(theirs.edges_sorted, axis=0, return_counts=True)
        assert health.open_edges.count == int((count == 1).sum())
        assert health.watertight == theirs.is_watertight
        assert bool(health.turned_edges) != theirs.is_winding_consistent
        if theirs.is_volume:
            assert health.volume == pytest.approx(theirs.volume)
