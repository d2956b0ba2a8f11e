"""Raised and sunken strokes: details of known width and height, turned and in three finenesses."""

import math

import manifold3d as m3
import numpy as np
import pytest
import shapely
from solids import box, mesh, prism

from wallguard.shapes.strokes import find_strokes, lying_in

PLATE = box([40, 20, 3])
KINDS = ("raised", "sunken")
TURNS = [(0, 0, 0), (90, 0, 0), (20, 30, 40), (180, 0, 0)]


def on(shape, high=0.4):
    """A plate with a cross-section standing out of its upper face."""
    return PLATE + shape.extrude(high + 1).translate([0, 0, 2])


def into(shape, deep=0.4):
    """A plate with a cross-section sunk into its upper face."""
    return PLATE - shape.extrude(deep + 1).translate([0, 0, 3 - deep])


MADE = {"raised": on, "sunken": into}


def bar(wide, length=10.0, corner=(5, 5)):
    return m3.CrossSection.square([length, wide]).translate(corner)


def disc(diameter, facets=64, middle=(20, 10)):
    return m3.CrossSection.circle(diameter / 2, facets).translate(middle)


def strokes(solid, kind, narrower=0.8):
    return [each for each in find_strokes(mesh(solid), (narrower, narrower)) if each.kind == kind]


def other(kind):
    return KINDS[1 - KINDS.index(kind)]


@pytest.mark.parametrize("fine", [1, 3, 8])
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_line_is_as_wide_and_as_high_as_drawn(kind, turn, fine):
    solid = MADE[kind](bar(0.5)).refine(fine).rotate(turn)
    (stroke,) = strokes(solid, kind)
    assert stroke.width == pytest.approx(0.5, abs=1e-4)
    assert stroke.height == pytest.approx(0.4, abs=1e-4)
    assert stroke.area == pytest.approx(5.0, abs=1e-3)
    assert stroke.behind == pytest.approx(3.0 if kind == "raised" else 2.6, abs=1e-4)
    assert math.dist(*stroke.across) == pytest.approx(0.5, abs=1e-4)
    assert math.dist(*stroke.rise) == pytest.approx(0.4, abs=1e-4)
    assert strokes(solid, other(kind)) == []


@pytest.mark.parametrize("facets", [16, 48, 128])
@pytest.mark.parametrize("turn", TURNS[1:3])
@pytest.mark.parametrize("kind", KINDS)
def test_a_ring_is_as_wide_as_its_facets_leave_it(kind, turn, facets):
    solid = MADE[kind](disc(6, facets) - disc(5, facets)).rotate(turn)
    (stroke,) = strokes(solid, kind)
    # The flats of two polygons of one centre, R - r times the cosine of half a turn.
    assert stroke.width == pytest.approx(0.5 * math.cos(math.pi / facets), abs=1e-4)
    assert stroke.width + stroke.facets == pytest.approx(0.5, abs=1e-3)
    assert strokes(solid, other(kind)) == []  # what is in it is face


@pytest.mark.parametrize("facets", [12, 32, 96])
@pytest.mark.parametrize("turn", TURNS[1:3])
@pytest.mark.parametrize("kind", KINDS)
def test_a_dot_is_as_wide_as_the_disc_in_it(kind, turn, facets):
    (stroke,) = strokes(MADE[kind](disc(0.6, facets)).rotate(turn), kind)
    assert stroke.width == pytest.approx(0.6 * math.cos(math.pi / facets), abs=1e-3)
    assert stroke.width + stroke.facets == pytest.approx(0.6, abs=1e-3)


@pytest.mark.parametrize("draft", [5, 20, 40])
@pytest.mark.parametrize("kind", KINDS)
def test_drafted_sides_leave_the_top_or_floor_narrower(kind, draft):
    inset = 0.3 * math.tan(math.radians(draft))
    wide, long = 0.5 + 2 * inset, 10 + 2 * inset
    frustum = m3.CrossSection.square([long, wide], True).extrude(
        0.3, scale_top=[10 / long, 0.5 / wide]
    )
    if kind == "raised":
        solid = PLATE + frustum.translate([20, 10, 3])
    else:
        solid = PLATE - frustum.rotate([180, 0, 0]).translate([20, 10, 3])
    (stroke,) = strokes(solid.rotate([10, 20, 30]), kind)
    assert stroke.width == pytest.approx(0.5, abs=1e-4)
    assert stroke.height == pytest.approx(0.3, abs=1e-4)


