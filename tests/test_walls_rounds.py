"""Round holes and pins: known cylinders, and what only looks like one."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest

from tests.solids import box, mesh, prism, tube
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.read import read_mesh
from wallguard.walls.rounds import find_rounds


def drill(diameter, length, segments=48):
    return m3.Manifold.cylinder(length, diameter / 2, diameter / 2, segments, True)


def block(hole, size=(20, 20, 6)):
    return m3.Manifold.cube(size, True) - hole


def plate_with_pin(pin):
    """A pin that stands on the plate's top at z = 0."""
    return box([20, 20, 2], [-10, -10, -2]) + pin


def found(solid, largest=12.0):
    return find_rounds(mesh(solid), largest)


def sizes(solid, largest=12.0):
    return [(each.kind, round(each.diameter, 3)) for each in found(solid, largest)]


def turned_about(profile, segments=48):
    """A profile of (radius, z), counter-clockwise, turned about z."""
    return m3.Manifold.revolve(m3.CrossSection([np.asarray(profile, float)]), segments)


@pytest.mark.parametrize("segments", [8, 9, 12, 24, 64, 360])
@pytest.mark.parametrize("diameter", [0.5, 2.4, 10.0])
def test_hole_of_any_size_in_any_direction(diameter, segments):
    for rotation in ([0, 0, 0], [90, 0, 0], [0, 90, 10], [30, 50, 20]):
        holes = found(block(drill(diameter, 20, segments)).rotate(rotation).translate([50, -30, 9]))
        assert [hole.kind for hole in holes] == ["hole"]
        assert holes[0].diameter == pytest.approx(diameter, abs=0.001)
        assert holes[0].length == pytest.approx(6, abs=0.001)
        assert holes[0].centre == pytest.approx((50, -30, 9), abs=0.001)


def test_axis_box_and_direction_are_told():
    upright = found(block(drill(3, 20)).translate([0, 0, 5]))[0]
    assert upright.vertical
    assert upright.axis == (0, 0, 1)
    assert (upright.low, upright.high) == pytest.approx((2, 8))
    assert upright.box[0] == pytest.approx((-1.5, -1.5, 2), abs=0.01)
    lying = found(block(drill(3, 40).rotate([0, 90, 0])))[0]
    assert not lying.vertical
    assert lying.axis == pytest.approx((1, 0, 0), abs=1e-9)
    assert lying.length == pytest.approx(20)
    assert (lying.low, lying.high) == pytest.approx((-1.5, 1.5), abs=0.01)


@pytest.mark.parametrize("diameter", [0.4, 1.5, 6.0])
def test_pin(diameter):
    pin = m3.Manifold.cylinder(8, diameter / 2, diameter / 2, 32)
    for rotation in ([0, 0, 0], [90, 0, 0], [25, 40, 10]):
        pins = found(plate_with_pin(pin).rotate(rotation))
        assert [each.kind for each in pins] == ["pin"]
        assert pins[0].diameter == pytest.approx(diameter, abs=0.001)
        assert pins[0].length == pytest.approx(8)


def test_larger_rounds_than_asked_for_are_left_out():
    solid = block(drill(3, 20) + drill(5, 20).translate([6, 0, 0]))
    assert sizes(solid, 4.0) == [("hole", 3.0)]
    assert sizes(solid, 5.001) == [("hole", 3.0), ("hole", 5.0)]
    assert sizes(solid, 2.0) == []


def test_blind_hole_with_flat_and_with_drilled_bottom():
    assert sizes(block(drill(3, 6).translate([0, 0, 2]))) == [("hole", 3.0)]
    cone = m3.Manifold.cylinder(0.9, 0, 1.5, 32).translate([0, 0, -1.9])
    drilled = found(block(drill(3, 6, 32).translate([0, 0, 2]) + cone))
    assert [each.diameter for each in drilled] == pytest.approx([3.0])
    assert drilled[0].length == pytest.approx(4.0, abs=0.01)


