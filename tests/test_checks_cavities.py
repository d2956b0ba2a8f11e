"""Cavities, their ways out, and cups: parts of known answers, turned and in three finenesses."""

import itertools
import math

import manifold3d as m3
import numpy as np
import pytest
from solids import box, mesh
from test_checks import told

from wallguard.mesh.mesh import Mesh
from wallguard.rules.model import Limit
from wallguard.sections.cut import cut
from wallguard.shapes.cavities import find_cavities
from wallguard.shapes.cups import find_cups

POWDER = {"category": "powder bed fusion", "beads": None}
RESIN = {"category": "vat photopolymerization", "beads": None, "layer_height": 0.2}
LIMITS = {"trapped": Limit(fail=1), "escape": Limit(fail=3.0), "escape_holes": Limit(fail=2)}


def rod(diameter, length, facets=32):
    return m3.Manifold.cylinder(length, diameter / 2, diameter / 2, facets)


def hollow(size=16.0, wall=2.0):
    return box([size] * 3) - box([size - 2 * wall] * 3, [wall] * 3)


def cavities(solid, passes):
    found = find_cavities(mesh(solid), passes)
    assert found.too_much == ""
    return found.found


def drilled(diameter, facets=32):
    return hollow() - rod(diameter, 4, facets).translate([8, 8, -1])


@pytest.mark.parametrize("angles", [(0, 0, 0), (30, 20, 10), (0, 90, 45)])
def test_a_closed_cavity_is_as_large_as_what_it_encloses(angles):
    (cavity,) = cavities((hollow().rotate(angles)), 0.0)
    assert cavity.volume == pytest.approx(12**3, rel=1e-6)
    assert cavity.openings == ()


@pytest.mark.parametrize(("facets", "within"), [(48, 1.2e-2), (96, 3e-3), (256, 5e-4)])
def test_a_ball_of_air_by_its_closed_form(facets, within):
    # A sphere's volume, 4/3 pi r^3; what facets cut off it shrinks with their square.
    ball = m3.Manifold.sphere(10, facets) - m3.Manifold.sphere(8, facets)
    (cavity,) = cavities((ball), 0.0)
    assert cavity.volume == pytest.approx(4 / 3 * math.pi * 8**3, rel=within)


def test_what_lies_in_a_cavity_is_no_air():
    (cavity,) = cavities((hollow() + box([3, 3, 3], [6, 6, 6])), 0.0)
    assert cavity.volume == pytest.approx(12**3 - 27, rel=1e-9)
    inner = box([6] * 3, [5] * 3) - box([4] * 3, [6] * 3)
    outer, within = cavities((hollow() + inner), 0.0)
    assert outer.volume == pytest.approx(12**3 - 6**3, rel=1e-9)
    assert within.volume == pytest.approx(4**3, rel=1e-9)


@pytest.mark.parametrize("angles", [(0, 0, 0), (30, 20, 10)])
@pytest.mark.parametrize("diameter", [1.0, 2.8])
def test_the_largest_ball_that_leaves_is_as_wide_as_the_hole(diameter, angles):
    (cavity,) = cavities((drilled(diameter).rotate(angles)), 3.0)
    (opening,) = cavity.openings
    # Between the facets fits a little less.
    assert opening.width == pytest.approx(diameter * math.cos(math.pi / 32), abs=0.05)
    assert opening.uncertainty < 0.05
    # The hole's own air is not the cavity's, but is told.
    assert cavity.volume == pytest.approx(12**3, rel=1e-4) and not cavity.uncertainty
    polygon = 32 / 2 * (diameter / 2) ** 2 * math.sin(2 * math.pi / 32)
    assert cavity.ways == pytest.approx(2 * polygon, rel=1e-3)


@pytest.mark.parametrize("facets", [12, 24, 64])
def test_a_hole_of_few_facets_lets_out_what_fits_between_them(facets):
    (cavity,) = cavities((drilled(2.0, facets)), 3.0)
    assert cavity.way_out == pytest.approx(2.0 * math.cos(math.pi / facets), abs=0.06)


