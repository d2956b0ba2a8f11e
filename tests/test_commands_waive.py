"""`wallguard waive`, and waivers in `wallguard check`, on real repositories."""

import json
from datetime import date, timedelta
from xml.etree import ElementTree as ET

import pytest
from solids import box, save
from test_commands_base import FRAME, NEW_RIB, OLD, commit, git, report, write

from wallguard.commands import check, waive
from wallguard.commands.main import main
from wallguard.commands.publish import Outputs
from wallguard.jobs.choose import Asked, How
from wallguard.waivers.load import load_waivers

LAST = date.today() + timedelta(200)
UNTIL = str(LAST)
LATER = LAST + timedelta(1)


@pytest.fixture
def repo(tmp_path, monkeypatch):
    """A committed repository that gates on all findings, with one part that has trouble."""
    root = tmp_path / "design"
    write(root, "all")
    save(root / "parts/old.stl", OLD)
    save(root / "parts/good.stl", FRAME)
    (root / ".gitignore").write_text("report.*\n")
    git(root, "init", "-q", "-b", "main")
    commit(root)
    monkeypatch.chdir(root)
    return root


def name_of(root, path="parts/old.stl"):
    """The id of the only finding of a part."""
    _, data = report(root, path)
    ((finding,),) = [part["findings"] for part in data["parts"] if part["path"] == path]
    return finding["id"]


def accept(root, *more):
    """Waive the finding of the old part by way of a report."""
    name = name_of(root)
    words = ["waive", name, "--why", "glued in", "--until", UNTIL, "--report", "report.json"]
    assert main([*words, *more]) == 0
    return name


def checked(root, *arguments, today=LAST):
    """Exit code and the JSON report of a run on a day."""
    outputs = Outputs(json=root / "report.json", junit=root / "report.xml")
    code = check.run(Asked(tuple(root / one for one in arguments)), How(today=today), outputs)
    return code, json.loads((root / "report.json").read_text())


def findings(data):
    return [finding for part in data["parts"] for finding in part["findings"]]


def test_a_waived_finding_does_not_gate_and_is_shown_as_waived(repo, capsys):
    name = accept(repo, "--who", "A. Person", "--issue", "https://issues.example.org/7")
    code, data = checked(repo, "parts")
    assert code == 0
    (found,) = findings(data)
    reason = f"A. Person, until {UNTIL}: glued in (https://issues.example.org/7)"
    assert (found["id"], found["waived"], found["severity"]) == (name, reason, "fail")
    assert [part["status"] for part in data["parts"]] == ["passed", "passed"]
    assert (data["summary"]["waived"], data["summary"]["findings"]["fail"]) == (1, 0)
    assert f"(by {reason})" in " ".join(capsys.readouterr().out.split())
    suites = {suite.get("name"): suite for suite in ET.parse(repo / "report.xml").getroot()}
    suite = suites["parts/old.stl (rules/grey.yaml)"]
    assert suite.get("failures") == "0"
    skipped = suite.find(f"testcase[@name='fill (waived {name})']/skipped")
    assert skipped is not None
    assert skipped.get("message") == f"waived by {reason}"


def test_an_expired_waiver_gates_again_and_says_so(repo, capsys):
    accept(repo)
    code, data = checked(repo, "parts", today=LATER)
    assert (code, findings(data)[0]["waived"]) == (1, "")
    assert f"ran out on {UNTIL}" in findings(data)[0]["remark"]
    assert f"ran out on {UNTIL}" in " ".join(capsys.readouterr().out.split())


def test_a_waiver_outlives_a_move_a_new_triangulation_and_an_edit_elsewhere(repo):
    accept(repo)
    edited = OLD + box([5, 5, 10], [55, 0, 0])
    for solid in (OLD.refine(2).translate([7, -3, 2]), OLD.rotate([0, 0, 30]), edited):
        save(repo / "parts/old.stl", solid)
        assert checked(repo, "parts/old.stl")[0] == 0


def test_a_waiver_does_not_hide_what_got_worse(repo):
    accept(repo)
    save(repo / "parts/old.stl", FRAME + box([1.6, 40, 10], [20, 0, 0]))
    code, data = checked(repo, "parts/old.stl")
    assert code == 1
    assert (
        "it got worse since, more air: 1.60 mm thick now, 1.50 before"
        in findings(data)[0]["remark"]
    )


