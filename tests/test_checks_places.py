"""One place, one finding, one advice: how what the checks find is told."""

import itertools
import math
import re
from pathlib import Path

import manifold3d as m3
import numpy as np
import pytest
from solids import box
from test_checks import told

from wallguard.bands.declared import band_table
from wallguard.base.rotation import UPRIGHT
from wallguard.checks.case import Case
from wallguard.findings.groups import groups
from wallguard.jobs.check import run_checks
from wallguard.mesh.health import examine
from wallguard.mesh.read import read_mesh
from wallguard.part.geometry import Geometry
from wallguard.rules.load import load_rules
from wallguard.rules.model import DeclaredBand, Limit, Rules

EXAMPLE = Path(__file__).resolve().parents[1] / "example_repo"
BOTH = {"wall": Limit(fail=0.55, warn=0.75), "free_wall": Limit(fail=1.2), "pin": Limit(fail=2.0)}
PLATE = box([40, 20, 2])


def fin(thickness):
    return PLATE + box([thickness, 14, 10], [20, 3, 2])


@pytest.mark.parametrize("thickness", [0.03, 0.3, 0.52, 0.8, 1.0, 1.5])
def test_a_fin_that_breaks_several_limits_is_one_finding_with_one_advice(thickness):
    (finding,) = told(fin(thickness), minimum=BOTH)
    assert "draw" in finding.advice
    for drawn in re.findall(r"\d+\.\d\d", finding.advice):
        assert told(fin(float(drawn)), minimum=BOTH) == [], finding.advice


def rib(thickness):
    walls = box([40, 2, 12]) + box([40, 2, 12], [0, 18, 0])
    return PLATE + walls + box([thickness, 20, 10], [20, 0, 2])


def post(diameter):
    round_one = m3.Manifold.cylinder(8, diameter / 2, diameter / 2, 24)
    return box([10, 10, 2]) + round_one.translate([5, 5, 1.5])


ASKED = [
    {"minimum": BOTH},
    {"minimum": {"wall": Limit(fail=0.8), "free_wall": Limit(fail=0.6, warn=1.4)}},
    {"minimum": {"wall": Limit(fail=1.3), "pin": Limit(warn=1.5)}, "tolerance": (0.05, 0.05)},
    {
        "minimum": {"wall": Limit(fail=0.8), "free_wall": Limit(fail=1.0), "pin": Limit(fail=1)},
        "beads": None,
        "category": "powder bed fusion",
        "layer_height": 0.1,
    },
]


@pytest.mark.parametrize("rules", ASKED, ids=["both", "free is less", "narrow", "powder"])
@pytest.mark.parametrize("make", [fin, rib, post])
def test_what_is_drawn_as_advised_passes(make, rules):
    drawn = set()
    # In space the search costs far more.
    for size in (0.2, 0.7, 1.5) if "beads" not in rules else (0.7,):
        findings = told(make(size), **rules)
        assert len(findings) <= 1, [one.message for one in findings]
        drawn |= {text for one in findings for text in re.findall(r"\d+\.\d\d", one.advice)}
    assert drawn
    for text in drawn:
        assert told(make(float(text)), **rules) == []


def test_a_lost_free_wall_says_all_that_it_breaks_and_how_it_is_made_good():
    (finding,) = told(fin(0.3), minimum=BOTH)
    assert [(one.check, one.severity, one.limit) for one in finding.breaches] == [
        ("fill", "fail", None),
        ("free_wall", "fail", 1.2),
    ]
    assert [one.measured for one in finding.breaches] == pytest.approx([0.3, 0.3], abs=0.005)
    assert finding.message.endswith(
        " mm long, will not be printed; it is below the minimum of 1.20 mm for a wall with a "
        "free edge"
    )
    assert finding.advice == "draw 1.20-1.22 mm"


def test_a_wall_of_which_a_part_stands_free_answers_to_both_minimums():
    # A wall between two posts that is cut away in the middle of its length: held on three sides
    # beside the cut, free above.
    wall = box([1.0, 30, 4]) + box([1.0, 10, 8]) - box([3, 4, 2], [-1, 12, -1])
    part = box([40, 2, 8], [-20, -2, 0]) + box([40, 2, 8], [-20, 30, 0]) + wall
    minimum = {"wall": Limit(fail=1.05), "free_wall": Limit(fail=1.2)}
    findings = told(part, minimum=minimum)
    assert_places_apart(findings)
    for one in findings:
        assert ("1.20" in one.advice) == (1.2 in [each.limit for each in one.breaches])