def test_hole_through_slanted_and_curved_faces():
    slanted = block(drill(3, 30).rotate([35, 0, 0]))
    curved = drill(16, 20, 96) - drill(4, 40).rotate([90, 0, 0])
    assert sizes(slanted) == [("hole", 3.0)]
    assert sizes(curved) == [("hole", 4.0)]


def test_countersunk_and_stepped_holes_give_each_cylinder():
    sink = m3.Manifold.cylinder(2, 1.5, 3.5, 48).translate([0, 0, 1.01])
    assert sizes(block(drill(3, 20) + sink)) == [("hole", 3.0)]
    step = drill(3, 20) + drill(6, 3).translate([0, 0, 2])
    assert sizes(block(step)) == [("hole", 3.0), ("hole", 6.0)]


def test_crossing_holes_are_told_apart():
    solid = block(drill(3, 40).rotate([0, 90, 0]) + drill(2, 20))
    assert sizes(solid) == [("hole", 2.0), ("hole", 2.0), ("hole", 3.0)]  # 2 mm above and below


def test_pin_with_chamfer_dome_or_fillet():
    chamfered = turned_about([[0, 0], [2, 0], [2, 1], [1.5, 1.5], [0, 1.5]], 32)
    assert sizes(plate_with_pin(chamfered)) == [("pin", 4.0)]
    eight = turned_about([[0, 0], [2, 0], [2, 1], [1.5, 1.5], [0, 1.5]], 8)
    assert sizes(plate_with_pin(eight)) == [("pin", 4.0)]
    arc = np.linspace(0, np.pi / 2, 9)
    dome = np.column_stack([2 * np.cos(arc), 4 + 2 * np.sin(arc)])
    assert sizes(plate_with_pin(turned_about([[0, 0], [2, 0], *dome]))) == [("pin", 4.0)]
    foot = np.column_stack([3 - np.sin(arc), 1 - np.cos(arc)])
    filleted = turned_about([[0, -1], [3, -1], *foot, [2, 4], [0, 4]])
    assert sizes(plate_with_pin(filleted)) == [("pin", 4.0)]


def test_hole_with_rounded_entry():
    arc = np.linspace(0, np.pi / 2, 7)
    entry = np.column_stack([2.5 - np.cos(arc), 3 + np.sin(arc)])
    profile = [[1.5, 0], [8, 0], [8, 4], *entry[::-1]]
    holes = found(turned_about(profile))
    assert [(each.kind, round(each.diameter, 3)) for each in holes] == [("hole", 3.0)]
    assert holes[0].length == pytest.approx(3.0)


def test_triangles_that_zigzag_round_a_short_hole():
    """As modellers triangulate a face of two arcs with corners set off against each other."""
    count = 16
    turn = 2 * np.pi * np.arange(count) / count
    rings = [(1.5, 0, 0), (1.5, 1, np.pi / count), (5, 1, np.pi / count), (5, 0, 0)]
    vertices = np.concatenate(
        [
            np.column_stack([r * np.cos(turn + a), r * np.sin(turn + a), np.full(count, z)])
            for r, z, a in rings
        ]
    )
    i = np.arange(count)
    j = (i + 1) % count
    faces = []
    for k in range(4):
        this, ahead = count * k, count * ((k + 1) % 4)
        corner = ahead + (j if k == 2 else i)
        faces += [(this + i, corner, this + j)]
        faces += [(this + (i if k == 2 else j), ahead + i, ahead + j)]
    triangles = np.concatenate([np.column_stack(each) for each in faces]).astype(np.int32)
    holes = find_rounds(Mesh(vertices, triangles), 4.0)
    assert [each.kind for each in holes] == ["hole"]
    assert holes[0].diameter == pytest.approx(3.0, abs=0.005)
    assert holes[0].length == pytest.approx(1.0, abs=0.005)


