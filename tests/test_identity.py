"""Findings of two revisions of a part: which are the same one, whatever else the export changed."""

import math
import random
from dataclasses import replace

import manifold3d as m3
import numpy as np
import pytest
from report_samples import DOUBLED, changed, finding, part
from solids import box, mesh, tube

from wallguard.base.rotation import UPRIGHT
from wallguard.findings.identity import compared, find_move, same_findings, unbroken
from wallguard.findings.model import Finding, PartReport
from wallguard.jobs.check import report_on
from wallguard.mesh.health import examine
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.read import read_mesh
from wallguard.part.geometry import Geometry
from wallguard.rules.model import Beads, DeclaredBand, Limit, Rules

RULES = Rules(
    path="rules/grey.yaml",
    name="bench printer, grey",
    category="material extrusion",
    layer_height=0.2,
    beads=Beads(
        width=0.575,
        contours=2,
        smallest_wall=0.5,
        squeeze=0.075,
        smallest_fill=0.575,
        edge_uncertainty=0,
    ),
    minimum={"wall": Limit(fail=0.8), "hole": Limit(fail=4)},
    outcomes={
        "hollow": "fail",
        "missing": "fail",
        "thickened": "warn",
        "thinned": "warn",
        "indeterminate": "warn",
    },
)


def tray(rib=1.5):
    """A frame with two thin ribs of different length, a hollow rib, a hollow ring, a small hole."""
    frame = box([60, 40, 6]) - box([56, 36, 8], [2, 2, -1])
    ribs = box([rib, 38, 10], [10, 1, 0]) + box([0.7, 38, 8], [20, 1, 0])
    short = box([0.7, 20, 8], [30, 1, 0]) + box([10, 10, 6], [48, 28, 0])
    hole = m3.Manifold.cylinder(9, 1.5, 1.5, 48).translate([53, 33, -1])
    return frame + ribs + short + tube(16, 1.5, 12).translate([45, 14, 0]) - hole


TRAY = tray()


def check(solid) -> PartReport:
    """The report on a solid, or on a mesh as it stands."""
    drawn = solid if isinstance(solid, Mesh) else mesh(solid)
    return report_on(Geometry(drawn, examine(drawn), UPRIGHT, 1.0), RULES, "parts/tray.stl")


@pytest.fixture(scope="module")
def base() -> PartReport:
    report = check(TRAY)
    assert len(report.findings) == 5
    checks = {breach.check for one in report.findings for breach in one.breaches}
    assert checks == {"fill", "wall", "hole"}
    return report


def states(report: PartReport) -> list[str]:
    return sorted(one.state for one in report.findings)


def assert_all_the_same(base: PartReport, head: PartReport) -> None:
    """Every finding is known again, the right one each, and has its id."""
    found = compared(base, head)
    assert states(found) == ["unchanged"] * len(base.findings)
    assert found.fixed == ()
    for new, old in same_findings(base, head).items():
        one, other = head.findings[new], base.findings[old]
        assert (one.check, one.fill) == (other.check, other.fill)
        assert one.measured == pytest.approx(other.measured, abs=0.01)
        assert one.size == pytest.approx(other.size, abs=0.1)
    assert sorted(one.id for one in head.findings) == sorted(one.id for one in base.findings)


def shuffled(drawn: Mesh, seed: int = 3) -> Mesh:
    """The same mesh with its corners and faces in another order, and each face begun elsewhere."""
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(drawn.vertices))
    faces = np.argsort(order)[drawn.triangles][rng.permutation(len(drawn.triangles))]
    faces = np.array([np.roll(face, rng.integers(3)) for face in faces], np.int32)
    return Mesh(drawn.vertices[order], faces)


def test_a_vertex_order_change(base):
    assert_all_the_same(base, check(shuffled(mesh(TRAY))))


def test_a_re_export_with_rounded_corners(base):
    drawn = mesh(TRAY)
    single = drawn.vertices.astype(np.float32).astype(np.float64)
    assert_all_the_same(base, check(Mesh(single.round(4), drawn.triangles)))


def test_a_re_triangulation(base):
    drawn = mesh(TRAY.refine(3))
    assert len(drawn.triangles) > 5 * len(mesh(TRAY).triangles)
    assert_all_the_same(base, check(drawn))


