"""How far convex edges are rounded: fillets of known radius, turned and in three finenesses."""

import math

import manifold3d as m3
import pytest
from solids import box, mesh, prism
from test_checks import told
from test_checks_strokes import CATEGORIES, QUIET

from wallguard.rules.model import Limit
from wallguard.shapes.rounded import find_rounded

TURNS = [(0, 0, 0), (90, 0, 0), (20, 30, 40)]


def block(radius, facets=6):
    """20 x 10 x 8 mm with its four upright edges rounded by so many facets each."""
    size = m3.CrossSection.square([20, 10]).offset(-radius, m3.JoinType.Miter)
    return size.offset(radius, m3.JoinType.Round, 2, 4 * facets).extrude(8)


def pillow(radius, facets):
    """A box that is rounded all over."""
    ball = m3.Manifold.sphere(radius, 4 * facets)
    corners = [(x, y, z) for x in (0, 20) for y in (0, 10) for z in (0, 8)]
    return m3.Manifold.batch_hull([ball.translate(corner) for corner in corners])


@pytest.mark.parametrize("facets", [2, 6, 16])
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("radius", [0.1, 0.4, 1.0])
def test_a_fillet_has_the_radius_that_was_drawn(radius, turn, facets):
    sharp, edge = find_rounded(mesh(block(radius, facets).rotate(turn)), 1.2)
    assert edge.radius == pytest.approx(radius, abs=1e-4)
    assert edge.length == pytest.approx(4 * 8.0, abs=1e-4)
    assert sharp.radius == 0  # around its two ends: straight, and a quarter of a polygon
    chords = 2 * radius * math.sin(math.pi / 4 / facets) * facets * 4
    around = 2 * (20 + 10) - 8 * radius + chords
    assert sharp.length == pytest.approx(2 * around, abs=1e-3)


@pytest.mark.parametrize("facets", [3, 6, 12])
@pytest.mark.parametrize("turn", TURNS)
def test_a_part_that_is_rounded_all_over_has_one_edge_of_its_radius(turn, facets):
    (edge,) = find_rounded(mesh(pillow(0.4, facets).rotate(turn)), 0.6)
    assert edge.radius == pytest.approx(0.4, abs=1e-4)
    assert edge.length == pytest.approx(4 * (20 + 10 + 8), abs=1e-3)


@pytest.mark.parametrize("fine", [2, 5])
def test_facets_cut_into_pieces_are_as_wide_as_before(fine):
    _, edge = find_rounded(mesh(block(0.4).refine(fine)), 0.6)
    assert edge.radius == pytest.approx(0.4, abs=1e-4)


@pytest.mark.parametrize("facets", [12, 32, 96])
def test_the_rim_of_a_disc_is_one_edge(facets):
    ring = [
        (5 + 0.3 * math.cos(a), 2 + 0.3 * math.sin(a))
        for a in (math.pi / 2 * step / 4 for step in range(5))
    ]
    profile = m3.CrossSection([[(0, 0), (5.3, 0), *ring, (0, 2.3)]])
    sharp, edge = find_rounded(mesh(profile.revolve(facets)), 0.5)
    # Facets lie nearer to the axis than their corners.
    assert edge.radius == pytest.approx(0.3, rel=1.1 * (1 - math.cos(math.pi / facets)) + 1e-4)
    assert sharp.length == pytest.approx(2 * facets * 5.3 * math.sin(math.pi / facets), rel=1e-4)


SILENT = {
    "larger": pillow(0.7, 6),
    "ball": m3.Manifold.sphere(5, 48),
    "small ball": m3.Manifold.sphere(0.3, 24),
    "octagon": m3.Manifold.sphere(5, 8),
}


@pytest.mark.parametrize("name", SILENT)
def test_what_is_round_enough_is_no_edge(name):
    assert find_rounded(mesh(SILENT[name]), 0.5) == []


def test_edges_that_are_cut_off_pins_and_inner_corners_are_not_rounded_too_little():
    corners = [(0.3, 0), (19.7, 0), (20, 0.3), (20, 9.7), (19.7, 10), (0.3, 10), (0, 9.7), (0, 0.3)]
    for solid in (
        prism(corners, 8),
        m3.Manifold.cylinder(8, 0.3, 0.3, 24),
        box([20, 10, 8]) - box([5, 5, 9], [5, 2, 2]),
    ):
        assert [edge.radius for edge in find_rounded(mesh(solid), 0.5)] == [0.0]  # of its ends


@pytest.mark.parametrize("category", CATEGORIES.values(), ids=CATEGORIES)
def test_edges_are_told_with_their_radius(category):
    limits = {"edge_radius": Limit(fail=0.5)}
    findings = told(block(0.4), minimum=limits, outcomes=QUIET, **category)
    sharp, rounded = sorted(findings, key=lambda each: each.measured)
    assert "edge of a radius of 0.40 mm at (" in rounded.message
    assert "32.00 mm of such in all, is less than 0.50 mm: it may" in rounded.message
    assert "sharp edge at (" in sharp.message
    assert "mm of such in all, is not rounded, by 0.50 mm at least" in sharp.message
    assert sharp.advice == "draw a radius ≥ 0.50 mm, or cut it off"
    assert told(pillow(0.5, 6), minimum=limits, outcomes=QUIET, **category) == []


def test_an_edge_that_is_too_sharp_for_its_angle_is_told_once():
    wedge = prism([[0, -3], [20, 0], [0, 3]], 10)
    limits = {"edge_radius": Limit(fail=0.5), "edge": Limit(fail=30)}
    findings = told(wedge, minimum=limits, outcomes=QUIET)
    knife, rest = (
        next(each for each in findings if each.check == check) for check in ("edge", "edge_radius")
    )
    assert len(findings) == 2
    assert knife.subject.length == pytest.approx(10)
    both = told(wedge, minimum={"edge_radius": Limit(fail=0.5)}, outcomes=QUIET)[0].subject.length
    assert rest.subject.length == pytest.approx(both - 10)
