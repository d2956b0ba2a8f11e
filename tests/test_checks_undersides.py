"""Undersides, islands, footprints and slender walls: parts of known answers, turned, in three
finenesses, and parts at which each check must stay silent."""

import math

import manifold3d as m3
import numpy as np
import pytest
import shapely
from solids import box, mesh, prism
from test_checks import case, found, told

from wallguard.rules.model import Limit
from wallguard.sections.cut import cut
from wallguard.shapes.footprints import find_footprints
from wallguard.shapes.regions import overlaid
from wallguard.shapes.undersides import Ask, find_undersides

TURNS = [0.0, 23.7, 45.0, 90.0]
ASK = Ask(flatter=45.0, free=0.9, smallest=0.4, layer=0.2)


def turned(solid, angle):
    return solid.rotate([0, 0, angle])


def bench(span, height=20.0):
    """A plate on two walls."""
    return (
        box([span + 8, 30, 3], [0, 0, height])
        + box([4, 30, height])
        + box([4, 30, height], [span + 4, 0, 0])
    )


def shelf(reach):
    """A plate that one wall carries."""
    return box([4, 30, 20]) + box([4 + reach, 30, 3], [0, 0, 20])


def leaning(angle, reach):
    """A block with an underside at an angle (degrees from level) from the build surface up."""
    rise = reach * math.tan(math.radians(angle))
    outline = [[0, 0], [10, 0], [10 + reach, rise], [10 + reach, rise + 5], [0, rise + 5]]
    return prism(outline, 10).rotate([90, 0, 0])


@pytest.mark.parametrize("angle", TURNS)
@pytest.mark.parametrize("span", [8.0, 32.0])
def test_a_span_is_the_distance_of_what_carries_it(span, angle):
    (underside,) = find_undersides(mesh(turned(bench(span), angle)), ASK)
    assert underside.span == pytest.approx(span, abs=1e-4)
    assert math.dist(*underside.across) == pytest.approx(span, abs=1e-4)
    assert (underside.reach, underside.angle) == (0.0, pytest.approx(0.0, abs=1e-5))
    assert underside.area == pytest.approx(span * 30, rel=1e-6)


@pytest.mark.parametrize("angle", TURNS)
def test_a_ceiling_on_four_sides_spans_its_shorter_side(angle):
    pocket = box([40, 30, 20]) - box([30, 12, 10], [5, 9, 0])
    (underside,) = find_undersides(mesh(turned(pocket, angle)), ASK)
    assert underside.span == pytest.approx(12.0, abs=1e-4)


@pytest.mark.parametrize("angle", [*TURNS, 7.3, 61.9])
@pytest.mark.parametrize("facets", [12, 32, 96])
def test_a_ceiling_with_a_hole_is_a_bridge_past_it(facets, angle):
    pocket = box([40, 30, 20]) - box([30, 12, 10], [5, 9, 0])
    hole = m3.Manifold.cylinder(20, 3, 3, facets).translate([20, 15, 5])
    (underside,) = find_undersides(mesh(turned(pocket - hole, angle)), ASK)
    assert underside.reach == 0.0
    # Beside the hole 12 mm across; before it past the hole, nearly from end to end.
    assert 12 <= underside.span <= 31


@pytest.mark.parametrize("facets", [32, 96, 256])
def test_the_top_of_a_lying_hole_spans_a_chord(facets):
    # What is flatter than 45 degrees of a circle of diameter 10 is 10 sin 45 wide, and with facets
    # at most one of them wider on either side.
    hole = m3.Manifold.cylinder(60, 5, 5, facets).rotate([0, 90, 0]).translate([-1, 15, 20])
    (underside,) = find_undersides(mesh(box([40, 30, 40]) - hole), ASK)
    wider = 2 * 5 * math.pi / facets
    assert 10 * math.sin(math.pi / 4) - 0.01 <= underside.span
    assert underside.span <= 10 * math.sin(math.pi / 4) + 2 * wider


@pytest.mark.parametrize("facets", [32, 96, 256])
def test_a_round_ceiling_spans_its_diameter(facets):
    hole = m3.Manifold.cylinder(6, 8, 8, facets)
    (underside,) = find_undersides(mesh(box([30, 30, 20]) - hole.translate([15, 15, 0])), ASK)
    assert 16 * math.cos(math.pi / facets) - 0.01 <= underside.span <= 16.01


