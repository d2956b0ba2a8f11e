"""Walls that lean: whatever is advised is in drawn thickness, and drawing it passes."""

import math
import re
from itertools import pairwise

import manifold3d as m3
import pytest
from solids import mesh

from wallguard.bands.advice import Drawn, advise, callipers
from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table
from wallguard.base.rotation import UPRIGHT
from wallguard.checks.case import Case
from wallguard.jobs.check import report_walls, run_checks
from wallguard.mesh.health import examine
from wallguard.part.geometry import Geometry
from wallguard.rules.model import Beads, Limit, Rules

NARROW = Beads(
    width=0.45, contours=2, smallest_wall=0.4, squeeze=0.1, smallest_fill=0.3, edge_uncertainty=0
)
WIDE = Beads(
    width=0.575,
    contours=2,
    smallest_wall=0.5,
    squeeze=0.075,
    smallest_fill=0.575,
    edge_uncertainty=0,
)
ONE = Beads(
    width=0.4,
    contours=1,
    smallest_wall=0.3,
    squeeze=0.05,
    smallest_fill=0.35,
    edge_uncertainty=0.04,
)
RULES = {
    "narrow": Rules("rules.yaml", "narrow", "material extrusion", 0.2, beads=NARROW),
    "wide": Rules(
        "rules.yaml", "wide", "material extrusion", 0.25, beads=WIDE, minimum={"wall": Limit(0.75)}
    ),
    "one contour": Rules("rules.yaml", "one", "material extrusion", 0.15, beads=ONE),
}


def leaning_wall(drawn: float, degrees: float, *, height: float = 3.0) -> m3.Manifold:
    """A wall 20 mm long that leans so far from upright, level at its foot and top."""
    lean = math.radians(degrees)
    wide, over = drawn / math.cos(lean), height * math.tan(lean)
    corners = [(0, 0), (wide, 0), (wide + over, height), (over, height)]
    standing = m3.Manifold.extrude(m3.CrossSection([corners]), 20)
    return standing.rotate([90, 0, 0])


def case_of(solid: m3.Manifold, rules: Rules, scale: float = 1.0) -> Case:
    whole = mesh(solid)
    return Case(Geometry(whole, examine(whole), UPRIGHT, scale), rules, band_table(rules))


def advised(advice: str) -> list[float]:
    return [float(number) for number in re.findall(r"\d+\.\d\d", advice)]


def sections_of(rules: Rules) -> list[float]:
    """Thicknesses in the layers: one in every band up to 3 mm, and beside its edges."""
    edges = [0.2, *(edge for edge in band_table(rules).edges if 0.2 < edge < 3), 3.0]
    found = [(low + high) / 2 for low, high in pairwise(edges)]
    return sorted(found + [edge + off for edge in edges[1:-1] for off in (-0.02, 0.02)])


@pytest.mark.parametrize(
    ("name", "degrees"),
    [*(("narrow", degrees) for degrees in (0, 15, 45, 75)), ("wide", 60), ("one contour", 30)],
)
def test_a_wall_drawn_as_advised_brings_no_finding(name, degrees):
    rules, followed = RULES[name], set()
    for section in sections_of(rules):
        drawn = round(section * math.cos(math.radians(degrees)), 2)
        for finding in run_checks(case_of(leaning_wall(drawn, degrees), rules))[1]:
            assert finding.advice.endswith(" square to the wall") == (degrees > 0)
            numbers = advised(finding.advice)
            assert numbers
            followed.update(numbers)
    assert followed
    for number in followed:
        assert run_checks(case_of(leaning_wall(number, degrees), rules))[1] == [], number


def test_advice_for_a_leaning_wall_is_in_the_thickness_drawn():
    (finding,) = run_checks(case_of(leaning_wall(0.8, 45), RULES["narrow"]))[1]
    assert "wall 1.13 mm thick (0.80 mm square to it) at " in finding.message
    assert finding.subject.lean == 45
    read = finding.subject.callipers
    assert finding.message.endswith(f" ({read.value:.2f} mm between callipers square to it)")
    printed = finding.subject.printed.value
    assert read.value == pytest.approx((printed - 0.2) * math.sqrt(0.5) + 0.2)
    assert finding.advice == "draw 0.57-0.70 or 0.85-1.34 mm square to the wall"


def test_an_upright_wall_is_told_as_ever():
    (finding,) = run_checks(case_of(leaning_wall(1.13, 0), RULES["narrow"]))[1]
    assert "square" not in finding.message + finding.advice
    assert (finding.subject.lean, finding.subject.callipers) == (0, None)
    assert all(
        wall.callipers is None
        for wall in report_walls(case_of(leaning_wall(2, 0), RULES["narrow"]))
    )


def test_walls_are_listed_with_their_lean():
    (wall,) = report_walls(case_of(leaning_wall(1.0, 30), RULES["narrow"]))
    assert wall.lean == 30
    assert wall.callipers.value == pytest.approx(
        (wall.printed.value - 0.2) * math.cos(math.pi / 6) + 0.2
    )


@pytest.mark.parametrize("degrees", [0, 20, 50, 80])
def test_callipers_touch_the_rounded_edges_of_the_layers(degrees):
    """Against the hull of layers that are drawn out point by point."""
    height, printed, lean = 0.2, 0.9, math.radians(degrees)
    reach = []
    for layer in range(20):
        for turn in range(3600):
            at = 2 * math.pi * turn / 3600
            side = math.copysign((printed - height) / 2, math.cos(at))
            x = layer * height * math.tan(lean) + side + height / 2 * math.cos(at)
            reach.append(
                x * math.cos(lean) - (layer * height + height / 2 * math.sin(at)) * math.sin(lean)
            )
    square = (math.cos(lean), math.cos(lean))
    assert max(reach) - min(reach) == pytest.approx(callipers(printed, height, square), abs=1e-4)


def test_of_a_wall_that_leans_differently_what_is_advised_holds_all_over():
    table = calculated(WIDE)
    for low, high in ((0.5, 0.6), (0.7, 1.0), (0.95, 0.97)):
        said = advise(table, 1.5, (0.15, 0.15), 0.0, Drawn(square=(low, high)))
        for number in advised(said):
            for share in range(11):
                cosine = low + share / 10 * (high - low)
                assert table.classify(number / cosine, (0.15, 0.15)) == "solid", (said, cosine)


def test_of_a_leaning_wall_in_a_scaled_model_the_file_is_told():
    case = case_of(leaning_wall(0.8, 45).scale([100] * 3), RULES["narrow"], 0.01)
    (finding,) = run_checks(case)[1]
    assert finding.advice == (
        "draw 57 to 70 mm (0.57-0.70 mm printed) or 85 to 134 mm (0.85-1.34 mm printed) "
        "square to the wall"
    )
