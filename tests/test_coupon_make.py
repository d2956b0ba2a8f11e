import csv
import json
import math
from dataclasses import replace
from itertools import pairwise
from typing import get_args

import manifold3d as m3
import numpy as np
import pytest
from solids import mesh as mesh_of

from wallguard.bands.declared import band_table, believed
from wallguard.base.errors import InputError
from wallguard.commands.coupon import make as coupon_make
from wallguard.coupon.layout import lay_out
from wallguard.coupon.marks import CHARACTERS, Pen
from wallguard.coupon.plan import KEEP_OFF, KINDS, LANE, Extent, Feature, plan
from wallguard.coupon.rows import FEATURES
from wallguard.coupon.solid import solid
from wallguard.jobs.characterise import make_coupon
from wallguard.mesh.health import examine
from wallguard.rules.model import Beads, DeclaredBand, Limit, Rules
from wallguard.sections.cut import cut
from wallguard.walls.trace import find_gaps, find_walls

BEADS = Beads(width=0.45, contours=2, smallest_wall=0.4, squeeze=0.1, smallest_fill=0.3)
WIDE = Beads(width=0.575, contours=2, smallest_wall=0.5, squeeze=0.075, smallest_fill=0.575)
RULE_FILE = """\
wallguard: 1
name: Small & square
process: {category: material extrusion}
build_volume: [80, 80, 100]
layer_height: 0.2
beads: {width: 0.45, contours: 2, smallest_wall: 0.4, squeeze: 0.1, smallest_fill: 0.3,
        spacing: width}
"""


def rules(**changes):
    values = {
        "path": "rules/square.yaml",
        "name": "Square",
        "category": "material extrusion",
        "layer_height": 0.2,
        "beads": BEADS,
        "build_volume": (210.0, 210.0, 200.0),
        "minimum": {"wall": Limit(0.8, 1.2), "gap": Limit(0.2, 0.4), "hole": Limit(0.8, 2.0)},
    }
    return Rules(**(values | changes))


EXTENTS = get_args(Extent)
RESIN = {
    "category": "vat photopolymerization",
    "layer_height": 0.05,
    "beads": None,
    "minimum": {"wall": Limit(0.4, 0.6)},
}


def walls_of(given, extent="fine"):
    return [each.nominal for each in plan(given, extent=extent).of("wall", "x")]


def meshes(given, **options):
    planned = plan(given, **options)
    return [(plate, solid(plate, planned.sizes)) for plate in lay_out(planned)]


def at(stretches, point):
    """The stretches whose box holds the point."""
    x, y, z = point
    return [
        each
        for each in stretches
        if each.box[0][0] - 1e-6 <= x <= each.box[1][0] + 1e-6
        and each.box[0][1] - 1e-6 <= y <= each.box[1][1] + 1e-6
        and each.low <= z <= each.high
    ]


# What it carries


@pytest.mark.parametrize("beads", [BEADS, WIDE])
def test_walls_go_from_half_a_bead_to_six_beads(beads):
    found = walls_of(rules(beads=beads))
    assert found[0] == pytest.approx(beads.width / 2, abs=0.025 + 1e-9)
    assert found[-1] == pytest.approx(beads.width * 6, abs=0.025 + 1e-9)
    assert all(after - before <= 0.75 * beads.width for before, after in pairwise(found))


@pytest.mark.parametrize("beads", [BEADS, WIDE])
def test_walls_are_denser_where_the_fill_changes(beads):
    given = rules(beads=beads)
    found = walls_of(given)
    bands = band_table(believed(given)).bands
    changes = [two.lower for one, two in pairwise(bands) if one.fill != two.fill]
    assert len(changes) >= 4
    for change in changes:
        below = max(step for step in found if step < change)
        above = min(step for step in found if step >= change)
        assert above - below <= beads.width / 4 + 0.05 + 1e-9


def test_both_axes_carry_the_same_walls_and_gaps():
    planned = plan(rules())
    for kind in ("wall", "gap"):
        one, other = planned.of(kind, "x"), planned.of(kind, "y")
        assert [each.nominal for each in one] == [each.nominal for each in other] != []


@pytest.mark.parametrize(("extent", "count"), [("quick", 10), ("usual", 12)])
def test_few_walls_bracket_the_first_changes_and_reach_every_fill(extent, count):
    for given in (rules(), rules(beads=WIDE), rules(**RESIN)):
        planned, table = plan(given, extent=extent), band_table(believed(given))
        found = walls_of(given, extent)
        assert set(found) <= set(walls_of(given))
        assert [each.nominal for each in planned.of("wall", "y")] == found
        assert (len(found), planned.sizes.height) == (count, pytest.approx(6))
        assert extent != "quick" or {each.kind for each in planned.features} == {"wall"}
        changes = [two.lower for one, two in pairwise(table.bands) if one.fill != two.fill]
        for change in changes[:3]:
            below = max(step for step in found if step < change)
            assert min(step for step in found if step >= change) - below < 0.25
        for low, high in pairwise([*changes, found[-1] + 0.1]):
            assert any(low <= step < high for step in found)


