"""What pictures and the page are drawn from: sections, dimensions, outcomes, shapes."""

import math
from dataclasses import replace
from pathlib import Path

import campaign_walls
import manifold3d as m3
import numpy as np
import pytest
import shapely
from solids import box, mesh, prism, tube
from view_samples import report, view_of

from wallguard.bands.declared import band_table
from wallguard.base.rotation import UPRIGHT
from wallguard.checks.case import Case
from wallguard.jobs.check import report_on, run_checks
from wallguard.mesh.health import examine
from wallguard.mesh.read import read_mesh
from wallguard.part.geometry import Geometry
from wallguard.part.part import Part
from wallguard.repository import changes
from wallguard.repository.config import load_repository
from wallguard.rules.load import load_rules
from wallguard.rules.model import DeclaredBand, Limit
from wallguard.views import make as making
from wallguard.views import planes
from wallguard.views.model import OUTCOMES, STEPS
from wallguard.views.places import views_of

EXAMPLE = Path(__file__).parent.parent / "example_repo"
# So many limits that most parts break some.
MANY = replace(
    campaign_walls.rules_of(campaign_walls.BEADS[0]),
    minimum={"wall": Limit(0.8), "gap": Limit(0.5), "hole": Limit(2), "pin": Limit(2)},
)
TILTED = (
    (1.0, 0.0, 0.0),
    (0.0, 0.0, -1.0),
    (0.0, 1.0, 0.0),
)  # lying parts stand up: y of the file is up


def area(rings):
    found = shapely.Polygon()
    for ring in rings:
        found = found.symmetric_difference(shapely.Polygon(ring))
    return found.area


def length(across):
    return math.dist(*across)


def test_nothing_is_worked_out_where_nothing_is_to_be_shown():
    assert report(box([40, 1.5, 10]), None).views is None


def test_views_change_nothing_in_what_is_reported():
    with_views = report(box([40, 1.5, 10]), "page")
    without = report(box([40, 1.5, 10]), None)
    assert replace(with_views, views=None, seconds=0) == replace(without, seconds=0)


def test_a_hollow_wall_shows_its_void_to_scale_and_where_beads_meet():
    view = view_of(report(box([40, 1.5, 10])), "fill")
    assert view.shown == "hollow"
    assert view.sized
    assert view.label == "1.50 mm"
    assert length(view.across) == pytest.approx(1.5, abs=0.005)
    wide = view.window[2] - view.window[0]
    # In the window the wall is a strip from side to side, and so is the void of 0.35 mm.
    assert area(view.rings) == pytest.approx(1.5 * wide, rel=0.01)
    assert area(view.place) == pytest.approx(1.5 * wide, rel=0.01)
    assert area(view.changed) == pytest.approx(0.35 * wide, rel=0.02)
    assert view.beads


def test_a_missing_wall_has_neither_beads_nor_void():
    view = view_of(report(box([40, 0.3, 10])), "fill")
    assert view.shown == "missing"
    assert not view.beads
    assert not view.changed
    assert view.place
    assert view.label == "0.30 mm"


def test_a_thickened_wall_shows_what_is_printed_beyond_what_was_drawn():
    view = view_of(report(box([40, 0.8, 10])), "fill")
    assert view.shown == "thickened"
    wide = view.window[2] - view.window[0]
    assert area(view.changed) == pytest.approx((2 * 0.575 - 0.8) * wide, rel=0.03)


def test_a_thinned_wall_shows_what_of_it_is_not_printed():
    bands = (
        DeclaredBand(0.0, 3.0, "solid", printed=1.0),
        DeclaredBand(3.0, None, "solid"),
    )
    view = view_of(report(box([40, 1.6, 10]), beads=None, bands=bands), "fill")
    assert view.shown == "thinned"
    wide = view.window[2] - view.window[0]
    assert area(view.changed) == pytest.approx(0.6 * wide, rel=0.03)


def test_a_void_of_unknown_size_says_so():
    bands = (
        DeclaredBand(0.0, 3.0, "hollow"),
        DeclaredBand(3.0, None, "solid"),
    )
    view = view_of(report(box([40, 1.6, 10]), beads=None, bands=bands), "fill")
    assert view.shown == "hollow"
    assert not view.sized
    assert view.changed


def test_the_window_is_centred_on_the_place_and_keeps_its_shape():
    view = view_of(report(box([40, 1.5, 10], (7, 5, 3))), "fill")
    left, bottom, right, top = view.window
    assert ((left + right) / 2, (bottom + top) / 2) == pytest.approx(view.point, abs=1e-3)
    assert (right - left) / (top - bottom) == pytest.approx(4 / 3)
    assert view.point == pytest.approx((27, 5.75), abs=0.01)
    assert view.whole_box == pytest.approx((7, 5, 47, 6.5))


