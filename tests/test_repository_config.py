"""`wallguard.yaml`: which parts answer to which rules, and what is refused."""

from pathlib import Path

import pytest

from wallguard.base.errors import InputError
from wallguard.base.rotation import UPRIGHT
from wallguard.base.units import MILLIMETRES
from wallguard.repository.config import (
    Assignment,
    Repository,
    is_part,
    load_repository,
    parse_repository,
)
from wallguard.repository.entry import UNIT
from wallguard.rules.load import load_rules

TEXT = """\
wallguard: 1
unit: inch
parts:
  - files: "**/*.stl"
    rules: rules/petg.yaml
  - files: ["models/**/*.stl", "models/**/*.3mf"]
    rules: [rules/petg.yaml, rules/resin.yaml]
    up: +y
    scale: 1:200
    unit: m
  - files: one/turned.stl
    rules: ./rules/resin.yaml
    rotate: [90, 0, 0]
    scale: 0.5
exclude: ["archive/", "**/draft *.stl"]
"""


def refused(text: str, tmp_path: Path) -> str:
    (tmp_path / "wallguard.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_repository(tmp_path)
    return str(caught.value)


def part(**values: str) -> str:
    entry = {"files": '"*.stl"', "rules": "a.yaml", **values}
    rows = "".join(f", {key}: {value}" for key, value in entry.items())
    return f"wallguard: 1\nparts: [{{{rows[2:]}}}]\n"


def only(tmp_path: Path, **values: str) -> Assignment:
    (assignment,) = parse_repository(part(**values), tmp_path).assignments("a.stl")
    return assignment


def test_entries_add_up_and_the_later_one_places_the_part(tmp_path: Path) -> None:
    (tmp_path / "wallguard.yaml").write_text(TEXT)
    repository = load_repository(tmp_path)
    assert repository.path == tmp_path / "wallguard.yaml"
    assert repository.assignments("a.stl") == [
        Assignment("rules/petg.yaml", UPRIGHT, 1.0, "inch", 4)
    ]
    y_up = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
    assert repository.assignments("models/x/house.stl") == [
        Assignment("rules/petg.yaml", y_up, 0.005, "m", 6),
        Assignment("rules/resin.yaml", y_up, 0.005, "m", 6),
    ]
    assert [item.rules for item in repository.assignments("models/house.3mf")] == [
        "rules/petg.yaml",
        "rules/resin.yaml",
    ]
    assert repository.assignments("one/turned.stl")[1] == Assignment(
        "rules/resin.yaml", ((1, 0, 0), (0, 0, -1), (0, 1, 0)), 0.5, "inch", 11
    )
    assert repository.rule_files() == ("rules/petg.yaml", "rules/resin.yaml")


def test_what_no_entry_names_has_no_rules(tmp_path: Path) -> None:
    repository = parse_repository(TEXT, tmp_path)
    assert repository.assignments("other/part.3mf") == []
    assert not repository.excluded("other/part.3mf")


def test_exclusions_hold_over_every_entry(tmp_path: Path) -> None:
    repository = parse_repository(TEXT, tmp_path)
    assert repository.excluded("archive/deep/a.stl")
    assert repository.assignments("archive/deep/a.stl") == []
    assert repository.excluded("x/draft 2.stl")
    assert repository.part_files(
        ["b.STL", "a.stl", "a.stl", "archive/a.stl", "README.md", "ü/ö.3mf", "x.obj", "y.ply"]
    ) == ["a.stl", "b.STL", "x.obj", "y.ply", "ü/ö.3mf"]


def test_accents_and_spaces_match_in_both_spellings(tmp_path: Path) -> None:
    repository = parse_repository(part(files='"Büg el/*.stl"'), tmp_path)
    assert len(repository.assignments("Büg el/a.stl")) == 1
    assert len(repository.assignments("Bu\u0308g el/a.stl")) == 1


def test_without_the_file_nothing_is_covered(tmp_path: Path) -> None:
    repository = load_repository(tmp_path)
    assert repository == Repository(tmp_path)
    assert repository.path is None
    assert repository.assignments("a.stl") == []
    assert repository.part_files(["a.stl"]) == ["a.stl"]


def test_a_name_that_would_be_overlooked_is_refused(tmp_path: Path) -> None:
    (tmp_path / "wallguard.yml").write_text(TEXT)
    with pytest.raises(InputError, match=r"wallguard\.yml: this name is not looked for"):
        load_repository(tmp_path)


def test_scales_and_units_and_directions(tmp_path: Path) -> None:
    assert only(tmp_path).scale == 1.0
    assert only(tmp_path).unit is None
    assert only(tmp_path, scale='"1:87"').scale == 1 / 87
    assert only(tmp_path, scale="2:1").scale == 2.0
    assert only(tmp_path, scale="0.25").scale == 0.25
    assert only(tmp_path, up="-z").rotation[2] == (0, 0, -1)
    assert only(tmp_path, up="[0, 0, 5]").rotation == UPRIGHT


def test_the_gate_is_all_findings_unless_it_is_new_ones(tmp_path: Path) -> None:
    assert parse_repository(TEXT, tmp_path).gate == "all"
    assert parse_repository(TEXT + "gate: new\n", tmp_path).gate == "new"
    with pytest.raises(InputError, match=r'`gate`: expected "all" or "new"'):
        parse_repository(TEXT + "gate: old\n", tmp_path)


def test_the_units_are_those_that_meshes_know() -> None:
    assert tuple(MILLIMETRES) == UNIT.values


@pytest.mark.parametrize("name", ["a.stl", "A.STL", "x/ü.3Mf", "b.obj", "c.ply"])
def test_mesh_suffixes(name: str) -> None:
    assert is_part(name)


@pytest.mark.parametrize("name", ["a.txt", "stl", ".stl", "a.stl.txt", "a.gcode"])
def test_other_suffixes(name: str) -> None:
    assert not is_part(name)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({"files": '"/abs/*.stl"'}, "holds an absolute path. Write it relative."),
        ({"files": '"C:/parts/*.stl"'}, "holds an absolute path."),
        ({"files": '"../other/*.stl"'}, "holds `..`, which leaves the folder."),
        ({"files": '"a/../../b.stl"'}, "holds `..`, which leaves the folder."),
        ({"files": "'a\\b.stl'"}, "holds a backslash. Put / between folders."),
        ({"files": '"a**/b.stl"'}, "Let `**` stand alone between slashes"),
        ({"files": "[]"}, "but found a list of 0."),
        ({"files": '""'}, "holds nothing but spaces."),
        ({"rules": "../rules/a.yaml"}, "holds `..`, which leaves the folder."),
        ({"rules": "/etc/a.yaml"}, "holds an absolute path."),
        ({"rules": "[a.yaml, 3]"}, "`parts[1].rules[2]`: expected a rule file"),
        ({"up": "z"}, "`parts[1].up`: expected"),
        ({"up": "+w"}, "`parts[1].up`: expected"),
        ({"up": "[0, 0]"}, "expected a direction [x, y, z], but found a list of 2."),
        ({"up": "[0, 0, 0]"}, "`parts[1].up`: this direction has no length."),
        ({"up": "+x", "rotate": "[0, 0, 90]"}, "both `parts[1].up` and `parts[1].rotate`"),
        ({"rotate": "[0, 0, 400]"}, "expected a number of degrees from -360 to 360"),
        ({"scale": "0"}, "expected a number from 1e-05 to 100000, but found 0."),
        ({"scale": "-1"}, "but found -1."),
        ({"scale": '"1:0"'}, "1:0 is not between 1:100000 and 100000:1."),
        ({"scale": '"1/200"'}, 'expected a scale such as "1:200", but found "1/200".'),
        ({"unit": "inches"}, "The nearest known value is `inch`."),
        ({"rotation": "[0, 0, 0]"}, "unknown key `rotation` in `parts[1]`. The nearest known key"),
    ],
)
def test_bad_entries_are_refused(tmp_path: Path, values: dict[str, str], expected: str) -> None:
    message = refused(part(**values), tmp_path)
    assert expected in message
    assert message.startswith("wallguard.yaml:2:")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "wallguard.yaml: the file is empty."),
        ("wallguard: 1\n", "wallguard.yaml:1:1: the key `parts` is missing."),
        ("wallguard: 1\nparts: []\n", "2:8: `parts`: expected a list of entries"),
        ("parts: [{files: a.stl, rules: a.yaml}]\n", "1:1: the key `wallguard` is missing."),
        ("wallguard: 1\nwallguard: 1\n", "2:1: the key `wallguard` stands here a second time"),
        ("wallguard: 1\npart: []\n", "unknown key `part`. The nearest known key is `parts`."),
        ("wallguard: 1\nexclude: *.stl\n", "text that begins with * or & without quotes."),
        ("wallguard: 1\nexclude: !old/**\n", "the tag `!old/**`"),
    ],
)
def test_a_bad_file_is_refused(tmp_path: Path, text: str, expected: str) -> None:
    assert expected in refused(text, tmp_path)