def test_a_waiver_hides_no_other_finding(repo):
    accept(repo)
    save(repo / "parts/old.stl", OLD + NEW_RIB)
    code, data = checked(repo, "parts/old.stl")
    assert code == 1
    assert sorted(bool(one["waived"]) for one in findings(data)) == [False, True]


def test_a_waiver_whose_finding_is_mended_is_named_and_does_not_gate(repo, capsys):
    accept(repo)
    save(repo / "parts/old.stl", FRAME)
    code, data = checked(repo, "parts/old.stl")
    assert code == 0
    (remark,) = data["remarks"]
    assert remark["path"] == "waivers.yaml"
    assert "matches no finding of parts/old.stl any more: remove it" in remark["message"]
    assert "- to mend waivers.yaml:6:" in " ".join(capsys.readouterr().out.split())
    assert checked(repo, "parts/good.stl")[1]["remarks"] == []
    (repo / "parts/old.stl").unlink()
    (remark,) = checked(repo, "parts/good.stl")[1]["remarks"]
    assert "is for parts/old.stl, which is not there" in remark["message"]


def test_a_change_of_waivers_checks_the_parts_they_are_for(repo):
    accept(repo)
    commit(repo)
    git(repo, "checkout", "-qb", "branch")
    assert [part["path"] for part in report(repo, "--changed-since", "HEAD~1")[1]["parts"]] == [
        "parts/old.stl"
    ]
    (repo / "waivers.yaml").unlink()
    code, data = report(repo)
    assert (code, [part["path"] for part in data["parts"]]) == (1, ["parts/old.stl"])
    git(repo, "add", ".")
    assert report(repo, "--staged")[0] == 1


def test_waivers_count_as_they_are_staged(repo):
    accept(repo)
    git(repo, "add", ".")
    (repo / "waivers.yaml").unlink()
    assert report(repo, "--staged")[0] == 0


def test_broken_waivers_are_an_error_with_its_place_and_hide_nothing(repo):
    (repo / "waivers.yaml").write_text("wallguard: 1\nwaivers:\n  - {who: A}\n")
    code, data = report(repo, "--all")
    assert code == 2
    assert data["troubles"][0]["message"].startswith("waivers.yaml:3:5: ")
    assert [part["status"] for part in data["parts"]] == ["passed", "failed"]


def test_without_a_report_parts_are_checked_until_the_finding_is_there(repo, capsys):
    name = name_of(repo)
    (repo / "report.json").unlink()
    capsys.readouterr()
    assert main(["waive", name, "--why", "glued in", "--until", UNTIL]) == 0
    said = capsys.readouterr().out
    assert said.startswith(
        f"waivers.yaml:6: waived until {UNTIL} (fill): parts/old.stl: wall 1.50 mm"
    )
    assert "not that the part is safe to use. If it carries load" in said
    (waiver,) = load_waivers(repo)
    assert (waiver.who, waiver.why, waiver.finding) == ("Tester", "glued in", name)
    assert (waiver.part, waiver.rules, waiver.limits) == (
        "parts/old.stl",
        "rules/grey.yaml",
        ("fill",),
    )
    assert waiver.measures == pytest.approx((1.5,), abs=0.001)
    assert waiver.fill == "hollow"
    assert waiver.size[1] == pytest.approx(10, abs=0.01)
    assert report(repo, "--all")[0] == 0


def test_of_alike_findings_only_the_named_one_is_accepted(repo):
    save(repo / "parts/old.stl", OLD + NEW_RIB)
    _, data = report(repo, "parts/old.stl")
    second = findings(data)[1]
    assert second["id"].endswith("-2")
    assert main(["waive", second["id"], "--why", "x", "--until", UNTIL]) == 0
    _, data = report(repo, "parts/old.stl")
    assert [one["id"] for one in findings(data) if one["waived"]] == [second["id"]]