def test_a_coupon_says_what_it_takes_and_marks_the_estimate():
    coupon = make_coupon(rules())
    (plate,) = coupon.plates
    mesh = solid(plate, coupon.plan.sizes)
    closed = m3.Manifold(m3.Mesh64(mesh.vertices, mesh.triangles.astype(np.uint64)))
    assert coupon.effort.volume == pytest.approx(closed.volume(), rel=1e-6)
    # Closed form: a bead of 0.45 mm in layers of 0.2 mm, 40 mm of it a second.
    area = 0.2 * 0.25 + math.pi * 0.01
    assert coupon.effort.minutes == pytest.approx(closed.volume() / area / 40 / 60)
    material, time = coupon.effort.words
    assert material == f"material: {closed.volume() / 1000:.1f} cm³ at most"
    assert "an estimate: 40 mm of bead a second" in time
    assert make_coupon(rules(**RESIN), features={"pin"}).effort.minutes is None


@pytest.mark.parametrize(("width", "contours"), [(0.4, 2), (0.42, 3), (0.45, 2), (0.52, 2)])
def test_it_prints_within_an_hour(width, contours):
    """On a common machine: nozzles of 0.4 mm, layers of 0.2 mm."""
    given = rules(beads=replace(BEADS, width=width, contours=contours))
    minutes = {extent: make_coupon(given, extent=extent).effort.minutes for extent in EXTENTS}
    assert minutes["quick"] < 30
    assert minutes["usual"] < 60
    assert minutes["usual"] < minutes["fine"] < 90


def test_levels_of_the_rules_are_among_the_sizes():
    planned = plan(rules())
    assert {0.2, 0.4} <= {each.nominal for each in planned.of("gap", "x")}
    assert {0.8, 2.0} <= {each.nominal for each in planned.of("hole", "vertical")}


def test_a_process_without_beads_counts_in_its_smallest_wall():
    found = walls_of(rules(**RESIN))
    assert (found[0], found[-1]) == (0.2, 2.4)


def test_measured_bands_count_in_the_thinnest_wall_they_print():
    bands = (
        DeclaredBand(0, 0.6, "missing"),
        DeclaredBand(0.6, 2.0, "solid"),
        DeclaredBand(2.0, None, "hollow"),
    )
    found = walls_of(rules(beads=None, bands=bands))
    assert (found[0], found[-1]) == (0.3, 3.6)
    assert max(step for step in found if step < 2.0) > 1.85


def test_steps_can_be_given():
    planned = plan(rules(), steps=[1.5, 0.8], kinds=["wall"])
    assert [(each.axis, each.nominal) for each in planned.features] == [
        ("x", 0.8),
        ("x", 1.5),
        ("y", 0.8),
        ("y", 1.5),
    ]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"steps": []}, "none"),
        ({"steps": [0.8], "extent": "quick"}, "a quick coupon chooses its own"),
        ({"steps": [0.8], "extent": "fine"}, "a fine coupon chooses its own"),
        ({"steps": [0.01]}, "0.01 mm cannot be"),
        ({"steps": [math.nan]}, "nan mm cannot be"),
        ({"steps": [math.inf]}, "inf mm cannot be"),
        ({"steps": [-1.0]}, "cannot be"),
        ({"steps": [0.805]}, "finer than hundredths"),
        ({"steps": [0.8, 0.8]}, "twice"),
        ({"steps": [0.1 * at for at in range(1, 140)]}, "more than 120"),
        ({"steps": [0.8], "kinds": ["pin"]}, "not among"),
        ({"kinds": ["rib"]}, "no `rib`"),
        ({"kinds": []}, "none is named"),
        ({"height": 2}, "between 6 and 60"),
        ({"height": math.nan}, "between 6 and 60"),
    ],
)
def test_what_cannot_be_made_is_refused(options, message):
    with pytest.raises(InputError, match=message):
        plan(rules(), **options)


def test_heights_are_whole_layers():
    sizes = plan(rules(layer_height=0.35), height=9).sizes
    for height in (sizes.base, sizes.height, sizes.mark):
        assert height / 0.35 == pytest.approx(round(height / 0.35))
    assert 9 <= sizes.height < 9.35


def test_a_printer_that_is_too_low_is_named():
    assert plan(rules(build_volume=(200, 200, 6.6))).sizes.height == pytest.approx(6)
    with pytest.raises(InputError, match="higher than the build volume"):
        plan(rules(build_volume=(200, 200, 6.5)))
    with pytest.raises(InputError, match="higher than the build volume"):
        plan(rules(build_volume=(200, 200, 15)), height=20)