def test_what_is_small_is_shown_from_near():
    view = view_of(report(box([40, 0.2, 10])), "fill")
    assert view.window[2] - view.window[0] == pytest.approx(3.0)


def test_the_wall_alone_is_the_place_not_the_block_it_stands_on():
    part = box([20, 20, 10]) + box([20, 1.5, 10], [20, 9, 0])
    view = view_of(report(part), "fill")
    assert shapely.Polygon(view.place[0]).bounds[0] > 19


def test_a_gap_is_air_between_two_bodies():
    part = box([20, 10, 10]) + box([20, 10, 10], [0, 10.25, 0])
    view = view_of(report(part, minimum={"gap": Limit(fail=0.4)}), "gap")
    assert view.shown == "gap"
    assert view.label == "0.25 mm"
    wide = view.window[2] - view.window[0]
    assert area(view.place) == pytest.approx(0.25 * wide, rel=0.02)


def test_an_upright_hole_is_seen_from_above_and_a_lying_one_across_its_axis():
    bore = m3.Manifold.cylinder(40, 0.5, 0.5, 48, True)
    block = box([20, 20, 10], (-10, -10, -5))
    limits = {"hole": Limit(fail=1.5)}
    above = view_of(report(block - bore, minimum=limits), "hole")
    assert (above.upright, above.shown, above.label) == (False, "hole", "Ø 1.00 mm")
    assert area(above.place) == pytest.approx(math.pi * 0.25, rel=0.02)
    lying = view_of(report(block - bore.rotate([0, 90, 0]), minimum=limits), "hole")
    assert (lying.upright, lying.label) == (True, "Ø 1.00 mm")
    assert lying.plane == "upright section across the axis of the hole"
    assert area(lying.place) == pytest.approx(math.pi * 0.25, rel=0.02)


def test_a_floor_is_seen_in_an_upright_section_with_its_layers():
    tray = box([20, 20, 5]) - box([16, 16, 5], (2, 2, 0.4))
    view = view_of(report(tray, minimum={"floor": Limit(fail=4)}), "floor")
    assert view.upright
    assert view.label == "0.40 mm"
    assert abs(view.across[0][1] - view.across[1][1]) == pytest.approx(0.4, abs=0.005)
    assert view.beads


def test_a_wall_in_space_is_seen_level_where_it_is_cut_across():
    sheet = box([30, 0.6, 20])
    view = view_of(
        report(
            sheet,
            category="vat photopolymerization",
            beads=None,
            bands=(DeclaredBand(0.0, None, "solid"),),
            minimum={"wall": Limit(fail=1.0)},
        ),
        "wall",
    )
    assert not view.upright
    assert view.plane.startswith("level section")
    assert view.label == "0.60 mm"


def test_a_lying_wall_in_space_is_seen_upright():
    view = view_of(
        report(
            box([30, 20, 0.6]),
            category="vat photopolymerization",
            beads=None,
            bands=(DeclaredBand(0.0, None, "solid"),),
            minimum={"wall": Limit(fail=1.0)},
        ),
        "wall",
    )
    assert view.upright
    assert view.plane.startswith("upright section")
    assert view.label == "0.60 mm"


def test_a_scaled_and_turned_part_is_shown_as_printed():
    wall = box([4000, 5000, 150])  # drawn lying; printed standing, at 1:100
    part = report(wall, scale=0.01, rotation=TILTED)
    view = view_of(part, "fill")
    assert view.label == "1.50 mm"
    assert view.whole_box[2] - view.whole_box[0] == pytest.approx(40)


def test_a_finding_without_a_place_has_no_view():
    part = report(box([40, 2, 10]), build_volume=(20.0, 20.0, 20.0))
    (finding,) = part.findings
    assert finding.check == "build_volume"
    assert part.views.pictures == ()


def test_a_sick_mesh_still_gives_a_view_of_its_place():
    # A whole block, and beside it another one that lacks a face.
    whole = mesh(box([20, 2, 10]) + box([20, 2, 10], (0, 5, 0)))
    torn = replace(whole, triangles=whole.triangles[1:])
    view = view_of(report(torn), "mesh")
    assert view.shown == "open"
    assert view.across is None


