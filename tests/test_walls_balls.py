"""Walls and gaps in space: known solids, any orientation, and an independent reference."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest
import trimesh

from tests.solids import box, i_section, mesh, prism, tube, wedge
from wallguard.base.errors import TooLargeError
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.read import read_mesh
from wallguard.walls import facing, rings, tangent
from wallguard.walls.balls import find_gaps, find_walls
from wallguard.walls.facets import facets_of

ROTATIONS = ([0, 0, 0], [90, 0, 0], [31, 17, 55])


def thin(solid, largest=3.0, edges=()):
    return find_walls(mesh(solid), largest, edges)


@pytest.mark.parametrize("rotation", ROTATIONS)
@pytest.mark.parametrize("thickness", [0.2, 0.8, 2.0])
def test_sheet(thickness, rotation):
    (wall,) = thin(box([15, 10, thickness]).rotate(rotation))
    for value in (wall.minimum, wall.typical, wall.maximum):
        assert value == pytest.approx(thickness, abs=0.001)
    assert wall.length == pytest.approx(18, abs=3)
    assert wall.sides == 0


def test_extent_and_place_of_a_fin():
    fin = box([20, 20, 4], [0, 0, -4]) + box([0.8, 20, 15], [10, 0, 0])
    (wall,) = thin(fin)
    assert wall.minimum == pytest.approx(0.8, abs=0.001)
    assert (wall.low, wall.high) == pytest.approx((0, 15), abs=0.01)
    assert wall.length == pytest.approx(20, abs=0.2)
    assert np.ravel(wall.box) == pytest.approx([10, 0, 0, 10.8, 20, 15], abs=0.01)
    assert wall.point[0] == pytest.approx(10.4, abs=0.001)
    assert wall.sides == 1


@pytest.mark.parametrize("rotation", ROTATIONS)
def test_cube_has_no_thin_wall_at_its_corners(rotation):
    assert thin(box([8, 8, 8]).rotate(rotation)) == []
    assert thin(m3.Manifold.cylinder(8, 6, 6, 64).rotate(rotation)) == []


def test_cube_is_a_wall_of_its_own_size():
    (wall,) = thin(box([2, 2, 2]))
    assert wall.typical == pytest.approx(2.0, abs=0.001)


@pytest.mark.parametrize("rotation", ROTATIONS)
def test_tube(rotation):
    (wall,) = thin(tube(12, 0.9, 10, 96).rotate(rotation))
    assert wall.minimum == pytest.approx(0.9, abs=0.005)
    assert wall.maximum == pytest.approx(0.9, abs=0.01)
    assert wall.sides == 2


def test_hollow_ball():
    (wall,) = thin(m3.Manifold.sphere(8, 96) - m3.Manifold.sphere(7.2, 96))
    # 96 segments: sagitta of the facets 8 (1 - cos(pi / 96)) = 0.004 mm
    assert wall.minimum == pytest.approx(0.8, abs=0.01)
    assert wall.maximum == pytest.approx(0.8, abs=0.01)
    assert np.ravel(wall.box) == pytest.approx([-8, -8, -8, 8, 8, 8], abs=0.02)


@pytest.mark.parametrize("rotation", ROTATIONS)
def test_i_section_has_a_web_and_two_flanges(rotation):
    walls = thin(i_section(20, 16, 1.0, 1.5, 12).rotate(rotation))
    assert [round(wall.typical, 3) for wall in walls] == [1.0, 1.5, 1.5]
    assert walls[0].sides == 2


@pytest.mark.parametrize("rotation", ROTATIONS)
def test_wedge_is_followed_to_its_edge(rotation):
    """A taper of 8 degrees from 2 mm to nothing."""
    (wall,) = thin(wedge(0.0, 2.0, 14.3, 6).rotate(rotation))
    assert wall.minimum < 0.01
    assert wall.maximum == pytest.approx(2.0, abs=0.01)  # up to its end
    blunt = thin(wedge(0.6, 2.0, 14.3, 6).rotate(rotation))
    assert blunt[0].minimum == pytest.approx(0.63, abs=0.03)


def test_steep_wedge_is_no_wall():
    assert thin(wedge(0.0, 12.0, 12.0, 10)) == []  # 53 degrees
    assert len(thin(wedge(0.0, 8.0, 12.0, 10))) == 1  # 37 degrees


def test_taper_is_divided_at_the_edges_asked_for():
    walls = thin(wedge(0.5, 1.7, 30, 6), edges=(0.8, 1.2))
    assert [wall.group for wall in walls] == [0, 1, 2]
    assert len({wall.wall for wall in walls}) == 1
    assert walls[0].maximum == pytest.approx(0.8, abs=0.1)
    assert walls[1].minimum == pytest.approx(0.8, abs=0.05)
    even = thin(box([15, 10, 0.8]), edges=(0.8,))  # even, whatever the arithmetic says
    assert len(even) == 1


def test_each_fin_is_a_wall_of_its_own():
    """As the benchmark's fins: 0.20 to 2.15 mm in steps of 0.05 mm, here every fifth."""
    solid = box([50, 12, 4], [0, 0, -4])
    sizes = [0.2 + 0.25 * i for i in range(8)]
    for i, size in enumerate(sizes):
        solid += box([size, 12, 10], [3 + 6 * i, 0, -1])
    assert [wall.typical for wall in thin(solid)] == pytest.approx(sizes, abs=0.002)