@pytest.mark.parametrize("angle", TURNS)
@pytest.mark.parametrize("reach", [1.5, 20.0])
def test_a_reach_is_the_distance_to_what_carries(reach, angle):
    (underside,) = find_undersides(mesh(turned(shelf(reach), angle)), ASK)
    assert underside.reach == pytest.approx(reach, abs=1e-4)
    assert underside.span == 0.0


@pytest.mark.parametrize("angle", [5.0, 30.0, 44.0])
def test_an_angle_is_that_of_the_facets(angle):
    (underside,) = find_undersides(mesh(leaning(angle, 10)), ASK)
    assert underside.angle == pytest.approx(angle, abs=1e-6)
    assert underside.area == pytest.approx(100 / math.cos(math.radians(angle)), rel=1e-6)
    # What lies within the first layer is carried by the build surface.
    on_the_plate = 0.2 / math.tan(math.radians(angle))
    assert underside.reach == pytest.approx(10 - on_the_plate, abs=1e-4)


@pytest.mark.parametrize(
    "solid",
    [
        leaning(45.0, 10),  # as steep as asked
        leaning(44.96, 10),  # to single precision
        shelf(0.8),  # within the free length
        m3.Manifold.cylinder(20, 10, 10, 64),
        prism([[0, 0], [20, 0], [20, 10], [0, 10]], 5) + box([10, 5, 10], [5, 2, 0]),
        m3.Manifold.compose([box([20, 20, 5]), box([10, 10, 5], [5, 5, 5])]),  # only touches
    ],
)
def test_what_carries_itself_is_no_underside(solid):
    assert find_undersides(mesh(solid), ASK) == []


def test_what_only_touches_carries_what_lies_on_it():
    plates = m3.Manifold.compose([box([10, 20, 5]), box([20, 20, 5], [0, 0, 5])])
    (underside,) = find_undersides(mesh(plates), ASK)
    assert underside.reach == pytest.approx(10.0, abs=1e-4)


def test_a_narrow_shelf_between_two_walls_is_carried_along_its_side():
    # 100 mm from wall to wall, but never more than 0.8 mm from what carries it.
    niche = box([108, 11.6, 20]) - box([100, 2, 10], [4, 10.8, 0])
    assert find_undersides(mesh(niche), ASK) == []
    deeper = box([108, 12, 20]) - box([100, 2, 10], [4, 10.8, 0])
    assert [each.span for each in find_undersides(mesh(deeper), ASK)] == pytest.approx([100])


RULES = {
    "overhang": Limit(fail=30, warn=45),
    "ledge": Limit(fail=2, warn=1),
    "bridge": Limit(fail=10),
    "island": Limit(fail=0),
}


def test_an_underside_is_one_place_with_all_it_breaks():
    (finding,) = told(shelf(20), minimum=RULES)
    assert [breach.check for breach in finding.breaches] == ["overhang", "ledge"]
    assert "level underside at (14.0, " in finding.message
    assert "600 mm² large" in finding.message
    assert "is flatter than 30° with nothing below it" in finding.message
    assert "reaches 20.00 mm beyond what carries it, more than the 2.00 mm" in finding.message
    steeper = "draw it ≥ 45° from level, turn the part, or put something below"
    assert finding.advice == f"{steeper}, and let it reach ≤ 1.00 mm"
    assert finding.subject.kind == "underside"


@pytest.mark.parametrize(("span", "expected"), [(10.0, []), (10.02, ["bridge"])])
def test_a_bridge_is_judged_by_its_span_alone(span, expected):
    findings = told(bench(span), minimum=RULES)
    assert [breach.check for finding in findings for breach in finding.breaches] == expected


def test_without_a_limit_to_spans_a_bridge_is_an_overhang():
    rules = {name: limit for name, limit in RULES.items() if name != "bridge"}
    (finding,) = told(bench(20.0), minimum=rules)
    assert [breach.check for breach in finding.breaches] == ["overhang"]


def test_following_the_advice_passes():
    assert told(leaning(45.0, 10), minimum=RULES) == []
    assert told(shelf(1.0), minimum=RULES) == []
    assert told(bench(10.0), minimum=RULES) == []


