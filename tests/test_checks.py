"""Every check: a part that passes and one that fails, with what is said of it."""

import math
import re
from dataclasses import replace

import manifold3d as m3
import numpy as np
import pytest
from solids import box, i_section, mesh, prism, tube, wedge
from view_samples import BEADS, OUTCOMES

from wallguard.bands.declared import band_table
from wallguard.base.errors import InputError
from wallguard.base.rotation import UPRIGHT
from wallguard.checks.case import Broken, Case, Draft
from wallguard.checks.places import findings_of
from wallguard.checks.registry import CHECKS
from wallguard.jobs.check import run_checks
from wallguard.mesh.health import examine
from wallguard.mesh.mesh import Mesh
from wallguard.part.geometry import Geometry
from wallguard.rules.features import FEATURES
from wallguard.rules.model import Limit, Rules


def case(solid, *, scale=1.0, rotation=UPRIGHT, **rules):
    given = {"beads": BEADS, "layer_height": 0.2, "outcomes": OUTCOMES}
    given["category"] = "material extrusion"
    rules = Rules(path="rules.yaml", name="test", **(given | rules))
    whole = solid if not isinstance(solid, m3.Manifold) else mesh(solid)
    return Case(Geometry(whole, examine(whole), rotation, scale), rules, band_table(rules))


def found(check, solid, **rules):
    """What one check alone finds."""
    one = case(solid, **rules)
    drafts = list(CHECKS[check].findings(one))
    whole = [draft.finding() for draft in drafts if isinstance(draft, Draft)]
    return [*whole, *findings_of(one, [draft for draft in drafts if isinstance(draft, Broken)])]


def told(solid, **rules):
    """What all checks find."""
    return run_checks(case(solid, **rules))[1]


def test_the_registry_names_every_check_by_its_id():
    assert [check.ID for check in CHECKS.values()] == list(CHECKS)
    assert all(row.meaning for row in FEATURES)


def test_a_hollow_wall_is_said_with_its_air_and_what_to_draw_instead():
    (finding,) = found("fill", box([40, 1.5, 10]))
    assert finding.severity == "fail"
    assert finding.fill == "hollow"
    assert finding.measured == pytest.approx(1.5, abs=0.005)
    assert "1.50 mm thick at (20.0, 0.8, 5.0)" in finding.message
    assert "will print hollow, with about 0.35 mm of air" in finding.message
    assert finding.advice == "draw 1.05-1.22 or 1.73-2.37 mm"


@pytest.mark.parametrize("thickness", [1.1, 1.15, 1.2, 1.75, 2.0, 3.0])
def test_a_wall_in_a_good_band_passes(thickness):
    assert found("fill", box([40, thickness, 10])) == []


def test_a_good_wall_near_a_worse_outcome_is_warned_of_where_a_margin_is_asked():
    """Solid up to 1.22 and from 1.73 mm, hollow between: see BEADS."""
    (finding,) = found("margin", box([40, 1.20, 10]), margin=0.05)
    assert (finding.severity, finding.measured) == ("warn", pytest.approx(0.03, abs=0.002))
    assert "comes out solid, but is only 0.03 mm from hollow" in finding.message
    assert finding.advice == "draw 1.17 mm"
    (finding,) = found("margin", box([40, 1.75, 10]), margin=0.05)
    assert finding.advice == "draw 1.78 mm"
    for advised in (1.17, 1.78):
        assert found("margin", box([40, advised, 10]), margin=0.05) == []
    assert found("margin", box([40, 1.20, 10]), margin=0.02) == []
    assert found("margin", box([40, 1.50, 10]), margin=0.05) == []
    ignored = {**OUTCOMES, "hollow": "ignore"}
    assert found("margin", box([40, 1.20, 10]), margin=0.05, outcomes=ignored) == []


def test_a_wall_too_thin_to_print_is_missing():
    (finding,) = found("fill", box([40, 0.4, 10]))
    assert finding.fill == "missing"
    assert "will not be printed" in finding.message