def test_a_slit_lets_out_no_more_than_its_width():
    slit = hollow() - box([0.3, 6, 4], [8, 5, -1])
    (cavity,) = cavities((slit), 3.0)
    assert cavity.way_out == pytest.approx(0.3, abs=cavity.openings[0].uncertainty)


# A box, a sphere and an L, each with the volume of its hollow up to where its way out begins.
def behind_a_slit():
    return hollow() - box([1.2, 6, 4], [8, 5, -1]), 12.0**3


def behind_a_neck(facets=96):
    ball = m3.Manifold.sphere(8, facets)
    neck = rod(3, 20, 64)
    # The cap that the plane cuts off where the neck meets the ball: V = pi h^2 (3 R - h) / 3.
    h = 8 - math.sqrt(8**2 - 1.5**2)
    return m3.Manifold.sphere(10, facets) - ball - neck, ball.volume() - math.pi * h**2 * (
        24 - h
    ) / 3


def behind_a_corner():
    bend = box([12, 5, 5], [2, 2, 2]) + box([5, 12, 5], [2, 2, 2])
    hole = rod(2, 4, 48).translate([12, 4.5, 5.5])
    return box([16, 16, 9]) - bend - hole, 2 * 12 * 5.0**2 - 5**3


def behind_bends(*legs):
    """A room of 8 x 12 x 8 mm with a square way of 1.5 mm out of it, through these points."""
    part = box([40, 16, 16]) - box([8, 12, 8], [4, 2, 4])
    for one, other in itertools.pairwise(np.array(legs, float)):
        low, high = np.minimum(one, other) - 0.75, np.maximum(one, other) + 0.75
        part -= box((high - low).tolist(), low.tolist())
    return part, 768.0


def behind_a_bend():
    """The same with a round way, bent by 90 degrees about a radius of 3 mm."""
    bend = m3.CrossSection.circle(0.75, 32).translate([3, 0]).revolve(64, 90)
    bend = bend.rotate([90, 0, 0]).rotate([0, 90, 0]).translate([20, 8, 9])
    way = rod(1.5, 9).rotate([0, 90, 0]).translate([11, 8, 6]) + bend
    return behind_bends()[0] - way - rod(1.5, 9).translate([23, 8, 9]), 768.0


def behind_a_mitre():
    """And bent by 45 degrees."""
    way = rod(1.5, 9).rotate([0, 90, 0]) + m3.Manifold.sphere(0.75, 32).translate([9, 0, 0])
    way += rod(1.5, 30).rotate([0, 45, 0]).translate([9, 0, 0])
    return behind_bends()[0] - way.translate([11, 8, 6]), 768.0


BEHIND = {
    "slit": behind_a_slit,
    "neck": behind_a_neck,
    "corner": behind_a_corner,
    "one corner": lambda: behind_bends((11, 8, 6), (20, 8, 6), (20, 8, 18)),
    "two corners": lambda: behind_bends((11, 8, 6), (20, 8, 6), (20, 8, 10), (42, 8, 10)),
    "corners in two planes": lambda: behind_bends(
        (11, 8, 6), (20, 8, 6), (20, 12, 6), (20, 12, 18)
    ),
    "there and back": lambda: behind_bends(
        (11, 8, 6), (18, 8, 6), (18, 8, 8), (13, 8, 8), (13, 8, 18)
    ),
    "bend": behind_a_bend,
    "mitre": behind_a_mitre,
}


@pytest.mark.parametrize(
    ("fine", "moved", "angles"),
    [(1, (0, 0, 0), (0, 0, 0)), (2, (1.23, 0.77, -4.1), (30, 20, 10)), (4, (0, 0, 0), (0, 90, 45))],
)
@pytest.mark.parametrize("name", BEHIND)
def test_what_lies_behind_a_way_out_is_its_closed_form(name, fine, moved, angles):
    solid, volume = BEHIND[name]()
    (cavity,) = cavities(solid.refine(fine).translate(moved).rotate(angles), 2.6)
    assert cavity.volume == pytest.approx(volume, rel=1e-3)
    assert not cavity.uncertainty and cavity.ways > 0