def test_what_begins_in_mid_air_is_told_once_with_its_height():
    gallows = box([4, 4, 20]) + box([20, 4, 4], [0, 0, 20]) + box([4, 4, 12], [16, 0, 8])
    findings = told(gallows, minimum=RULES)
    (island,) = [finding for finding in findings if finding.check == "island"]
    assert island.measured == pytest.approx(16.0)
    assert "begins 8.00 mm above the build surface on nothing" in island.message
    assert "hangs alone for 12.00 mm" in island.message
    # The beam between the post and the hanging leg is a bridge of 12 mm.
    assert [f.check for f in findings if f is not island] == ["bridge"]


def test_islands_and_footprints_of_pieces_that_join():
    legs = box([3, 3, 10]) + box([3, 3, 10], [20, 0, 0]) + box([23, 3, 2], [0, 0, 10])
    (footprint,), islands = find_footprints(cut(mesh(legs), 0.2))
    assert islands == []
    assert footprint.area == pytest.approx(18.0)
    assert (footprint.width, footprint.height) == (pytest.approx(3.0), pytest.approx(12.0))


@pytest.mark.parametrize("angle", TURNS)
def test_the_width_of_a_footprint_is_its_least(angle):
    (footprint,), _ = find_footprints(cut(mesh(turned(box([40, 5, 60]), angle)), 0.2))
    assert footprint.width == pytest.approx(5.0, abs=1e-6)
    assert math.dist(*footprint.across) == pytest.approx(5.0, abs=1e-6)
    assert footprint.area == pytest.approx(200.0)


def test_a_tall_part_on_a_small_foot():
    tower = box([10, 10, 101])
    (finding,) = found("contact", tower, minimum={"contact": Limit(fail=10)})
    assert finding.measured == pytest.approx(10.1)
    assert finding.advice == "stand it on ≥ 10.10 mm, or lay it down"
    assert found("contact", box([10, 10, 100]), minimum={"contact": Limit(fail=10)}) == []
    (finding,) = found("contact_area", tower, minimum={"contact_area": Limit(fail=101)})
    assert "is smaller than 101 mm²" in finding.message
    assert found("contact_area", tower, minimum={"contact_area": Limit(fail=100)}) == []


@pytest.mark.parametrize("angle", TURNS)
def test_a_slender_fin_is_one_place_with_its_thickness(angle):
    fin = turned(box([40, 40, 3]) + box([30, 1.2, 20], [5, 20, 3]), angle)
    limits = {"slender": Limit(warn=10, fail=15), "wall": Limit(fail=1.3)}
    (finding,) = told(fin, minimum=limits)
    assert {breach.check for breach in finding.breaches} == {"slender", "wall"}
    slender = next(each for each in finding.breaches if each.check == "slender")
    assert slender.measured == pytest.approx(20 / 1.2, rel=0.01)
    assert "stands free and is 16.7 times as high (20.00 mm) as thick" in finding.message
    assert "2.00-2.37 mm" in finding.advice


def test_a_wall_held_on_both_sides_is_not_slender():
    held = box([40, 40, 3]) + box([30, 1.2, 20], [5, 20, 3])
    held = held + box([5, 40, 23]) + box([5, 40, 23], [35, 0, 0])
    assert found("slender", held, minimum={"slender": Limit(fail=10)}) == []


def test_a_slender_pin():
    pin = box([20, 20, 3]) + m3.Manifold.cylinder(30, 1, 1, 64).translate([10, 10, 3])
    (finding,) = found("slender", pin, minimum={"slender": Limit(fail=10)})
    assert finding.measured == pytest.approx(15, rel=0.01)
    assert "pin of diameter 2.00 mm" in finding.message


def test_the_checks_stay_silent_where_the_rules_ask_nothing():
    assert told(shelf(20)) == []


def test_a_spiral_of_parts_keeps_its_order():
    boxes = [box([5, 5, 5], [10 * x, 0, 3 * x]) for x in range(4)]
    solid = m3.Manifold.compose(boxes)
    _, islands = find_footprints(cut(mesh(solid), 0.2))
    assert [round(each.above, 1) for each in islands] == [3.0, 6.0, 9.0]
    assert all(each.hangs is None for each in islands)
    assert np.allclose([each.area for each in islands], 25.0)