def test_a_wall_between_one_bead_and_two_is_thickened():
    (finding,) = found("fill", box([40, 0.8, 10]))
    assert (finding.severity, finding.fill) == ("warn", "solid")
    assert finding.measured == pytest.approx(1.15 - 0.8, abs=0.005)
    assert finding.limit == 0.15


def test_outcomes_can_be_ignored_or_made_to_fail():
    ignored = OUTCOMES | {"hollow": "ignore"}
    assert found("fill", box([40, 1.5, 10]), outcomes=ignored) == []
    strict = OUTCOMES | {"thickened": "fail"}
    assert found("fill", box([40, 0.8, 10]), outcomes=strict)[0].severity == "fail"


def test_one_bad_rib_is_one_finding():
    solid = box([60, 40, 2]) + box([60, 1.5, 20], [0, 20, 0]) + box([2, 40, 20])
    (finding,) = found("fill", solid)
    assert finding.box[1][2] == pytest.approx(20)


def test_a_taper_gives_one_finding_for_each_range_of_thickness_that_is_bad_throughout():
    findings = found("fill", wedge(0, 3, 60, 10))
    lost, thicker, hollow, wide = sorted(findings, key=lambda one: -one.location[0])
    assert [one.fill for one in (lost, hollow, wide)] == ["missing", "hollow", "hollow"]
    # Thickened, and then by about as much as the tolerance: no thickness between is good.
    assert [one.indeterminate for one in thicker.breaches] == [False, True]
    assert thicker.message.startswith("wall 0.58 to 1.04 mm thick at (48.")
    assert thicker.message.endswith("long, will come out about 1.15 mm thick (drawn 0.76)")
    assert thicker.advice == "draw 0.50-0.57 or 1.05-1.22 mm"


def test_a_rib_that_gets_thinner_upward_is_one_finding():
    rib = prism([[-1, 0], [1, 0], [0.2, 15], [-0.2, 15]], 30).rotate([90, 0, 0])
    limit = {"wall": Limit(fail=1.5)}
    (finding,) = found("wall", rib + box([10, 40, 2], [-5, -35, -2]), minimum=limit)
    assert finding.measured == pytest.approx(0.4, abs=0.02)
    assert finding.size[0] == pytest.approx(29.6, abs=0.5)  # not once more for each layer
    assert finding.box[1][2] - finding.box[0][2] == pytest.approx(15 * 1.1 / 1.6, abs=0.3)


def test_a_dome_is_one_wall_as_long_as_it_goes_round():
    ball = m3.Manifold.sphere(10, 64) - m3.Manifold.sphere(9.2, 64)
    dome = ball.trim_by_plane([0, 0, 1], 0)
    (finding,) = found("wall", dome, minimum={"wall": Limit(fail=1.0)})
    assert finding.size[0] == pytest.approx(math.tau * 9.6, rel=0.02)


def test_a_post_is_said_with_its_height():
    (finding,) = found("fill", box([0.3, 0.3, 5]) + box([9, 9, 2], [-4, -4, -2]))
    assert "5.00 mm high, will not be printed" in finding.message


def test_a_building_at_1_to_500_has_walls_too_thin_to_print():
    # A hall drawn in millimetres at full size: 150 mm walls become 0.3 mm.
    hall = box([20000, 12000, 6000]) - box([19700, 11700, 6000], [150, 150, 150])
    findings = found("fill", hall, scale=1 / 500)
    assert len(findings) == 4
    assert {finding.fill for finding in findings} == {"missing"}
    assert all("0.30 mm thick" in finding.message for finding in findings)
    assert all("draw 250 to 285 mm (0.50-0.57 mm printed)" in f.advice for f in findings)
    # Places are in the file's own frame: full size.
    assert max(finding.location[0] for finding in findings) > 19000