@pytest.mark.parametrize("angles", [(0, 0, 0), (30, 20, 10)])
@pytest.mark.parametrize("wall", [0.1, 0.2, 0.3])
def test_a_wall_thinner_than_a_cell_is_a_wall(wall, angles):
    part = hollow(16, wall) - rod(2.0, 4).translate([8, 8, -1])
    (cavity,) = cavities(part.rotate(angles), 3.0)
    assert cavity.way_out == pytest.approx(2.0 * math.cos(math.pi / 32), abs=0.05)


@pytest.mark.parametrize("angles", [(0, 0, 0), (30, 20, 10)])
def test_a_large_part_with_too_little_air_for_a_cavity_is_judged(angles):
    dented = box([300, 300, 300]) - box([3, 3, 3], [100, 100, 297.5])
    assert cavities(dented.rotate(angles), 3.0) == []
    assert cavities(box([300, 300, 300]).rotate(angles), 0.5) == []


def two_rooms(outer):
    """Two hollows that a tube of 1.5 mm joins; the right one has a hole to the outside."""
    rooms = box([32, 16, 16]) - box([12] * 3, [2, 2, 2]) - box([12] * 3, [18, 2, 2])
    rooms = rooms - rod(1.5, 8).rotate([0, 90, 0]).translate([12, 8, 8])
    return rooms - rod(outer, 4).translate([24, 8, -1])


def test_of_two_rooms_the_inner_one_is_left_by_the_tube():
    near, far = sorted(cavities((two_rooms(4.0)), 3.0), key=lambda each: -each.point[0])
    assert near.way_out == pytest.approx(4.0, abs=0.06)
    assert far.way_out == pytest.approx(1.5, abs=0.06)
    # Each is what it holds itself, without the tube between them.
    assert [near.volume, far.volume] == pytest.approx([12**3] * 2, rel=1e-3)


def test_of_two_rooms_that_one_narrow_hole_shuts_each_is_told():
    both = cavities((two_rooms(1.0)), 3.0)
    assert [each.way_out for each in both] == pytest.approx([1.0, 1.0], abs=0.06)
    assert [each.volume for each in both] == pytest.approx([12**3] * 2, rel=1e-3)


def test_what_lies_loose_behind_a_way_out_is_no_air():
    (cavity,) = cavities(drilled(2.0) + box([3] * 3, [6] * 3), 3.0)
    assert cavity.volume == pytest.approx(12**3 - 27, rel=1e-3)


@pytest.mark.parametrize(
    "solid",
    [
        box([16] * 3),
        box([16] * 3) - box([12, 12, 15], [2, 2, 2]),  # a bowl
        hollow() - rod(10, 4).translate([8, 8, 13]),  # a wide mouth
        box([30, 30, 3]) - rod(2, 5).translate([15, 15, -1]),  # a hole in a plate
        box([20, 20, 20]) - rod(2, 15).translate([10, 10, 10]),  # a blind hole
    ],
)
def test_what_nothing_stays_in_is_no_cavity(solid):
    assert cavities((solid), 3.0) == []


def test_ways_out_are_counted():
    one = drilled(4.0)
    (cavity,) = cavities((one), 3.0)
    assert [each.width for each in cavity.openings] == pytest.approx([4.0], abs=0.06)
    (cavity,) = cavities((one - rod(3.5, 4).translate([8, 8, 13])), 3.0)
    assert [each.width for each in cavity.openings] == pytest.approx([4.0, 3.5], abs=0.06)