def test_sheet_with_a_rib_across_is_one_wall():
    sheet = box([20, 12, 1]) + box([0.6, 12, 6], [10, 0, 0.5])
    assert [round(wall.typical, 3) for wall in thin(sheet)] == [0.6, 1.0]


def test_faces_full_of_holes():
    """Modellers fill a face with many holes with slivers."""
    sheet = box([20, 11, 1.2])
    for i in range(4):
        for j in range(2):
            hole = m3.Manifold.cylinder(4, 0.9, 0.9, 32)
            sheet -= hole.translate([3 + 4.7 * i, 3 + 4.7 * j, -1])
    walls = thin(sheet, 2.0)
    assert walls[0].minimum == pytest.approx(1.2, abs=0.001)
    assert [round(wall.typical, 2) for wall in walls] == [1.2]


def test_gap():
    for rotation in ROTATIONS:
        two = box([10, 10, 4]) + box([10, 10, 4], [0, 0, 4.3])
        (gap,) = find_gaps(mesh(two.rotate(rotation)), 1.0, ())
        assert gap.typical == pytest.approx(0.3, abs=0.001)
        assert gap.sides == 0
    assert find_gaps(mesh(box([10, 10, 4])), 1.0, ()) == []


def test_irregular_part_against_trimesh(real):
    """Thickness as trimesh.proximity (another implementation: balls shrunk onto single points)
    finds it at the thinnest place of each wall. The part is printed 40 mm long."""
    drawn = read_mesh(real("featuretype.STL"), unit="mm")
    part = Mesh(8 * drawn.vertices, drawn.triangles)
    walls = find_walls(part, 1.2, ())
    assert len(walls) >= 8
    solid = trimesh.Trimesh(part.vertices, part.triangles)
    spot, distance, face = trimesh.proximity.closest_point(solid, [wall.point for wall in walls])
    theirs = trimesh.proximity.thickness(
        solid, spot, exterior=False, normals=solid.face_normals[face], method="max_sphere"
    )
    for wall, reach, thickness in zip(walls, distance, theirs, strict=True):
        assert wall.minimum == pytest.approx(2 * reach, rel=0.006)
        assert wall.minimum == pytest.approx(thickness, rel=0.01)


def test_mesh_finer_than_need_be(monkeypatch):
    """Then one triangle speaks for its neighbours."""
    solid = m3.Manifold.sphere(8, 96) - m3.Manifold.sphere(7.2, 96)
    monkeypatch.setattr("wallguard.walls.balls._MOST", 2000)
    (wall,) = thin(solid)
    assert wall.minimum == pytest.approx(0.8, abs=0.01)
    assert wall.maximum == pytest.approx(0.8, abs=0.01)


def test_nothing_to_find():
    assert find_walls(mesh(box([1, 1, 1])), 0.0, ()) == []


def test_a_turned_block_is_asked_nowhere_in_space(monkeypatch):
    def asked(*_):
        raise AssertionError("a sample was asked")

    monkeypatch.setattr("wallguard.walls.clear._sampled", asked)
    block = mesh(m3.Manifold.cube([300, 200, 340]).rotate([10, 10, 0]))
    assert find_walls(block, 1.8, ()) == []
    assert find_gaps(block, 0.3, ()) == []


def told(solid, largest=1.8, edges=(0.7, 0.8, 1.2)):
    walls = thin(solid, largest, edges)
    return [(round(wall.typical, 3), wall.sides) for wall in walls]


# How a part lies, and how finely its flat faces are cut.
VARIANTS = [([0, 0, 0], 1), ([31, 17, 55], 3), ([0, 0, 0], 8)]