def test_an_i_section_at_model_scale_loses_its_web():
    # EN 10365 IPE 100: web 4.1 mm, flanges 5.7 mm (from memory); at 1:10 0.41 and 0.57 mm.
    findings = found("fill", i_section(100, 55, 4.1, 5.7, 100), scale=0.1)
    assert [round(f.measured, 2) for f in findings if f.fill == "missing"] == [0.41]


@pytest.mark.parametrize(("thickness", "count"), [(0.79, 1), (0.80, 0), (0.7999, 0), (0.81, 0)])
def test_a_wall_that_meets_its_minimum_as_shown_passes(thickness, count):
    minimum = {"wall": Limit(fail=0.8)}
    assert len(found("wall", box([40, thickness, 10]), minimum=minimum)) == count


def test_the_lower_level_warns():
    minimum = {"wall": Limit(fail=0.8, warn=1.2)}
    (finding,) = found("wall", box([40, 1.0, 10]), minimum=minimum)
    assert (finding.severity, finding.limit) == ("warn", 1.2)


def test_a_rib_thinned_in_one_place_is_one_finding_there():
    rib = box([40, 1.0, 10]) - m3.Manifold.cylinder(12, 0.4, 0.4, 64).translate([20, 0, -1])
    (finding,) = found("wall", rib, minimum={"wall": Limit(fail=0.8)})
    assert finding.measured == pytest.approx(0.6, abs=0.005)
    assert finding.location[0] == pytest.approx(20, abs=0.2)


def test_only_free_walls_answer_to_the_minimum_for_free_walls():
    minimum = {"wall": Limit(fail=0.8), "free_wall": Limit(fail=1.2)}
    plate = box([40, 20, 2])
    fin = plate + box([1.0, 14, 10], [20, 3, 2])
    tied = plate + box([1.0, 20, 10], [20, 0, 2]) + box([40, 2, 12]) + box([40, 2, 12], [0, 18, 0])
    assert len(found("free_wall", fin, minimum=minimum)) == 1
    assert found("wall", fin, minimum=minimum) == []
    assert found("free_wall", tied, minimum=minimum) == []


def test_a_tight_gap_fails_and_a_wide_one_passes():
    minimum = {"gap": Limit(fail=0.4)}
    slot = box([30, 20, 4]) - box([10, 0.3, 6], [10, 10, -1])
    (finding,) = found("gap", slot, minimum=minimum)
    assert "0.30 mm wide" in finding.message
    wide = box([30, 20, 4]) - box([10, 0.4, 6], [10, 10, -1])
    assert found("gap", wide, minimum=minimum) == []


@pytest.mark.parametrize("turn", [(0, 0, 0), (90, 0, 0)], ids=["upright", "lying"])
def test_small_holes_and_pins(turn):
    minimum = {"hole": Limit(fail=1.5), "pin": Limit(fail=1.5)}
    bore = m3.Manifold.cylinder(12, 0.7, 0.7, 48).translate([5, 5, -1])
    (finding,) = found("hole", (box([10, 10, 10]) - bore).rotate(turn), minimum=minimum)
    assert finding.measured == pytest.approx(1.4, abs=0.005)
    pin = m3.Manifold.cylinder(8, 0.7, 0.7, 48).translate([5, 5, 9])
    (finding,) = found("pin", (box([10, 10, 10]) + pin).rotate(turn), minimum=minimum)
    assert finding.measured == pytest.approx(1.4, abs=0.005)


def test_thin_floors_and_roofs_count_in_layers():
    minimum = {"floor": Limit(fail=3), "roof": Limit(fail=3)}
    dish = box([30, 30, 10]) - box([26, 26, 12], [2, 2, 0.4])
    (finding,) = found("floor", dish, minimum=minimum)
    assert (finding.measured, finding.unit) == (2, "layers")
    lid = box([30, 30, 10]) - box([26, 26, 12], [2, 2, -2.4])
    (finding,) = found("roof", lid, minimum=minimum)
    assert finding.measured == 2
    thick = box([30, 30, 10]) - box([26, 26, 12], [2, 2, 0.6])
    assert found("floor", thick, minimum=minimum) == []