def test_legs_of_far_different_thickness_are_two_places():
    legs = box([30, 0.3, 8]) + box([0.8, 30, 8], [29.2, 0, 0])
    corner = told(legs)
    assert sorted(one.fill for one in corner) == ["missing", "solid"]


@pytest.mark.parametrize("turn", [0, 33])
@pytest.mark.parametrize("facets", [24, 64, 240])
def test_the_web_between_a_hole_and_an_edge_is_told_once(facets, turn):
    """It is thinnest in its middle and thickens to both sides, also by ranges that come out well:
    two holes are two findings, however fine the circle is."""
    hole = m3.Manifold.cylinder(6, 5.5, 5.5, facets)
    plate = box([60, 40, 4]) - hole.translate([15, 6.3, -1]) - hole.translate([45, 6.3, -1])
    found = told(plate.rotate([0, 0, turn]), minimum={"wall": Limit(fail=0.85)})
    assert [each.check for each in found] == ["fill", "fill"]
    # Facets lie within the circle: the web is no thinner than drawn.
    within = 5.5 * (1 - math.cos(math.pi / facets))
    for each in found:
        assert -0.001 <= each.subject.thickness.min - 0.8 <= within + 0.001


@pytest.mark.parametrize("diameter", [0.4, 0.8, 1.4])
@pytest.mark.parametrize("turn", [(0, 0, 0), (90, 0, 0)], ids=["upright", "lying"])
def test_a_thin_pin_is_told_once(diameter, turn):
    def pin(diameter):
        post = m3.Manifold.cylinder(8, diameter / 2, diameter / 2, 48).translate([5, 5, 9])
        return (box([10, 10, 10]) + post).rotate(turn)

    (finding,) = told(pin(diameter), minimum=BOTH)
    assert finding.subject.kind == "pin"
    assert finding.subject.thickness.typical == pytest.approx(diameter, abs=0.005)
    assert "pin" in [one.check for one in finding.breaches]
    assert re.findall(r"\d\.\d\d", finding.advice) == ["2.00", "2.37"]
    assert told(pin(2.0), minimum=BOTH) == []


@pytest.mark.parametrize("turn", [(0, 0, 0), (90, 0, 0)], ids=["upright", "lying"])
def test_a_narrow_hole_is_told_once(turn):
    bore = m3.Manifold.cylinder(12, 0.15, 0.15, 48).translate([5, 5, -1])
    asked = {"gap": Limit(fail=0.4), "hole": Limit(fail=0.35)}
    (finding,) = told((box([10, 10, 10]) - bore).rotate(turn), minimum=asked)
    assert finding.subject.kind == "hole"
    assert "hole" in [one.check for one in finding.breaches]
    assert float(re.findall(r"\d\.\d\d", finding.advice)[0]) >= 0.35


def test_a_plate_that_lies_is_told_once_where_walls_are_measured_in_space():
    asked = {"wall": Limit(fail=0.8), "floor": Limit(fail=6)}
    rules = {"beads": None, "category": "powder bed fusion", "layer_height": 0.1}
    dish = box([30, 30, 10]) - box([26, 26, 12], [2, 2, 0.5])
    (finding,) = told(dish, minimum=asked, **rules)
    assert {one.check for one in finding.breaches} == {"wall", "floor"}
    assert finding.advice == "draw ≥ 0.80 mm"


def test_advice_satisfies_the_level_that_warns_too():
    bore = m3.Manifold.cylinder(12, 0.5, 0.5, 48).translate([5, 5, -1])
    asked = {"hole": Limit(fail=1.5, warn=1.8)}
    (finding,) = told(box([10, 10, 10]) - bore, minimum=asked)
    assert finding.advice == "draw a diameter ≥ 1.80 mm"