def on_shaft(kind, shape, facets):
    """A shaft of 16 mm with what a solid marks of a sleeve 0.4 mm thick added, or cut off."""
    if kind == "raised":
        sleeve = m3.Manifold.cylinder(20, 8.4, 8.4, facets) ^ shape
        return m3.Manifold.cylinder(20, 8, 8, facets) + sleeve
    shaft, core = (m3.Manifold.cylinder(20, r, r, facets) for r in (8, 7.6))
    return shaft - (shape - core)


@pytest.mark.parametrize("facets", [36, 96, 240])
@pytest.mark.parametrize("turn", TURNS[1:3])
@pytest.mark.parametrize("kind", KINDS)
def test_on_a_shaft_a_collar_and_a_label_are_strokes(kind, turn, facets):
    belt = box([30, 30, 0.5], [-15, -15, 8])
    label = box([30, 4, 0.5], [0, -2, 8])
    for shape, about in ((belt, 2 * math.pi), (label, 2 * math.asin(2 / 8.4))):
        (stroke,) = strokes(on_shaft(kind, shape, facets).rotate(turn), kind)
        assert stroke.width == pytest.approx(0.5, abs=1e-3)
        assert stroke.height == pytest.approx(0.4, rel=0.01)
        assert stroke.area == pytest.approx(0.5 * 8 * about, rel=0.08)


def test_a_dot_on_a_ball_is_a_stroke():
    ball = m3.Manifold.sphere(20, 96)
    dot = m3.Manifold.cylinder(20.4, 0.3, 0.3, 32)
    (stroke,) = strokes((ball + dot).rotate([30, 40, 0]), "raised")
    assert stroke.width == pytest.approx(0.6 * math.cos(math.pi / 32), abs=1e-3)
    assert stroke.height == pytest.approx(0.4, abs=0.04)