def test_regions_that_cannot_be_laid_over_one_another_as_they_are():
    bow = shapely.Polygon([(0, 0), (4, 4), (4, 0), (0, 4)])  # crosses itself
    strip = shapely.box(-1, 1, 5, 2)
    with pytest.raises(shapely.GEOSException):
        shapely.difference(bow, strip)
    # Two triangles of 4 mm² less what the strip covers of them: half-widths fall from 1 to 0.
    assert overlaid(shapely.difference, bow, strip).area == pytest.approx(8 - 2 * 1.5, abs=1e-5)
    edge = overlaid(shapely.intersection, shapely.LineString([(0, 0), (4, 4)]), strip)
    assert edge.length == pytest.approx(math.sqrt(2))


@pytest.mark.parametrize("facets", [24, 96, 240])
@pytest.mark.parametrize("turn", TURNS)
def test_a_collar_within_a_bore_reaches_and_does_not_span(turn, facets):
    # Chords of the collar that pass its free rim are carried at both ends; nobody lays these.
    tube = m3.Manifold.cylinder(20, 14, 14, facets) - m3.Manifold.cylinder(30, 11, 11, facets)
    collar = m3.Manifold.cylinder(2, 12, 12, facets) - m3.Manifold.cylinder(9, 9.4, 9.4, facets)
    solid = turned(tube + collar.translate([0, 0, 10]), turn)
    (finding,) = told(solid, minimum=RULES)
    assert [breach.check for breach in finding.breaches] == ["overhang", "ledge"]
    # From the flats of the bore to the corners of the collar.
    reach = 11 * math.cos(math.pi / facets) - 9.4
    assert finding.subject.length == pytest.approx(reach, abs=11 - 11 * math.cos(math.pi / facets))


@pytest.mark.parametrize("facets", [24, 96, 240])
@pytest.mark.parametrize("limit", [4.0, 12.0])
def test_the_roof_of_a_round_room_is_a_span_whatever_may_be_spanned(limit, facets):
    # Its points off the middle lie nearer to what carries them than half of any line across.
    room = m3.Manifold.cylinder(8, 8, 8, facets).translate([0, 0, 4])
    room += box([30, 3, 4], [0, -1.5, 4])
    findings = told(
        box([40, 24, 20], [-12, -12, 0]) - room, minimum={**RULES, "bridge": Limit(limit)}
    )
    (finding,) = findings
    assert [breach.check for breach in finding.breaches] == ["bridge"]
    assert finding.subject.length == pytest.approx(16.0, abs=0.2)


@pytest.mark.parametrize("facets", [24, 96, 240])
@pytest.mark.parametrize("turn", TURNS)
def test_a_lying_bore_that_ends_in_a_round_face_is_a_bridge(turn, facets):
    # Seen from above its roof ends in an arc, along which no straight line runs.
    bore = m3.Manifold.cylinder(60, 4, 4, facets).rotate([0, 90, 0]).translate([-30, 0, 10])
    solid = turned(m3.Manifold.cylinder(20, 12, 12, facets) - bore, turn)
    (finding,) = told(solid, minimum={**RULES, "bridge": Limit(fail=4)})
    assert [breach.check for breach in finding.breaches] == ["bridge"]
    # The part of a circle of 8 mm that is flatter than 45 degrees.
    assert finding.subject.length == pytest.approx(8 * math.sqrt(0.5), abs=8 * math.pi / facets)


def test_a_reason_is_said_once():
    # A beam on two posts that goes on beyond one of them, with a plate all around that joins both.
    arm = box([4, 4, 20]) + box([4, 4, 20], [24, 0, 0]) + box([34, 10, 4], [0, -3, 20])
    (finding,) = told(arm, minimum=RULES)
    assert {breach.check for breach in finding.breaches} == {"overhang", "ledge", "bridge"}
    assert finding.message.count("it sags or needs supports") == 1


@pytest.mark.parametrize("fine", [1, 3, 6])
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("height", [0.05, 0.2])
def test_a_leaning_edge_that_shares_no_area_from_layer_to_layer_is_no_island(height, turn, fine):
    # Its tip of 14 degrees moves on by more than it is wide.
    blade = prism([[0, 0], [8, 0], [20, 12]], 15).rotate([90, 0, 0]).refine(fine)
    solid = mesh(turned(blade, turn))
    assert len(find_footprints(cut(solid, height))[1]) >= 1
    assert find_footprints(cut(solid, height), solid)[1] == []


