"""The coupon of each process category: what it carries, and that each of it is as it is marked."""

import math

import manifold3d as m3
import numpy as np
import pytest
from test_coupon_make import RESIN, at, rules

from wallguard.base.errors import InputError
from wallguard.coupon.layout import lay_out
from wallguard.coupon.plan import STROKE, USUAL, plan
from wallguard.coupon.solid import solid
from wallguard.mesh.health import examine
from wallguard.reports.coupon_sheet import markdown_sheet, tables
from wallguard.reports.coupon_sheet_html import html_sheet
from wallguard.rules.model import Limit
from wallguard.sections.cut import cut
from wallguard.walls.rounds import find_rounds
from wallguard.walls.trace import find_gaps, find_walls

POWDER = {
    "category": "powder bed fusion",
    "layer_height": 0.1,
    "beads": None,
    "minimum": {"wall": Limit(0.7, 1.0), "escape": Limit(3.5, 5.0)},
}


def made(changes):
    planned = plan(rules(**changes))
    (plate,) = lay_out(planned)
    return planned, plate, solid(plate, planned.sizes)


@pytest.mark.parametrize("changes", [POWDER, RESIN], ids=["powder", "resin"])
def test_a_plate_carries_what_its_process_asks_for(changes):
    planned, plate, mesh = made(changes)
    assert {each.kind for each in planned.features} == set(USUAL[changes["category"]])
    health = examine(mesh)
    assert (health.healthy, health.bodies, health.cavities) == (True, 1, 0)
    assert {each.feature for each in plate.content.placed} == set(planned.features)


@pytest.mark.parametrize("changes", [POWDER, RESIN], ids=["powder", "resin"])
def test_strokes_are_as_wide_as_they_are_marked_and_as_high_as_the_sheet_says(changes):
    _, plate, mesh = made(changes)
    sections = cut(mesh, changes["layer_height"])
    for kind, find in (("raised", find_walls), ("sunken", find_gaps)):
        found = find(sections, 4.0)
        placed = [each for each in plate.content.placed if each.feature.kind == kind]
        assert len(placed) >= 5
        for each in placed:
            low, high = each.box[0][2], each.box[1][2]
            assert high - low == pytest.approx(STROKE)
            x, y, _ = each.measure[0]
            (stroke,) = at(found, (x, y, (low + high) / 2))
            assert stroke.typical == pytest.approx(each.feature.nominal, abs=0.005)
            assert stroke.high - stroke.low == pytest.approx(STROKE, abs=1e-6)


def test_a_chamber_is_hollow_and_its_way_out_as_wide_as_it_is_marked():
    _, plate, mesh = made(POWDER)
    holes = [each for each in find_rounds(mesh, 6.0) if each.kind == "hole" and each.vertical]
    placed = [each for each in plate.content.placed if each.feature.kind == "escape"]
    assert {3.5, 5.0} <= {each.feature.nominal for each in placed}
    whole = m3.Manifold(m3.Mesh64(mesh.vertices, mesh.triangles.astype(np.uint64)))
    for each in placed:
        x, y, top = each.measure[0]
        (hole,) = [one for one in holes if math.dist(one.centre[:2], (x, y)) < 0.01]
        assert hole.diameter == pytest.approx(each.feature.nominal, abs=0.01)
        roof = each.box[0][2]
        inside = whole ^ m3.Manifold.cube([12, 12, 1], True).translate([x, y, roof - 2])
        # A square of air within walls of 2 mm: 12 x 12 less what is hollow.
        hollow = 144 - inside.volume()
        # At least 8 mm wide, and twice as wide as the widest way out of its column, 5 mm.
        assert any(hollow == pytest.approx(side**2, rel=1e-6) for side in (8.0, 10.0))
        assert hollow >= (2 * each.feature.nominal) ** 2 - 1e-6
        assert top > roof


def test_the_arrow_of_a_resin_plate_points_to_the_front():
    assert plan(rules(**RESIN)).drains
    assert not plan(rules(**POWDER)).drains
    _, plate, _ = made(RESIN)
    (arrow,) = [each for each in plate.content.prisms if len(each.outline) == 7]
    tip = min(arrow.outline, key=lambda corner: corner[1])
    assert sum(y == tip[1] for _, y in arrow.outline) == 1
    assert tip[1] < 3


@pytest.mark.parametrize("changes", [{}, RESIN], ids=["beads", "resin"])
def test_ways_out_are_for_powder(changes):
    with pytest.raises(InputError, match="are for powder bed fusion"):
        plan(rules(**changes), kinds=["wall", "escape"])


def test_strokes_stand_on_the_coupon_of_beads_where_they_are_asked_for():
    planned = plan(rules(), kinds=["raised", "sunken"])
    (plate,) = lay_out(planned)
    assert examine(solid(plate, planned.sizes)).healthy


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (POWDER, ("inert gas", "under suction and with gloves", "Ways out (E", "clear / stuck")),
        (RESIN, ("nitrile gloves", "The arrow points to the drain side", "legible / illegible")),
    ],
    ids=["powder", "resin"],
)
def test_the_sheet_says_how_to_handle_and_measure_it(changes, words):
    given = rules(**changes)
    planned = plan(given)
    plates = lay_out(planned)
    sheets = markdown_sheet(given, planned, plates), html_sheet(given, planned, plates, 1)
    for sheet in sheets:
        for word in words:
            assert word in sheet
    assert {table.kind for table in tables(planned)} == {each.kind for each in planned.features}