@pytest.mark.parametrize("kind", KINDS)
def test_a_stroke_may_run_off_the_part(kind):
    (stroke,) = strokes(MADE[kind](bar(0.5, 50, (-5, 5)) ^ bar(20, 40, (0, 0))), kind)
    assert stroke.width == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_a_neck_counts_and_corners_tips_and_joints_do_not(kind):
    letter = bar(1.0, 10, (5, 5)) + bar(4.0, 1.0, (5, 5))
    assert all(not each.width for each in strokes(MADE[kind](letter), kind))
    tip = m3.CrossSection([[[15, 5], [17, 5.5], [15, 6]]])
    assert all(not each.width for each in strokes(MADE[kind](letter + tip), kind))
    neck = letter + bar(0.3, 3, (14.5, 5.3)) + bar(1.0, 5, (17, 5))
    (stroke,) = strokes(MADE[kind](neck), kind)
    assert stroke.width == pytest.approx(0.3, abs=1e-4)
    assert stroke.length == pytest.approx(2.0, abs=0.7)
    thin = letter + bar(0.3, 3, (5, 8.7))
    (stroke,) = strokes(MADE[kind](thin), kind)
    assert stroke.width == pytest.approx(0.3, abs=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_of_a_long_taper_its_usual_width_counts(kind):
    needle = m3.CrossSection([[[5, 5], [15, 4.7], [15, 5.3]]])
    (stroke,) = strokes(MADE[kind](needle, 0.2), kind)
    assert stroke.width == pytest.approx(0.3, abs=0.02)


def test_strokes_lie_on_panels_and_in_them():
    panel = PLATE - box([16, 8, 0.8], [5, 5, 2.2])
    lying = panel + box([10, 0.5, 1.6], [8, 9, 1])  # to 0.4 over the panel, below the face
    (stroke,) = [each for each in strokes(lying, "raised") if each.width]
    assert (stroke.width, stroke.height) == pytest.approx((0.5, 0.4), abs=1e-4)
    flush = panel + box([10, 0.6, 2], [8, 9, 1])
    (stroke,) = [each for each in strokes(flush, "raised") if each.width]
    assert (stroke.width, stroke.height) == pytest.approx((0.6, 0.8), abs=1e-4)
    assert stroke.within  # its height is that of the panel
    label = PLATE + box([16, 8, 1.6], [5, 5, 2])
    for solid, kind in (
        (label - box([10, 0.5, 1], [8, 9, 3.2]), "sunken"),
        (label + box([10, 0.5, 1.6], [8, 9, 2.4]), "raised"),
    ):
        (stroke,) = [each for each in strokes(solid, kind) if each.width]
        assert (stroke.width, stroke.height) == pytest.approx((0.5, 0.4), abs=1e-4)


def wedge(wide, deep, length=10.0):
    """A bar along x whose section is a triangle, from its level upper face down to its edge."""
    section = m3.CrossSection([[[-wide / 2, 0], [0, -deep], [wide / 2, 0]]])
    return section.extrude(length).rotate([90, 0, 90])


def cut(wide, deep, length=10.0, turned=0):
    """What a ball mill cuts into the upper face of the plate, or such a bar on it."""
    rod = m3.Manifold.cylinder(length, wide / 2, wide / 2, 48).rotate([0, 90, 0])
    rod += box([length, wide, deep], [0, -wide / 2, 0])
    rod = rod.translate([0, 0, wide / 2 - deep])
    return rod.rotate([turned, 0, 0]).translate([5, 10, 3])


def half_round(middle, wide):
    return m3.Manifold.cylinder(10, wide / 2, wide / 2, 48).rotate([0, 90, 0]).translate(middle)


# Width at the face, and height: of a V by its drawing, of half a round its radius.
SHAPED = {
    "V of 60 degrees": (lambda: PLATE - wedge(0.5, 0.433).translate([5, 10, 3]), "sunken", 0.433),
    "V of 90 degrees": (lambda: PLATE - wedge(0.5, 0.25).translate([5, 10, 3]), "sunken", 0.25),
    "V of 30 degrees": (lambda: PLATE - wedge(0.5, 0.933).translate([5, 10, 3]), "sunken", 0.933),
    "V across the part": (
        lambda: PLATE - wedge(0.5, 0.25, 50).translate([-5, 10, 3]),
        "sunken",
        0.25,
    ),
    "half round": (lambda: PLATE - half_round([5, 10, 3], 0.5), "sunken", 0.25),
    "cut of a ball mill": (lambda: PLATE - cut(0.5, 0.85), "sunken", 0.85),
    "deep line": (lambda: into(bar(0.5), 1.9), "sunken", 1.9),
    "bead": (lambda: PLATE + half_round([5, 10, 3], 0.5), "raised", 0.25),
    "ridge": (
        lambda: PLATE + wedge(0.5, 0.4).rotate([180, 0, 0]).translate([5, 10, 3]),
        "raised",
        0.4,
    ),
    "bar with a round top": (lambda: PLATE + cut(0.5, 1.45, turned=180), "raised", 1.45),
    "high line": (lambda: on(bar(0.5), 1.9), "raised", 1.9),
}


@pytest.mark.parametrize("fine", [1, 3, 8])
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("name", SHAPED)
def test_pointed_round_and_high_strokes_are_as_wide_and_high_as_drawn(name, turn, fine):
    made, kind, high = SHAPED[name]
    solid = made().refine(fine).rotate(turn)
    (stroke,) = strokes(solid, kind)
    assert stroke.width == pytest.approx(0.5, abs=1e-4)
    assert stroke.height == pytest.approx(high, abs=1e-4)
    assert stroke.behind == pytest.approx(3.0 if kind == "raised" else 3 - high, abs=1e-4)
    assert math.dist(*stroke.across) == pytest.approx(0.5, abs=1e-4)
    assert math.dist(*stroke.rise) == pytest.approx(high, abs=1e-4)
    assert strokes(solid, other(kind)) == []


@pytest.mark.parametrize("facets", [16, 48, 128])
@pytest.mark.parametrize("turn", TURNS[1:3])
@pytest.mark.parametrize("kind", KINDS)
def test_a_ring_of_round_section_is_as_wide_as_its_section(kind, turn, facets):
    torus = (
        m3.CrossSection.circle(0.25, 32).translate([3, 0]).revolve(facets).translate([20, 10, 3])
    )
    solid = (PLATE + torus if kind == "raised" else PLATE - torus).rotate(turn)
    (stroke,) = strokes(solid, kind)
    assert stroke.width == pytest.approx(0.5 * math.cos(math.pi / facets), abs=1e-4)
    assert stroke.height == pytest.approx(0.25, abs=1e-4)
    assert strokes(solid, other(kind)) == []


@pytest.mark.parametrize("turn", TURNS[1:3])
@pytest.mark.parametrize("narrow", [0.7, 0.4])
def test_grooves_that_cross_are_as_wide_as_each_is_drawn(turn, narrow):
    one, two = wedge(0.7, 0.35), wedge(narrow, narrow / 2).rotate([0, 0, 90])
    solid = PLATE - one.translate([15, 10, 3]) - two.translate([20, 5, 3])
    found = strokes(solid.rotate(turn), "sunken")
    # Arms as deep meet at creases of their own; less deep ones end at the sides of the deeper one.
    drawn = [(0.7, 0.35)] * 4 if narrow == 0.7 else [(0.4, 0.2), (0.4, 0.2), (0.7, 0.35)]
    assert [(each.width, each.height) for each in found] == [
        pytest.approx(each, abs=1e-4) for each in drawn
    ]


def comb(wide, gap, high):
    teeth = m3.CrossSection()
    for at in range(round(40 / (wide + gap))):
        teeth += bar(wide, 20, (0, 0)).rotate(90).translate([wide + at * (wide + gap), 0])
    return on(teeth, high)


def gear():
    turn = np.linspace(0, 2 * math.pi, 30 * 8, endpoint=False)
    radius = 15 + np.clip(3 * np.cos(30 * turn), -1, 1)
    return prism(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)]), 6)


