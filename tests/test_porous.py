"""Walls that lean: hollow only where the air of one layer meets that of the next."""

import math
from collections import Counter
from dataclasses import replace

import manifold3d as m3
import numpy as np
import pytest
import shapely
from test_leaning_advice import RULES, case_of, leaning_wall
from toolpaths import Program

from wallguard.bands.declared import band_table
from wallguard.bands.porous import Lean
from wallguard.drawings.finding import legend
from wallguard.jobs.check import run_checks, status_of
from wallguard.jobs.compare import compare
from wallguard.rules.model import Beads, DeclaredBand, Rules
from wallguard.toolpath import beads as toolpath_beads
from wallguard.toolpath.comparison import compare as compare_laid
from wallguard.toolpath.placing import find_places
from wallguard.toolpath.reader import read_toolpath
from wallguard.toolpath.verdict import Copies, fill_drafts, rule_drafts
from wallguard.views.model import OUTCOMES
from wallguard.views.places import views_of
from wallguard.views.shape import shape_of

H, W, LAYERS, LONG = 0.2, 0.45, 10, 12.0
ANGLES = (0, 30, 45, 60, 75)
# A neck of air narrower than this between two beads is closed, mm: below what squeezing closes.
NECK = 0.04
# No minimum: how these walls come out is asked, not how thin they are.
WIDE = replace(RULES["wide"], minimum={})


def process(spacing, contours=1):
    beads = Beads(
        width=W,
        contours=contours,
        smallest_wall=0.3,
        squeeze=0.1,
        smallest_fill=0.65,
        spacing=spacing,
        edge_uncertainty=0,
    )
    return Rules("rules.yaml", spacing, "material extrusion", H, beads=beads)


def lay(folder, thickness, degrees, spacing, contours=1):
    """The strands of a wall that leans, as a toolpath file lays them and as they are read: the
    outermost stand on the outline of each layer, others `spacing` beside them."""
    program, moves = Program(W, H), H * math.tan(math.radians(degrees))
    apart = W - H * (1 - math.pi / 4) if spacing == "from volume" else W
    for layer in range(LAYERS):
        program.layer(layer)
        left = (layer + 0.5) * moves
        for number in range(contours):
            inset = W / 2 + number * apart
            for x in (left + inset, left + thickness - inset):
                program.path([(x, W / 2), (x, LONG - W / 2)])
    path = folder / "wall.gcode"
    path.write_text(program.text())
    return toolpath_beads.beads(read_toolpath(path)), path


def open_channels(laid):
    """Whether a channel of air goes up through three layers or more between the strands, each of
    them a bead with round ends (seen along the wall, for it is straight)."""
    solid, within = [], []
    for layer in range(len(laid.layer_z)):
        ends = []
        for bead in laid.in_layer(layer):
            x, z = laid.start[bead, 0], laid.z[bead] - laid.height[bead] / 2
            flat = (laid.width[bead] - laid.height[bead]) / 2
            ends += [x - flat, x + flat]
            solid.append(shapely.LineString([(x - flat, z), (x + flat, z)]).buffer(H / 2))
        within.append(shapely.LineString([(min(ends), z), (max(ends), z)]).buffer(H / 2))
    air = shapely.union_all(within).difference(shapely.union_all(solid)).buffer(-NECK / 2)
    heights = [np.ptp(piece.bounds[1::2]) for piece in getattr(air, "geoms", [air])]
    return max(heights) > 3 * H


def test_what_the_check_says_holds_in_the_solid_that_beads_make(tmp_path):
    seen = Counter()
    for spacing, contours in (("from volume", 1), ("width", 1), ("from volume", 2)):
        rules = process(spacing, contours)
        alone = [one.solid_width for one in band_table(rules).bands if one.fill == "hollow"][-1]
        for air in (0.11, 0.27, 0.43, 0.59):
            for degrees in ANGLES:
                section = round(alone + air, 2)
                drawn = section * math.cos(math.radians(degrees))
                case = case_of(leaning_wall(drawn, degrees), rules)
                said = {case.outcome(piece).fill for piece in case.pieces}
                assert len(said) == 1, (spacing, air, degrees)
                (fill,) = said
                channels = open_channels(lay(tmp_path, section, degrees, spacing, contours)[0])
                seen[fill, channels] += 1
    assert seen.keys() <= {
        ("hollow", True), ("porous", False), ("uncertain", True), ("uncertain", False)
    }  # fmt: skip
    assert seen["hollow", True] >= 30
    assert seen["porous", False] >= 12
    assert seen["uncertain", True] + seen["uncertain", False] <= 10


@pytest.mark.parametrize("degrees", ANGLES)
def test_of_a_toolpath_the_same_is_said(tmp_path, degrees):
    rules = process("from volume")
    laid, path = lay(tmp_path, 1.2, degrees, "from volume")
    height = LAYERS * H
    solid = leaning_wall(1.2 * math.cos(math.radians(degrees)), degrees, height=height)
    # The wall's own length runs the other way in the part than strands are laid here.
    case = case_of(solid.trim_by_plane((0, 1, 0), -LONG).translate([0, LONG, 0]), rules)
    (place,) = find_places(case.geometry, laid, part="part.stl", path=path).copies
    walls = compare_laid(case.geometry, laid, place).walls
    told = list(fill_drafts(case.geometry, walls, Copies((place,)), case))
    fill = {0: "hollow", 30: "hollow", 45: "hollow", 60: "hollow", 75: "porous"}[degrees]
    assert {wall.fill for wall in walls} == {fill}
    assert {draft.severity for draft, _ in told} == {"note" if fill == "porous" else "fail"}
    assert not list(rule_drafts(case.geometry, walls, case))