def test_a_part_larger_than_the_build_volume_fails_unless_a_turn_helps():
    assert found("build_volume", box([200, 50, 20]), build_volume=(100, 210, 50)) == []
    (finding,) = found("build_volume", box([200, 50, 60]), build_volume=(210, 100, 50))
    assert (finding.measured, finding.limit) == (60, 50)


def test_a_block_of_1_3_mm_suggests_another_unit():
    (finding,) = found("unit", box([1.3, 0.8, 0.5]))
    assert finding.severity == "warn"
    assert found("unit", box([30, 20, 10])) == []


def test_an_open_mesh_never_passes_silently():
    whole = mesh(box([10, 10, 4]))
    middle = whole.vertices[whole.triangles].mean(axis=1)
    torn = Mesh(whole.vertices, whole.triangles[middle[:, 0] < 9.9])
    findings = found("mesh", torn)
    assert [finding.severity for finding in findings] == ["fail", "warn"]
    assert "open edges" in findings[0].message
    assert "20 of 20 layers" in findings[1].message


def test_a_file_coarser_than_the_tolerance_is_refused_and_one_coarser_than_what_is_shown_told():
    def part(step, tolerance, scale=1.0):
        whole = replace(mesh(box([10, 10, 4])), step=step)
        return found("mesh", whole, tolerance=(0.2, tolerance), scale=scale)

    assert part(0.004, 0.15) == []
    (finding,) = part(0.0078, 0.15)
    assert finding.severity == "note"
    assert "coordinates go in steps of 0.0078 mm: thicknesses may be off by as much" in (
        finding.message
    )
    with pytest.raises(InputError, match=r"steps of 1 mm, more than the tolerance of 0.15 mm"):
        part(1.0, 0.15)
    assert len(part(1.0, 0.15, scale=0.1)) == 1  # as it is printed


def overlapping(one, other):
    """Both meshes as bodies of one."""
    triangles = np.concatenate([one.triangles, other.triangles + len(one.vertices)])
    vertices = np.concatenate([one.vertices, other.vertices])
    return Mesh(vertices, triangles.astype(np.int32))


def test_overlapping_bodies_are_united_before_they_are_cut():
    one, other = mesh(box([20, 1.5, 10])), mesh(box([20, 1.5, 10], [0, 0.5, 0]))
    both = overlapping(one, other)
    assert [finding.severity for finding in found("mesh", both)] == ["note", "note"]
    assert found("fill", both) == []  # 2.0 mm together: solid, where 1.5 mm is hollow


def test_bodies_too_many_to_compare_are_united_layer_by_layer(monkeypatch):
    monkeypatch.setattr("wallguard.mesh.overlap.MAX_WORK", 0)
    one, other = mesh(box([20, 1.5, 10])), mesh(box([20, 1.5, 10], [0, 0.5, 0]))
    both = overlapping(one, other)
    (finding,) = found("mesh", both)
    assert "too many or too broken to compare all of them" in finding.message
    assert found("fill", both) == []  # 2.0 mm together: solid, where 1.5 mm is hollow


def test_a_lower_part_than_half_a_layer_fails():
    findings = found("mesh", box([10, 10, 0.05]))
    assert [finding.severity for finding in findings] == ["fail"]


def test_a_process_without_layers_of_beads_measures_in_space():
    # A plate lying flat: thin across, whatever the layers say.
    minimum = {"wall": Limit(fail=0.8)}
    flat = box([30, 30, 0.5])
    (finding,) = found(
        "wall", flat, beads=None, category="powder bed fusion", layer_height=0.1, minimum=minimum
    )
    assert finding.measured == pytest.approx(0.5, abs=0.005)