def thread():
    """A thread of 2 mm pitch, its crest about 0.7 mm wide."""
    turn = np.linspace(0, 2 * math.pi, 48, endpoint=False)
    radius = 8 + 0.5 * np.clip(2.2 * np.cos(turn), -1, 1)
    section = m3.CrossSection([np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])])
    return section.extrude(20, n_divisions=240, twist_degrees=3600)


SILENT = {
    "box": PLATE,
    "rib": on(bar(0.5), 2.2),
    "slit": into(bar(0.5), 2.2),
    "deep cut of a ball mill": PLATE - cut(0.5, 2.2),
    "round rib": PLATE + cut(0.5, 2.2, turned=180),
    "half-round rim": PLATE
    + m3.Manifold.cylinder(40, 1, 1, 48).rotate([0, 90, 0]).translate([0, 1, 3]),
    "bracket": PLATE + box([40, 3, 12], [0, 0, 3]),
    "V-block": box([40, 20, 12]) - wedge(16, 8, 50).translate([-5, 10, 12]),
    "corrugated": box([40, 20, 4])
    - sum((wedge(2, 1, 50).translate([-5, 2.1 * at, 4]) for at in range(12)), m3.Manifold()),
    "countersunk": PLATE
    - m3.Manifold.cylinder(1, 0.3, 0.8).translate([20, 10, 2.2])
    - disc(0.6).extrude(9),
    "pin": on(disc(0.6), 0.8),
    "hole": into(disc(0.6), 0.8),
    "through": PLATE - disc(0.6).extrude(9),
    "screw boss": on(disc(1.2), 0.4) - disc(0.5).extrude(9),
    "counterbore": into(disc(0.7), 0.2) - disc(0.4).extrude(9),
    "step": PLATE + box([0.5, 20, 0.4], [0, 0, 3]),
    "rim": on(bar(20, 40, (0, 0)) - bar(19, 39, (0.5, 0.5)), 0.4),
    "fins": comb(0.5, 0.5, 0.4),
    "ribs on a shell": box([40, 20, 0.3]) + bar(0.5).extrude(0.7),
    "gear": gear(),
    "thread": thread(),
    "bevel": box([40, 20, 3]) ^ box([40, 20, 3]).rotate([45, 0, 0]).translate([0, 1, -9]),
    "ball": m3.Manifold.sphere(5, 24),
    "spline": m3.Manifold.cylinder(10, 5, 5, 64)
    + sum(
        (box([0.5, 10.8, 10], [-0.25, -5.4, 0]).rotate([0, 0, 12 * at]) for at in range(15)),
        m3.Manifold(),
    ),
}