@pytest.mark.parametrize(("rotation", "times"), VARIANTS)
def test_alike_features_read_alike_however_they_lie_and_are_cut(rotation, times):
    ribs = box([40, 20, 2])
    for x in (5, 15, 30):
        ribs += box([1, 20, 8], [x, 0, 1])
    assert told(ribs.rotate(rotation).refine(times)) == [(1.0, 1)] * 3
    lips = box([40, 40, 3])
    for turn in range(4):
        lip = box([20, 0.9, 5], [-10, -19, 2]).rotate([0, 0, 90 * turn])
        lips += lip.translate([20, 20, 0])
    assert told(lips.rotate(rotation).refine(times)) == [(0.9, 1)] * 4
    post = box([10, 10, 3]) + box([0.8, 0.8, 8], [5, 5, 2])
    assert [each for each, _ in told(post.rotate(rotation).refine(times))] == [0.8]


@pytest.mark.parametrize(("rotation", "times"), VARIANTS)
def test_bevels_are_no_walls_and_louvres_are_one_each(rotation, times):
    plate = prism([[0, 0], [40, 0], [38, 2], [2, 2]], 30)
    assert told(plate.rotate(rotation).refine(times)) == []
    louvre = box([40, 30, 2]) - box([34, 24, 9], [3, 3, -3])
    for i in range(6):
        slat = box([34.4, 1.2, 6]).rotate([45, 0, 0])
        louvre += slat.translate([2.8, 6 + 3.5 * i, -1])
    assert told(louvre.rotate(rotation).refine(times)) == [(1.2, 2)] * 6


@pytest.mark.parametrize("lean", range(0, 90, 15))
@pytest.mark.parametrize(("rotation", "times"), VARIANTS)
def test_leaning_wall_is_as_thick_as_an_upright_one(lean, rotation, times):
    wall = box([20, 1, 25], [0, -0.5, 0]).rotate([lean, 0, 0]).translate([10, 20, 1])
    solid = box([40, 40, 3]) + (wall - box([90, 90, 9], [0, 0, -9]))
    assert told(solid.rotate(rotation).refine(times)) == [(1.0, 1)]


@pytest.mark.parametrize("where", ["facets._MANY", "clear._MOST", "bounds._PAIRS"])
def test_faces_in_pieces_read_as_they_do_whole(monkeypatch, where):
    """Where too many long facets face each other they are cut, and asked at points: a plate on a
    block, a tube, and a bar that varies in thickness."""
    plate = box([20, 0.9, 12], [0, 0, 3]) + box([20, 10, 3.1], [0, -4, 0])
    bar = wedge(0.6, 1.6, 14.3, 6)
    for solid, least, most in (
        (plate, 0.9, 0.9),
        (tube(20, 1.2, 10, 48), 1.2, 1.2),
        (bar, 0.6, 1.6),
    ):
        (exact,) = find_walls(mesh(solid), 2.0, ())
        monkeypatch.setattr(f"wallguard.walls.{where}", 0)
        (many,) = find_walls(mesh(solid), 2.0, ())
        monkeypatch.undo()
        for wall in (exact, many):
            assert wall.minimum == pytest.approx(least, abs=0.03)
            # A point speaks for a piece: over a taper it is off by that of half a piece.
            assert wall.maximum == pytest.approx(most, abs=0.1)
        assert many.typical == pytest.approx(exact.typical, rel=0.01 if least == most else 0.05)
        assert many.length == pytest.approx(exact.length, abs=1.0)
        assert many.sides == exact.sides


def test_one_method_at_every_fineness():
    """A hollow ball from coarse to fine: its facets' sagitta is all that differs."""
    for steps in (32, 64, 128):
        (wall,) = thin(m3.Manifold.sphere(12, steps) - m3.Manifold.sphere(11.2, steps))
        sagitta = 12 * (1 - np.cos(np.pi / steps))
        assert wall.minimum == pytest.approx(0.8, abs=0.002 + sagitta)
        assert wall.maximum == pytest.approx(0.8, abs=0.002 + sagitta)
        assert wall.typical == pytest.approx(0.8, abs=0.002 + sagitta)


def test_cost_grows_with_the_mesh_and_no_faster(monkeypatch):
    """Counted in pairs of nodes and points that are asked, not in seconds."""
    from wallguard.walls import bounds, tangent

    asked = 0

    def counting(inner, of):
        def counted(*arguments):
            nonlocal asked
            asked += len(arguments[of])
            return inner(*arguments)

        return counted

    monkeypatch.setattr(bounds, "_met", counting(bounds._met, 2))
    monkeypatch.setattr(tangent.Surface, "nearest", counting(tangent.Surface.nearest, 1))
    costs = []
    for count in (3, 12):
        comb = box([6 * count, 12, 2])
        for i in range(count):
            comb += box([1, 12, 8], [6 * i + 2, 0, 1])
            comb += m3.Manifold.cylinder(9, 0.6, 0.6, 12).translate([6 * i + 4.5, 6, 0])
        asked = 0
        assert len(thin(comb, 1.8)) == 2 * count
        costs.append(asked)
    assert np.log(costs[1] / costs[0]) / np.log(4) <= 1.1