# Facts of the trade: common practice, no published source. A nozzle of 0.4 mm; nominal thickness,
# what callipers read on the print (None: nothing printed), and the fill that was seen.
MACHINE_A = [
    (2.0, 2.01, "solid"),
    (1.5, 1.5, "hollow"),
    (1.0, 1.2, "solid"),
    (0.8, 1.2, "solid"),
    (0.6, 1.1, "solid"),
    (0.4, None, "missing"),
]


@pytest.mark.parametrize(("nominal", "callipers", "fill"), MACHINE_A)
def test_walls_of_machine_a_come_out_as_callipers_found_them(nominal, callipers, fill):
    lenient = (math.inf, math.inf)
    one = case(box([40, nominal, 10]), tolerance=lenient)
    (wall,) = one.walls
    outcome = one.table.outcome(wall.typical)
    assert outcome.fill == fill
    if callipers is None:
        assert outcome.printed is None
    else:
        assert outcome.printed == pytest.approx(callipers, abs=0.15)


def test_a_tube_of_pipe_size_is_judged_by_its_wall():
    # ASME B36.10M NPS 1 schedule 40: 33.4 x 3.38 mm (from memory); at 1:2.25 the wall is 1.50 mm.
    (finding,) = found("fill", tube(33.4, 3.38, 40), scale=1.5 / 3.38)
    assert finding.fill == "hollow"
    assert finding.measured == pytest.approx(1.5, abs=0.01)


@pytest.mark.parametrize(("depth", "count"), [(0.1, 0), (3.0, 1)])
def test_the_shallow_end_of_a_notch_is_no_gap_and_a_slot_is_one(depth, count):
    groove = box([20, 10, 10]) - box([depth + 1, 0.3, 12], [20 - depth, 5, -1])
    assert len(found("gap", groove, minimum={"gap": Limit(fail=0.4)})) == count


def test_a_corner_is_no_finding():
    assert found("fill", prism([[0, 0], [20, 0], [0, 20]], 10)) == []


def test_a_taper_tells_where_it_comes_out_how():
    beads = replace(BEADS, smallest_wall=0.6)
    (finding,) = found("fill", wedge(0.3, 1.2, 60, 10), beads=beads)
    assert "mm long, will not be printed where it is 0.3" in finding.message
    assert finding.message.endswith(
        " to 0.59 mm thick; it will come out about 1.15 mm thick (drawn 0.77) where it is 0.60 to "
        "0.94 mm thick"
    )
    assert finding.advice == "draw 1.05-1.22 mm"


def test_what_is_said_of_two_thicknesses_is_said_once():
    beads = replace(BEADS, edge_uncertainty=0.05)
    (finding,) = found("fill", wedge(1.1, 1.9, 60, 10), beads=beads)
    assert finding.message.count("may come out solid or hollow where it is") == 1
    assert re.search(
        r" to \d\.\d\d mm or \d.* thick: the edge between them is calc", finding.message
    )


# Of what stands lower, on fewer sides, or for less than two beads of 0.575 mm.
MINIMA = {"wall": Limit(0.9), "free_wall": Limit(1.2), "pin": Limit(1.5), "floor": Limit(3)}


def test_a_wall_that_leans_answers_to_minima_as_callipers_read_it():
    """1.15 mm are 1.63 in the layers at 45 degrees, which is above the minimum."""
    lean = prism([[0, 0], [1.15 * 2**0.5, 0], [1.15 * 2**0.5 + 10, 10], [10, 10]], 20)
    (finding,) = found("free_wall", lean.rotate([90, 0, 0]), minimum=MINIMA)
    assert finding.measured == pytest.approx(1.15, abs=0.005)
    assert "free wall 1.63 mm thick (1.15 mm square to it) at" in finding.message
    assert found("free_wall", box([20, 1.2, 10]), minimum=MINIMA) == []
    # A dome as thick as the minimum all over, however it leans.
    dome = m3.Manifold.sphere(8, 64) - m3.Manifold.sphere(6.8, 64)
    assert not found("wall", dome.trim_by_plane([0, 0, 1], 0), minimum={"wall": Limit(1.15)})