@pytest.mark.parametrize("turn", TURNS[::2])
@pytest.mark.parametrize("name", SILENT)
def test_what_is_something_else_is_no_stroke(name, turn):
    assert find_strokes(mesh(SILENT[name].rotate(turn)), (0.8, 0.8)) == []


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("size", [3.0, 5.0, 8.0])
def test_letters_are_as_wide_as_the_disc_that_only_just_fits(kind, size):
    # Shapely's distances and offsets are the reference.
    paths = pytest.importorskip("matplotlib.textpath")
    path = paths.TextPath((4, 6), "Raise 8&", size=size)
    rings = [np.asarray(ring[:-1]) for ring in path.to_polygons() if len(ring) > 3]
    text = m3.CrossSection(rings, m3.FillRule.EvenOdd)
    whole = shapely.build_area(
        shapely.multilinestrings([shapely.LinearRing(each) for each in text.to_polygons()])
    )
    letters = strokes(MADE[kind](text, 0.05 * size), kind, narrower=0.1 * size)
    assert len(letters) == 8 - 1 + 1  # without the space, and the dot of the i by itself
    assert strokes(MADE[kind](text, 0.05 * size), other(kind), narrower=0.1 * size) == []
    narrow = [each for each in letters if each.width]
    assert len(narrow) >= 4
    for each in narrow:
        at = shapely.Point(each.point[:2])
        assert 2 * whole.boundary.distance(at) == pytest.approx(each.width, rel=0.01)
        # What a slightly narrower disc cannot reach of the letter are corners and tips.
        letter = next(part for part in whole.geoms if part.covers(at))
        half = 0.97 * each.width / 2
        lost = letter.difference(letter.buffer(-half, quad_segs=64).buffer(half, quad_segs=64))
        assert max(part.area for part in shapely.get_parts(lost)) < 2 * each.width**2


def test_a_place_lies_in_a_stroke_below_its_top_only():
    (stroke,) = strokes(on(bar(0.5)), "raised")
    points = [(10, 5.25, 3.2), (10, 5.25, 2.5), (10, 6.0, 3.2)]
    boxes = [((9, 5, 3.0), (11, 5.5, 3.4))] * 3
    assert lying_in([stroke], points, boxes, [0.0] * 3) == [True, False, False]
    assert lying_in([stroke], points, [((9, 5, 1.0), (11, 5.5, 3.4))] * 3, [0.0] * 3) == [False] * 3


def test_an_open_mesh_and_an_empty_one_end_well():
    whole = mesh(on(bar(0.5)))
    from dataclasses import replace

    assert find_strokes(replace(whole, triangles=whole.triangles[:0]), (0.8, 0.8)) == []
    for left in range(0, len(whole.triangles), 5):
        find_strokes(replace(whole, triangles=np.delete(whole.triangles, left, axis=0)), (1, 1))


@pytest.mark.parametrize("sides", [8, 24, 72])
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_surface_with_creases_but_no_detail_has_no_strokes(kind, turn, sides):
    """Two cones foot to foot, within two others: creases outward and inward, on none both."""

    def cones(across):
        half = m3.Manifold.cylinder(across / 2, across / 2, across / 5, sides)
        return half + half.rotate([180, 0, 0])

    assert strokes((cones(30) - cones(25)).rotate(turn), kind) == []
