"""Rule files: read, inherited, refused with every problem named."""

import subprocess
import sys
from pathlib import Path

import pytest

from wallguard.bands.table import Fill
from wallguard.base.errors import InputError
from wallguard.documents.reading import DocumentError
from wallguard.rules.load import load_rules
from wallguard.rules.model import Beads, DeclaredBand, Limit

BASE = """\
wallguard: 1
name: PETG
process: {category: material extrusion, printer: left one, material: PETG}
build_volume: [250, 210, 200]
layer_height: 0.2
beads: {width: 0.45, contours: 2, smallest_wall: 0.3, squeeze: 0.1, smallest_fill: 0.3}
minimum:
  wall: {fail: 0.8, warn: 1.2}
  floor: {fail: 3}
tolerance: 0.1
notes: |
  First line.
  Second line.
"""


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def refused(path: Path, root: Path | None = None) -> str:
    with pytest.raises(InputError) as caught:
        load_rules(path, root)
    return str(caught.value)


def test_a_rule_file_is_read_with_its_defaults(tmp_path: Path) -> None:
    rules = load_rules(write(tmp_path, "rules/petg.yaml", BASE), tmp_path)
    assert rules.path == "rules/petg.yaml"
    assert rules.files == ("rules/petg.yaml",)
    assert rules.category == "material extrusion"
    assert (rules.name, rules.printer, rules.material) == ("PETG", "left one", "PETG")
    assert rules.build_volume == (250.0, 210.0, 200.0)
    assert rules.layer_height == 0.2
    assert rules.beads == Beads(0.45, 2, 0.3, 0.1, 0.3, "two beads", None, None, 0.05)
    assert rules.minimum == {"wall": Limit(0.8, 1.2), "floor": Limit(3, None)}
    assert rules.tolerance == (0.1, 0.1)
    assert rules.outcomes == {
        "hollow": "fail",
        "missing": "fail",
        "thickened": "warn",
        "thinned": "warn",
        "porous": "note",
        "indeterminate": "warn",
    }
    assert rules.notes == "First line.\nSecond line.\n"


def test_what_is_not_asked_stays_out(tmp_path: Path) -> None:
    text = "wallguard: 1\nname: r\nprocess: {category: powder bed fusion}\nlayer_height: 0.1\n"
    rules = load_rules(write(tmp_path, "r.yaml", text))
    assert rules.minimum == {}
    assert (rules.beads, rules.bands, rules.build_volume) == (None, (), None)
    assert rules.tolerance == (0.15, 0.15)


def test_bands_are_sorted_and_keep_all_they_say(tmp_path: Path) -> None:
    text = BASE + (
        "bands:\n"
        "  - {from: 1, fill: solid}\n"
        "  - {from: 0.3, to: 1, fill: hollow, printed: 0.02, slope: 1, uncertainty: 0.05,"
        " solid_width: 0.9, source: measured}\n"
        "  - {from: 0, to: 0.3, fill: missing}\n"
    )
    hollow: Fill = "hollow"
    assert load_rules(write(tmp_path, "r.yaml", text)).bands == (
        DeclaredBand(0, 0.3, "missing"),
        DeclaredBand(0.3, 1, hollow, 0.02, 0.05, "measured", 1, 0.9),
        DeclaredBand(1, None, "solid"),
    )


def test_extends_takes_over_key_by_key_and_lists_whole(tmp_path: Path) -> None:
    bands = "bands: [{from: 0, to: 2, fill: solid}, {from: 2, fill: hollow}]\n"
    write(tmp_path, "rules/base.yaml", BASE + bands)
    child = write(
        tmp_path,
        "rules/fast/child.yaml",
        "wallguard: 1\n"
        "extends: ../base.yaml\n"
        "name: PETG fast\n"
        "process: {printer: right one}\n"
        "beads: {width: 0.5}\n"
        "bands: [{from: 0, fill: hollow}]\n"
        "minimum: {wall: {warn: 1.5}, gap: {fail: 0.3}, floor: {fail: 0}}\n"
        "tolerance: {thicker: 0.3}\n"
        "outcomes: {hollow: warn}\n",
    )
    rules = load_rules(child, tmp_path)
    assert rules.files == ("rules/fast/child.yaml", "rules/base.yaml")
    assert (rules.name, rules.printer, rules.material) == ("PETG fast", "right one", "PETG")
    assert rules.beads is not None
    assert (rules.beads.width, rules.beads.contours) == (0.5, 2)
    assert rules.bands == (DeclaredBand(0, None, "hollow"),)
    assert rules.minimum == {"wall": Limit(0.8, 1.5), "gap": Limit(0.3, None)}
    assert rules.tolerance == (0.1, 0.3)
    assert (rules.outcomes["hollow"], rules.outcomes["missing"]) == ("warn", "fail")


