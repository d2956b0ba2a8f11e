"""Sharp edges, and gaps between bodies: parts of known answers, turned and in three finenesses."""

import math

import manifold3d as m3
import pytest
from solids import box, mesh, prism
from test_checks import told

from wallguard.rules.model import Limit
from wallguard.shapes.knives import ball, find_knives

POWDER = {"category": "powder bed fusion", "beads": None}


def blade(angle, length=20.0, depth=10.0):
    """A wedge whose edge has an angle, degrees."""
    half = depth * math.tan(math.radians(angle) / 2)
    return prism([[0, -half], [depth, 0], [0, half]], length)


@pytest.mark.parametrize("turn", [(0, 0, 0), (20, 30, 40), (90, 0, 0)])
@pytest.mark.parametrize("angle", [5.0, 20.0, 29.9])
def test_the_angle_of_an_edge_is_that_between_its_faces(angle, turn):
    (knife,) = find_knives(mesh(blade(angle).rotate(turn)), 30.0)
    assert knife.angle == pytest.approx(angle, abs=1e-5)
    assert knife.length == pytest.approx(20.0, abs=1e-5)


@pytest.mark.parametrize("facets", [16, 64, 256])
def test_the_rim_of_a_lens_is_one_edge(facets):
    # Two cones of 75 degrees from the axis meet in a rim of 30.
    high = 10 * math.tan(math.radians(15))
    lens = m3.Manifold.cylinder(high, 10, 0, facets) + m3.Manifold.cylinder(
        high, 10, 0, facets
    ).rotate([180, 0, 0])
    (knife,) = find_knives(mesh(lens), 35.0)
    assert knife.angle == pytest.approx(
        2 * math.degrees(math.atan(high / (10 * math.cos(math.pi / facets)))), abs=1e-4
    )
    assert knife.length == pytest.approx(2 * facets * 10 * math.sin(math.pi / facets), rel=1e-6)


@pytest.mark.parametrize(
    "solid",
    [
        box([10, 10, 10]),
        blade(30.001),
        m3.Manifold.sphere(10, 64),
        box([20, 20, 20]) - blade(20.0).translate([5, 10, 5]),  # re-entrant
        blade(20.0) - box([2, 4, 30], [9, -2, -1]),  # cut off
    ],
)
def test_what_is_blunt_is_no_edge(solid):
    assert find_knives(mesh(solid), 30.0) == []


def test_a_bead_ends_before_an_edge():
    # A circle in a wedge of 60 degrees has its middle two radii from the edge.
    assert ball(0.2, 60.0) == pytest.approx(0.2)


@pytest.mark.parametrize("category", [{}, POWDER])
def test_an_edge_is_told_with_its_angle(category):
    findings = told(blade(20.0), minimum={"edge": Limit(fail=30)}, **category)
    # Toward its edge the blade is not printed in layers, which is another matter.
    (finding,) = [each for each in findings if each.check == "edge"]
    assert "edge of 20° at" in finding.message
    assert "20.00 mm long, is sharper than 30°" in finding.message
    assert finding.advice == "draw ≥ 30°, or cut or round it off"


def ring(gap, facets=64):
    """A pin in a sleeve, two bodies."""
    sleeve = m3.Manifold.cylinder(10, 10, 10, facets) - m3.Manifold.cylinder(
        10, 5 + gap, 5 + gap, facets
    )
    return m3.Manifold.compose([sleeve, m3.Manifold.cylinder(10, 5, 5, facets)])


@pytest.mark.parametrize("category", [{}, POWDER])
@pytest.mark.parametrize("facets", [24, 64, 128])
def test_a_gap_between_bodies_is_a_clearance_and_no_gap(facets, category):
    limits = {"clearance": Limit(fail=0.5), "gap": Limit(fail=0.5)}
    (finding,) = told(ring(0.3, facets), minimum=limits, **category)
    (breach,) = finding.breaches
    assert breach.check == "clearance"
    assert breach.measured == pytest.approx(0.3, abs=0.02)
    assert "between two bodies is below the minimum of 0.50 mm: they may fuse" in finding.message
    assert finding.advice == "leave ≥ 0.50 mm of air, or join them"