# Marks


@pytest.mark.parametrize(
    "given",
    [rules(), rules(beads=WIDE), rules(**RESIN), rules(minimum={})],
)
def test_marks_are_drawn_in_a_good_thickness(given):
    stroke = plan(given).sizes.pen.stroke
    assert band_table(given).classify(stroke, given.tolerance) == "solid"
    assert stroke >= (given.minimum["wall"].fail if given.minimum else 0)


@pytest.mark.parametrize("text", [*sorted(CHARACTERS), "135", "2468"])
def test_strokes_and_the_room_between_them_are_as_wide_as_the_pen(text):
    pen = Pen(0.85, 0.6)
    raised = m3.Manifold.extrude(
        m3.CrossSection([np.array(ring) for ring in pen.strokes(text)], m3.FillRule.NonZero), 0.6
    )
    sections = cut(mesh_of(raised), 0.2)
    found = find_walls(sections, 2.0)
    assert found
    for wall in found:
        assert wall.minimum == pytest.approx(0.85, abs=0.005)
        # The largest disc in a square corner of a stroke is 4 - 2 sqrt(2) times as wide.
        assert wall.maximum <= 0.85 * (4 - 2 * 2**0.5)
    assert all(gap.minimum == pytest.approx(0.6, abs=0.005) for gap in find_gaps(sections, 0.8))


def test_every_character_is_unlike_every_other():
    pen = Pen(0.8, 0.8)
    assert len({pen.strokes(char) for char in CHARACTERS}) == len(CHARACTERS)
    for char in CHARACTERS:
        for outline in pen.strokes(char):
            assert all(-1 < x < pen.width(char) + 1 and -1 < y < pen.height + 1 for x, y in outline)


def test_a_mark_says_hundredths():
    assert Feature("wall", "x", 1.35).mark == "135"
    assert Feature("wall", "x", 0.05).mark == "5"
    assert Feature("pin", "vertical", 12).mark == "1200"


# The solid


@pytest.mark.parametrize(
    "changes",
    [{}, {"beads": WIDE}, {"build_volume": (80, 75, 60)}, RESIN],
    ids=["usual", "wide", "several plates", "resin"],
)
def test_every_plate_is_one_healthy_body_within_the_build_volume(changes):
    given = rules(**changes)
    made = meshes(given)
    room = [side - 2 * KEEP_OFF for side in given.build_volume[:2]] + [given.build_volume[2]]
    for plate, mesh in made:
        health = examine(mesh)
        assert health.healthy and health.watertight
        assert (health.bodies, health.cavities) == (1, 0)
        assert mesh.vertices.min(axis=0) == pytest.approx([0, 0, 0])
        assert (mesh.vertices.max(axis=0) <= np.array(room) + 1e-6).all()
        assert mesh.vertices.max(axis=0)[:2] == pytest.approx(plate.size, abs=1e-3)
    placed = [each.feature for plate, _ in made for each in plate.content.placed]
    assert sorted(placed, key=repr) == sorted(plan(given).features, key=repr)
    assert len(made) > 1 if given.build_volume[0] < 100 else len(made) == 1


@pytest.fixture(scope="module")
def usual():
    planned = plan(rules())
    (plate,) = lay_out(planned)
    mesh = solid(plate, planned.sizes)
    return plate, mesh, cut(mesh, 0.2)


def test_every_wall_reads_back_at_its_nominal_size(usual):
    plate, _, sections = usual
    found = find_walls(sections, 3.0)
    placed = [each for each in plate.content.placed if each.feature.kind == "wall"]
    assert len(placed) == 24
    for each in placed:
        (wall,) = at(found, each.measure[0])
        for measured in (wall.minimum, wall.typical, wall.maximum):
            assert measured == pytest.approx(each.feature.nominal, abs=0.005)
        assert wall.length > 10
        assert wall.high - wall.low == pytest.approx(6)
        assert all(at(found, point) == [wall] for point in each.measure)
        # It runs along the axis it is said to run along.
        size = [high - low for low, high in zip(*wall.box, strict=True)]
        assert size["xy".index(each.feature.axis)] > 10


def test_every_gap_reads_back_at_its_nominal_size(usual):
    plate, _, sections = usual
    found = find_gaps(sections, 2.0)
    placed = [each for each in plate.content.placed if each.feature.kind == "gap"]
    assert len(placed) == 8
    for each in placed:
        (gap,) = at(found, each.measure[0])
        assert gap.minimum == pytest.approx(each.feature.nominal, abs=0.005)
        assert gap.maximum == pytest.approx(each.feature.nominal, abs=0.005)


