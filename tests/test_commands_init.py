"""`wallguard init`: what it writes loads, and nothing is overwritten."""

import re
import subprocess
import sys
from pathlib import Path

import check_jsonschema
import pytest
from click.testing import CliRunner

from wallguard.base.errors import InputError
from wallguard.commands.init import run
from wallguard.repository.config import load_repository
from wallguard.rules.features import CATEGORIES, FEATURES
from wallguard.rules.fields import RULE_FILE
from wallguard.rules.load import load_rules
from wallguard.rules.model import Limit, Rules


def made(folder: Path) -> Rules:
    repository = load_repository(folder)
    (rules,) = repository.rule_files()
    return load_rules(folder / rules, folder)


@pytest.mark.parametrize("nozzle", [0.1, 0.15, 0.25, 0.4, 0.6, 0.8, 1.2, 5.0])
@pytest.mark.parametrize("share", [0.25, 0.5, 1.0])
def test_extrusion_files_load_for_any_nozzle(tmp_path: Path, nozzle: float, share: float) -> None:
    height = round(min(nozzle * share, 3), 3)
    run(tmp_path, nozzle=nozzle, layer_height=height, category="material extrusion")
    rules = made(tmp_path)
    assert rules.beads is not None
    assert rules.beads.width == pytest.approx(1.1 * nozzle, abs=1e-4)
    assert rules.beads.nozzle == nozzle
    assert rules.layer_height == height
    assert rules.minimum["floor"] == Limit(3, 4)


@pytest.mark.parametrize("category", ["VPP", "pbf", "vat photopolymerization", "powder bed fusion"])
@pytest.mark.parametrize("height", [0.01, 0.03, 0.05, 0.1, 0.3])
def test_other_categories_load(tmp_path: Path, category: str, height: float) -> None:
    run(tmp_path, layer_height=height, category=category)
    rules = made(tmp_path)
    assert rules.beads is None
    assert rules.layer_height == height
    assert rules.minimum["wall"].fail is not None
    assert rules.minimum["floor"].fail is not None
    assert rules.minimum["floor"].fail * height >= rules.minimum["wall"].fail - 1e-9
    assert (rules.minimum["floor"].fail - 1) * height < rules.minimum["wall"].fail


def test_defaults_without_anyone_to_ask(tmp_path: Path) -> None:
    lines = run(tmp_path)
    assert lines[:3] == [
        "wrote: wallguard.yaml",
        "wrote: rules/material-extrusion-0.4.yaml",
        "wrote: .pre-commit-config.yaml",
    ]
    rules = made(tmp_path)
    assert (rules.category, rules.layer_height) == ("material extrusion", 0.2)
    parts = load_repository(tmp_path)
    for name in ("a.stl", "x/y/b.3mf", "ü.obj", "c d.PLY"):
        assert [item.rules for item in parts.assignments(name)] == [
            "rules/material-extrusion-0.4.yaml"
        ]


def test_editors_find_the_schemas_of_what_is_written(tmp_path: Path) -> None:
    run(tmp_path)
    (rules,) = (tmp_path / "rules").iterdir()
    for path, which in ((tmp_path / "wallguard.yaml", "repository"), (rules, "rules")):
        first = path.read_text(encoding="utf-8").partition("\n")[0]
        where = first.removeprefix("# yaml-language-server: $schema=")
        found = (path.parent / where).resolve()
        assert found == (tmp_path / f".wallguard/{which}.schema.json").resolve()
        done = CliRunner().invoke(check_jsonschema.main, ["--schemafile", str(found), str(path)])
        assert done.exit_code == 0, done.output


def test_a_broken_file_is_seen_by_the_schema(tmp_path: Path) -> None:
    run(tmp_path)
    (rules,) = (tmp_path / "rules").iterdir()
    rules.write_text(rules.read_text(encoding="utf-8").replace("contours:", "contuors:"))
    schema = str(tmp_path / ".wallguard/rules.schema.json")
    done = CliRunner().invoke(check_jsonschema.main, ["--schemafile", schema, str(rules)])
    assert done.exit_code == 1 and "contuors" in done.output