def test_a_wall_shorter_than_two_beads_is_a_post_and_told_once():
    plate = box([20, 20, 3])
    for sides in ([0.6, 0.6, 8], [0.8, 0.8, 8], [0.7, 1.1, 8]):
        (finding,) = told(plate + box(sides, [5, 5, 3]), minimum=MINIMA)
        assert (finding.subject.kind, [one.check for one in finding.breaches]) == ("pin", ["pin"])
        assert finding.message.startswith(f"post {sides[0]:.2f} mm thick at (5.")
        assert finding.measured == pytest.approx(sides[0], abs=0.005)
        assert finding.advice == "draw 1.73-2.37 mm"
    # What is not printed at all is told with it.
    (finding,) = told(plate + box([0.4, 0.4, 8], [5, 5, 3]), minimum=MINIMA)
    assert {one.check for one in finding.breaches} == {"pin", "fill"}
    # Longer it is a wall; so is what is held at both ends; and so are all where pins have no limit.
    assert told(plate + box([0.8, 1.3, 8], [5, 5, 3]), minimum=MINIMA)[0].subject.kind == "wall"
    web = box([20, 20, 8]) - box([20, 9.6, 9], [-0.5, -1, -0.5]) - box([9.6, 30, 9], [-1, -1, -0.5])
    assert all(one.subject.kind == "wall" for one in told(web, minimum=MINIMA))
    less = {name: limit for name, limit in MINIMA.items() if name != "pin"}
    (finding,) = told(plate + box([0.8, 0.8, 8], [5, 5, 3]), minimum=less)
    assert finding.subject.kind == "wall"


def test_what_is_lower_than_three_layers_is_judged_as_a_floor():
    plate = box([20, 20, 3])
    assert told(plate + box([15, 0.8, 0.4], [2, 5, 3]), minimum=MINIMA) == []
    assert told(plate + box([15, 0.8, 0.6], [2, 5, 3]), minimum=MINIMA)
    (finding,) = told(box([15, 1.5, 0.4]), minimum=MINIMA)
    assert [one.check for one in finding.breaches] == ["floor"]
    # On the plate it is lost all the same where nothing is printed.
    (finding,) = told(plate + box([15, 0.4, 0.4], [2, 5, 3]), minimum=MINIMA)
    assert finding.fill == "missing"


def test_a_mesh_too_coarse_for_its_walls_is_told():
    """Of 24 and 20 sides, whose middles lie 0.09 and 0.11 mm off: a wall of 1.10 mm between them is
    seen as 1.02 to 1.20 mm thick. From 1.05 mm on it is solid. With 200 sides all is well."""

    def tube_of(outside, inside):
        hole = m3.Manifold.cylinder(8, 8.9, 8.9, inside).translate([0, 0, -1])
        return m3.Manifold.cylinder(6, 10, 10, outside) - hole

    (finding,) = found("mesh", tube_of(24, 20))
    assert finding.severity == "note"
    assert finding.measured == pytest.approx(10 * (1 - math.cos(math.pi / 24)), abs=0.025)
    assert finding.measured > finding.limit
    said = re.search(r"no more than ([\d.]+) mm off the curve", finding.advice)
    assert 0 < float(said[1]) <= finding.limit
    assert found("mesh", tube_of(200, 190)) == []
    # Flat walls have no curve to be off, and a curve far from all limits may be as coarse as it is.
    assert found("mesh", box([40, 1.2, 10])) == []
    assert found("mesh", tube(20, 3.4, 6, 24)) == []