@pytest.mark.parametrize("shift", [(-100.03, 33.3, -7.77), (0.4, 0, 0)])
def test_a_move_of_the_origin(base, shift):
    head = check(TRAY.translate(shift))
    assert find_move(base, head).shift == pytest.approx(shift, abs=0.5)
    assert_all_the_same(base, head)


@pytest.mark.parametrize("angle", [90, -17.3, 0.5])
def test_a_turn_about_the_upright_axis(base, angle):
    head = check(TRAY.rotate([0, 0, angle]).translate([5, 7, 3]))
    turned = find_move(base, head).rotation
    assert turned[0, 0] == pytest.approx(math.cos(math.radians(angle)), abs=0.005)
    assert_all_the_same(base, head)


@pytest.mark.parametrize(
    "edited",
    [
        TRAY + box([3, 3, 25], [1, 18, 0]),
        TRAY - box([1.5, 1.5, 9], [47.5, 27.5, -1]),
        TRAY + box([5, 4, 6], [60, 18, 0]),
        TRAY + box([2.0, 10, 6], [40, 25, 0]),
    ],
    ids=["a post", "a notch", "a lug", "a sound rib"],
)
def test_an_edit_elsewhere(base, edited):
    found = compared(base, check(edited))
    assert states(found) == ["unchanged"] * len(base.findings)
    assert found.fixed == ()


def test_all_at_once(base):
    edited = (TRAY + box([3, 3, 25], [1, 18, 0])).refine(2).rotate([0, 0, 90])
    head = check(shuffled(mesh(edited.translate([11, -3, 2]))))
    found = compared(base, head)
    assert states(found) == ["unchanged"] * len(base.findings)
    assert found.fixed == ()


def test_a_new_rib_is_new_and_nothing_else_is(base):
    found = compared(base, check(TRAY + box([1.5, 38, 9], [35, 1, 0])))
    new = [one for one in found.findings if one.state == "new"]
    assert new
    assert all(35 <= one.location[0] <= 36.5 for one in new if one.location)
    assert found.fixed == ()


def test_a_new_rib_in_a_part_that_was_moved_is_new(base):
    moved = (TRAY + box([1.5, 38, 9], [35, 1, 0])).translate([100, 0, 0])
    new = [one for one in compared(base, check(moved)).findings if one.state == "new"]
    assert new
    assert all(135 <= one.location[0] <= 136.5 for one in new if one.location)


def test_a_rib_made_thick_enough_is_fixed(base):
    found = compared(base, check(tray(rib=2.0)))
    assert states(found) == ["unchanged"] * len(found.findings)
    assert found.fixed
    assert all(10 <= one.location[0] <= 12 for one in found.fixed if one.location)


def test_a_rib_of_the_same_shape_elsewhere_is_another_finding(base):
    """The one is mended, the other is new: the part as a whole has not moved."""
    other = tray(rib=2.0) + box([1.5, 38, 10], [35, 1, 0])
    found = compared(base, check(other))
    moved = [one.state for one in found.findings if one.location and 35 <= one.location[0] <= 36.5]
    assert moved
    assert set(moved) == {"new"}
    assert found.fixed


def test_what_got_thinner_keeps_its_identity_and_is_new_with_the_reason(base):
    found = compared(base, check(TRAY - box([0.1, 50, 20], [20, -1, -1])), "main")
    worse = [one for one in found.findings if one.worse]
    assert worse
    assert all(one.state == "new" for one in worse)
    remark = "main has it too, but it got worse: thinner by 0.10 mm (0.60 now, 0.70 before)"
    assert remark in [one.remark for one in worse if one.check == "wall"]
    assert found.fixed == ()


def test_a_part_of_one_wall_is_known_by_its_shape(base):
    wall = box([40, 1.5, 10])
    old = check(wall)
    for moved in (wall.translate([30, 4, 5]), wall.rotate([0, 0, 30])):
        assert states(compared(old, check(moved))) == ["unchanged"]


def test_a_row_of_ribs_moved_by_its_pitch_is_told_by_its_ends():
    row = box([62, 2, 6])
    for number in range(20):
        row += box([1.5, 20, 6], [3 * number, 0, 0])
    found = compared(check(row), check(row.translate([3, 0, 0])))
    assert set(states(found)) == {"unchanged"}
    assert found.fixed == ()


