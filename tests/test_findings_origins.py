"""A part that was renamed, converted or split is the part that it was."""

from datetime import date, timedelta

import numpy as np
import pytest
from design_repository import commit, git
from solids import box, mesh, save

from wallguard.commands.main import main
from wallguard.findings.origins import origins
from wallguard.jobs.choose import Asked
from wallguard.jobs.review import review

RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.075, smallest_fill: 0.575,
        spacing: width}
"""
REPOSITORY = """\
wallguard: 1
gate: new
parts:
  - {files: "parts/**", rules: rules/grey.yaml}
"""
LEFT = box([60, 2, 10]) + box([2, 40, 10]) + box([1.5, 40, 10], [20, 0, 0])
RIGHT = (
    box([50, 2, 10], [100, 0, 0])
    + box([1.4, 30, 10], [110, 0, 0])
    + box([2.2, 20, 10], [130, 0, 0])
)
RIGHT = RIGHT + box([1.9, 25, 10], [140, 0, 0])


def obj(path, solid):
    """The solid as OBJ text."""
    drawn = mesh(solid)
    lines = [f"v {x:.4f} {y:.4f} {z:.4f}" for x, y, z in drawn.vertices.tolist()]
    lines += ["f {} {} {}".format(*(np.array(one) + 1)) for one in drawn.triangles.tolist()]
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture
def repo(tmp_path, monkeypatch):
    root = tmp_path / "design"
    (root / "rules").mkdir(parents=True)
    (root / "rules/grey.yaml").write_text(RULES)
    (root / "wallguard.yaml").write_text(REPOSITORY)
    save(root / "parts/both.stl", LEFT + RIGHT)
    save(root / "parts/plain.stl", box([30, 30, 10]))
    monkeypatch.chdir(root)
    git(root, "init", "-q", "-b", "main")
    commit(root)
    return root


def held(**asked):
    """Exit code; and of each part what it was, its findings' states, and how many are fixed."""
    report = review(Asked(base="HEAD", **asked)).report
    return report.exit_code, {
        part.path: (part.was, sorted(one.state for one in part.findings), len(part.fixed))
        for part in report.parts
    }


WAS = "parts/both.stl"


def test_a_part_in_another_format_is_the_same_part(repo):
    (repo / WAS).unlink()
    obj(repo / "parts/both.obj", LEFT + RIGHT)
    assert held() == (0, {"parts/both.obj": (WAS, ["unchanged"] * 2, 0)})


def test_a_part_renamed_moved_and_exported_anew_is_the_same_part(repo):
    (repo / WAS).unlink()
    save(repo / "parts/pair.stl", (LEFT + RIGHT).refine(3).translate([7, -30, 2]))
    assert held() == (0, {"parts/pair.stl": (WAS, ["unchanged"] * 2, 0)})
    git(repo, "add", ".")
    assert held(staged=True)[0] == 0


def test_the_halves_of_a_part_are_that_part(repo):
    (repo / WAS).unlink()
    save(repo / "parts/left.stl", LEFT)
    save(repo / "parts/right.stl", RIGHT.translate([-100, 0, 0]))
    assert held() == (
        0,
        {
            "parts/left.stl": (WAS, ["unchanged"], 0),
            "parts/right.stl": (WAS, ["unchanged"], 0),
        },
    )


def test_what_only_one_half_lacks_is_fixed_once(repo):
    (repo / WAS).unlink()
    save(repo / "parts/left.stl", LEFT)
    save(repo / "parts/right.stl", RIGHT + box([2.0, 30, 10], [109.4, 0, 0]))
    code, parts = held()
    assert code == 0
    assert sum(fixed for _, _, fixed in parts.values()) == 1


def test_what_is_new_in_a_converted_part_is_new(repo):
    (repo / WAS).unlink()
    obj(repo / "parts/both.obj", LEFT + RIGHT + box([1.5, 40, 10], [50, 0, 0]))
    assert held() == (1, {"parts/both.obj": (WAS, ["new", "unchanged", "unchanged"], 0)})


def test_another_part_is_another_part(repo):
    (repo / WAS).unlink()
    save(repo / "parts/other.stl", box([70, 1.5, 10]) + box([1.4, 60, 10]))
    code, parts = held()
    assert (code, parts["parts/other.stl"][0]) == (1, "")
    assert set(parts["parts/other.stl"][1]) == {"new"}


def test_waivers_follow_a_part_that_was_converted(repo, capsys):
    (part,) = [part for part in review(Asked(everything=True)).report.parts if part.path == WAS]
    for one in part.findings:
        words = ["--why", "glued", "--until", str(date.today() + timedelta(30)), "--who", "Ann"]
        assert main(["waive", one.id, *words]) == 0
    commit(repo)
    (repo / WAS).unlink()
    obj(repo / "parts/both.obj", LEFT + RIGHT)
    report = review(Asked(base="HEAD")).report
    (part,) = [one for one in report.parts if one.path == "parts/both.obj"]
    assert [one.waived[:3] for one in part.findings] == ["Ann", "Ann"]


def test_where_walls_do_not_tell_nothing_is_said(repo):
    report = review(Asked(everything=True)).report
    parts = {part.path: part for part in report.parts}
    plain = parts["parts/plain.stl"]
    assert origins({"a": plain}, {"b": parts[WAS]}) == {}
    assert origins({"a": plain}, {"b": plain}) == {"a": "b"}


def test_a_body_that_leaves_a_part_is_the_body_that_it_was(repo):
    save(repo / WAS, LEFT)
    save(repo / "parts/right.stl", RIGHT.translate([-100, 20, 0]))
    assert held() == (
        0,
        {WAS: ("", ["unchanged"], 0), "parts/right.stl": ("", ["unchanged"], 0)},
    )


def test_a_body_that_joins_a_part_is_the_body_that_it_was(repo):
    save(repo / WAS, LEFT)
    save(repo / "parts/right.stl", RIGHT.translate([-100, 0, 0]))
    commit(repo)
    (repo / "parts/right.stl").unlink()
    save(repo / WAS, LEFT + RIGHT)
    assert held() == (0, {WAS: ("", ["unchanged", "unchanged"], 0)})


def test_two_parts_become_one_of_another_name(repo):
    save(repo / WAS, LEFT)
    save(repo / "parts/right.stl", RIGHT.translate([-100, 0, 0]))
    commit(repo)
    (repo / "parts/right.stl").unlink()
    (repo / WAS).unlink()
    save(repo / "parts/pair.stl", LEFT + RIGHT)
    code, parts = held()
    assert code == 0
    assert parts["parts/pair.stl"][1:] == (["unchanged", "unchanged"], 0)


def test_a_body_that_is_copied_into_a_part_is_new_there(repo):
    save(repo / "parts/right.stl", RIGHT)
    code, parts = held()
    assert (code, parts["parts/right.stl"]) == (1, ("", ["new"], 0))