def test_answers_are_asked_for_only_where_nothing_is_given(tmp_path: Path) -> None:
    asked = []

    def ask(question: str, default: str) -> str:
        asked.append((question, default))
        return {"Nozzle diameter in mm": " 0.6 "}.get(question, "")

    run(tmp_path, category="MEX", ask=ask)
    assert asked == [("Nozzle diameter in mm", "0.4"), ("Layer height in mm", "0.3")]
    assert made(tmp_path).layer_height == 0.3


def test_a_bad_answer_is_asked_again_with_what_is_wrong(tmp_path: Path) -> None:
    answers = iter(["weaving", "MEX", "x", "400", "0,4", "0,5", "0,2"])
    questions = []

    def ask(question: str, default: str) -> str:
        questions.append(question)
        return next(answers)

    run(tmp_path, ask=ask)
    rules = made(tmp_path)
    assert rules.beads is not None
    assert (rules.beads.nozzle, rules.layer_height) == (0.4, 0.2)
    assert questions[1].splitlines() == [
        "category: there is no category `weaving`. Choose material extrusion (MEX), "
        "vat photopolymerization (VPP), powder bed fusion (PBF).",
        "Process category (MEX, VPP or PBF)",
    ]
    assert questions[6].startswith("layer height: 0.5 mm is more than the nozzle's 0.4 mm.")


@pytest.mark.parametrize("category", CATEGORIES)
def test_every_key_that_the_process_knows_is_there_with_its_meaning(
    tmp_path: Path, category: str
) -> None:
    run(tmp_path, category=category)
    (path,) = (tmp_path / "rules").iterdir()
    text = path.read_text()
    for row in FEATURES:
        if row.limit is not None:
            known = category in row.categories
            assert (f"allowed {row.limit.what}" in text) == known
            written = f"\n  {row.id}: " in text or f"\n  # {row.id}: " in text
            assert written == known
    faces = {"growth", "growth_uncertainty"}
    unfit = {"extends", *(faces if category == "material extrusion" else {"beads"})}
    for key in RULE_FILE.keys:
        assert (f"\n{key}:" in text or f"\n# {key}:" in text) == (key not in unfit)
    assert ("filament" in text) == (category == "material extrusion")
    assert "in count" not in text


@pytest.mark.parametrize("category", CATEGORIES)
def test_every_number_says_where_it_comes_from(tmp_path: Path, category: str) -> None:
    run(tmp_path, category=category)
    (path,) = (tmp_path / "rules").iterdir()
    lines = path.read_text().splitlines()
    # These are what was asked for, or the format's own.
    given = ("wallguard:", "layer_height:", "nozzle:", "name:")
    numbers = [
        line
        for line in lines
        if re.match(r" *(# )?[a-z_]+: [^<]*\d", line) and not line.strip().startswith(given)
    ]
    assert len(numbers) >= 20
    assert [line for line in numbers if line.count("#") - line.strip().startswith("#") != 1] == []
    assert max(map(len, lines)) <= 100


@pytest.mark.parametrize("category", CATEGORIES)
def test_every_limit_that_is_offered_loads_once_it_is_used(tmp_path: Path, category: str) -> None:
    run(tmp_path, category=category)
    (path,) = (tmp_path / "rules").iterdir()
    path.write_text(re.sub(r"\n  # ([a-z_]+: \{)", r"\n  \1", path.read_text()))
    rules = made(tmp_path)
    bare = set(re.findall(r"\n  # ([a-z_]+): <levels", path.read_text()))
    known = {row.id for row in FEATURES if row.limit and category in row.categories}
    assert set(rules.minimum) == known - bare


