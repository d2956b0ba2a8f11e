"""`wallguard rehearse`: the example's invented update, held against the settings it was laid by."""

import json
import shutil
from pathlib import Path

import jsonschema
import pytest
from design_repository import commit, git
from junitparser import JUnitXml
from lxml import etree
from solids import box, save

import wallguard
from wallguard.commands.main import main
from wallguard.commands.schema import run as schema
from wallguard.findings.impact import Process
from wallguard.findings.rehearsal import Printer, Rehearsal
from wallguard.jobs.rehearse import Update, rehearse
from wallguard.reports.json_report import REHEARSAL
from wallguard.reports.rehearsal_console import text
from wallguard.sections import cut

EXAMPLE = Path(__file__).resolve().parents[1] / "example_repo"
BEFORE, AFTER = (EXAMPLE / f"toolpaths/coupon-{name}.gcode.gz" for name in ("before", "after"))
RULES = Path("rules/petg-0.4.yaml")
# What the update really changes, as `make_toolpaths.py` lays it: smallest_fill.
TRUE_FILL, WIDTH = 0.75, 0.52
XSD = Path(__file__).resolve().parents[2] / "shared/standards/JUnit.xsd"


@pytest.fixture
def repo(tmp_path, monkeypatch):
    """A design repository: a part that turns hollow, one that does not, and the coupon."""
    shutil.copytree(EXAMPLE / "rules", tmp_path / "rules")
    shutil.copytree(EXAMPLE / "coupon", tmp_path / "coupon")
    (tmp_path / "wallguard.yaml").write_text(
        f"wallguard: 1\nparts: [{{files: 'parts/*.stl', rules: {RULES}}}]\n"
    )
    save(tmp_path / "parts/hollow.stl", box([40, 1.7, 10]))
    save(tmp_path / "parts/good.stl", box([40, 2.2, 10]))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_an_update_is_held_back_where_a_part_gets_worse(repo, capsys):
    outputs = ["--json", "r.json", "--markdown", "r.md", "--junit", "r.xml", "--html", "r.html"]
    words = ["rehearse", str(RULES), "--toolpath", str(BEFORE), "--toolpath", str(AFTER)]
    # Names may stand behind options.
    words += ["--before", str(BEFORE), "--jobs", "1", "--no-cache"]
    assert main([*words, *outputs, "parts"]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "the rules describe all of its 20 walls" in told
    assert "HOLD BACK: 1 part to hold back: parts/hollow.stl" in told
    assert "-> draw 1.80-2.26 mm" in told
    data = json.loads(Path("r.json").read_text())
    jsonschema.Draft202012Validator(json.loads(schema("rehearsal"))).validate(data)
    assert (data["verdict"], data["hold_back"]) == ("hold back", ["parts/hollow.stl"])
    assert [row["kinds"] for row in data["matrix"]] == [["same", "same"], ["same", "worse"]]
    (printer,) = data["printers"]
    assert (printer["rules"]["rules"], printer["verdict"]) == (str(RULES), "hold back")
    same, changed = printer["toolpaths"]
    assert (same["otherwise"], same["edges"]) == ([], [])
    assert changed["otherwise"][0]["read"] == [1.7]
    # The true edges are where the rules' own are, moved by as much as the smallest filling is.
    assert [edge["before"] for edge in changed["edges"]] == [[1.62, 1.62], [2.66, 2.66]]
    for edge, beads in zip(changed["edges"], (2, 4), strict=True):
        low, high = edge["after"]
        assert low <= beads * WIDTH + TRUE_FILL <= high
    assert {each["key"] for each in changed["settings"] if each["moved"]} == {"smallest_fill"}
    text = Path("r.md").read_text()
    assert "**Hold the update back**" in text
    assert "**Instead:** draw 1.80-2.26 mm" in text
    assert "| `parts/hollow.stl` | = | ✗ **worse** |" in text
    page = Path("r.html").read_text()
    assert (
        page.index("Hold back")
        < page.index("<td>x worse</td>")
        < page.index("<b>Instead:</b> draw 1.80-2.26 mm")
    )
    suites = JUnitXml.fromfile("r.xml")
    # Whether to update; its gate, and its walls.
    assert sum(suite.failures for suite in suites) == 3
    if XSD.exists():
        etree.XMLSchema(etree.parse(XSD)).assertValid(etree.parse("r.xml"))
    read = REHEARSAL.read(Path("r.json").read_text(), "r.json")
    assert json.loads(REHEARSAL.text(read)) == data


def test_rules_that_do_not_describe_what_is_laid_today_are_told_before_anything(repo, capsys):
    text = RULES.read_text()
    RULES.write_text(text.replace("smallest_fill: 0.58", "smallest_fill: 0.75"))
    # By these rules 1.7 mm is hollow; both toolpaths fill it, so nothing gets better by the update.
    assert main(["rehearse", str(RULES), "--toolpath", str(BEFORE), "--before", str(BEFORE)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "the rules do NOT describe it: 2 of 20 walls come out otherwise" in told
    assert "1.70 mm along x: the rules say hollow, 1.70 mm thick, it lays solid" in told
    assert "BUT THE RULES DO NOT DESCRIBE WHAT IS LAID TODAY: 2 parts compared: 2 unchanged" in told


def test_a_toolpath_that_cannot_be_used_is_told(repo):
    Path("empty.gcode").write_text("G21\n")
    done = wallguard.rehearse(RULES, ["empty.gcode"], coupon="coupon")
    assert (done.exit_code, [one.path for one in done.every_trouble]) == (2, ["empty.gcode"])
    assert "NOT DONE: 1 file could not be used" in text(done)


def test_a_run_that_cannot_be_done_leaves_no_earlier_report_standing(repo, capsys):
    words = ["--toolpath", str(AFTER), "--json", "r.json", "--markdown", "r.md", "--junit", "r.xml"]
    assert main(["rehearse", "rules/none.yaml", *words]) == 2
    assert main(["rehearse", "rules/none.yaml", *words]) == 2  # they may be written over
    assert "NOT DONE: 1 file could not be used" in capsys.readouterr().out
    assert json.loads(Path("r.json").read_text())["verdict"] == "not done"
    assert "rules/none.yaml" in Path("r.md").read_text()
    assert "<error" in Path("r.xml").read_text()


@pytest.mark.parametrize(
    ("update", "said"),
    [
        (Update(RULES, (BEFORE,), before=(BEFORE, AFTER)), "2 toolpaths of before, but 1 of after"),
        (Update(RULES, ()), "no toolpath is named"),
        (Update(RULES, (Path("elsewhere/a.gcode"),)), "nothing says which coupon it makes"),
    ],
)
def test_what_cannot_be_asked_is_refused(repo, update, said):
    shutil.move("coupon", "another")
    with pytest.raises(wallguard.InputError, match=said):
        rehearse(update)


def test_a_rehearsal_of_no_toolpath_is_none():
    """No run ends so, but a file may say it."""
    for printers in ((), (Printer(Process("rules.yaml", "PETG"), "coupon", ()),)):
        none = Rehearsal(printers)
        assert (none.exit_code, none.verdict) == (2, "not done")


@pytest.fixture
def printers(repo):
    """Two printers with a part and a coupon each, and a third whose toolpath stays: all committed,
    then the toolpaths of two of them are those of a new release."""
    names = ("petg-0.4", "second", "third")
    parts, coupons = [], []
    for name, part in zip(names, ("hollow", "good", "good"), strict=True):
        if name != names[0]:
            shutil.copy(RULES, f"rules/{name}.yaml")
        shutil.copytree("coupon", f"coupons/{name}")
        shutil.copy(BEFORE, f"coupons/{name}/now.gcode.gz")
        parts.append(f"{{files: 'parts/{part}.stl', rules: rules/{name}.yaml}}")
        coupons.append(f"{{rules: rules/{name}.yaml, toolpath: coupons/{name}/now.gcode.gz}}")
    shutil.rmtree("coupon")
    Path("wallguard.yaml").write_text(
        f"wallguard: 1\nparts: [{', '.join(parts)}]\ncoupons: [{', '.join(coupons)}]\n"
    )
    git(repo, "init", "-q", "-b", "main")
    commit(repo)
    for name in names[:2]:
        shutil.copy(AFTER, f"coupons/{name}/now.gcode.gz")
    return repo


def test_every_printer_whose_toolpath_changed_is_rehearsed(printers, capsys):
    outputs = ["--json", "r.json", "--markdown", "r.md", "--junit", "r.xml", "--html", "r.html"]
    assert main(["rehearse", "--base", "main", "--jobs", "1", *outputs]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert (
        "hold back: rules/petg-0.4.yaml (Otto, PETG, 0.4 mm nozzle); 1 part to hold back: "
        "parts/hollow.stl may be rolled out, as far as walls go: rules/second.yaml" in told
    )
    assert "[1] coupons/petg-0.4/now.gcode.gz [2] coupons/second/now.gcode.gz" in told
    assert "x worse - parts/hollow.stl" in told
    assert "HOLD BACK: 1 part to hold back: parts/hollow.stl; 2 parts by 2 toolpaths of 2" in told
    assert "not rehearsed, since it is as it was: coupons/third/now.gcode.gz" in told
    data = json.loads(Path("r.json").read_text())
    jsonschema.Draft202012Validator(json.loads(schema("rehearsal"))).validate(data)
    assert [
        (printer["rules"]["rules"], printer["verdict"], printer["hold_back"])
        for printer in data["printers"]
    ] == [
        ("rules/petg-0.4.yaml", "hold back", ["parts/hollow.stl"]),
        ("rules/second.yaml", "no change", []),
    ]
    assert data["unchanged"] == ["coupons/third/now.gcode.gz"]
    # Each part is compared for the printer that it answers to.
    rows = {row["path"]: row["kinds"] for row in data["matrix"]}
    assert rows == {"parts/good.stl": [None, "same"], "parts/hollow.stl": ["worse", None]}
    before = [each["before"]["toolpath"] for each in data["printers"][0]["toolpaths"]]
    assert before == ["coupons/petg-0.4/now.gcode.gz at main"]
    text = Path("r.md").read_text()
    assert "| ✗ **hold back** | 1 part to hold back: `parts/hollow.stl` |" in text
    assert "`) | ✓ may be rolled out, as far as walls go |  |" in text
    page = Path("r.html").read_text()
    assert "<td>rules/second.yaml (Otto, PETG, 0.4 mm nozzle)</td>" in page
    cases = {
        suite.name: [(case.name, [type(each).__name__ for each in case.result]) for case in suite]
        for suite in JUnitXml.fromfile("r.xml")
    }
    assert cases["update (rules/petg-0.4.yaml)"] == [("update", ["Failure"])]
    assert cases["update (rules/second.yaml)"] == [("update", [])]
    assert cases["coupons/third/now.gcode.gz"] == [("read", ["Skipped"])]
    if XSD.exists():
        etree.XMLSchema(etree.parse(XSD)).assertValid(etree.parse("r.xml"))
    assert json.loads(REHEARSAL.text(REHEARSAL.read(Path("r.json").read_text(), "r"))) == data


def test_nothing_to_rehearse_is_said(printers, capsys):
    commit(printers)
    assert main(["rehearse"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert told.startswith("NO TOOLPATH CHANGED: not rehearsed, since they are as they were: coup")
    # A rule file that is named is rehearsed all the same.
    done = wallguard.rehearse_changed(["rules/third.yaml"])
    assert [(each.rules.rules, each.verdict) for each in done.printers] == [
        ("rules/third.yaml", "no change")
    ]


def test_what_one_printer_lacks_keeps_no_other_from_being_rehearsed(printers):
    Path("coupons/second/manifest.json").unlink()
    Path("coupons/third/now.gcode.gz").unlink()
    done = wallguard.rehearse_changed(base="main")
    assert [each.verdict for each in done.printers] == ["hold back", "not done", "not done"]
    assert done.exit_code == 2
    told = [Path(trouble.path).as_posix() for trouble in done.every_trouble]
    assert told == ["coupons/second/now.gcode.gz", "coupons/third/now.gcode.gz"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["rules/other.yaml"], "no toolpath of a coupon is named for it"),
        (["--base", "nowhere"], "git knows no such revision"),
        (["--before", "a.gcode"], "given, but no --toolpath"),
        (["--toolpath", "a.gcode"], "given for 0 rule files"),
    ],
)
def test_words_that_do_not_go_together_are_refused(printers, capsys, words, said):
    shutil.copy(RULES, "rules/other.yaml")
    assert main(["rehearse", *words]) == 2
    assert said in " ".join(capsys.readouterr().out.split())


def test_a_repository_that_keeps_no_toolpath_says_how_to(repo, capsys):
    assert main(["rehearse"]) == 2
    assert "Name them under `coupons`" in " ".join(capsys.readouterr().out.split())


def test_parts_are_measured_once_for_all_toolpaths_even_if_nothing_is_kept(repo, monkeypatch):
    cuts = []
    monkeypatch.setattr(cut, "cut", counted_calls(cut.cut, cuts))
    for toolpaths in ([AFTER], [AFTER, BEFORE]):
        cuts.clear()
        done = wallguard.rehearse(RULES, toolpaths, ["parts"])
        assert len(done.toolpaths) == len(toolpaths)
        assert len(cuts) == 2


def counted_calls(function, calls):
    def counting(*args, **kwargs):
        calls.append(args)
        return function(*args, **kwargs)

    return counting