def test_only_so_many_pictures_are_made(monkeypatch):
    monkeypatch.setattr(making, "MOST", 2)
    fins = sum((box([10, 1.5, 5], (0, 6 * i, 0)) for i in range(1, 5)), box([10, 1.5, 5]))
    part = report(fins)
    assert len(part.findings) == 5
    assert len(part.views.pictures) == 2
    assert part.views.left_out == 3


def test_a_plane_cuts_the_same_outline_from_both_of_its_sides():
    part = mesh(box([10, 20, 30]) - box([4, 4, 40], (1, 1, -5)))
    low = planes.level(np.array([0.0, 0.0, 3.0]))
    high = planes.level(np.array([0.0, 0.0, 29.0]))
    for frame in (low, high):
        rings = planes.outlines(part, frame, untangle=False)
        material = planes.region(rings, (-50.0, -50.0, 50.0, 50.0))
        assert material.area == pytest.approx(10 * 20 - 16)
    outside = planes.level(np.array([0.0, 0.0, 31.0]))
    assert planes.outlines(part, outside, untangle=False) == []


def numbers(shape):
    vertices = np.frombuffer(shape.vertices, "<u2").reshape(-1, 3) / STEPS
    low, high = np.array(shape.low), np.array(shape.high)
    triangles = np.frombuffer(shape.triangles, "<u2").reshape(-1, 3)
    return (
        low + vertices * (high - low),
        triangles,
        np.frombuffer(shape.thickness, "<u2"),
        np.frombuffer(shape.outcomes, "u1"),
    )


def area_of(vertices, triangles):
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    return np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2


def test_a_shape_keeps_its_surface_and_tells_its_walls_apart():
    part = box([30, 20, 2]) + box([30, 1.5, 12], (0, 3, 0)) + box([30, 1.2, 12], (0, 15, 0))
    shape = report(part, "page").views.shape
    vertices, triangles, thickness, outcomes = numbers(shape)
    assert len(thickness) == len(outcomes) == len(triangles)
    assert area_of(vertices, triangles).sum() == pytest.approx(part.surface_area(), rel=1e-3)
    hollow = outcomes == OUTCOMES.index("hollow") + 1
    solid = outcomes == OUTCOMES.index("solid") + 1
    middle = vertices[triangles].mean(axis=1)
    # Triangles of the ribs' faces clear of the ends and the foot.
    rib = (middle[:, 2] > 3) & (middle[:, 2] < 11) & (abs(middle[:, 0] - 15) < 13)
    assert hollow[rib & (middle[:, 1] < 10)].all()
    assert solid[rib & (middle[:, 1] > 10)].all()
    assert set(thickness[hollow & rib].tolist()) == {150}
    assert not (hollow | solid)[middle[:, 2] < 1].any()


def test_a_large_mesh_is_simplified_and_says_so():
    shape = report(tube(40, 1.5, 30, 64).refine(6), "page").views.shape
    assert shape.simplified
    assert shape.drawn == 64 * 8 * 6**2
    assert len(shape.triangles) // 6 < 25_000
    assert np.frombuffer(shape.triangles, "<u2").max() < len(shape.vertices) // 6


def test_walls_in_space_are_coloured_too():
    shape = report(
        box([30, 20, 0.6]),
        "page",
        category="powder bed fusion",
        beads=None,
        bands=(DeclaredBand(0.0, 1.0, "missing"), DeclaredBand(1.0, None, "solid")),
    ).views.shape
    vertices, triangles, thickness, outcomes = numbers(shape)
    area = area_of(vertices, triangles)
    missing = outcomes == OUTCOMES.index("missing") + 1
    assert area[missing].sum() > 0.9 * area.sum()
    assert np.median(thickness[missing]) == 60


def test_the_shape_of_a_turned_part_knows_what_is_up():
    shape = report(box([40, 50, 1.5]), "page", rotation=TILTED).views.shape
    assert shape.up == pytest.approx((0, 1, 0))
    assert shape.high == pytest.approx((40, 50, 1.5))


def test_the_same_part_gives_the_same_views():
    outline = [(0, 0), (30, 0), (30, 1.5), (12, 2.2), (0, 1.5)]
    one, other = (report(prism(outline, 9), "page").views for _ in range(2))
    assert one == other


def test_the_dimension_of_each_picture_of_the_example_is_the_number_of_its_message():
    example = Path(__file__).parent.parent / "example_repo"
    repository = load_repository(example)
    told = 0
    for path in repository.part_files(changes.all_files(example)):
        for one in repository.assignments(path):
            loaded = load_rules(example / one.rules)
            geometry = Part.load(example / path, one).geometry
            part = report_on(geometry, loaded, path, "pictures")
            # Of others the message says an area, a volume or an angle.
            thick = {"wall", "gap", "hole", "pin"}
            messages = {
                finding.id: finding.message
                for finding in part.findings
                if finding.subject is not None and finding.subject.kind in thick
            }
            for view in part.views.pictures:
                if view.label and view.finding in messages:
                    number = view.label.removeprefix("Ø ")
                    assert number in messages[view.finding].partition(" at (")[0]
                    told += 1
    assert told >= 15