def test_a_varying_width_can_be_made_fixed_again(tmp_path: Path) -> None:
    write(tmp_path, "base.yaml", BASE.replace("contours", "width_varies: [0.3, 0.7], contours"))
    text = "wallguard: 1\nextends: base.yaml\nbeads: {width_varies: false}\n"
    base, child = load_rules(tmp_path / "base.yaml"), load_rules(write(tmp_path, "c.yaml", text))
    assert base.beads is not None
    assert child.beads is not None
    assert (base.beads.width_varies, child.beads.width_varies) == ((0.3, 0.7), None)


def test_all_problems_are_named_with_place_expectation_and_nearest_key(tmp_path: Path) -> None:
    text = (
        "wallguard: 1\n"
        "name: 12\n"
        "proces: {category: material extrusion}\n"
        "layer_height: 200\n"
        "beads: {widht: 0.4, contours: two, squeeze: 0.1 mm, smallest_fill: '0.3'}\n"
        "minimum: {wall: 0.8}\n"
        "nozzle: 0,4\n"
    )
    message = refused(write(tmp_path, "rules/r.yaml", text), tmp_path)
    assert message.splitlines() == [
        "rules/r.yaml:1:1: the key `process` is missing. "
        "Expected the process (category, printer, material, filament, flow).",
        "rules/r.yaml:2:7: `name`: expected a short name, but found 12. Put it in quotes.",
        "rules/r.yaml:3:1: unknown key `proces`. The nearest known key is `process`.",
        "rules/r.yaml:4:15: `layer_height`: expected a number of mm from 0.005 to 5, "
        "but found 200. Lengths are in mm; this one looks like micrometres.",
        "rules/r.yaml:5:8: the key `beads.width` is missing. "
        "Expected a number of mm from 0.05 to 20.",
        "rules/r.yaml:5:8: the key `beads.smallest_wall` is missing. "
        "Expected a number of mm from 0 to 20.",
        "rules/r.yaml:5:9: unknown key `widht` in `beads`. The nearest known key is `width`.",
        "rules/r.yaml:5:31: `beads.contours`: expected a whole number from 1 to 50, "
        'but found "two".',
        "rules/r.yaml:5:45: `beads.squeeze`: expected a number of mm from 0 to 20, "
        'but found "0.1 mm". Write the number without a unit: it is in mm.',
        "rules/r.yaml:5:68: `beads.smallest_fill`: expected a number of mm from 0 to 20, "
        'but found "0.3". Write the number without quotes.',
        "rules/r.yaml:6:17: `minimum.wall`: expected levels for thickness of a wall "
        "(fail, warn), but found 0.8.",
        "rules/r.yaml:7:1: unknown key `nozzle`. The nearest known key is `nozzle` in `beads`.",
    ]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("layer_height: -0.2", "expected a number of mm from 0.005 to 5, but found -0.2."),
        ("layer_height: .inf", "but found .inf."),
        ("layer_height: .nan", "but found .nan."),
        ("layer_height: 0.0002", "this one looks like metres."),
        ("layer_height: 0,2", "Write a decimal point, not a comma."),
        ("layer_height: true", "but found true."),
        ("layer_height:", "but found nothing."),
        ("layer_height: [0.2]", "but found a list of 1."),
        ("wallguard: 2", "This file wants a later wallguard: update it."),
        ("process: {category: material extrusoin}", "nearest known value is `material extrusion`."),
        ("process: {category: MEX}", 'expected "material extrusion", "vat photopolymerization" or'),
        ("build_volume: [250, 210]", "expected three sizes in mm: [x, y, z]"),
        ("build_volume: [0.25, 0.21, 0.2]", "`build_volume[1]`: expected a number of mm from 10"),
        ("minimum: {floor: {fail: 0.6}}", "expected a whole number of layers from 0 to 1000"),
        (
            "outcomes: {hollow: error}",
            'expected "fail", "warn", "note" or "ignore", but found "error".',
        ),
        ("outcomes: {holow: fail}", "The nearest known key is `hollow`."),
        ("bands: [{from: 0, fill: solid, slope: 1}]", "`bands[1].slope` is given without"),
        ("bands: [{fill: solid}]", "the key `bands[1].from` is missing."),
        ('name: "\\e[31mred"', "holds a line break or control character."),
        ("extends: /etc/rules.yaml", "holds an absolute path. Write it relative."),
        ("extends: a\\b.yaml", "holds a backslash. Put / between folders."),
    ],
)
def test_bad_values_say_what_was_expected(tmp_path: Path, line: str, expected: str) -> None:
    key = line.split(":")[0]
    kept = [row for row in BASE.splitlines() if not row.startswith(f"{key}:")]
    if key == "minimum":
        kept = [row for row in kept if not row.startswith(("  wall:", "  floor:"))]
    message = refused(write(tmp_path, "r.yaml", "\n".join([line, *kept])))
    assert expected in message
    assert f"{tmp_path.as_posix()}/r.yaml:1:" in message