def test_comments_and_order_stay(repo):
    before = (
        "# ours\nwallguard: 1\nwaivers:\n  # old\n"
        "  - {finding: '0000000001', who: A, why: b, until: 2031-05-31} # c\n"
    )
    (repo / "waivers.yaml").write_text("\ufeff" + before, encoding="utf-8")
    accept(repo)
    written = (repo / "waivers.yaml").read_text(encoding="utf-8")
    assert written.startswith("\ufeff" + before)
    assert len(load_waivers(repo)) == 2
    assert sorted(one.name for one in repo.iterdir()) == [
        ".git", ".gitignore", "parts", "report.json", "rules", "waivers.yaml", "wallguard.yaml",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["ffffffffff", "--why", "x", "--until", UNTIL], "ffffffffff: there is no finding of this"),
        (["NAME", "--why", "x", "--until", "soon"], "--until soon: this is no day"),
        (["NAME", "--why", "x", "--until", "2001-01-01"], "this day is past"),
        (["NAME", "--why", "x", "--until", "2099-01-01"], "may run for 365 days at most"),
        (["NAME", "--why", "x", "--until", UNTIL, "--part", "no.stl"], "of this name in no.stl"),
        (["NAME", "--why", " ", "--until", UNTIL], "nothing but spaces"),
        (["NAME", "--why", "x", "--until", UNTIL, "--issue", "7"], "expected a link"),
        (["NAME", "--why", "x", "--until", UNTIL, "--report", "no.json"], "no.json: there is no"),
    ],
)
def test_what_cannot_be_waived_leaves_no_file(repo, capsys, words, problem):
    name = name_of(repo)
    assert main(["waive", *(name if word == "NAME" else word for word in words)]) == 2
    assert problem in capsys.readouterr().err
    assert not (repo / "waivers.yaml").exists()


def test_a_second_waiver_is_refused_with_the_line_of_the_first(repo, capsys):
    name = accept(repo)
    before = (repo / "waivers.yaml").read_bytes()
    assert main(["waive", name, "--why", "x", "--until", UNTIL]) == 2
    assert f"waivers.yaml:6: there is a waiver of {name} already" in capsys.readouterr().err
    assert (repo / "waivers.yaml").read_bytes() == before


def test_without_a_name_in_git_it_asks_for_one(repo, monkeypatch, tmp_path):
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", str(tmp_path / "nothing"))
    name = name_of(repo)
    assert main(["waive", name, "--why", "x", "--until", UNTIL]) == 2
    assert main(["waive", name, "--why", "x", "--until", UNTIL, "--who", "B"]) == 0
    assert load_waivers(repo)[0].who == "B"


def test_from_a_folder_inside_the_repository(repo, monkeypatch):
    name = name_of(repo)
    monkeypatch.chdir(repo / "parts")
    said = waive.run(waive.Named(name), why="x", until=UNTIL)
    assert said.startswith("waivers.yaml:6:")
    assert (repo / "waivers.yaml").is_file()


def test_a_name_that_several_parts_have_asks_for_the_part(repo, capsys):
    save(repo / "parts/copy.stl", OLD)
    name = name_of(repo)
    assert name_of(repo, "parts/copy.stl") == name
    (repo / "report.json").unlink()
    words = ["waive", name, "--why", "x", "--until", UNTIL]
    assert main(words) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "2 parts have a finding of this name: parts/copy.stl, parts/old.stl" in said
    assert main([*words, "--part", "parts/copy.stl"]) == 0
    assert load_waivers(repo)[0].part == "parts/copy.stl"
    assert main([*words, "--part", "parts/old.stl"]) == 0
    assert report(repo, "--all")[0] == 0


def grille(count):
    solid = box([60, 40, 2])
    for number in range(count):
        solid += box([1.5, 36, 8], [4 + 6 * number, 2, 2])
    return solid


def test_alike_findings_are_accepted_together_and_no_more_of_them(repo):
    save(repo / "parts/old.stl", grille(7))
    _, data = report(repo, "parts/old.stl")
    assert len(findings(data)) == 7
    (repo / "report.json").unlink()
    words = [findings(data)[0]["id"], "--why", "x", "--until", UNTIL]
    assert main(["waive", *words, "--alike"]) == 0
    (waiver,) = load_waivers(repo)
    assert (waiver.alike, waiver.place) == (7, None)
    assert report(repo, "--all")[0] == 0
    save(repo / "parts/old.stl", grille(9))
    code, data = report(repo, "--all")
    assert code == 1
    waived = [bool(one["waived"]) for part in data["parts"] for one in part["findings"]]
    assert sorted(waived) == [False] * 2 + [True] * 7
    save(repo / "parts/old.stl", grille(7).translate([20, 3, 0]).rotate([0, 0, 90]))
    assert report(repo, "--all")[0] == 0
