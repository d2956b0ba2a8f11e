"""What a run did not look at is never passed over in silence."""

import json
import os
import sys
from datetime import date, timedelta

import pytest
from design_repository import commit, git
from solids import box, save

from wallguard.commands.main import main
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
%sparts:
  - {files: "parts/*.stl", rules: rules/grey.yaml}
exclude: ["parts/old*"]
"""
GOOD, HOLLOW = box([40, 2.0, 10]), box([40, 1.5, 10])


def design(root, gate=""):
    """A design repository in `root`: one good part, one with a hollow wall."""
    (root / "rules").mkdir(parents=True)
    (root / "rules/grey.yaml").write_text(RULES)
    (root / "wallguard.yaml").write_text(REPOSITORY % gate)
    save(root / "parts/good.stl", GOOD)
    save(root / "parts/bad.stl", HOLLOW)
    save(root / "parts/old.stl", HOLLOW)


@pytest.fixture
def repo(tmp_path, monkeypatch):
    design(tmp_path)
    save(tmp_path / "elsewhere/loose.stl", GOOD)
    (tmp_path / ".gitignore").write_text("report.*\n")
    git(tmp_path, "init", "-q", "-b", "main")
    commit(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def said(capsys):
    got = capsys.readouterr()
    return " ".join((got.out + got.err).split())


def test_a_touched_text_beside_a_bad_part_says_what_was_not_looked_at(repo, capsys):
    (repo / "notes.txt").write_text("hello")
    report = review(Asked()).report
    assert report.unseen == ("parts/bad.stl", "parts/good.stl")
    git(repo, "add", ".")
    report = review(Asked(staged=True)).report
    assert (report.exit_code, report.unseen) == (0, ("parts/bad.stl", "parts/good.stl"))
    git(repo, "commit", "-qm", "two")
    assert review(Asked(changed_since="HEAD~1")).report.unseen == report.unseen


def test_what_was_looked_at_is_not_told(repo):
    save(repo / "parts/good.stl", box([40, 2.1, 10]))
    assert review(Asked()).report.unseen == ("parts/bad.stl",)
    assert review(Asked(everything=True)).report.unseen == ()
    assert review(Asked(paths=(repo / "parts/good.stl",))).report.unseen == ()
    # With rules for every part, those that no entry names are among them.
    given = review(Asked(rules=(repo / "rules/grey.yaml",))).report
    assert given.unseen == ("elsewhere/loose.stl", "parts/bad.stl")


def test_a_sparse_checkout_is_no_pass(repo, capsys):
    git(repo, "sparse-checkout", "set", "--no-cone", "/*", "!/parts/bad.stl", "!/elsewhere")
    assert not (repo / "parts/bad.stl").exists()
    assert main(["check", "--all"]) == 2
    shown = said(capsys)
    assert "parts/bad.stl" in shown
    assert "loose" not in shown  # which answers to no rules
    report = review(Asked(everything=True)).report
    assert (report.exit_code, report.unseen) == (2, ("parts/bad.stl",))
    assert review(Asked()).report.exit_code == 2
    assert review(Asked(paths=(repo / "parts",))).report.exit_code == 2
    assert review(Asked(paths=(repo / "parts/good.stl",))).report.exit_code == 0


def test_a_sparse_checkout_without_any_part_is_no_pass(repo):
    git(repo, "sparse-checkout", "set", "--no-cone", "/*", "!/parts")
    report = review(Asked(everything=True)).report
    assert (report.exit_code, report.parts) == (2, ())
    git(repo, "sparse-checkout", "set", "--no-cone", "/parts")
    assert main(["check", "--all", "--rules", str(repo / "parts")]) == 2


def test_a_part_that_is_gone_while_git_tracks_it_is_no_pass(repo, capsys):
    (repo / "parts/bad.stl").unlink()
    assert main(["check", "--all"]) == 2
    assert "`git rm` what is to go" in said(capsys)
    git(repo, "rm", "-q", "parts/bad.stl")
    assert main(["check", "--all"]) == 0


def test_parts_that_git_ignores_are_no_pass(tmp_path, monkeypatch, capsys):
    design(tmp_path)
    (tmp_path / ".gitignore").write_text("*.stl\n")
    git(tmp_path, "init", "-q", "-b", "main")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-qm", "one")
    monkeypatch.chdir(tmp_path)
    assert main(["check", "--all"]) == 2
    assert "git ignores all 2 parts that it covers: parts/bad.stl, parts/good.stl" in said(capsys)


@pytest.mark.skipif(sys.platform == "win32", reason="a shell script")
@pytest.mark.parametrize("how", [["--all"], ["--staged"], [], ["rules/grey.yaml"]])
@pytest.mark.parametrize(
    "answer", ["", "echo hello", 'case "$*" in *--is-inside-work-tree*) echo true;; esac']
)
def test_a_git_that_answers_nothing_is_no_pass(repo, tmp_path_factory, monkeypatch, how, answer):
    programs = tmp_path_factory.mktemp("programs")
    (programs / "git").write_text(f"#!/bin/sh\n{answer}\n")
    (programs / "git").chmod(0o755)
    monkeypatch.setenv("PATH", str(programs), prepend=os.pathsep)
    assert main(["check", *how]) == 2


@pytest.fixture
def nested(tmp_path, monkeypatch):
    """A git repository with a design repository in a folder of it."""
    design(tmp_path / "hardware")
    (tmp_path / "hardware/parts/bad.stl").unlink()
    (tmp_path / "README.md").write_text("text\n")
    git(tmp_path, "init", "-q", "-b", "main")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-qm", "one")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def checked(*words):
    """Exit code, and how each part stands."""
    code = main(["check", *map(str, words), "--json", "report.json"])
    with open("report.json", encoding="utf-8") as file:  # noqa: PTH123 - beside where it is run
        parts = json.load(file)["parts"]
    return code, {part["path"]: (part["status"], part["rules"]) for part in parts}


GREY = "hardware/rules/grey.yaml"


def test_from_the_top_a_part_answers_to_the_nearest_file_above_it(nested):
    good = {"hardware/parts/good.stl": ("passed", GREY)}
    assert checked("--all") == (0, good)
    assert checked("hardware") == (0, good)
    assert checked("hardware/parts/good.stl") == (0, good)
    assert checked("hardware/wallguard.yaml") == (0, good)
    assert checked(GREY) == (0, good)
    save(nested / "hardware/parts/bad.stl", HOLLOW)
    assert checked() == (1, {"hardware/parts/bad.stl": ("failed", GREY)})
    git(nested, "add", ".")
    assert checked("--staged") == (1, {"hardware/parts/bad.stl": ("failed", GREY)})
    assert checked("--base", "HEAD") == (1, {"hardware/parts/bad.stl": ("failed", GREY)})


def test_a_file_that_no_part_answers_to_is_no_trouble_from_the_top(nested):
    """As pre-commit names the files of a commit."""
    (nested / "pipeline.yaml").write_text("any: thing\n")
    assert checked("pipeline.yaml") == (0, {})


def test_a_changed_rule_file_below_checks_what_it_governs(nested):
    (nested / GREY).write_text(RULES.replace("smallest_fill: 0.575", "smallest_fill: 1"))
    code, parts = checked()
    assert (code, set(parts)) == (1, {"hardware/parts/good.stl"})
    git(nested, "checkout", "-q", GREY)
    (nested / "hardware/wallguard.yaml").write_text((REPOSITORY % "") + "# changed\n")
    assert set(checked()[1]) == {"hardware/parts/good.stl"}


def test_several_of_them_in_one_run(nested):
    other = nested / "tools"
    design(other, "gate: new\n")
    (other / "rules/grey.yaml").write_text(RULES.replace("layer_height: 0.2", "layer_height: 0.1"))
    code, parts = checked("--all")
    assert code == 1
    assert parts == {
        "hardware/parts/good.stl": ("passed", GREY),
        "tools/parts/good.stl": ("passed", "tools/rules/grey.yaml"),
        "tools/parts/bad.stl": ("failed", "tools/rules/grey.yaml"),
    }
    git(nested, "add", ".")
    git(nested, "commit", "-qm", "two")
    report = review(Asked(everything=True)).report
    assert (report.exit_code, report.gate) == (1, "all")
    (remark,) = report.remarks
    assert remark.path == "tools/wallguard.yaml"
    assert "`gate: new` does not hold here" in remark.message
    (other / "wallguard.yaml").write_text("wallguard: 1\nparts: 3\n")
    report = review(Asked(everything=True)).report
    assert report.exit_code == 2
    assert [one.path for one in report.troubles] == ["tools/wallguard.yaml"]


def test_a_finding_is_called_the_same_wherever_a_run_begins(nested, monkeypatch):
    save(nested / "hardware/parts/bad.stl", HOLLOW)
    (from_top,) = review(Asked(paths=(nested / "hardware/parts/bad.stl",))).report.parts
    monkeypatch.chdir(nested / "hardware")
    (from_there,) = review(Asked(paths=(nested / "hardware/parts/bad.stl",))).report.parts
    assert [one.id for one in from_top.findings] == [one.id for one in from_there.findings]
    assert (from_top.path, from_there.path) == ("hardware/parts/bad.stl", "parts/bad.stl")


def test_waivers_stand_beside_the_file_that_answers(nested, monkeypatch, capsys):
    save(nested / "hardware/parts/bad.stl", HOLLOW)
    monkeypatch.chdir(nested / "hardware")
    (part,) = review(Asked(paths=(nested / "hardware/parts/bad.stl",))).report.parts
    words = ["--why", "glued", "--until", str(date.today() + timedelta(30)), "--who", "Ann"]
    assert main(["waive", part.findings[0].id, *words]) == 0
    monkeypatch.chdir(nested)
    report = review(Asked(everything=True)).report
    assert report.exit_code == 0
    assert [one.waived[:3] for part in report.parts for one in part.findings] == ["Ann"]
    (nested / "hardware/parts/bad.stl").unlink()
    report = review(Asked(everything=True)).report
    (remark,) = report.remarks
    assert remark.path == "hardware/waivers.yaml"
    assert remark.message.startswith("hardware/waivers.yaml:")