@pytest.mark.parametrize("category", [{}, POWDER])
@pytest.mark.parametrize("turn", [0, 33])
def test_a_gap_within_one_body_is_no_clearance(turn, category):
    slot = (box([20, 10, 10]) - box([15, 0.3, 12], [-1, 5, -1])).rotate([0, 0, turn])
    limits = {"clearance": Limit(fail=0.5), "gap": Limit(fail=0.5)}
    (finding,) = told(slot, minimum=limits, **category)
    assert [breach.check for breach in finding.breaches] == ["gap"]
    both = m3.Manifold.compose([slot, box([5, 5, 5], [60, 0, 0])])
    (finding,) = told(both, minimum=limits, **category)
    assert [breach.check for breach in finding.breaches] == ["gap"]


def test_without_a_limit_to_clearances_gaps_judge_them():
    (finding,) = told(ring(0.3), minimum={"gap": Limit(fail=0.5)})
    assert [breach.check for breach in finding.breaches] == ["gap"]
    assert told(ring(0.3), minimum={"gap": Limit(fail=0.5), "clearance": Limit(fail=0.25)}) == []


def test_a_taper_in_space_is_told_at_its_edge_once_and_a_thin_wall_with_one_apart():
    minimum = {"edge": Limit(fail=30), "wall": Limit(fail=0.8)}
    (finding,) = told(blade(20.0), minimum=minimum, **POWDER)
    assert finding.subject.kind == "edge"
    assert {each.check for each in finding.breaches} == {"edge", "wall"}
    # A sheet of 0.5 mm that ends in a chamfer of 20 degrees is thin all over.
    tip = 0.25 / math.tan(math.radians(10))
    sheet = prism([[0, -0.25], [10, -0.25], [10 + tip, 0], [10, 0.25], [0, 0.25]], 20.0)
    kinds = [each.subject.kind for each in told(sheet, minimum=minimum, **POWDER)]
    assert sorted(kinds) == ["edge", "wall"]


@pytest.mark.parametrize("turn", [(0, 0, 0), (20, 30, 40)])
def test_a_thin_wall_is_told_as_a_wall_where_edges_are_to_be_rounded_too(turn):
    minimum = {"edge_radius": Limit(warn=0.2), "wall": Limit(fail=0.8)}
    findings = told(box([20, 0.5, 12]).rotate(turn), minimum=minimum, **POWDER)
    wall, edge = sorted(findings, key=lambda each: each.check, reverse=True)
    assert [breach.check for breach in wall.breaches] == ["wall"]
    assert wall.message.startswith("wall 0.50 mm thick at")
    assert wall.advice == "draw ≥ 0.80 mm"
    assert [breach.check for breach in edge.breaches] == ["edge_radius"]


@pytest.mark.parametrize("turn", [(0, 0, 0), (20, 30, 40)])
@pytest.mark.parametrize("facets", [24, 64, 160])
def test_a_thin_wall_within_the_rim_of_a_knife_is_no_part_of_it(facets, turn):
    # A bowl whose rim of 40 mm across is an edge of 25 degrees, and a tube of 0.5 mm within it.
    rim = [[10, 0], [14, 0], [20, 12], [10, 4]]
    funnel = m3.Manifold.revolve(m3.CrossSection([rim]), facets)
    tube = m3.Manifold.revolve(m3.CrossSection([[[8, 2], [8.5, 2], [8.5, 10], [8, 10]]]), facets)
    spoke = box([3, 3, 2], [8, -1.5, 2])
    findings = told(
        (funnel + tube + spoke).rotate(turn),
        minimum={"edge": Limit(fail=40), "wall": Limit(fail=0.55)},
        **POWDER,
    )
    kinds = sorted(each.subject.kind for each in findings)
    assert kinds == ["edge", "wall"], [each.message for each in findings]
