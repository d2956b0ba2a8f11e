"""Floors and roofs of few layers, and shapes whose steps only look like them."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest

from tests.solids import box, mesh, prism
from wallguard.sections.cut import cut
from wallguard.sections.sections import Sections
from wallguard.walls.plates import find_plates

LAYER, BEAD = 0.2, 0.45


def found(solid, limit=4, smallest=BEAD):
    return find_plates(cut(mesh(solid), LAYER), limit, smallest)


def kinds(solid, limit=4, smallest=BEAD):
    return [(plate.kind, plate.layers) for plate in found(solid, limit, smallest)]


def lying(outline, length):
    """An outline in (x, z), drawn along y."""
    return prism(outline, length).rotate([90, 0, 0]).translate([0, length, 0])


def hollow_box(floor, roof):
    """24 x 20 x 10 mm with walls of 2 mm."""
    return box([24, 20, 10]) - box([20, 16, 10 - floor - roof], [2, 2, floor])


def test_sections_made_by_hand():
    """A 4 x 4 mm square of three layers with one of 8 x 4 mm on it."""
    square = np.array([[0, 0], [4, 0], [4, 4], [0, 4]], float)
    wide = np.array([[0, 0], [8, 0], [8, 4], [0, 4]], float)
    sections = Sections(
        heights=np.array([0.1, 0.3, 0.5, 0.7]),
        layer_height=0.2,
        distinct=np.array([0, 0, 0, 1], np.int32),
        points=np.concatenate([square, wide]),
        ring_start=np.array([0, 4, 8], np.int64),
        ring_section=np.array([0, 1], np.int32),
        slope=np.zeros(8),
        loose=np.zeros(0, np.int32),
    )
    (roof,) = find_plates(sections, 4, 0.4)
    assert (roof.kind, roof.layers) == ("roof", 1)
    assert roof.area == pytest.approx(16, rel=0.05)
    assert (roof.low, roof.high) == pytest.approx((0.6, 0.8))
    assert roof.point == pytest.approx((6, 2, 0.7), abs=0.2)
    assert np.ravel(roof.box) == pytest.approx([4, 0, 0.6, 8, 4, 0.8], abs=0.15)


def test_floor_and_roof_of_a_hollow_box():
    assert kinds(hollow_box(0.4, 0.6)) == [("floor", 2), ("roof", 3)]
    assert kinds(hollow_box(0.8, 0.6)) == [("roof", 3)]
    assert kinds(hollow_box(0.8, 0.8)) == []
    assert kinds(hollow_box(0.8, 1.0), limit=6) == [("floor", 4), ("roof", 5)]
    floor, roof = found(hollow_box(0.4, 0.6))
    assert floor.area == pytest.approx(320, rel=0.03)
    assert (floor.low, floor.high) == pytest.approx((0.0, 0.4))
    assert (roof.low, roof.high) == pytest.approx((9.4, 10.0))
    assert roof.point == pytest.approx((12, 10, 9.7), abs=0.2)


def test_limit_of_one_layer_asks_for_nothing():
    assert kinds(hollow_box(0.2, 0.2), limit=1) == []


def test_all_of_a_thin_sheet_is_a_floor():
    assert kinds(box([30, 20, 0.4])) == [("floor", 2)]
    assert kinds(box([30, 20, 0.8])) == []


def test_fin_that_lies_flat_and_ledge():
    fin = box([5, 20, 10]) + box([15, 20, 0.6], [5, 0, 6])
    assert kinds(fin) == [("roof", 3)]
    narrow = box([5, 20, 10]) + box([0.8, 20, 0.4], [5, 0, 6])
    assert kinds(narrow) == [("roof", 2)]
    hair = box([5, 20, 10]) + box([0.2, 20, 0.4], [5, 0, 6])
    assert kinds(hair) == []


ANGLES = (0, 7, 17, 30, 45, 60, 83)


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize(("width", "count"), [(0.40, 0), (0.448, 0), (0.4505, 1), (0.60, 1)])
def test_a_narrow_place_is_told_for_its_width_however_it_lies(width, count, angle):
    """A ledge, and a floor under a slot, are plates where a disc as wide as the bead has room."""
    ledge = box([5, 10, 4]) + box([width, 10, 0.4], [5, 0, 2])
    slot = box([14, 14, 2]) - box([8, width, 4], [3, 7, 0.4])
    turned = [solid.rotate([0, 0, angle]).translate([0.07, 0.11, 0]) for solid in (ledge, slot)]
    assert [kinds(each) for each in turned] == [[("roof", 2)] * count, [("floor", 2)] * count]


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize(("wide", "count"), [(0.60, 0), (0.62, 1)])
def test_a_wedge_is_told_where_a_disc_has_room(wide, count, angle):
    """In a triangle of base b and height h the largest disc is 2 b h / (b + 2 s) wide, four times
    its area over its girth; s the other sides: 0.446 mm of 0.60, 0.457 of 0.62 (h = 1 mm)."""
    side = np.hypot(wide / 2, 1.0)
    assert (2 * wide / (wide + 2 * side) >= BEAD) == bool(count)
    pocket = prism([[0, 0], [1, wide / 2], [0, wide]], 4).translate([4, 4, 0.4])
    solid = (box([10, 10, 2]) - pocket).rotate([0, 0, angle])
    assert kinds(solid) == [("floor", 2)] * count


def test_two_roofs_over_one_another_are_two():
    shelves = box([5, 20, 20]) + box([15, 20, 0.4], [5, 0, 6]) + box([15, 20, 0.4], [5, 0, 12])
    assert kinds(shelves) == [("roof", 2), ("roof", 2)]
    assert [round(plate.low, 3) for plate in found(shelves)] == [6.0, 12.0]


def test_letters_on_a_plate_are_part_of_it():
    assert kinds(box([20, 20, 2]) + box([3, 10, 0.2], [5, 5, 2])) == []


def test_engraving_that_leaves_little():
    plates = found(box([20, 20, 1]) - box([3, 10, 2], [5, 5, 0.4]))
    assert [(plate.kind, plate.layers) for plate in plates] == [("floor", 2)]
    assert plates[0].area == pytest.approx(30, rel=0.05)


@pytest.mark.parametrize("bore", [2.0, 5.0, 9.0])
def test_roof_over_a_lying_hole_where_it_is_thinnest(bore):
    hole = m3.Manifold.cylinder(30, bore / 2, bore / 2, 96, True).rotate([90, 0, 0])
    solid = box([14, 20, 12], [-7, -10, 0]) - hole.translate([0, 0, 12 - 0.4 - bore / 2])
    roofs = found(solid)
    assert [plate.kind for plate in roofs] == ["roof"]
    assert roofs[0].layers in (2, 3)  # the crown may end in mid-layer
    assert roofs[0].point[0] == pytest.approx(0, abs=0.2)


def test_sheet_that_slopes_gently_is_one_roof():
    sheet = lying([[0, 0], [2, 0], [2, 6], [22, 7], [22, 7.5], [2, 6.5], [0, 6.5]], 20)
    roofs = found(sheet)
    assert [plate.kind for plate in roofs] == ["roof"]
    assert roofs[0].area > 300


@pytest.mark.parametrize(
    "solid",
    [
        m3.Manifold.sphere(15, 96),
        m3.Manifold.sphere(40, 200) - m3.Manifold.sphere(39, 200),
        m3.Manifold.sphere(30, 200).trim_by_plane([0, 0, 1], 25),
        m3.Manifold.sphere(60, 300).translate([0, 0, -55])
        ^ m3.Manifold.sphere(60, 300).translate([0, 0, 55]),
        m3.Manifold.cylinder(6, 10, 0, 64),
        m3.Manifold.cylinder(20, 5, 5, 96).rotate([90, 0, 0]),
        lying([[0, 0], [20, 0], [20, 5], [18, 9]], 20),
        lying([[0, 0], [20, 0], [10, 3]], 20),
        lying([[0, 0], [20, 0], [10, 3]], 20).rotate([90, 0, 0]),
        lying([[0, 3], [10, 0], [20, 3], [10, 6]], 20),
        box([20, 20, 10]).rotate([30, 20, 0]),
        box([20, 0.8, 20]).rotate([35, 0, 0]),
    ],
    ids=[
        "ball", "thick ball", "flat dome", "lens", "cone", "lying cylinder", "overhang",
        "low ridge", "ridge on end", "lying wedge on both sides", "tilted box", "leaning wall",
    ],
)  # fmt: skip
def test_steps_of_slopes_are_no_plates(solid):
    assert kinds(solid) == []


def test_top_and_bottom_of_a_thick_ball():
    """1.0 mm of wall are five layers, as far as the ball is nearly level."""
    ball = m3.Manifold.sphere(20, 96) - m3.Manifold.sphere(19, 96)
    assert {plate.layers for plate in found(ball, limit=6)} == {5}
    assert all(abs(plate.point[2]) > 19 for plate in found(ball, limit=6))


def test_shape_is_measured_alike_wherever_it_stands():
    here = found(hollow_box(0.4, 0.6))
    there = found(hollow_box(0.4, 0.6).rotate([0, 0, 30]).translate([103.7, -55.1, 0]))
    for one, other in zip(here, there, strict=True):
        assert (one.kind, one.layers) == (other.kind, other.layers)
        assert one.area == pytest.approx(other.area, rel=0.03)


def test_nothing_at_all():
    nothing = Sections(
        heights=np.array([0.1]),
        layer_height=0.2,
        distinct=np.array([-1], np.int32),
        points=np.zeros((0, 2)),
        ring_start=np.zeros(1, np.int64),
        ring_section=np.zeros(0, np.int32),
        slope=np.zeros(0),
        loose=np.zeros(0, np.int32),
    )
    assert find_plates(nothing, 4, 0.4) == []


def test_leaving_out_thick_places_changes_nothing():
    """Ribs that lean and stand at all heights, with every column looked at and without."""
    for lean, limit in ((0, 20), (1, 3), (7, 9), (25, 9)):
        whole = m3.Manifold.cube([60, 40, 1.5])
        for i in range(8):
            plate = m3.Manifold.cube([25, 12, 0.3 + 0.2 * i]).rotate([0, lean, 0])
            whole += plate.translate([30 * (i % 2), 0.5 + 13 * (i // 3), 3 + 4 * i])
        solid = mesh(whole)
        sections = cut(solid, 0.2)
        fast = find_plates(sections, limit, 0.45, solid)
        every = find_plates(sections, limit, 0.45)
        assert [(each.kind, each.layers) for each in fast] == [
            (each.kind, each.layers) for each in every
        ]
        assert [each.area for each in fast] == pytest.approx([each.area for each in every])
        assert every or lean == 25


@pytest.mark.parametrize("foot", [20.0, 60.0])
def test_a_cone_far_wider_than_its_lowest_section(foot):
    """Its rim lies below the middle of the first layer, so beyond the plan of what layers hold."""
    solid = mesh(m3.Manifold.cylinder(0.6, foot, 0.4, 64) + box([2, 2, 0.3], [foot / 2, 0, 0]))
    sections = cut(solid, 0.2)
    fast = find_plates(sections, 6, 0.45, solid)
    every = find_plates(sections, 6, 0.45)
    assert every
    assert [(each.kind, each.layers) for each in fast] == [
        (each.kind, each.layers) for each in every
    ]
    assert [each.area for each in fast] == pytest.approx([each.area for each in every])