@pytest.mark.parametrize(
    ("solid", "check", "measured"),
    [
        (hollow(), "trapped", 1728.0),
        (drilled(2.0), "escape", 2.0),
        (drilled(4.0), "escape_holes", 1),
    ],
)
def test_a_cavity_is_one_place_with_what_it_breaks(solid, check, measured):
    (finding,) = told(solid, minimum=LIMITS, **POWDER)
    (breach,) = finding.breaches
    assert breach.check == check
    assert breach.measured == pytest.approx(measured, abs=0.06)
    assert "powder" in finding.message
    assert "Ø" not in finding.message
    assert "3.00 mm" in finding.advice


def test_following_the_advice_passes():
    both = drilled(3.2) - rod(3.2, 4).translate([8, 8, 13])
    assert told(both, minimum=LIMITS, **POWDER) == []


def test_resin_is_called_resin():
    (finding,) = told(hollow(), minimum={"trapped": Limit(fail=1)}, **RESIN)
    assert "resin stays in it, more than 1 mm³" in finding.message
    assert finding.advice == "draw a hole into it, or fill it"


def test_an_open_mesh_says_that_cavities_were_not_judged():
    from test_checks import case

    from wallguard.jobs.check import run_checks

    whole = mesh(hollow())
    torn = Mesh(whole.vertices, np.ascontiguousarray(whole.triangles[1:]))
    runs, _ = run_checks(case(torn, minimum=LIMITS, **POWDER))
    notes = {run.name: run.note for run in runs}
    # Once: what holds for one holds for all.
    assert "a cavity needs a closed surface, and this mesh is open" in notes["trapped"]
    assert not notes["escape"] and not notes["escape_holes"]
    runs, _ = run_checks(case(torn, minimum={"escape": Limit(fail=3.0)}, **POWDER))
    (note,) = [run.note for run in runs if run.name == "escape"]
    assert "a cavity needs a closed surface, and this mesh is open" in note


def test_what_is_too_much_to_search_is_no_pass():
    cube = box([300, 300, 300]) - box([4, 4, 4], [100, 100, 100])
    cube -= box([200, 200, 200], [50, 50, 200])  # air enough for a cavity
    limits = {**LIMITS, "escape": Limit(fail=0.5)}
    trapped, escape = told(cube, minimum=limits, **POWDER)
    assert (trapped.check, trapped.measured) == ("trapped", pytest.approx(64.0))
    assert escape.check == "escape" and escape.breaches[0].indeterminate
    assert escape.message == (
        "only closed cavities were looked for: a part of 300 x 300 x 300 mm in which ways of "
        "0.5 mm are looked for is too much to search"
    )
    assert "narrower than 0.50 mm" in escape.advice


def bowl(vent=0.0, above=2.0):
    """A bowl of 18 mm depth; `above`: from its floor to the middle of a vent."""
    part = box([20, 20, 20]) - box([16, 16, 20], [2, 2, 2])
    vented = part - rod(vent, 6).rotate([0, 90, 0]).translate([-1, 10, 2 + above])
    return vented if vent else part


@pytest.mark.parametrize("angle", [0, 23.7, 45])
def test_a_bowl_that_stands_is_a_cup(angle):
    (cup,) = find_cups(cut(mesh(bowl().rotate([0, 0, angle])), 0.2))
    assert cup.area == pytest.approx(256.0, rel=1e-6)
    assert (cup.low, cup.high) == (pytest.approx(2.0), pytest.approx(20.0))


def test_a_vent_ends_a_cup_where_it_is():
    (cup,) = find_cups(cut(mesh(bowl(vent=2.0)), 0.2))
    assert cup.high == pytest.approx(3.0, abs=0.21)


@pytest.mark.parametrize(
    "solid",
    [
        bowl().rotate([90, 0, 0]),  # opens aside
        bowl(vent=2.0).rotate([90, 0, 0]),
        rod(20, 20) - rod(16, 30).translate([0, 0, -5]),  # a tube
        hollow() - rod(3, 20).translate([8, 8, -1]),  # a hole at both ends
        box([10, 10, 10]),
    ],
)
def test_what_is_open_aside_or_at_its_first_layer_and_its_last_is_no_cup(solid):
    assert find_cups(cut(mesh(solid), 0.2)) == []


