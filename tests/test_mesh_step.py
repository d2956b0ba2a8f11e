"""STEP: solids given facets. The files in `steps` were drawn with build123d (Open CASCADE):

case.step   an assembly of three products, in mm: `case` and `lid é`, tubes of 40 x 30 mm and 20 mm
            high with walls of 1.4 mm, one above the other with 0.3 mm between, and `side`, a
            plate of 40 x 2 x 20 mm, 0.3 mm beside the case
tube.step   a tube of radius 10 mm, 20 mm high, with a wall of 1.4 mm
solids.step an assembly of `lid`, three solids: a cube of 20 mm with a hollow of 14 mm, a pin of
            radius 4 mm, 20 mm high, beside it, and a cube of 6 mm loose in the hollow; and `base`,
            a cube of 5 mm
ball.step   a ball of radius 10 mm
sheet.step  a square face, and no solid
"""

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from here import wallguard as command

import wallguard
from wallguard.base.errors import InputError
from wallguard.findings.identity import compared, same_findings
from wallguard.mesh.formats import glb, step
from wallguard.mesh.mesh import volume
from wallguard.mesh.read import read_mesh
from wallguard.part.part import AsDrawn, Part

pytest.importorskip("cascadio")
STEPS = Path(__file__).parent / "steps"
RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.52, contours: 2, smallest_wall: 0.42, squeeze: 0.18, smallest_fill: 0.58,
        spacing: width, width_varies: false, between_one_and_two: two beads}
minimum: {gap: {fail: 0.4}}
"""


def test_a_solid_is_as_large_as_it_was_drawn():
    """A tube of radii R and r encloses pi (R² - r²) h; facets of both circles are corners on them,
    so that each polygon of n sides has n/2 sin(2 pi/n) of the circle's R²."""
    mesh = read_mesh(STEPS / "tube.step")
    assert np.ptp(mesh.vertices, axis=0) == pytest.approx([20, 20, 20], abs=0.02)
    exact = math.pi * (10**2 - 8.6**2) * 20
    assert volume(mesh.vertices, mesh.triangles) == pytest.approx(exact, rel=2e-3)
    assert (mesh.unit, mesh.unit_source, mesh.chord) == ("mm", "format", 0.01)


@pytest.mark.parametrize("chord", [0.1, 0.01, 0.001])
def test_facets_lie_no_farther_off_than_the_chord_error(chord):
    mesh = read_mesh(STEPS / "tube.step", chord=chord)
    sides = mesh.vertices[mesh.triangles]
    middles = (sides + np.roll(sides, 1, axis=1)) / 2
    radii = np.hypot(middles[..., 0], middles[..., 1])
    outer = radii[radii > 9.5]
    assert outer.min() >= 10 - chord - 1e-5
    # It is what is asked for, and not always the finest.
    assert len(mesh.triangles) < 80 / math.acos(1 - chord / 10)
    assert mesh.chord == chord


@pytest.mark.parametrize(
    ("unit", "size"),
    [
        (".MILLI.,.METRE.", 1),
        (".CENTI.,.METRE.", 10),
        ("$,.METRE.", 1000),
        (".MICRO.,.METRE.", 1e-3),
    ],
)
def test_the_unit_of_the_file_is_honoured(unit, size):
    text = (STEPS / "sheet.step").read_text()
    assert ".MILLI.,.METRE." in text
    text = (STEPS / "case.step").read_bytes().replace(b".MILLI.,.METRE.", unit.encode())
    mesh = read_mesh(Path("case.step"), data=text, chord=0.01 * max(size, 1))
    assert np.ptp(mesh.vertices, axis=0)[0] == pytest.approx(40 * size, rel=1e-6)


def test_bodies_of_an_assembly_have_their_names_and_places():
    mesh = read_mesh(STEPS / "case.step")
    assert mesh.names == ("case", "lid é", "side")
    highest = [mesh.vertices[mesh.objects == at].max(axis=0) for at in range(3)]
    assert np.array(highest) == pytest.approx(
        np.array([[20, 15, 10], [20, 15, 30.3], [20, 17.3, 10]]), abs=1e-4
    )