def test_the_commented_settings_load_once_they_are_used(tmp_path: Path) -> None:
    run(tmp_path)
    path = tmp_path / "rules/material-extrusion-0.4.yaml"
    text = path.read_text()
    for comment in ("printer:", "material:"):
        text = text.replace(f"# {comment}", comment)
    text = text.replace("width_varies: false                 # or [0.3", "width_varies: [0.3")
    text = text.replace("0.7] where", "0.7]  # where")
    volume = "# build_volume: <three sizes in mm: [x, y, z]>"
    assert volume in text
    path.write_text(text.replace(volume, "build_volume: [250, 210, 200]"))
    rules = made(tmp_path)
    assert rules.beads is not None
    assert rules.beads.width_varies == (0.3, 0.7)
    assert rules.build_volume == (250, 210, 200)
    assert rules.printer == "<the printer's name>"
    path = tmp_path / "wallguard.yaml"
    text = path.read_text().replace("  # - files", "  - files")
    for key in ("rules:", "rotate:", "scale:", "unit:"):
        text = text.replace(f"  #   {key}", f"    {key}")
    path.write_text(text)
    assert [item.scale for item in load_repository(tmp_path).assignments("models/a.stl")] == [
        0.005,
        0.005,
    ]


def test_the_rule_file_says_what_a_pass_means_and_where_numbers_come_from(tmp_path: Path) -> None:
    run(tmp_path, category="PBF")
    text = (tmp_path / "rules/powder-bed-fusion-0.1.yaml").read_text()
    assert "A pass speaks of geometry only" in text
    assert "common practice, no published source" in text


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    run(tmp_path)
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert len(files) == 6
    for path in files:
        path.write_text("mine")
    lines = run(tmp_path)
    assert [path.read_text() for path in files] == ["mine"] * 6
    assert lines[0] == (
        "left alone: wallguard.yaml exists; "
        "name `rules/material-extrusion-0.4.yaml` in it to use it"
    )
    hook = lines.index("left alone: .pre-commit-config.yaml exists; add under `repos:`")
    assert lines[hook + 1 : hook + 4] == [
        "  - repo: local",
        "    hooks:",
        "      - id: wallguard",
    ]


def test_a_dangling_link_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "wallguard.yaml").symlink_to(tmp_path / "gone.yaml")
    assert run(tmp_path)[0].startswith("left alone: wallguard.yaml")
    assert not (tmp_path / "gone.yaml").exists()


def test_pre_commit_accepts_the_configuration(tmp_path: Path) -> None:
    run(tmp_path)
    done = subprocess.run(
        [sys.executable, "-m", "pre_commit", "validate-config", ".pre-commit-config.yaml"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({"nozzle": 400.0}, "nozzle: 400 mm is not between 0.1 and 5 mm"),
        ({"nozzle": -0.4}, "nozzle: -0.4 mm is not between"),
        ({"nozzle": float("nan")}, "nozzle: nan mm is not between"),
        ({"layer_height": 200.0}, "layer height: 200 mm is not between 0.01 and 3 mm"),
        ({"nozzle": 0.2, "layer_height": 0.3}, "0.3 mm is more than the nozzle's 0.2 mm"),
        ({"category": "weaving"}, "there is no category `weaving`. Choose material extrusion"),
        ({"ask": lambda question, default: "0,4"}, "there is no category `0,4`"),
        ({"category": "MEX", "ask": lambda question, default: "0.4.0"}, "`0.4.0` is no number"),
    ],
)
def test_nonsense_is_refused_before_anything_is_written(
    tmp_path: Path, values: dict, expected: str
) -> None:
    with pytest.raises(InputError) as caught:
        run(tmp_path, **values)
    assert expected in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_places_that_cannot_be_written_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such folder"):
        run(tmp_path / "absent")
    (tmp_path / "rules").write_text("a file")
    with pytest.raises(InputError, match=r"rules.*cannot be written: "):
        run(tmp_path)


def test_a_link_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    folder, outside = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    outside.mkdir()
    (folder / "rules").symlink_to(outside)
    with pytest.raises(InputError, match="a link that leads out of the repository"):
        run(folder)
    assert list(outside.iterdir()) == []
    assert [path.name for path in folder.iterdir()] == ["rules"]


def test_an_interrupted_write_leaves_no_half_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from wallguard.commands import init

    monkeypatch.setattr(init, "_repository", lambda rules: "half \ud800")
    with pytest.raises(UnicodeEncodeError):
        run(tmp_path)
    assert list(tmp_path.iterdir()) == []