def test_cylinder_in_pieces_round_a_slit_is_one():
    slit = m3.Manifold.cube([0.5, 40, 40], True)
    holes = found(block(drill(6, 20)) - slit)
    assert [(each.kind, round(each.diameter, 3)) for each in holes] == [("hole", 6.0)]


def test_tube_is_a_hole_and_no_pin():
    assert sizes(tube(8, 0.5, 10)) == [("hole", 7.0)]
    assert sizes(tube(8, 0.2, 10)) == [("hole", 7.6)]
    square_inside = drill(8, 10) - m3.Manifold.cube([3, 3, 20], True)
    assert sizes(square_inside) == []


def test_ring_shaped_gap_is_no_hole():
    assert sizes(block(drill(6, 4).translate([0, 0, 2]) - drill(5, 20))) == [("pin", 5.0)]


@pytest.mark.parametrize(
    "solid",
    [
        m3.Manifold.sphere(3, 48),
        m3.Manifold.sphere(0.8, 24),
        turned_about([[3 * np.sin(a), -3 * np.cos(a)] for a in np.linspace(0, np.pi, 12)], 24),
        turned_about(
            [[5 + np.cos(a), np.sin(a)] for a in np.arange(16) * np.pi / 8 + np.pi / 16], 32
        ),
        m3.Manifold.cylinder(6, 3, 2, 48),
        block(m3.Manifold.cylinder(8, 2, 2.5, 48).translate([0, 0, -4])),
        drill(4, 6, 6),
        drill(4, 6, 7),
        block(drill(4, 20, 6)),
        block(m3.Manifold.batch_hull([drill(4, 20), drill(4, 20).translate([2, 0, 0])])),
        m3.Manifold.batch_hull([drill(2, 6).translate([x, y, 0]) for x in (0, 9) for y in (0, 7)]),
        m3.Manifold.extrude(
            m3.CrossSection.circle(2.5, 6).offset(0.3, m3.JoinType.Round, circular_segments=48), 5
        ),
        drill(6, 6) ^ box([9, 4, 9], [-4.5, -3, -4.5]),
        prism([[4 * np.cos(a), 3 * np.sin(a)] for a in np.arange(48) * np.pi / 24], 5),
        box([10, 10, 10]),
    ],
    ids=[
        "ball", "small ball", "globe", "ring", "cone", "conical hole", "hexagon", "heptagon",
        "hexagonal hole", "slot", "rounded box", "rounded hexagon", "half round", "ellipse", "cube",
    ],
)  # fmt: skip
def test_no_cylinder(solid):
    assert sizes(solid) == []


def test_real_plate(real):
    """A plate drawn in inches: clearance holes for 1/4 inch screws, four countersunk, one
    counterbored."""
    holes = find_rounds(read_mesh(real("plate_holes.STL")), 10.0)
    assert [(each.kind, each.vertical) for each in holes] == [("hole", True)] * 5
    assert [each.diameter for each in holes] == pytest.approx([0.266 * 25.4] * 5, abs=0.002)


def test_real_part_against_its_step_file(real):
    """Every diameter found in the mesh is one that the STEP file of the same part states."""
    lines = real("featuretype.STEP").read_text().splitlines()
    radii = [float(row.split(",")[2].strip(" );")) for row in lines if "CYLINDRICAL_SURFACE" in row]
    holes = find_rounds(read_mesh(real("featuretype.STL"), unit="inch"), 15.0)
    assert [each.kind for each in holes] == ["hole"] * 17
    for hole in holes:
        assert min(abs(hole.diameter - 2 * 25.4 * radius) for radius in radii) < 0.001
    lying = [hole for hole in holes if not hole.vertical]
    assert [hole.axis for hole in lying] == [(0, 1, 0)]
    assert lying[0].diameter == pytest.approx(2 * 0.19471799 * 25.4, abs=0.001)