def test_a_finding_keeps_its_subject_in_the_frame_of_the_file():
    pin = m3.Manifold.cylinder(8, 0.7, 0.7, 48).translate([5, 5, 9])
    lying = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
    (finding,) = told(box([10, 10, 10]) + pin, minimum=BOTH, rotation=lying, scale=0.9)
    assert finding.subject.axis == pytest.approx((0, 0, 1), abs=1e-3)
    assert finding.subject.length == pytest.approx(7 * 0.9, abs=0.1)
    (hollow,) = told(box([40, 1.5, 10]))
    about = hollow.subject
    assert (about.kind, about.fill, about.sides) == ("wall", "hollow", 0)
    assert (about.length, about.height) == pytest.approx((38.5, 10), abs=0.2)
    assert about.air == pytest.approx(0.35, abs=0.01)
    assert about.printed.value == pytest.approx(1.5, abs=0.01)


def test_a_grille_of_alike_slats_is_one_group_and_so_are_links_of_a_chain():
    slats = box([200, 30, 2])
    for number in range(40):
        slats += box([1.5, 26.03, 8], [4 + 4.7 * number, 2, 2])
    findings = told(slats)
    assert len(findings) == 40
    assert len(groups(findings)) == 1
    chain = m3.Manifold()
    for number in range(12):
        ring = m3.Manifold.revolve(m3.CrossSection.circle(0.8, 24).translate([4, 0]), 48)
        chain += ring.rotate([90 * (number % 2), 0, 0]).translate([5.5 * number, 0, 0])
    findings = told(chain, minimum=BOTH)
    assert len(groups(findings)) <= len(findings) / 4


def assert_places_apart(findings):
    """No two findings are about one place."""
    placed = [one for one in findings if one.subject]
    for one, other in itertools.combinations(placed, 2):
        assert math.dist(one.location, other.location) > 1e-3, (one.message, other.message)


MESHES = (
    "angle_block.STL", "featuretype.3MF", "featuretype.STL",
    "multibody.stl", "octagonal_pocket.stl", "plate_holes.STL",
)  # fmt: skip


@pytest.mark.parametrize("name", MESHES)
def test_no_two_findings_of_a_real_part_share_a_place(name, shared):
    drawn = read_mesh(shared / "meshes" / name)
    rules = load_rules(EXAMPLE / "rules/petg-0.4.yaml")
    findings = run_checks(
        Case(Geometry(drawn, examine(drawn), UPRIGHT, 1.0), rules, band_table(rules))
    )[1]
    assert_places_apart(findings)
    assert all(one.shape for one in findings if one.subject)
    assert all(one.subject for one in findings if one.box)


@pytest.mark.parametrize("side", [0.8, 2.0, 30.0])
def test_a_small_floor_is_not_told_as_of_no_area(side):
    block = box([40, 40, 10], [-20, -20, 0]) - box([side, side, 20], [-side / 2, -side / 2, 0.6])
    (finding,) = told(block, minimum={"floor": Limit(fail=4)})
    assert finding.message.startswith("floor 3 layers (0.60 mm) thick at (")
    (area,) = re.findall(r", ([\d.]+) mm² wide", finding.message)
    # A grid finds it, so its rim is not exact.
    assert float(area) == pytest.approx(side**2, abs=0.1 + 0.3 * side)
    assert ("." in area) == (side < 3)


def test_faces_that_cross_make_no_wall_thinner_than_nothing(tmp_path):
    """Rounding made it 7e-9 mm less than that: a mutated file of two triangles."""
    corners = [(3.6, 0.6, 0.45), (3.2, 0, 0.25), (3.6, 0.2, 0.65)]
    corners += [(3.6, 0.4, 0.65), (3.2, 0, 0.05), (3, 0.4, 0.25)]
    facets = np.zeros(2, [("floats", "<f4", (4, 3)), ("attribute", "<u2")])
    facets["floats"][:, 1:] = np.reshape(corners, (2, 3, 3))
    (tmp_path / "part.stl").write_bytes(bytes(80) + b"\2\0\0\0" + facets.tobytes())
    drawn = read_mesh(tmp_path / "part.stl")
    asked = {"wall": Limit(fail=0.8), "slender": Limit(fail=10)}
    bands = (DeclaredBand(0, 0.7, "missing"), DeclaredBand(0.7, None, "solid"))
    rules = Rules("r.yaml", "r", "powder bed fusion", 0.2, bands=bands, minimum=asked)
    case = Case(Geometry(drawn, examine(drawn), UPRIGHT, 1.0), rules, band_table(rules))
    assert case.pieces
    assert all(0 <= piece.minimum <= piece.typical <= piece.maximum for piece in case.pieces)
    assert run_checks(case)[1]