def test_an_error_in_an_inherited_file_names_that_file(tmp_path: Path) -> None:
    write(tmp_path, "base.yaml", BASE.replace("tolerance: 0.1", "tolerance: 150"))
    child = write(tmp_path, "child.yaml", "wallguard: 1\nextends: base.yaml\nnmae: x\n")
    assert refused(child, tmp_path).splitlines() == [
        "child.yaml:3:1: unknown key `nmae`. The nearest known key is `name`.",
        "base.yaml:10:12: `tolerance`: expected a number of mm from 0 to 5, but found 150. "
        "Lengths are in mm; this one looks like micrometres.",
    ]


def test_what_no_file_of_the_chain_says_is_missing(tmp_path: Path) -> None:
    write(tmp_path, "base.yaml", "wallguard: 1\nextends: root.yaml\n")
    write(tmp_path, "root.yaml", "wallguard: 1\nname: x\nlayer_height: 0.2\n"
          "process: {category: material extrusion}\n")  # fmt: skip
    child = write(tmp_path, "child.yaml", "wallguard: 1\nextends: base.yaml\nbeads: {width: 1}\n")
    message = refused(child, tmp_path)
    assert "child.yaml:3:8: the key `beads.contours` is missing." in message


def test_broken_yaml_in_an_inherited_file_and_a_mistake_in_this_one(tmp_path: Path) -> None:
    write(tmp_path, "base.yaml", "wallguard: 1\nname: [\n")
    message = refused(
        write(tmp_path, "child.yaml", "wallguard: 1\nextends: base.yaml\nnmae: x\n"), tmp_path
    )
    assert "base.yaml:3:1: cannot be read as YAML" in message
    assert "child.yaml:3:1: unknown key `nmae`" in message


def test_a_circle_is_refused_and_shown(tmp_path: Path) -> None:
    for name, other in (("a", "b"), ("b", "sub/c"), ("sub/c", "../b")):
        write(tmp_path, f"{name}.yaml", f"wallguard: 1\nextends: {other}.yaml\n")
    assert refused(tmp_path / "a.yaml", tmp_path) == (
        "sub/c.yaml:2:10: `extends`: turns in a circle: b.yaml -> sub/c.yaml -> b.yaml. "
        "Remove one `extends`."
    )
    own = write(tmp_path, "own.yaml", "wallguard: 1\nextends: ./own.yaml\n")
    assert "own.yaml -> own.yaml" in refused(own, tmp_path)


def test_a_circle_through_a_link_is_refused(tmp_path: Path) -> None:
    write(tmp_path, "a.yaml", "wallguard: 1\nextends: link.yaml\n")
    (tmp_path / "link.yaml").symlink_to("a.yaml")
    assert "turns in a circle: a.yaml -> link.yaml" in refused(tmp_path / "a.yaml", tmp_path)


def test_a_long_chain_is_refused(tmp_path: Path) -> None:
    for number in range(20):
        write(tmp_path, f"{number}.yaml", f"wallguard: 1\nextends: {number + 1}.yaml\n")
    assert "more than 8 files in a chain: 0.yaml -> 1.yaml" in refused(
        tmp_path / "0.yaml", tmp_path
    )