@pytest.mark.parametrize("turn", TURNS)
def test_each_lowest_point_above_the_build_surface_is_an_island_and_nothing_else(turn):
    # An arm with three teeth that hang, of which one is a leaning blade.
    arm = box([4, 4, 20]) + box([40, 4, 4], [0, 0, 20])
    teeth = [
        prism([[0, 0], [3, 9], [-3, 9]], 3).rotate([90, 0, 0]).translate([x, 3.5, 12])
        for x in (12, 20)
    ]
    blade = prism([[0, 0], [10, 12], [6, 12]], 3).rotate([90, 0, 0]).translate([26, 3.5, 10])
    solid = mesh(turned(sum(teeth, arm) + blade, turn))
    _, islands = find_footprints(cut(solid, 0.2), solid)
    assert [round(each.above, 1) for each in islands] == [10.0, 12.0, 12.0]
    assert all(each.hangs is not None for each in islands)


@pytest.mark.parametrize("facets", [24, 64, 160])
@pytest.mark.parametrize("turn", [0.0, 23.7])
@pytest.mark.parametrize("leaves", [0, 1, 2, 3])
def test_a_tube_with_leaves_is_held_all_round_and_its_leaves_are_not(leaves, turn, facets):
    # The knuckle of a hinge: 12 mm across and 30 mm high, walls of 1.5 mm.
    tube = m3.Manifold.cylinder(30, 6, 6, facets) - m3.Manifold.cylinder(70, 4.5, 4.5, facets, True)
    leaf = box([20, 1.4, 30], [5.2, -0.7, 0])
    solid = sum((leaf.rotate([0, 0, 110 * number]) for number in range(leaves)), tube)
    minimum = {"slender": Limit(fail=10), "wall": Limit(fail=1.2), "free_wall": Limit(fail=1.6)}
    findings = [
        finding
        for finding in told(turned(solid, turn), minimum=minimum)
        if {breach.check for breach in finding.breaches} & {"slender", "free_wall"}
    ]
    assert len(findings) == leaves
    # Each far out on its leaf.
    assert all(math.hypot(*each.location[:2]) > 7 for each in findings)


POWDER = {"category": "powder bed fusion", "beads": None, "layer_height": 0.1}


def standing_plate(lean, facets):
    """A plate of 3 x 30 x 40 mm on a foot, leaning (degrees) across its thickness, with a fine grid
    of so many holes that do nothing but make it dear."""
    plate = box([30, 3, 41], [0, -1.5, -1])
    for column in range(3):
        hole = m3.Manifold.cylinder(9, 1, 1, facets, True).rotate([90, 0, 0])
        plate -= hole.translate([7 + 8 * column, 0, 20])
    return plate.rotate([lean, 0, 0]).trim_by_plane([0, 0, 1], 0) + box([50, 50, 4], [-10, -25, -4])


@pytest.mark.parametrize("facets", [8, 24, 96])
@pytest.mark.parametrize("angle", TURNS)
@pytest.mark.parametrize("lean", [0.0, 20.0])
def test_a_slender_wall_in_space_is_found_however_thick_it_is(lean, angle, facets):
    solid = turned(standing_plate(lean, facets), angle)
    limits = {"slender": Limit(fail=10), "wall": Limit(fail=0.8)}
    (finding,) = found("slender", solid, **POWDER, minimum=limits)
    height = 40 * math.cos(math.radians(lean)) + 1.5 * math.sin(math.radians(lean))
    assert finding.measured == pytest.approx(height / 3, rel=0.02)
    limits["slender"] = Limit(fail=14)
    assert found("slender", solid, **POWDER, minimum=limits) == []


@pytest.mark.parametrize("angle", [0.0, 23.7])
def test_a_wall_in_space_held_on_three_sides_is_not_slender_and_not_looked_for(angle):
    held = standing_plate(0.0, 24) + box([4, 50, 40], [-4, -25, 0]) + box([4, 50, 40], [30, -25, 0])
    limits = {"slender": Limit(fail=10), "wall": Limit(fail=0.8)}
    asked = case(turned(held, angle), **POWDER, minimum=limits)
    assert asked.searched == asked.largest == pytest.approx(1.2)
    assert found("slender", turned(held, angle), **POWDER, minimum=limits) == []