def test_what_is_no_readable_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="this is not a folder"):
        load_repository(tmp_path / "absent")
    (tmp_path / "wallguard.yaml").mkdir()
    with pytest.raises(InputError, match=r"wallguard\.yaml: this is a folder"):
        load_repository(tmp_path)


def test_a_link_out_of_the_repository_is_refused(tmp_path: Path) -> None:
    root = tmp_path / "root"
    root.mkdir()
    (tmp_path / "elsewhere.yaml").write_text(TEXT)
    (root / "wallguard.yaml").symlink_to(tmp_path / "elsewhere.yaml")
    with pytest.raises(InputError, match="a link in its path leads out"):
        load_repository(root)


def test_a_dangling_link_is_refused_not_overlooked(tmp_path: Path) -> None:
    (tmp_path / "wallguard.yaml").symlink_to("gone.yaml")
    with pytest.raises(InputError, match="there is no such file"):
        load_repository(tmp_path)


def test_a_rule_file_behind_a_link_out_of_the_root_is_refused(tmp_path: Path) -> None:
    root = tmp_path / "root"
    root.mkdir()
    (tmp_path / "a.yaml").write_text("wallguard: 1\n")
    (root / "a.yaml").symlink_to(tmp_path / "a.yaml")
    (assignment,) = parse_repository(part(), root).assignments("a.stl")
    with pytest.raises(InputError, match=r"a\.yaml: this lies outside the repository"):
        load_rules(root / assignment.rules, root)
