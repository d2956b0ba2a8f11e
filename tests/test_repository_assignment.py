"""How a part lies has one answer, whichever command asks."""

import json
from pathlib import Path

import pytest
from solids import box, save

import wallguard
from wallguard.base.rotation import UPRIGHT
from wallguard.commands import scale
from wallguard.commands.main import main
from wallguard.jobs.impact import Processes, impact
from wallguard.repository.config import load_repository, parse_repository
from wallguard.repository.entry import Assignment
from wallguard.repository.nearest import Repositories, assignment_of

RULES = """\
wallguard: 1
name: %s
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.075, smallest_fill: 0.575,
        spacing: width}
"""
# Lying on its face the plate has no walls; on its edge it is one of 1.5 mm, which prints hollow.
REPOSITORY = """\
wallguard: 1
unit: inch
parts:
  - {files: plate.stl, rules: rules/a.yaml, up: +z, unit: mm}
  - {files: plate.stl, rules: rules/b.yaml, up: +y, unit: mm}
exclude: ["old/"]
"""
Y_UP = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))


@pytest.fixture
def repo(tmp_path, monkeypatch):
    (tmp_path / "rules").mkdir()
    for name in "abc":
        (tmp_path / f"rules/{name}.yaml").write_text(RULES % name)
    (tmp_path / "wallguard.yaml").write_text(REPOSITORY)
    save(tmp_path / "plate.stl", box([40, 20, 1.5]))
    save(tmp_path / "uncovered.stl", box([2, 0.5, 1.5 / 25.4]))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def checked(*words):
    """Exit code, and the number of findings for each rule file."""
    code = main(["check", *words, "--json", "report.json"])
    parts = json.loads(Path("report.json").read_text())["parts"]
    return code, {part["rules"]: len(part["findings"]) for part in parts}


def test_a_part_lies_for_each_rule_file_as_its_entry_says(repo):
    repository = load_repository(repo)
    assert repository.assignment("plate.stl", "rules/a.yaml").rotation == UPRIGHT
    assert repository.assignment("plate.stl", "rules/b.yaml").rotation == Y_UP
    # Else as it is said first; of several rule files the first that is named counts.
    assert repository.assignment("plate.stl", "rules/c.yaml").rotation == UPRIGHT
    assert repository.assignment("plate.stl", "rules/c.yaml", "rules/b.yaml").rotation == Y_UP
    assert repository.assignment("plate.stl") == Assignment("rules/a.yaml", UPRIGHT, 1.0, "mm", 4)
    assert repository.assignment("uncovered.stl", "rules/a.yaml") == Assignment("", unit="inch")


def test_that_a_part_is_excluded_says_nothing_of_how_it_lies(tmp_path):
    text = REPOSITORY.replace("files: plate.stl", 'files: "**/plate.stl"')
    repository = parse_repository(text, tmp_path)
    assert repository.assignments("old/plate.stl") == []
    assert repository.assignment("old/plate.stl", "rules/b.yaml").rotation == Y_UP


def test_check_says_the_same_with_and_without_rules(repo):
    assert checked("plate.stl") == (1, {"rules/a.yaml": 0, "rules/b.yaml": 1})
    assert checked("plate.stl", "--rules", "rules/a.yaml") == (0, {"rules/a.yaml": 0})
    assert checked("plate.stl", "--rules", "rules/b.yaml") == (1, {"rules/b.yaml": 1})


def test_walls_asks_for_the_rules_it_is_given(repo, capsys):
    def shown(*words):
        assert main(["walls", *words]) == 0
        return capsys.readouterr().out

    assert "hollow" not in shown("plate.stl", "--rules", "rules/a.yaml")
    assert "hollow" in shown("plate.stl", "--rules", "rules/b.yaml")


def test_a_link_to_a_rule_file_is_that_rule_file(repo):
    (repo / "current.yaml").symlink_to("rules/b.yaml")
    assert assignment_of(repo / "plate.stl", repo / "current.yaml").rotation == Y_UP


def test_the_unit_of_the_repository_holds_for_parts_that_no_entry_names(repo, capsys):
    code, found = checked("uncovered.stl", "--rules", "rules/a.yaml")
    assert (code, found) == (0, {"rules/a.yaml": 0})
    part = json.loads((repo / "report.json").read_text())["parts"][0]
    assert part["mesh"]["unit"] == "inch"
    assert part["mesh"]["extents"] == pytest.approx([50.8, 12.7, 1.5], abs=1e-3)
    data = json.loads(scale.run(repo / "uncovered.stl", repo / "rules/a.yaml", as_json=True)[0])
    assert data["unit"] == "inch"
    capsys.readouterr()
    assert main(["walls", "uncovered.stl", "--json", "--up-to", "20"]) == 0
    (wall,) = json.loads(capsys.readouterr().out)["walls"]
    assert wall["thickness"]["typical"] == pytest.approx(12.7, abs=0.01)
    assert wallguard.load_part(repo / "uncovered.stl").geometry.drawn.unit == "inch"


def test_impact_asks_for_the_old_rules_then_for_the_new(repo):
    def walls_of(old, new):
        return impact(Processes(repo / old, repo / new), [repo / "plate.stl"]).parts[0].walls

    assert walls_of("rules/a.yaml", "rules/b.yaml") == 0
    assert walls_of("rules/b.yaml", "rules/a.yaml") == 1
    assert walls_of("rules/c.yaml", "rules/b.yaml") == 1


def test_python_loads_a_part_as_it_lies_unless_it_is_told_otherwise(repo):
    rules = wallguard.load_rules(repo / "rules/b.yaml")
    standing = wallguard.load_part(repo / "plate.stl", rules=rules)
    assert [one.fill for one in wallguard.check(standing, rules).findings] == ["hollow"]
    lying = wallguard.load_part(repo / "plate.stl", rules=rules, up="+z")
    assert wallguard.check(lying, rules).findings == ()
    assert wallguard.load_part(repo / "plate.stl", scale=2).geometry.extents[0] == 80


def test_a_part_answers_to_the_nearest_file_above_it(repo):
    (repo / "hardware/parts").mkdir(parents=True)
    (repo / "hardware/wallguard.yaml").write_text(
        'wallguard: 1\nunit: cm\nparts: [{files: "parts/*.stl", rules: rules/d.yaml, up: +y}]\n'
        "exclude: [parts/old.stl]\n"
    )
    repositories = Repositories(repo)
    inner = repositories.of("hardware/parts/lid.stl")
    assert (inner.name, inner.folder) == ("hardware/wallguard.yaml", "hardware/")
    assert inner.assignments("hardware/parts/lid.stl") == [
        Assignment("hardware/rules/d.yaml", Y_UP, 1.0, "cm", 3)
    ]
    assert inner.assignments("hardware/parts/old.stl") == []
    assert inner.rule_files() == ("hardware/rules/d.yaml",)
    assert repositories.of("plate.stl").folder == ""
    assert repositories.of("hardware/parts/deep/x.stl") is inner
    # What a file further up excludes is excluded.
    (repo / "old").mkdir()
    (repo / "old/wallguard.yaml").write_text(
        "wallguard: 1\nparts: [{files: a.stl, rules: a.yaml}]\n"
    )
    assert repositories.of("old/a.stl").assignments("old/a.stl") == []
    assert len(load_repository(repo / "old").assignments("a.stl")) == 1