def test_a_dome_is_hollow_only_where_its_air_goes_on_upward():
    """The section of a dome of 1.0 mm, from its radii, at every place that the check judges."""
    outer, inner, rules = 20.0, 19.0, WIDE
    dome = m3.Manifold.sphere(outer, 160) - m3.Manifold.sphere(inner, 160)
    case = case_of(dome.trim_by_plane((0, 0, 1), 0), rules)
    found = Counter()
    for piece in case.pieces:
        fill = case.outcome(piece).fill
        for z in np.arange(piece.low, piece.high, rules.layer_height) + rules.layer_height / 2:
            wide, narrow = math.sqrt(outer**2 - z**2), math.sqrt(inner**2 - z**2)
            air = wide - narrow - 2 * 0.575 * (1 if wide - narrow < 2 else 2)
            shift = rules.layer_height * (z / wide + z / narrow) / 2
            if fill in ("hollow", "porous"):
                assert (shift < air + 0.02) == (fill == "hollow"), (z, fill, shift, air)
                found[fill] += 1
    assert found["hollow"] >= 8
    assert found["porous"] >= 2
    findings = run_checks(case)[1]
    # Near the pole sections are 2.5 mm wide, in a band that is hollow where walls stand upright.
    (top,) = [one for one in findings if one.subject.thickness.max > 2.4]
    assert (top.fill, top.severity) == ("porous", "note")
    assert max(one.box[1][2] for one in findings if one.fill == "hollow") < 16.5


def test_a_porous_wall_is_a_note_unless_the_rules_say_more():
    rules = WIDE
    solid = leaning_wall(0.39, 75)
    (note,) = run_checks(case_of(solid, rules))[1]
    assert (note.fill, note.severity, status_of([note])) == ("porous", "note", "passed")
    assert "moves on by 0.93 mm a layer, over 0.36 mm of air: will print filled with" in (
        note.message
    )
    levels = {}
    for level in ("ignore", "warn", "fail"):
        asked = replace(rules, outcomes={**rules.outcomes, "porous": level})
        levels[level] = [one.severity for one in run_checks(case_of(solid, asked))[1]]
    assert levels == {"ignore": [], "warn": ["warn"], "fail": ["fail"]}


def test_a_wall_that_bends_over_is_hollow_below_and_porous_above():
    thick, over = 1.5, 2 * math.tan(math.radians(75))
    left = [(0, 0), (0, 3), (over, 5)]
    corners = [*left[::-1], *((x + thick, z) for x, z in left)]
    solid = m3.Manifold.extrude(m3.CrossSection([corners]), 20).rotate([90, 0, 0])
    case = case_of(solid, WIDE)
    found = {case.outcome(piece).fill: (piece.low, piece.high) for piece in case.pieces}
    assert found == {"hollow": pytest.approx((0, 3)), "porous": pytest.approx((3, 5))}
    below, above = run_checks(case)[1]
    assert (below.fill, below.severity, below.box[1][2]) == ("hollow", "fail", pytest.approx(3))
    assert (above.fill, above.severity, above.box[0][2]) == ("porous", "note", pytest.approx(3))


def test_air_that_nobody_knows_stays_hollow():
    rows = (
        DeclaredBand(0, 1.2, "solid", slope=1, printed=0),
        DeclaredBand(1.2, 1.7, "hollow", slope=1, printed=0),
        DeclaredBand(1.7, None, "solid", slope=1, printed=0),
    )
    table = band_table(Rules("rules.yaml", "read", "material extrusion", H, bands=rows))
    assert table.outcome(1.5, Lean(H, 4.0)).fill == "hollow"
    assert table.closings(H) == ()


def test_a_process_that_leaves_pores_is_worse_than_one_that_fills():
    """And better than one of the same wall upright, which it leaves hollow."""
    hollow = WIDE
    solid = replace(hollow, beads=replace(hollow.beads, smallest_fill=0.1, squeeze=0.1))
    leans = case_of(leaning_wall(0.39, 75), hollow).geometry
    stands = case_of(leaning_wall(1.5, 0), hollow).geometry
    worse, worst = (
        compare(geometry, solid, hollow, "part.stl").changes[0] for geometry in (leans, stands)
    )
    assert (worse.direction, worse.after.verdict, worse.after.level) == ("worse", "porous", "note")
    assert worst.after.badness > worse.after.badness > worse.before.badness


def test_pictures_and_pages_show_a_porous_wall_as_such():
    case = case_of(leaning_wall(0.39, 75), WIDE)
    (view,), _ = views_of(case, run_checks(case)[1], 9)
    assert view.shown == "porous"
    assert view.changed
    assert "its air, which ends in every layer" in dict(legend(view)).values()
    outcomes = np.frombuffer(shape_of(case).outcomes, np.uint8)
    assert set(outcomes.tolist()) == {0, OUTCOMES.index("porous") + 1}