def test_a_large_ball_that_is_met_from_behind_shrinks_on():
    """Where a part is thin, the ball that is asked for first reaches past the other side, into a
    slot beyond: a sheet of 0.05 mm over a slot, and a block."""
    sheet = box([20, 10, 0.05]) + box([20, 10, 3], [0, 0, -3.02]) + box([1, 10, 4], [-1, 0, -3.02])
    wall = thin(sheet, 2.4)[0]
    assert wall.typical == pytest.approx(0.05, abs=0.001)
    shell = m3.Manifold.sphere(8, 96) - m3.Manifold.sphere(7.95, 96) + m3.Manifold.sphere(7.9, 96)
    (wall,) = thin(shell, 2.4)
    assert wall.typical == pytest.approx(0.05, abs=0.005)
    assert np.ravel(wall.box) == pytest.approx([-8, -8, -8, 8, 8, 8], abs=0.02)


def test_folds_of_a_coarse_thread_are_no_walls_and_low_ribs_of_some_thickness_are():
    """A twisted section with 15 degrees from one ring to the next folds by up to the sagitta of its
    chords, 11 (1 - cos 7.5 degrees) = 0.09 mm (closed form)."""
    turn = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    radius = 10 + 1.5 * np.clip(1.5 * (0.5 + 0.5 * np.cos(turn)), 0, 1)
    outline = m3.CrossSection([np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])])
    rod = outline.extrude(5, n_divisions=48, twist_degrees=720)
    assert len(thin(rod, 1.2)) < 10
    plate = box([20, 20, 4], [0, 0, -4])
    assert thin(plate + box([0.06, 20, 1.08], [10, 0, -1]), 1.2) == []
    assert len(thin(plate + box([0.06, 20, 1.2], [10, 0, -1]), 1.2)) == 1
    slot = plate - box([0.05, 20, 3.8], [10, 0, -3.8])
    (neck,) = thin(slot, 1.2)
    assert neck.minimum == pytest.approx(0.2, abs=0.001)


def test_walls_are_the_same_however_far_is_looked_at_a_time(monkeypatch):
    """Hollow and turned, with ribs within: cells of flat faces and of curves lie side by side."""
    outer = m3.Manifold.revolve(m3.CrossSection([[[0, 0], [9, 0], [7, 6], [9, 12], [0, 12]]]), 90)
    inner = m3.Manifold.revolve(m3.CrossSection([[[0, 1], [8, 1], [6, 6], [8, 12], [0, 12]]]), 90)
    solid = outer - inner + box((16, 0.6, 5), (-8, 2, 0)) + box((0.8, 16, 8), (-3, -8, 0))
    whole = mesh(solid ^ outer)
    walls = find_walls(whole, 1.8, [0.7, 0.9])
    monkeypatch.setattr("wallguard.walls.links._SHARES", (1.0,))
    assert len(walls) > 3
    assert find_walls(whole, 1.8, [0.7, 0.9]) == walls


def test_walls_are_the_same_whether_what_is_near_is_told_first(monkeypatch):
    from wallguard.walls import facing

    comb = box([60, 20, 3])
    for i in range(12):
        comb += box([0.8, 20, 6], [1 + 5 * i, 0, 3])
    comb += m3.Manifold.sphere(6, 120).translate([70, 10, 0])
    one = thin(comb)
    monkeypatch.setattr(facing, "_MANY", 0)
    assert thin(comb) == one
    assert len(one) == 12


@pytest.mark.parametrize("pieces", [100, 30_000])
def test_a_face_over_many_fine_facets_is_as_far_in_pieces_and_at_points(monkeypatch, pieces):
    from wallguard.walls import balls

    monkeypatch.setattr(balls, "_OVER_FINE", pieces)
    lens = box([12, 12, 2]) - m3.Manifold.sphere(20, 300).translate([6, 6, 21.2])
    (wall,) = thin(lens)
    assert wall.minimum == pytest.approx(1.2, abs=0.002)
    assert wall.point == pytest.approx((6, 6, 0.6), abs=0.2)