def test_findings_without_a_place_are_known_by_what_they_say():
    old, new = DOUBLED, changed(DOUBLED, message="7 doubled faces, at (9.0, 9.0, 9.0), ...")
    other = changed(DOUBLED, message="2 faces without area, at (0.0, 0.0, 0.0), ...")
    found = compared(part(findings=(old,)), part(findings=(other, changed(new, measured=2.0))))
    assert [one.state for one in found.findings] == ["new", "unchanged"]


def test_a_base_that_could_not_be_read_hides_nothing():
    broken = part(status="error", error="parts/bracket.stl: the file is empty.")
    found = compared(broken, part(findings=(finding(),)), "main")
    assert [one.state for one in found.findings] == ["new"]
    assert found.base_note == (
        "not compared with main, so that all its findings count as new: "
        "parts/bracket.stl: the file is empty."
    )


def many(count: int, seed: int) -> tuple[Finding, ...]:
    rng = random.Random(seed)
    rows = []
    for number in range(count):
        x, y, z = (rng.uniform(0, 500) for _ in range(3))
        rows.append(
            finding(
                id=f"{number:010x}",
                location=(x, y, z),
                box=((x - 5, y - 1, z - 3), (x + 5, y + 1, z + 3)),
                size=(10.0, 6.0),
                measured=1.5,
            )
        )
    return tuple(rows)


def test_thousands_of_findings_take_bounded_time_and_are_told_apart():
    old = part(findings=many(1200, 1), walls=())
    moved = tuple(
        replace(
            one,
            location=tuple(value + 1000 for value in one.location or ()),
            box=tuple(tuple(value + 1000 for value in corner) for corner in one.box or ()),
        )
        for one in old.findings
    )
    assert same_findings(old, replace(old, findings=old.findings[::-1])) == {
        at: 1199 - at for at in range(1200)
    }
    found = compared(old, replace(old, findings=moved))
    assert set(states(found)) == {"unchanged"}


def as_obj(path, raw):
    lines = [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in raw.vertices.tolist()]
    lines += [f"f {a + 1} {b + 1} {c + 1}" for a, b, c in raw.triangles.tolist()]
    path.write_text("\n".join(lines) + "\n")
    return read_mesh(path)


def test_a_conversion_and_another_name(base, tmp_path):
    drawn = as_obj(tmp_path / "tray.obj", mesh(TRAY.translate([5, 0, 0])))
    geometry = Geometry(drawn, examine(drawn), UPRIGHT, 1.0)
    assert_all_the_same(base, report_on(geometry, RULES, "elsewhere/dish.obj"))


@pytest.mark.parametrize("name", ["featuretype.STL", "1002_tray_bottom.STL", "angle_block.STL"])
def test_a_real_part_converted(name, shared, tmp_path):
    drawn = read_mesh(shared / "meshes" / name, unit="inch" if "feature" in name else None)
    other = as_obj(tmp_path / "part.obj", drawn)
    reports = [
        report_on(Geometry(one, examine(one), UPRIGHT, 1.0), RULES, "part")
        for one in (drawn, other)
    ]
    found = compared(*reports)
    assert set(states(found)) <= {"unchanged"}
    assert found.fixed == ()
    ids = [sorted(one.id for one in report.findings) for report in reports]
    assert ids[0] == ids[1]


def test_a_real_part_whose_curves_were_divided_anew(shared):
    """What is drawn as fewer facets may be a wall where it was none; nothing else is new."""
    reports = []
    for name, unit in (("featuretype.STL", "inch"), ("featuretype.3MF", None)):
        drawn = read_mesh(shared / "meshes" / name, unit=unit)
        geometry = Geometry(drawn, examine(drawn), UPRIGHT, 1.0)
        reports.append(report_on(geometry, RULES, f"parts/{name}"))
    found = compared(*reports)
    assert found.fixed == ()
    assert sum(one.worse for one in found.findings) <= 2
    assert states(found).count("unchanged") >= len(reports[0].findings) - 2