def test_every_hole_and_pin_reads_back_at_its_nominal_size(usual):
    rounds = pytest.importorskip("wallguard.walls.rounds")
    plate, mesh, _ = usual
    found = rounds.find_rounds(mesh, 8.0)
    placed = [each for each in plate.content.placed if each.feature.kind in ("hole", "pin")]
    assert len(placed) == len(found) == 12
    for each in placed:
        middle = np.mean(each.box, axis=0)
        (one,) = [other for other in found if np.abs(other.centre - middle).max() < 0.01]
        assert one.kind == each.feature.kind
        assert one.vertical == (each.feature.axis == "vertical")
        assert one.diameter == pytest.approx(each.feature.nominal, rel=0.005, abs=0.002)


def test_callipers_reach_every_wall(usual):
    """Beside the middle of each face, from the lowest reading up, a lane's width is free."""
    plate, mesh, _ = usual
    planned = plan(rules())
    whole = m3.Manifold(m3.Mesh64(mesh.vertices, mesh.triangles.astype(np.uint64)))
    assert whole.volume() > 1000
    tried = 0
    for each in plate.content.placed:
        if each.feature.kind != "wall":
            continue
        (low, high), (x, y, z) = each.box, each.measure[0]
        across = "xy".index(each.across)
        for side in (low[across] - LANE, high[across]):
            corner, size = [x - 4, y - 4, z], [8, 8, 40]
            corner[across], size[across] = side + 0.01, LANE - 0.02
            jaw = m3.Manifold.cube(size).translate(corner)
            assert (whole ^ jaw).volume() == 0, each.feature
            tried += 1
    assert tried == 48
    assert planned.sizes.lane >= LANE


def test_features_can_be_chosen():
    made = meshes(rules(), kinds=["pin"])
    assert {each.feature.kind for plate, _ in made for each in plate.content.placed} == {"pin"}
    assert made[0][0].size[0] < 30


@pytest.mark.parametrize(
    ("volume", "options", "what"),
    [
        ((25, 25, 50), {"kinds": ["wall"]}, "wall of 0.35 mm"),
        ((20, 60, 50), {"kinds": ["gap"]}, "gap of"),
        ((200, 200, 9), {"kinds": ["hole"], "extent": "fine"}, "hole of 5.40 mm"),
        ((200, 200, 50), {"steps": [30.0], "kinds": ["wall"], "height": 40}, None),
        ((100, 100, 50), {"steps": [30.0], "kinds": ["wall"]}, "wall of 30.00 mm"),
    ],
)
def test_a_printer_too_small_for_a_feature_is_named(volume, options, what):
    planned = plan(rules(build_volume=volume), **options)
    if what is None:
        assert len(lay_out(planned)) == 1
        return
    with pytest.raises(InputError, match=f"square.yaml: `build_volume` is too small for a {what}"):
        lay_out(planned)


def test_thick_walls_are_long_enough_to_be_walls():
    ((_, mesh),) = meshes(rules(), steps=[12.0], kinds=["wall"])
    found = find_walls(cut(mesh, 0.2), 12.5)
    assert sum(wall.typical == pytest.approx(12, abs=0.005) for wall in found) == 2


# The command


def test_run_writes_all_files_and_says_so(tmp_path):
    rule_file = tmp_path / "square.yaml"
    rule_file.write_text(RULE_FILE, encoding="utf-8")
    lines = coupon_make.run(rule_file, tmp_path / "coupon")
    names = sorted(path.name for path in (tmp_path / "coupon").iterdir())
    assert names == [
        "manifest.json",
        "measure.html",
        "measure.md",
        "plate-1.3mf",
        "plate-1.stl",
        "plate-2.3mf",
        "plate-2.stl",
        "readings.csv",
    ]
    for name in names:
        assert f"wrote: {tmp_path / 'coupon' / name}" in lines
    assert "Read Safety in measure.html before printing." in lines
    assert "24 walls" in lines[0] and "2 plates" in lines[0]


def test_run_says_which_plate_it_took_where_the_rules_name_none(tmp_path):
    coupon = make_coupon(rules(build_volume=None), features={"pin"})
    lines = coupon_make.write_coupon(coupon, tmp_path / "c")
    assert "note: the rules name no build volume: 180 x 180 x 180 mm was taken" in lines


def test_a_later_round_says_so(tmp_path):
    out = tmp_path / "round-2"
    coupon = make_coupon(rules(), steps=[1.55], features={"wall"}, round_number=2)
    coupon_make.write_coupon(coupon, out)
    text = (out / "readings.csv").read_text()
    assert "# round: 2\n" in text
    assert [row for row in csv.reader(text.splitlines()) if row[0] == "wall"] == [
        ["wall", "x", "1.55", "", "", "", "", ""],
        ["wall", "y", "1.55", "", "", "", "", ""],
    ]
    assert json.loads((out / "manifest.json").read_text())["round"] == 2


def test_kinds_are_those_of_the_readings():
    assert set(KINDS) == set(FEATURES)