def test_curved_walls_are_held_on_as_many_sides_as_other_material_is_at():
    """Counted by hand: a tube closes upon itself, which holds two of its four sides."""
    plate = box([30, 30, 3], [-15, -15, -2.9])
    beside = box([4, 4, 10], [-0.1, -8, 0]), box([4, 4, 10], [-8, -0.1, 0])
    whole = tube(12, 0.9, 10, 96)
    half = whole - box([60, 60, 60], [0, -30, -1])
    quarter = half - box([60, 60, 60], [-30, 0, -1])
    ball = m3.Manifold.sphere(8, 64) - m3.Manifold.sphere(7.2, 64)
    dome = ball - box([30, 30, 30], [-15, -15, -30])
    cone = m3.Manifold.cylinder(10, 8, 4, 64) - m3.Manifold.cylinder(10, 7.2, 3.2, 64)
    for solid, sides in (
        (whole, 2),
        (whole + plate, 3),
        (tube(12, 0.9, 10, 12) + plate, 3),
        (half, 0),
        (half + plate, 1),
        (quarter, 0),
        (quarter + beside[0], 1),
        (quarter + beside[0] + beside[1], 2),
        (quarter + beside[0] + beside[1] + plate, 3),
        (cone, 2),
        (cone + plate, 3),
        (ball, 4),
        (dome, 0),
        (dome + plate, 4),
    ):
        (wall,) = thin(solid, 2.0)
        assert wall.sides == sides
        (wall,) = thin(solid.rotate([31, 17, 55]), 2.0)
        assert wall.sides == sides
    pin = box([10, 10, 2], [-5, -5, -1.5]) + m3.Manifold.cylinder(8, 0.5, 0.5, 24)
    assert thin(pin, 2.0)[0].sides == 3


@pytest.mark.parametrize("turn", [(0, 0, 0), (30, 20, 10), (0, 90, 45)])
@pytest.mark.parametrize("size", [0.002, 0.04, 0.3, 0.6, 0.9])
def test_a_block_of_twelve_triangles_is_as_thick_as_it_is(size, turn):
    # However small: the middles of its triangles lie in its corners, where no ball fits between.
    for block in ([size] * 3, [size, 1.1 * size, 1.3 * size], [size, size, 4 * size]):
        (wall,) = find_walls(mesh(box(block).rotate(turn)), 1.3, ())
        assert wall.minimum == pytest.approx(size, rel=1e-6)


def test_the_tree_is_asked_for_some_points_at_a_time(monkeypatch):
    # Until it answers, what holds a process to its time cannot end it.
    ball = m3.Manifold.sphere(5.0, 32).to_mesh()
    corners = np.asarray(ball.vert_properties)[:, :3][np.asarray(ball.tri_verts)]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    surface = tangent.Surface(
        corners.astype(float), -normal / np.linalg.norm(normal, axis=1)[:, None]
    )
    point = np.random.default_rng(1).normal(size=(50, 3)) * 4
    away, triangle = surface.nearest(point)
    asked = []
    tree = surface._tree

    class Counted:
        def squared_distance(self, vertices, triangles, points):
            asked.append(len(points))
            return tree.squared_distance(vertices, triangles, points)

    monkeypatch.setattr(tangent, "_AT_A_TIME", 7)
    surface._tree = Counted()
    some, its = surface.nearest(point)
    assert max(asked) <= 8 and sum(asked) == 50 + len(asked)
    assert np.array_equal(some, away) and np.array_equal(its, triangle)


def test_pieces_are_the_same_some_at_a_time(monkeypatch):
    solid = tube(12, 0.9, 10, 24) + box([20, 0.8, 10], [-10, 5, 0]) + i_section(20, 15, 1, 2, 8)
    whole = thin(solid)
    assert len(whole) > 2
    monkeypatch.setattr(facing, "_CLIPPED", 7)
    monkeypatch.setattr(rings, "_TOGETHER", 5)
    assert thin(solid) == whole


def test_more_pieces_than_are_looked_at_are_not_made(monkeypatch):
    facets = facets_of(mesh(tube(12, 0.9, 10, 24)), 0.5)
    assert facets is not None
    count = len(facing.pieces_between(facets, 3.0, 10_000).rings.triangles()[0])
    assert count > 40
    facing.pieces_between(facets, 3.0, count)
    monkeypatch.setattr(facing, "_CLIPPED", 7)
    clipped = []
    some = facing._of_some
    monkeypatch.setattr(facing, "_of_some", lambda *a: clipped.append(a) or some(*a))
    facing.pieces_between(facets, 3.0, count)
    every = len(clipped)
    with pytest.raises(TooLargeError, match="pieces of faces that face each other"):
        facing.pieces_between(facets, 3.0, count // 8)
    assert len(clipped) - every < every