def test_what_leans_too_far_apart_for_a_wall_is_said_not_to_be_judged():
    """Rings with flanks of 60 degrees from their axis round a bore: from root to crest their
    section is 0.95 to 1.60 mm thick, and hollow from 1.225 mm on."""
    rings = [(4.95, 0.2), (5.6, 0.55), (5.6, 0.95), (4.95, 1.3)]
    outline = [(4, 0), *((r, z + at) for at in np.arange(0, 6, 1.5) for r, z in rings), (4, 6)]
    threaded = m3.Manifold.revolve(m3.CrossSection([np.array(outline)]), 48)
    (note,) = (one for one in found("fill", threaded) if one.severity == "note")
    assert note.message.startswith("not judged: in ")
    x, y, z = note.location
    assert 4 < math.hypot(x, y) < 5.6
    # On a flank: neither at the root nor on a crest.
    assert 0.2 < z % 1.5 < 0.55 or 0.95 < z % 1.5 < 1.3
    # Below a ridge one layer is as thick, and no wall is missed where faces stand upright.
    assert found("fill", prism([[0, 0], [10, 0], [5, 5]], 20).rotate([90, 0, 0])) == []
    assert all(one.severity == "fail" for one in found("fill", tube(20, 1.5, 6, 64)))


def bored(diameter, depth, lying, facets=64):
    bore = m3.Manifold.cylinder(depth, diameter / 2, diameter / 2, facets)
    block = box([20, 20, 20], [-10, -10, 0])
    if lying:
        return block - bore.rotate([0, 90, 0]).translate([10 - depth, 0, 10])
    return block - bore.translate([0, 0, 20 - depth])


@pytest.mark.parametrize("facets", [16, 64, 200])
@pytest.mark.parametrize("turn", [0, 37])
@pytest.mark.parametrize("lying", [False, True])
def test_holes_have_minima_by_the_way_they_lie(lying, turn, facets):
    own, other = ("lying_hole", "upright_hole") if lying else ("upright_hole", "lying_hole")
    part = bored(1.9, 8, lying, facets).rotate([0, 0, turn])
    limits = {own: Limit(fail=2.0), "hole": Limit(fail=1.5)}
    (finding,) = told(part, minimum=limits)
    (breach,) = finding.breaches
    assert (breach.check, breach.measured) == (own, pytest.approx(1.9, abs=1e-4))
    assert "for a lying hole" in finding.message if lying else "upright hole" in finding.message
    assert finding.advice == "draw a diameter ≥ 2.00 mm"
    assert told(bored(2.0, 8, lying, facets), minimum=limits) == []
    assert told(part, minimum={other: Limit(fail=2.0)}) == []


@pytest.mark.parametrize("lying", [False, True])
def test_a_hole_is_too_deep_for_its_diameter(lying):
    limits = {"deep_hole": Limit(fail=5), "hole": Limit(fail=2.5)}
    (finding,) = told(bored(2.0, 15, lying), minimum=limits)
    assert {breach.check for breach in finding.breaches} == {"deep_hole", "hole"}
    deep = next(each for each in finding.breaches if each.check == "deep_hole")
    assert deep.measured == pytest.approx(7.5, rel=1e-3)
    assert "is 15.00 mm deep, 7.5 times its diameter, more than 5" in finding.message
    assert finding.advice == "draw a diameter ≥ 3.00 mm"
    assert told(bored(3.0, 15, lying), minimum=limits) == []


POWDER = {"category": "powder bed fusion", "beads": None}


def test_a_wall_whose_faces_grow_is_said_with_what_comes_out():
    (finding,) = found("fill", box([20, 1.0, 10]), **POWDER, growth=0.05, tolerance=(0.08, 0.08))
    assert "wall 1.00 mm thick" in finding.message
    assert finding.message.endswith("will come out about 1.10 mm thick (drawn 1.00)")
    assert finding.measured == pytest.approx(0.10, abs=1e-6)
    assert finding.advice.startswith("every wall comes out 0.10 mm thicker, out of tolerance")
    assert found("fill", box([20, 1.0, 10]), **POWDER, growth=0.05, tolerance=(0.1, 0.1)) == []