def dimensions_off(path, rules):
    """Pictures of a part whose dimension is not as long as the numbers of its message say; and how
    many pictures have one."""
    drawn = read_mesh(path)
    case = Case(Geometry(drawn, examine(drawn), UPRIGHT, 1.0), rules, band_table(rules))
    findings = {finding.id: finding for finding in run_checks(case)[1]}
    pictures, _ = views_of(case, list(findings.values()), 400)
    off, count = [], 0
    for view in pictures:
        subject = findings[view.finding].subject
        if subject is None or subject.kind in ("floor", "roof") or view.across is None:
            continue
        count += 1
        thickness = subject.thickness
        if not thickness.min - 0.02 <= length(view.across) <= thickness.max + 0.02:
            off.append((view.label, length(view.across), findings[view.finding].message))
    return off, count


@pytest.mark.parametrize("part", sorted(EXAMPLE.rglob("*.stl")), ids=lambda part: part.stem)
def test_the_dimension_of_a_picture_is_as_long_as_its_message_says(part):
    off, _ = dimensions_off(part, MANY)
    assert off == []


def test_so_it_is_on_real_parts(shared):
    counts = 0
    for name in ("featuretype.3MF", "featuretype.STL", "angle_block.STL"):
        off, count = dimensions_off(shared / "meshes" / name, MANY)
        assert off == []
        counts += count
    assert counts > 30


@pytest.mark.parametrize(
    ("solid", "limits", "label"),
    [
        (box([28, 30, 3], [0, 0, 20]) + box([4, 30, 20]) + box([4, 30, 20], [24, 0, 0]),
         {"bridge": Limit(fail=10)}, "20.00 mm"),
        (box([4, 30, 20]) + box([24, 30, 3], [0, 0, 20]), {"ledge": Limit(fail=2)}, "20.00 mm"),
        (box([10, 10, 101]), {"contact": Limit(fail=10)}, "10.00 mm"),
        (box([4, 4, 20]) + box([20, 4, 4], [0, 0, 20]) + box([4, 4, 12], [16, 0, 8]),
         {"island": Limit(fail=0)}, "8.00 mm"),
    ],
)  # fmt: skip
def test_what_is_no_wall_shows_its_own_measure(solid, limits, label):
    part = report(solid, minimum=limits)
    (view,) = part.views.pictures
    assert view.label == label
    assert label in part.findings[0].message
    assert length(view.across) == pytest.approx(float(label.split()[0]), abs=0.01)


def test_an_underside_that_rises_shows_its_angle():
    outline = [[0, 0], [10, 0], [27.32, 10], [27.32, 15], [0, 15]]
    solid = prism(outline, 10).rotate([90, 0, 0])
    part = report(solid, minimum={"overhang": Limit(fail=45)})
    (view,) = part.views.pictures
    (sign,) = view.signs
    assert (sign.kind, sign.label) == ("angle", "30°")
    corner, one, other = (np.array(point) for point in sign.points)
    turn = np.dot(one - corner, other - corner)
    turn /= np.linalg.norm(one - corner) * np.linalg.norm(other - corner)
    assert np.degrees(np.arccos(turn)) == pytest.approx(30.0, abs=0.01)


def test_a_cup_is_filled_no_higher_than_its_mouth():
    part = report(
        box([20, 20, 20]) - box([16, 16, 20], [2, 2, 2]),
        minimum={"cup": Limit(fail=100)},
        category="vat photopolymerization",
        beads=None,
        layer_height=0.2,
    )
    (view,) = part.views.pictures
    (ring,) = view.place
    assert view.shown == "cavity"
    assert float(np.ptp(np.array(ring)[:, 1])) == pytest.approx(18.0, abs=0.3)


