"""`wallguard rehearse`: the example's invented update, held against the settings it was laid by."""

import json
import shutil
from pathlib import Path

import jsonschema
import pytest
from junitparser import JUnitXml
from lxml import etree
from solids import box, save

import wallguard
from wallguard.commands.main import main
from wallguard.commands.schema import run as schema
from wallguard.findings.impact import Process
from wallguard.findings.rehearsal import Rehearsal, verdict
from wallguard.jobs.rehearse import Update, rehearse
from wallguard.reports.json_report import REHEARSAL
from wallguard.reports.rehearsal_console import text

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
    assert "the rules describe all of its 10 walls" in told
    assert "HOLD BACK: 1 part to hold back: parts/hollow.stl" in told
    assert "-> draw ≥ 1.80 mm" in told
    data = json.loads(Path("r.json").read_text())
    jsonschema.Draft202012Validator(json.loads(schema("rehearsal"))).validate(data)
    assert (data["verdict"], data["hold_back"]) == ("hold back", ["parts/hollow.stl"])
    assert [row["kinds"] for row in data["matrix"]] == [["same", "same"], ["same", "worse"]]
    same, changed = data["toolpaths"]
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
    assert "**Instead:** draw ≥ 1.80 mm" in text
    assert "| `parts/hollow.stl` | = | ✗ **worse** |" in text
    page = Path("r.html").read_text()
    assert (
        page.index("Hold back")
        < page.index("<td>x worse</td>")
        < page.index("<b>Instead:</b> draw ≥ 1.80 mm")
    )
    suites = JUnitXml.fromfile("r.xml")
    assert sum(suite.failures for suite in suites) == 2  # its gate, and its walls
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
    assert "the rules do NOT describe it: 1 of 10 walls comes out otherwise" in told
    assert "1.70 mm along x: the rules say hollow, 1.70 mm thick, it lays solid" in told
    assert "BUT THE RULES DO NOT DESCRIBE WHAT IS LAID TODAY: 2 parts compared: 2 unchanged" in told


def test_a_toolpath_that_cannot_be_used_is_told(repo):
    Path("empty.gcode").write_text("G21\n")
    done = wallguard.rehearse(RULES, ["empty.gcode"], coupon="coupon")
    assert (done.exit_code, [one.path for one in done.troubles]) == (2, ["empty.gcode"])
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
    none = Rehearsal(Process("rules.yaml", "PETG"), "coupon", ())
    assert (none.exit_code, verdict(none)) == (2, "not done")