def test_an_absent_base_is_reported_where_it_is_asked_for(tmp_path: Path) -> None:
    child = write(tmp_path, "rules/child.yaml", "wallguard: 1\nextends: bsae.yaml\n")
    assert refused(child, tmp_path) == (
        "rules/child.yaml:2:10: `extends`: rules/bsae.yaml: there is no such file. Check the name."
    )


@pytest.mark.parametrize("name", ["../outside.yaml", "rules/../../outside.yaml", "link.yaml"])
def test_nothing_outside_the_repository_is_read(tmp_path: Path, name: str) -> None:
    root = tmp_path / "repository"
    write(tmp_path, "outside.yaml", BASE)
    child = write(root, "child.yaml", f"wallguard: 1\nextends: {name}\n")
    (root / "link.yaml").symlink_to(tmp_path / "outside.yaml")
    message = refused(child, root)
    assert message.startswith("child.yaml:2:10: `extends`: ")
    assert "lies outside the repository, or a link in its path leads out" in message
    assert "lies outside the repository" in refused(root / "link.yaml", root)
    assert "lies outside the repository" in refused(tmp_path / "outside.yaml", root)
    if name.startswith("../"):
        assert load_rules(child).name == "PETG"


def test_a_link_within_the_repository_counts_as_both_files(tmp_path: Path) -> None:
    write(tmp_path, "shared/petg.yaml", BASE)
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "link.yaml").symlink_to("../shared/petg.yaml")
    rules = load_rules(tmp_path / "rules" / "link.yaml", tmp_path)
    assert rules.files == ("rules/link.yaml", "shared/petg.yaml")


def test_a_root_named_through_a_link_works(tmp_path: Path) -> None:
    write(tmp_path, "real/rules/r.yaml", BASE)
    (tmp_path / "alias").symlink_to("real")
    rules = load_rules(tmp_path / "real/rules/r.yaml", tmp_path / "alias")
    assert (rules.path, rules.files) == ("rules/r.yaml", ("rules/r.yaml",))


def test_names_with_spaces_and_accents_work(tmp_path: Path) -> None:
    write(tmp_path, "règles du jour/base é.yaml", BASE)
    child = write(
        tmp_path, "règles du jour/c.yaml", "wallguard: 1\nextends: base é.yaml\nname: ü\n"
    )
    rules = load_rules(child, tmp_path)
    assert rules.files == ("règles du jour/c.yaml", "règles du jour/base é.yaml")
    assert rules.name == "ü"


def test_absent_files_and_folders_are_refused(tmp_path: Path) -> None:
    assert refused(tmp_path / "no.yaml", tmp_path) == (
        "no.yaml: there is no such file. Check the name."
    )
    assert "this is a folder" in refused(tmp_path)


def test_the_error_carries_its_problems(tmp_path: Path) -> None:
    path = write(tmp_path, "r.yaml", BASE + "x: 1\ny: 2\n")
    with pytest.raises(DocumentError) as caught:
        load_rules(path, tmp_path)
    assert [problem.place.line for problem in caught.value.problems] == [14, 15]
    assert (caught.value.path, caught.value.line, caught.value.column) == ("r.yaml", 14, 1)


def test_reading_rules_loads_no_numerical_library() -> None:
    code = (
        "import sys, wallguard.rules.load, wallguard.repository.config, wallguard.commands.init; "
        "print(sorted({'numpy', 'scipy', 'trimesh', 'manifold3d'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_wrong_extends_is_told_before_what_may_follow_from_it(tmp_path: Path) -> None:
    write(tmp_path, "parts.yaml", "parts: []\n")
    child = write(tmp_path, "child.yaml", "wallguard: 1\nnmae: x\nextends: parts.yaml\n")
    assert lines(child, tmp_path) == [
        "child.yaml:3:10: `extends`: parts.yaml: no rule file, it lacks `wallguard: 1`. "
        "Check the name.",
        "child.yaml:2:1: unknown key `nmae`. The nearest known key is `name`.",
    ]
    for extends, told in (("gone.yaml", "there is no such file"), ("3", "but found 3")):
        child = write(tmp_path, "child.yaml", f"name: x\nextends: {extends}\n")
        first, second = lines(child, tmp_path)
        assert first.startswith("child.yaml:2:10: `extends`: ")
        assert told in first
        assert second.startswith("child.yaml:1:1: the key `wallguard` is missing")


def lines(path: Path, root: Path) -> list[str]:
    with pytest.raises(DocumentError) as caught:
        load_rules(path, root)
    return str(caught.value).splitlines()