def test_several_solids_of_one_product_are_told_apart():
    """A hollow belongs to the solid round it, and what lies loose within is one of its own."""
    mesh = read_mesh(STEPS / "solids.step")
    assert mesh.names == ("lid 1", "lid 2", "lid 3", "base")
    body = mesh.objects[mesh.triangles[:, 0]]
    volumes = [volume(mesh.vertices, mesh.triangles[body == at]) for at in range(4)]
    exact = [20**3 - 14**3, math.pi * 4**2 * 20, 6**3, 5**3]
    assert volumes == pytest.approx(exact, rel=5e-3)


def cube(corner, size=1.0, inward=False):
    corners = np.array(list(np.ndindex(2, 2, 2)), float) * size + corner
    sides = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    faces = [each for a, b, c, d in sides for each in ([a, b, c], [a, c, d])]
    return corners, np.array(faces)[:, ::-1] if inward else np.array(faces)


@pytest.mark.parametrize(
    ("cubes", "solids"),
    [
        ([cube([0, 0, 0]), cube([2, 0, 0])], 2),
        ([cube([0, 0, 0], 3), cube([1, 1, 1], inward=True)], 1),
        # They touch along a face; a hollow in nothing; a side that is missing.
        ([cube([0, 0, 0]), cube([1, 0, 0])], 1),
        ([cube([0, 0, 0]), cube([2, 0, 0], inward=True)], 1),
        ([cube([0, 0, 0]), (cube([2, 0, 0])[0], cube([2, 0, 0])[1][1:])], 1),
    ],
)
def test_what_cannot_be_told_apart_stays_one(cubes, solids):
    vertices = np.concatenate([corners for corners, _ in cubes])
    triangles = np.concatenate([faces + 8 * at for at, (_, faces) in enumerate(cubes)])
    assert volume(*cubes[0]) > 0
    found = glb.solids(glb.Placed(("lid",), vertices, triangles))
    assert len(found) == solids
    assert sum(len(each.triangles) for each in found) == len(triangles)


@pytest.fixture
def repo(tmp_path):
    (tmp_path / "rules.yaml").write_text(RULES)
    (tmp_path / "wallguard.yaml").write_text(
        "wallguard: 1\nparts:\n  - {files: '*', rules: rules.yaml}\n"
    )
    return tmp_path


def test_findings_name_the_body(repo):
    (repo / "case.step").write_bytes((STEPS / "case.step").read_bytes())
    done = command(repo, "check", "case.step", "--json", "walls.json")
    assert done.returncode == 1
    report = wallguard.check(
        wallguard.load_part(repo / "case.step"), wallguard.load_rules(repo / "rules.yaml")
    )
    named = {(each.subject.kind, each.bodies) for each in report.findings if each.subject}
    assert named == {
        ("wall", ("case",)),
        ("wall", ("lid é",)),
        ("gap", ("case", "side")),
    }
    messages = [each.message for each in report.findings]
    assert any(') of "lid é", ' in said and "will print hollow" in said for said in messages)
    assert any(') between "case" and "side", ' in said for said in messages)
    assert report.mesh.names == ("case", "lid é", "side")
    # What is alike in two bodies is told of each.
    assert done.stdout.count(') of "case", ') == done.stdout.count(') of "lid é", ') == 2
    # What is known comes back the same.
    again = command(repo, "check", "case.step")
    assert again.stdout == done.stdout


def test_a_name_is_no_part_of_what_a_finding_is_called(repo):
    """The same solids as a mesh have the same findings under the same names."""
    mesh = read_mesh(STEPS / "case.step")
    plain = wallguard.part_from((mesh.vertices, mesh.triangles), "case")
    rules = wallguard.load_rules(repo / "rules.yaml")
    ours = wallguard.check(wallguard.load_part(STEPS / "case.step"), rules).findings
    theirs = wallguard.check(plain, rules).findings
    assert [(each.id, each.shape) for each in ours] == [(each.id, each.shape) for each in theirs]
    assert all(not each.bodies for each in theirs)


