"""Several outputs of one `wallguard check`, for services that show findings beside the files."""

import json
import re
from importlib import import_module
from pathlib import Path

import pytest
from design_repository import CONFIG, RULES, Work, design_repository, stl

from wallguard.base.errors import InputError
from wallguard.commands.main import main
from wallguard.commands.publish import Outputs, ready
from wallguard.reports.formats import FORMATS
from wallguard.reports.sarif import FINGERPRINT
from wallguard.repository.git import below_top


@pytest.fixture
def work(tmp_path, monkeypatch) -> Work:
    """A repository whose designs are in a folder, with a hollow wall in one part."""
    made = design_repository(tmp_path, monkeypatch)
    made.write("designs/wallguard.yaml", CONFIG)
    made.write("designs/rules/petg.yaml", RULES)
    stl(made.root / "designs/parts/bad.stl", 1.5)
    monkeypatch.chdir(made.root / "designs")
    return made


COMMANDS = (
    ("check", "--all"),
    ("impact", "--from", "old.yaml", "--to", "new.yaml"),
    ("rehearse", "old.yaml", "--toolpath", "new.gcode"),
    ("toolpath", "--part", "drawn.stl", "--rules", "old.yaml", "new.gcode"),
)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda words: words[0])
@pytest.mark.parametrize("option", ["--json", "--markdown"])
def test_no_command_writes_over_what_it_did_not_write(
    tmp_path, monkeypatch, capsys, command, option
):
    """It is refused before the work begins, so before it is seen that there is nothing to do."""
    monkeypatch.chdir(tmp_path)
    for name, why in (("part.stl", "what the name says"), ("notes.txt", "no earlier output")):
        (tmp_path / name).write_bytes(b"what somebody made")
        assert main([*command, option, name]) == 2
        assert (tmp_path / name).read_bytes() == b"what somebody made"
        assert why in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize("name", ["rules/a.yaml", "parts/GOOD.STL", "a.gcode"])
def test_no_report_is_written_over_a_part_a_toolpath_or_a_rule_file(
    tmp_path, monkeypatch, capsys, name
):
    monkeypatch.chdir(tmp_path)
    file = tmp_path / name
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(b"what somebody drew")
    assert main(["check", "--all", "--json", name]) == 2
    assert file.read_bytes() == b"what somebody drew"
    told = " ".join(capsys.readouterr().err.split())
    assert "would write over what the name says" in told


def test_a_report_replaces_an_earlier_one_of_its_kind_and_nothing_else(work, capsys):
    formats = [one for one in FORMATS if one.goes == "file" and not one.instead]
    reports = {f"--{one.option}": work.root / f"designs/r.{one.name}" for one in formats}
    options = [str(word) for pair in reports.items() for word in pair]
    for words in (["--staged"], ["parts/bad.stl"]):
        assert main(["check", *words, *options]) in (0, 1)
        assert "would write" not in capsys.readouterr().err
    ready(Outputs({one.name: reports[f"--{one.option}"] for one in formats}), "check")
    (work.root / "notes.txt").write_text("mine\n")
    reports["--none"] = work.root / "notes.txt"
    before = {path: path.read_bytes() for path in reports.values()}
    for one in formats:
        for option, path in reports.items():
            if option != f"--{one.option}":
                with pytest.raises(InputError, match="no earlier output of the kind"):
                    ready(Outputs({one.name: path}), "check")
    assert main(["check", "--all", "--json", str(work.root / "notes.txt")]) == 2
    assert {path: path.read_bytes() for path in reports.values()} == before


def test_all_at_once_name_files_as_seen_from_the_top(work, capsys):
    options = ["--sarif", "w.sarif", "--code-quality", "w.json", "--json", "r.json"]
    assert main(["check", "parts/bad.stl", "--annotations", *options]) == 1
    here = work.root / "designs"
    name = "designs/parts/bad.stl"
    results = json.loads((here / "w.sarif").read_text(encoding="utf-8"))["runs"][0]["results"]
    places = [result["locations"][0]["physicalLocation"] for result in results]
    assert {place["artifactLocation"]["uri"] for place in places} == {name}
    quality = json.loads((here / "w.json").read_text(encoding="utf-8"))
    assert {entry["location"]["path"] for entry in quality} == {name}
    (part,) = json.loads((here / "r.json").read_text(encoding="utf-8"))["parts"]
    assert part["path"] == "parts/bad.stl"
    marks = [finding["id"] for finding in part["findings"]]
    assert [entry["fingerprint"].split("-", 1)[1] for entry in quality] == marks
    prints = [one["partialFingerprints"][FINGERPRINT] for one in results]
    assert prints == [entry["fingerprint"] for entry in quality]
    shown = capsys.readouterr().out.splitlines()
    errors = [line for line in shown if line.startswith(f"::error file={name},line=1,title=walls")]
    # Four walls of one frame, told once here and one by one above.
    assert len(marks) == 4
    (error,) = errors
    assert error.endswith("one of 4 places alike; the JSON report lists each")


def test_the_report_is_fenced_by_a_new_token_each_time(work, capsys):
    tokens = []
    for _ in range(2):
        main(["check", "parts/bad.stl", "--annotations"])
        shown = capsys.readouterr().out
        found = re.match(r"::stop-commands::(\w{32})\n(.*?)\n::\1::\n::error ", shown, re.DOTALL)
        assert "FAILED" in found[2]
        tokens.append(found[1])
    assert tokens[0] != tokens[1]


def test_without_annotations_nothing_is_a_command(work, capsys):
    main(["check", "parts/bad.stl"])
    assert "::" not in capsys.readouterr().out


def test_commands_have_an_option_for_every_format_that_can_show_them(capsys):
    for command, kind in (
        ("check", "check"),
        ("impact", "impact"),
        ("rehearse", "rehearsal"),
        ("toolpath", "toolpath"),
    ):
        with pytest.raises(SystemExit):
            main([command, "--help"])
        shown = capsys.readouterr().out
        options = {one.instead or one.option for one in FORMATS if kind in one.kinds}
        for one in FORMATS:
            named = one.instead or one.option
            assert (f"--{named} " in shown) == (named in options) or named == "pictures"
            assert callable(import_module(f"wallguard.reports.{one.module}").show_report)


def test_what_cannot_show_a_result_is_refused_before_anything_is_done():
    with pytest.raises(InputError, match="There are: --markdown, --json"):
        ready(Outputs(junit=Path("w.xml")), "against")


def test_a_run_that_cannot_be_done_says_so_in_its_reports_too(work, capsys):
    options = ["--json", "r.json", "--markdown", "r.md", "--junit", "r.xml", "--sarif", "r.sarif"]
    assert main(["check", "parts/bad.stl", *options]) == 1
    capsys.readouterr()
    assert main(["check", "--changed-since", "no-such-revision", *options]) == 2
    assert "no-such-revision" in capsys.readouterr().err
    (trouble,) = json.loads(Path("r.json").read_text("utf-8"))["troubles"]
    assert "no-such-revision" in trouble["message"]
    assert "could not be checked" in Path("r.md").read_text("utf-8")
    assert "<error" in Path("r.xml").read_text("utf-8")
    assert not json.loads(Path("r.sarif").read_text("utf-8"))["runs"][0]["results"]


def test_where_a_folder_lies(work, tmp_path):
    assert below_top((work.root / "designs").resolve()) == "designs"
    assert below_top(work.root.resolve()) == "."
    assert below_top(tmp_path.resolve()) == "."