def test_a_cavity_is_shown_with_the_way_out_of_it():
    hole = m3.Manifold.cylinder(4, 1, 1, 32).translate([8, 8, -1])
    part = report(
        box([16, 16, 16]) - box([12, 12, 12], [2, 2, 2]) - hole,
        minimum={"escape": Limit(fail=3)},
        category="powder bed fusion",
        beads=None,
    )
    (view,) = part.views.pictures
    way, ball = view.signs
    assert (way.kind, ball.kind, view.shown) == ("way", "ball", "cavity")
    assert ball.label.removeprefix("Ø ") in part.findings[0].message
    assert 2 * length(ball.points) == pytest.approx(2.0, abs=0.05)
    # It leads out, and through no material.
    assert way.points[-1][1] < 2 < way.points[0][1]
    material = shapely.unary_union([shapely.Polygon(ring) for ring in view.rings[:1]])
    for ring in view.rings[1:]:
        material = material.symmetric_difference(shapely.Polygon(ring))
    assert shapely.LineString(way.points).intersection(material).length < 0.01
    # The hollow alone is filled, not what lies beyond the hole.
    (ring,) = view.place
    assert 12 - 0.1 <= float(np.ptp(np.array(ring)[:, 1])) < 13


@pytest.mark.parametrize(
    ("turn", "plane"), [((0, 0, 0), "layer"), ((90, 0, 0), "upright section across the edge")]
)
def test_an_edge_is_seen_along_it_with_its_angle(turn, plane):
    half = 10 * np.tan(np.radians(10))
    blade = prism([[0, -half], [10, 0], [0, half]], 20).rotate(turn)
    part = report(blade, minimum={"edge": Limit(fail=30)})
    edge = next(each for each in part.findings if each.check == "edge")
    view = next(each for each in part.views.pictures if each.finding == edge.id)
    assert view.plane.startswith(plane)
    (sign,) = view.signs
    corner, one, other = (np.array(point) for point in sign.points)
    turned = np.dot(one - corner, other - corner)
    turned /= np.linalg.norm(one - corner) * np.linalg.norm(other - corner)
    assert (sign.kind, sign.label) == ("angle", "20°")
    assert np.degrees(np.arccos(turned)) == pytest.approx(20.0, abs=0.05)


def test_an_arrow_out_of_a_hollow_begins_behind_a_corner_of_the_way():
    # A way round two corners: the straight line to its mouth would run through the wall.
    hollow = box([30, 12, 24]) - box([12, 8, 8], [2, 2, 2])
    way = box([12, 3, 3], [13, 4.5, 4]) + box([3, 3, 30], [22, 4.5, 4])
    part = report(
        hollow - way, minimum={"escape": Limit(fail=5)}, category="powder bed fusion", beads=None
    )
    view = view_of(part, "escape")
    material = shapely.Polygon()
    for ring in view.rings:
        material = material.symmetric_difference(shapely.Polygon(ring))
    for sign in view.signs:
        if sign.kind == "way":
            assert shapely.LineString(sign.points).intersection(material).length < 0.01


@pytest.mark.parametrize(("limit", "label"), [("ledge", "25.61 mm"), ("bridge", "26.26 mm")])
def test_the_line_of_an_underside_is_that_of_the_limit_it_breaks(limit, label):
    solid = box([4, 30, 20]) + box([40, 30, 3], [0, 0, 20]) + box([4, 10, 20], [20, 0, 0])
    part = report(solid, minimum={limit: Limit(fail=1)})
    view = view_of(part, limit)
    assert view.label == label
    assert label in part.findings[0].message
    assert length(view.across) == pytest.approx(float(label.split()[0]), abs=0.01)


def test_a_deep_hole_shows_its_depth_and_a_slender_wall_its_height():
    hole = m3.Manifold.cylinder(40, 1.5, 1.5, 64).translate([10, 10, -1])
    part = report(box([20, 20, 30]) - hole, minimum={"deep_hole": Limit(fail=5)})
    (sign,) = view_of(part, "deep_hole").signs
    assert (sign.kind, sign.label) == ("length", "30.00 mm")
    assert length(sign.points) == pytest.approx(30)
    wall = box([20, 20, 3]) + box([20, 1, 40], [0, 5, 0])
    part = report(wall, minimum={"slender": Limit(fail=20)})
    (sign,) = view_of(part, "slender").signs
    assert (sign.kind, sign.label) == ("length", "37.00 mm")
    assert [z for _, z in sign.points] == pytest.approx([3, 40], abs=0.2)


def test_a_bowl_is_filled_no_higher_than_its_rim():
    bowl = box([20, 20, 12]) - box([16, 16, 12], [2, 2, 2])
    part = report(
        bowl, minimum={"cup": Limit(fail=50)}, category="vat photopolymerization", beads=None
    )
    (ring,) = view_of(part, "cup").place
    low, high = np.array(ring).min(axis=0), np.array(ring).max(axis=0)
    assert [*low, *high] == pytest.approx([2, 2, 18, 12], abs=0.25)