def test_one_part_in_three_formats_has_the_same_findings(real, tmp_path):
    """A part of 5 inches that others drew, as STL and 3MF were exported of it, with facets of their
    own, and as STEP: holes and thin places are found the same, and known again in each."""
    rules = tmp_path / "rules.yaml"
    text = RULES.partition("beads:")[0] + "bands: [{from: 0, fill: solid}]\n"
    rules.write_text(text + "minimum: {wall: {fail: 1.3}, hole: {fail: 12}}\n")
    reports = {}
    for suffix in ("STL", "3MF", "STEP"):
        part = wallguard.load_part(real(f"featuretype.{suffix}"), unit="inch")
        report = wallguard.check(part, wallguard.load_rules(rules))
        placed = tuple(each for each in report.findings if each.subject)
        reports[suffix] = replace(report, findings=placed)
    for suffix in ("3MF", "STEP"):
        ours, theirs = reports["STL"], reports[suffix]
        assert len(ours.findings) == len(theirs.findings) == 27
        kinds = [
            sorted((each.subject.kind, round(each.measured, 1)) for each in report.findings)
            for report in (ours, theirs)
        ]
        assert kinds[0] == kinds[1]
        for new, old in same_findings(ours, theirs).items():
            assert theirs.findings[new].id == ours.findings[old].id
        again = compared(ours, theirs)
        assert {each.state for each in again.findings} == {"unchanged"}
        assert again.fixed == ()
        back = compared(theirs, ours)
        assert {each.state for each in back.findings} == {"unchanged"}


def test_the_chord_error_counts_into_the_uncertainty_of_curved_walls(tmp_path):
    """A wall whose facets may lie 0.05 mm off either curve and that measures 1.40 mm may be 1.42 mm
    thick as drawn, and is less than 1.50 for certain."""
    rules, found = tmp_path / "rules.yaml", []
    part = Part.load(STEPS / "tube.step", replace(AsDrawn(), chord=0.05))
    for limit in (1.42, 1.5):
        text = RULES.partition("beads:")[0] + "bands: [{from: 0, fill: solid}]\n"
        rules.write_text(text + f"minimum: {{wall: {{fail: {limit}}}}}\n")
        report = wallguard.check(part, wallguard.load_rules(rules))
        found.append([each.indeterminate for each in report.findings if each.check == "wall"])
        assert report.status == ("failed" if limit == 1.5 else "indeterminate")
    assert found == [[True], [False]]
    # A flat wall is as thick as it is.
    rules.write_text(text + "minimum: {wall: {fail: 1.41}}\n")
    case = Part.load(STEPS / "case.step", replace(AsDrawn(), chord=0.05))
    walls = wallguard.check(case, wallguard.load_rules(rules)).findings
    flat = [each.indeterminate for each in walls if each.check == "wall"]
    assert flat and not any(flat)


def test_the_chord_error_is_part_of_what_is_said_of_a_printed_curve(tmp_path):
    """What lies within bounds of +-a has a standard uncertainty of a / sqrt(3) (JCGM 100:2008,
    4.3.7), which with k = 2 adds to U by squares (5.1.2)."""
    rules = tmp_path / "rules.yaml"
    rules.write_text(RULES)
    loaded = wallguard.load_rules(rules)

    def unsure(name, chord):
        part = Part.load(STEPS / name, replace(AsDrawn(), chord=chord))
        report = wallguard.check(part, loaded)
        found = [each.subject.printed for each in report.findings if each.check == "fill"]
        return found[0].uncertainty, report.walls[0].printed.uncertainty

    mesh = read_mesh(STEPS / "tube.step", chord=0.05)
    plain = wallguard.part_from((mesh.vertices, mesh.triangles), "tube")
    declared = wallguard.check(plain, loaded).walls[0].printed.uncertainty
    whole = math.hypot(declared, 2 * 0.05 / math.sqrt(3))
    assert unsure("tube.step", 0.05) == pytest.approx((whole, whole))
    assert whole > declared
    # A flat wall is as thick as it is, however coarse the facets of curves.
    assert unsure("case.step", 0.05) == unsure("case.step", 0.001)