def test_what_is_below_a_minimum_is_said_with_what_faces_make_of_it():
    plate = box([20, 6, 4])
    slit = plate - box([12, 0.3, 9], [4, 2.85, -1])
    hole = plate - m3.Manifold.cylinder(9, 0.3, 0.3, 64).translate([10, 3, -1])
    minimum = {name: Limit(1.0) for name in ("wall", "gap", "hole")}
    for check, solid, growth, says in (
        ("wall", box([20, 0.8, 10]), 0.05, "it comes out about 0.90 mm thick"),
        ("gap", slit, 0.05, "it comes out about 0.20 mm wide"),
        ("gap", slit, 0.15, "it closes"),
        ("gap", slit, 0.0, "its sides may fuse"),
        ("hole", hole, 0.1, "it comes out about 0.40 mm wide"),
        ("hole", hole, -0.1, "it comes out about 0.80 mm wide"),
    ):
        (finding,) = found(check, solid, **POWDER, growth=growth, minimum=minimum)
        assert finding.message.endswith(says), (check, growth)


@pytest.mark.parametrize("turn", [0, 20, 45])
@pytest.mark.parametrize("sides", [(1.2, 1.2), (1.2, 1.6)])
def test_a_column_is_as_thick_as_a_pin_at_least(sides, turn):
    # Two plates on four columns; a round pin as thick would be told as well.
    columns = [box([*sides, 10], [x, y, 2]) for x in (2, 16) for y in (2, 16)]
    table = (sum(columns, box([20, 20, 2.5])) + box([20, 20, 3], [0, 0, 11])).rotate([0, 0, turn])
    findings = told(table, minimum={"wall": Limit(fail=0.8), "pin": Limit(fail=2.0)})
    assert len(findings) == 4
    for finding in findings:
        assert [breach.check for breach in finding.breaches] == ["pin"]
        assert finding.message.startswith(f"column {sides[0]:.2f} mm thick at (")
        assert "is below the minimum of 2.00 mm" in finding.message
    # As thick as asked, or a wall, or held at an end: no column.
    for good in (box([2, 2, 8], [4, 4, 2]), box([1.2, 2.4, 8], [4, 4, 2])):
        assert told(box([20, 20, 3]) + good, minimum={"pin": Limit(fail=2.0)}) == []
    rib = box([20, 20, 12]) - box([9, 30, 20], [-1, -1, 2]) - box([30, 18, 20], [9.2, -1, 2])
    assert told(rib, minimum={"pin": Limit(fail=2.0)}) == []


@pytest.mark.parametrize("turn", [0, 20, 45])
@pytest.mark.parametrize(("angle", "count"), [(5, 1), (12, 1), (24, 0), (38, 0)])
def test_sides_that_meet_in_a_corner_are_no_gap_and_a_crack_is_one(angle, count, turn):
    half = 14 * math.tan(math.radians(angle) / 2)
    notch = prism([[0, 0], [14, -half], [14, half]], 20).translate([-2, 0, -5])
    solid = (box([20, 30, 8], [-10, -15, 0]) - notch).rotate([0, 0, turn])
    assert len(found("gap", solid, minimum={"gap": Limit(fail=0.2, warn=0.4)})) == count
    # Where the sides do not meet, all of it may fuse.
    slit = solid - box([5, 0.2, 20], [-6, -0.1, -5]).rotate([0, 0, turn])
    assert len(found("gap", slit, minimum={"gap": Limit(fail=0.3, warn=0.4)})) == 1


@pytest.mark.parametrize("facets", [24, 64, 160])
def test_a_rod_that_sinks_into_a_plate_has_no_gap_beside_it_and_one_that_touches_it_has(facets):
    def lying(sunk):
        rod = m3.Manifold.cylinder(12, 6, 6, facets)
        return rod.translate([0, 6 - sunk, 0]) + box([40, 3, 12], [-20, -3, 0])

    minimum = {"gap": Limit(fail=0.2, warn=0.4)}
    assert found("gap", lying(1.0), minimum=minimum) == []
    assert found("gap", lying(0.02), minimum=minimum)