@pytest.mark.parametrize("facets", [16, 64, 200])
@pytest.mark.parametrize("angle", [0, 23.7])
def test_a_round_bell_on_the_plate_is_a_cup(angle, facets):
    bell = rod(20, 20, facets) - rod(16, 18, facets).translate([0, 0, -1])
    (cup,) = find_cups(cut(mesh(bell.rotate([0, 0, angle])), 0.2))
    # A polygon's area, n / 2 r^2 sin(2 pi / n).
    assert cup.area == pytest.approx(facets / 2 * 8**2 * math.sin(2 * math.pi / facets), rel=1e-6)
    assert (cup.low, cup.high, cup.plate) == (0.0, pytest.approx(17.0), True)


def test_a_bell_on_the_plate_is_a_cup_and_not_where_it_is_lifted_or_vented():
    bell = bowl().rotate([180, 0, 0]).translate([0, 20, 20])
    (cup,) = find_cups(cut(mesh(bell), 0.2))
    assert (cup.low, cup.high, cup.plate) == (0.0, pytest.approx(18.0, abs=0.2), True)
    assert cup.area == pytest.approx(256.0, rel=1e-6)
    feet = box([2, 2, 1.2], [0, 0, -1]) + box([2, 2, 1.2], [18, 18, -1])
    assert find_cups(cut(mesh(bell + feet), 0.2)) == []
    assert find_cups(cut(mesh(bell - box([30, 2, 1], [-15, 10, -0.5])), 0.2)) == []


@pytest.mark.parametrize(("height", "cups"), [(1.0, 0), (2.0, 0), (2.6, 1), (18.0, 1)])
def test_a_shallow_bell_on_the_plate_is_no_cup(height, cups):
    bell = rod(20, height + 2) - rod(16, height + 5).translate([0, 0, -5])
    found = told(bell, minimum={"cup": Limit(fail=100)}, **RESIN)
    assert len(found) == cups
    for finding in found:
        assert "seals with the build plate against the film" in finding.message
        assert "above the plate, or print the part on supports" in finding.advice


@pytest.mark.parametrize(("above", "cups"), [(1.0, 0), (2.9, 0), (3.5, 1), (9.0, 1)])
def test_a_vent_near_the_floor_is_enough(above, cups):
    # A vent of 2 mm begins 1 mm below its middle.
    found = told(bowl(2.0, above), minimum={"cup": Limit(fail=100)}, **RESIN)
    assert len(found) == cups
    shallow = box([20, 20, 3.5]) - box([16, 16, 2], [2, 2, 2])
    assert len(told(shallow, minimum={"cup": Limit(fail=100)}, **RESIN)) == 1


def test_a_closed_hollow_is_told_once():
    both = {"cup": Limit(fail=100), "trapped": Limit(fail=1)}
    (finding,) = told(hollow(), minimum=both, **RESIN)
    assert finding.check == "trapped"
    (finding,) = told(hollow(), minimum={"cup": Limit(fail=100)}, **RESIN)
    assert finding.check == "cup"
    # A bowl beside it is told as well.
    two = hollow().translate([30, 0, 0]) + bowl()
    assert sorted(each.check for each in told(two, minimum=both, **RESIN)) == ["cup", "trapped"]


def test_a_cup_is_told_with_its_area():
    (finding,) = told(bowl(), minimum={"cup": Limit(fail=100)}, **RESIN)
    assert finding.measured == pytest.approx(256.0)
    assert "256 mm² wide and sealed for 18.00 mm" in finding.message
    assert "seals against the film while it is printed, over more than 100 mm²" in finding.message
    assert told(bowl(), minimum={"cup": Limit(fail=257)}, **RESIN) == []