def test_the_chord_error_of_wallguard_yaml_is_used_and_part_of_what_is_known(repo):
    (repo / "tube.step").write_bytes((STEPS / "tube.step").read_bytes())
    triangles = []
    for chord in ("", "chord_error: 0.1\n", "chord_error: 0.001\n"):
        (repo / "wallguard.yaml").write_text(
            f"wallguard: 1\n{chord}parts:\n  - {{files: '*', rules: rules.yaml}}\n"
        )
        report = wallguard.check_repository(folder=repo).parts[0]
        triangles.append((report.mesh.triangles, report.mesh.chord_error))
    assert [chord for _, chord in triangles] == [0.01, 0.1, 0.001]
    assert triangles[1][0] < triangles[0][0] < triangles[2][0]


def problem(name="part.step", **said):
    with pytest.raises(InputError) as refused:
        read_mesh(Path(name), **said)
    return str(refused.value)


def test_what_is_no_solid_is_told():
    assert "holds no solid" in problem(STEPS / "sheet.step")
    whole = (STEPS / "tube.step").read_bytes()
    assert "does not begin with ISO-10303-21" in problem(data=b"solid part")
    # Cut off before its first solid.
    assert "does not end with END-ISO-10303-21" in problem(data=whole[:1000])
    said = problem(data=whole[: len(whole) // 2])
    assert said.startswith("part.step:") and "is no whole STEP file" in said
    assert int(said.split(":")[1]) > 10
    assert "could be given facets" in problem(data=whole.replace(b"CLOSED_SHELL", b"CLOSED_SHXLL"))


def test_without_the_library_it_is_said_how_to_install_it(monkeypatch):
    monkeypatch.setattr(step.util, "find_spec", lambda name: None)
    assert 'pip install ".[step]"' in problem(STEPS / "tube.step")


def test_no_library_says_anything_by_itself(capfd, tmp_path):
    """A name that holds codes for terminals does not get there by way of the library's messages."""
    text = (STEPS / "case.step").read_bytes().replace(b"'case'", b"'\x1b[31mcase'")
    (tmp_path / "case.step").write_bytes(
        text.replace(b"MANIFOLD_SOLID_BREP", b"MANIFOLD_SOLID_BRXX")
    )
    problem(tmp_path / "case.step")
    mesh = read_mesh(tmp_path / "case.step", data=text)
    assert not any("\x1b" in name for name in mesh.names)
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(sys.platform != "linux", reason="the system holds it there")
@pytest.mark.parametrize("bound", ["seconds", "memory"])
def test_a_ball_the_size_of_a_house_is_given_up(monkeypatch, bound):
    """10 m of radius at 0.01 mm ask for pi² 10⁴ / 0.02, five million facets and more."""
    ball = (STEPS / "ball.step").read_bytes().replace(b".MILLI.,.METRE.", b"$,.METRE.")
    monkeypatch.setattr(step, "_SECONDS", 2.0 if bound == "seconds" else 60.0)
    monkeypatch.setattr(step, "_MEMORY", 4_000 if bound == "seconds" else 200)
    said = problem(data=ball)
    assert "giving its curves facets takes more " in said
    assert "chord_error" in said
    monkeypatch.undo()
    # With facets as large as it asks for it is a part like others.
    assert len(read_mesh(Path("ball.step"), data=ball, chord=10.0).triangles) < 20_000


def test_a_program_that_hangs_is_ended(monkeypatch):
    monkeypatch.setattr(step, "_WAIT", 0.0001)
    assert "takes more than" in problem(STEPS / "tube.step")


def test_the_same_file_gives_the_same_facets():
    one, other = (read_mesh(STEPS / "tube.step") for _ in range(2))
    assert np.array_equal(one.vertices, other.vertices)
    assert np.array_equal(one.triangles, other.triangles)