def test_a_wall_between_a_hole_and_a_face_keeps_its_name_however_many_facets_the_hole_has():
    """It tapers on both sides, so that nobody drew how long it is; a straight wall was drawn."""
    solid = (DeclaredBand(0, None, "solid"),)
    rules = replace(RULES, beads=None, bands=solid, minimum={"wall": Limit(fail=1.3)})
    reports = []
    for facets in (24, 32, 52, 64, 180):
        for turned in (0.0, 180 / facets):
            hole = m3.Manifold.cylinder(8, 5.55625, 5.55625, facets).rotate([0, 0, turned])
            drawn = mesh(box([40, 26.35, 6], [-20, -20, 0]) - hole.translate([0, 0, -1]))
            geometry = Geometry(drawn, examine(drawn), UPRIGHT, 1.0)
            reports.append(report_on(geometry, rules, "parts/plate.stl"))
    told = [[one for one in each.findings if one.check == "wall"] for each in reports]
    assert {len(each) for each in told} == {1}
    assert len({each[0].id for each in told}) == 1
    # It is the same wall, and where it is longer by more than a facet's doing it is told.
    assert {compared(reports[0], each).fixed for each in reports} == {()}
    longer = replace(told[0][0], size=(2 * told[0][0].size[0], 6.0))
    again = compared(reports[0], replace(reports[0], findings=(longer,)))
    assert [each.worse for each in again.findings] == [True]


def test_a_part_divided_into_two_files(base):
    halves = [compared(base, check(half)) for half in TRAY.split_by_plane([1, 0, 0], 27)]
    assert all(one.state == "unchanged" for half in halves for one in half.findings)
    assert sum(len(half.findings) for half in halves) == len(base.findings)
    # What one of them has no more, the other has.
    assert {one.id for one in halves[0].fixed} == {one.id for one in base.findings} - {
        one.id for one in halves[0].findings
    }


def test_a_free_rib_that_is_thinned_is_new_with_the_reason():
    asked = replace(RULES, minimum={"free_wall": Limit(fail=1.2)})

    def rib(thickness):
        drawn = mesh(box([40, 20, 2]) + box([thickness, 14, 10], [20, 3, 2]))
        return report_on(Geometry(drawn, examine(drawn), UPRIGHT, 1.0), asked, "rib.stl")

    found = compared(rib(1.0), rib(0.45))
    assert [(one.state, one.worse) for one in found.findings] == [("new", True)]
    assert "it got worse: " in found.findings[0].remark
    assert states(compared(rib(0.45), rib(1.0))) == ["unchanged"]
    assert [one.check for one in unbroken(rib(0.45), rib(1.21))] == ["fill"]


def test_a_wall_that_answers_to_the_minimum_of_a_free_edge_now_is_not_lost():
    drawn = mesh(box([40, 20, 2]) + box([0.55, 14, 10], [20, 3, 2]))
    geometry = Geometry(drawn, examine(drawn), UPRIGHT, 1.0)
    then = replace(RULES, minimum={"wall": Limit(fail=0.6)})
    now = replace(RULES, minimum={"wall": Limit(fail=1.0), "free_wall": Limit(fail=1.2)})
    before, after = (report_on(geometry, one, "rib.stl") for one in (then, now))
    assert "wall" in {breach.check for one in before.findings for breach in one.breaches}
    assert unbroken(before, after) == ()


def test_limits_that_are_asked_no_more_are_told_though_the_place_is_still_there():
    lax = replace(RULES, minimum={})
    drawn = mesh(TRAY)
    geometry = Geometry(drawn, examine(drawn), UPRIGHT, 1.0)
    less = report_on(geometry, lax, "parts/tray.stl")
    lost = unbroken(check(TRAY), less)
    assert {breach.check for one in lost for breach in one.breaches} == {"wall", "hole"}


def test_a_minimum_for_free_walls_and_one_for_all_walls_stand_in_each_others_place():
    drawn = mesh(box([40, 20, 2]) + box([0.6, 14, 10], [20, 3, 2]))
    geometry = Geometry(drawn, examine(drawn), UPRIGHT, 1.0)
    every, free = {"wall": Limit(fail=0.8)}, {"wall": Limit(fail=0.8), "free_wall": Limit(fail=1.2)}
    lax, strict = (
        report_on(geometry, replace(RULES, minimum=one), "rib.stl") for one in (every, free)
    )
    assert {"wall"} <= {breach.check for one in lax.findings for breach in one.breaches}
    assert {"free_wall"} <= {breach.check for one in strict.findings for breach in one.breaches}
    assert states(compared(strict, lax)) == ["unchanged"]  # asking less makes nothing worse
    assert states(compared(lax, strict)) == ["new"]
    assert unbroken(lax, strict) == unbroken(strict, lax) == ()
