"""`wallguard impact` from the outside: what it compares, prints, writes, and how it ends."""

import json
import re
from pathlib import Path

import jsonschema
import pytest
from junitparser import Failure, JUnitXml
from lxml import etree
from solids import box, save

from wallguard.base.errors import InputError
from wallguard.commands.impact import show
from wallguard.commands.main import main
from wallguard.commands.publish import Outputs
from wallguard.jobs.choose import How
from wallguard.jobs.impact import Processes, impact
from wallguard.reports.json_report import IMPACT

BEADS = (
    "beads: {width: %s, contours: 2, smallest_wall: 0.5, squeeze: %s, smallest_fill: %s, "
    "spacing: width, edge_uncertainty: 0}"
)
RULES = f"""\
wallguard: 1
name: bench printer, grey
process: {{category: material extrusion}}
layer_height: 0.2
{BEADS % (0.575, 0.5, 0.575)}
minimum: {{gap: {{fail: 0.2}}}}
"""
# The update leaves gaps unfilled from 1.23 to 1.72 mm and asks for wider gaps between parts.
UPDATE = """\
wallguard: 1
extends: grey.yaml
name: bench printer, grey, after the update
beads: {squeeze: 0.075}
minimum: {gap: {fail: 0.4}}
"""
REPOSITORY = """\
wallguard: 1
parts:
  - {files: "parts/*.stl", rules: rules/grey.yaml}
  - {files: "parts/lying.stl", rules: rules/grey.yaml, up: +y}
  - {files: "others/*.stl", rules: rules/other.yaml}
exclude: ["parts/old/**"]
"""


@pytest.fixture
def repo(tmp_path, monkeypatch):
    """A design repository with a part that turns hollow, one that does not, and others."""
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules/grey.yaml").write_text(RULES)
    (tmp_path / "rules/other.yaml").write_text(RULES)
    (tmp_path / "rules/update.yaml").write_text(UPDATE)
    (tmp_path / "wallguard.yaml").write_text(REPOSITORY)
    save(tmp_path / "parts/good.stl", box([40, 2.0, 10]))
    save(tmp_path / "parts/hollow.stl", box([40, 1.5, 10]))
    save(tmp_path / "parts/gap.stl", box([20, 2, 10]) + box([20, 2, 10], [0, 2.3, 0]))
    save(tmp_path / "parts/lying.stl", box([40, 10, 1.5]))
    save(tmp_path / "parts/old/hollow.stl", box([40, 1.5, 10]))
    save(tmp_path / "others/hollow.stl", box([40, 1.5, 10]))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(old, new, paths=(), *, outputs=None, **options):
    """Exit code of a run."""
    return show(impact(Processes(old, new), paths, **options), outputs or Outputs())


OLD, NEW = Path("rules/grey.yaml"), Path("rules/update.yaml")


def compared(*paths, old=OLD, new=NEW, **options):
    """Exit code and the JSON of a run."""
    outputs = Outputs(json=Path("impact.json"))
    code = run(old, new, [Path(path) for path in paths], outputs=outputs, **options)
    data = json.loads(Path("impact.json").read_text())
    jsonschema.validate(data, IMPACT.schema())
    return code, data


def results(data):
    return {part["path"]: (part["result"], part["before"], part["after"]) for part in data["parts"]}


def test_an_update_that_turns_1_5_mm_hollow(repo, capsys):
    code, data = compared()
    assert code == 1
    assert results(data) == {
        "parts/gap.stl": ("worse", "passed", "failed"),
        "parts/good.stl": ("same", "passed", "passed"),
        "parts/hollow.stl": ("worse", "passed", "failed"),
        # As it is printed for these rules: on its edge, so that 1.5 mm is a wall of it.
        "parts/lying.stl": ("worse", "passed", "failed"),
    }
    assert data["left_out"] == ["others/hollow.stl"]
    hollow = next(part for part in data["parts"] if part["path"] == "parts/hollow.stl")
    (change,) = hollow["changes"]
    assert change["before"] == {
        "verdict": "solid",
        "level": "good",
        "printed": {"value": 1.5, "uncertainty": 0.05},
        "air": 0.0,
    }
    assert (change["after"]["verdict"], change["after"]["level"]) == ("hollow", "fail")
    assert change["after"]["air"] == pytest.approx(0.35)
    assert change["advice"] == "draw 1.05-1.22 or 1.73-2.37 mm"
    assert change["location"] == pytest.approx([20, 0.75, 5], abs=0.6)
    gap = next(part for part in data["parts"] if part["path"] == "parts/gap.stl")
    assert [finding["check"] for finding in gap["appeared"]] == ["gap"]
    assert data["summary"] == {
        "parts": 4,
        "worse": 3,
        "better": 0,
        "other": 0,
        "same": 1,
        "errors": 0,
        "starts_failing": 3,
        "stops_failing": 0,
        "walls": {"worse": 2, "other": 0, "better": 0},
        "left_out": 1,
        "troubles": 0,
    }
    said = capsys.readouterr().out
    assert "x starts failing  parts/hollow.stl  (passed -> failed)" in said
    assert "worse   solid -> hollow  2 walls in 2 parts" in said
    assert "now fail (gap): gap 0.30 mm wide" in said
    assert said.splitlines()[-3].startswith("WORSE: 4 parts compared: 3 worse, 1 unchanged")


def test_the_way_back_is_better(repo, capsys):
    code, data = compared(old=NEW, new=OLD)
    assert code == 0
    assert results(data)["parts/hollow.stl"] == ("better", "failed", "passed")
    said = " ".join(capsys.readouterr().out.split())
    assert "+ stops failing parts/hollow.stl (failed -> passed)" in said
    assert "NOT WORSE: 4 parts compared: 3 better, 1 unchanged; 3 stop failing" in said


def test_the_same_rules_change_nothing(repo, capsys):
    code, data = compared(new=OLD)
    assert code == 0
    assert {part["result"] for part in data["parts"]} == {"same"}
    assert "NO CHANGE: 4 parts compared: 4 unchanged" in capsys.readouterr().out


def test_all_takes_the_other_parts_too_but_not_excluded_ones(repo):
    _, data = compared(everything=True)
    assert "others/hollow.stl" in results(data)
    assert "parts/old/hollow.stl" not in results(data)
    assert data["left_out"] == []


def test_rules_that_no_part_answers_to_are_compared_over_all_parts(repo):
    (repo / "rules/third.yaml").write_text(RULES)
    _, data = compared(old=Path("rules/third.yaml"))
    assert set(results(data)) == {
        "others/hollow.stl",
        "parts/gap.stl",
        "parts/good.stl",
        "parts/hollow.stl",
        "parts/lying.stl",
    }


def test_a_repository_without_wallguard_yaml(repo):
    (repo / "wallguard.yaml").unlink()
    code, data = compared("parts/hollow.stl", "parts/lying.stl")
    assert code == 1
    assert results(data)["parts/hollow.stl"] == ("worse", "passed", "failed")
    assert results(data)["parts/lying.stl"][0] == "same"


def test_paths_name_parts_and_folders(repo, tmp_path_factory):
    assert set(results(compared("parts/hollow.stl")[1])) == {"parts/hollow.stl"}
    assert set(results(compared("others")[1])) == {"others/hollow.stl"}
    outside = tmp_path_factory.mktemp("outside") / "outside.stl"
    save(outside, box([40, 1.5, 10]))
    assert results(compared(outside)[1]) == {str(outside): ("worse", "passed", "failed")}


def test_what_cannot_be_compared_is_said_and_the_rest_is_done(repo, capsys):
    (repo / "parts/broken.stl").write_text("solid nothing\n")
    code, data = compared("parts/broken.stl", "parts/hollow.stl", "parts/none.stl", "README.txt")
    assert code == 2
    assert results(data)["parts/hollow.stl"][0] == "worse"
    assert results(data)["parts/broken.stl"] == ("error", "error", "error")
    assert {trouble["path"] for trouble in data["troubles"]} == {"parts/none.stl", "README.txt"}
    said = capsys.readouterr().out
    assert "NOT DONE: 1 part and 2 files could not be compared" in said
    assert "Traceback" not in said


@pytest.mark.parametrize(("which", "name"), [("old", "none.yaml"), ("new", "bad.yaml")])
def test_rules_that_cannot_be_used_stop_everything(repo, which, name):
    (repo / "bad.yaml").write_text("wallguard: 1\nname: [\n")
    with pytest.raises(InputError, match=re.escape(name)):
        compared(**{which: Path(name)})
    assert not (repo / "impact.json").exists()


def test_an_impact_that_cannot_be_done_leaves_no_earlier_report_standing(repo, capsys):
    words = ["--from", str(OLD), "--json", "i.json", "--markdown", "i.md", "--junit", "i.xml"]
    assert main(["impact", *words, "--to", str(NEW)]) == 1
    assert main(["impact", *words, "--to", "none.yaml"]) == 2
    assert "NOT DONE: 1 file could not be compared" in capsys.readouterr().out
    data = json.loads(Path("i.json").read_text())
    assert (data["parts"], [each["path"] for each in data["troubles"]]) == ([], ["none.yaml"])
    assert "none.yaml" in Path("i.md").read_text()
    assert "<error" in Path("i.xml").read_text()


def written(jobs):
    """All reports of one run, without times."""
    outputs = Outputs(junit=Path("i.xml"), markdown=Path("i.md"), json=Path("i.json"))
    run(OLD, NEW, outputs=outputs, how=How(jobs))
    texts = [Path(name).read_text() for name in ("i.xml", "i.md", "i.json")]
    return [
        re.sub(r'time(stamp)?="[^"]*"|"(seconds|started)": [^,\n]*', "", text) for text in texts
    ]


def test_the_reports_do_not_depend_on_jobs(repo, capsys):
    one = written(1)
    said = capsys.readouterr().out
    assert written(2) == one
    assert capsys.readouterr().out == said


def test_junit_is_valid_and_what_gets_worse_fails(repo, junit_schema):
    outputs = Outputs(junit=Path("i.xml"))
    (repo / "parts/broken.stl").write_text("solid nothing\n")
    assert run(OLD, NEW, outputs=outputs) == 2
    junit_schema.assertValid(etree.parse("i.xml"))
    suites = {suite.name.split(" ")[0]: suite for suite in JUnitXml.fromfile("i.xml")}
    failed = {
        path: [case.name for case in suite for result in case.result if type(result) is Failure]
        for path, suite in suites.items()
    }
    assert failed == {
        "parts/broken.stl": [],
        "parts/gap.stl": ["gate", "findings"],
        "parts/good.stl": [],
        "parts/hollow.stl": ["gate", "walls"],
        "parts/lying.stl": ["gate", "walls"],
        "others/hollow.stl": [],
    }
    assert suites["parts/broken.stl"].errors == 1
    assert suites["others/hollow.stl"].skipped == 1
    walls = [case for case in suites["parts/hollow.stl"] if case.name == "walls"]
    assert "instead: draw 1.05-1.22 or 1.73-2.37 mm" in walls[0].result[0].text


def test_markdown_says_the_verdict_first(repo):
    outputs = Outputs(markdown=Path("i.md"))
    run(OLD, NEW, outputs=outputs)
    lines = Path("i.md").read_text().splitlines()
    assert lines[0] == (
        "**Something gets worse**: 4 parts compared: 3 worse, 1 unchanged; 3 start failing; "
        "walls: 2 worse; 1 part left out."
    )
    row = "| `parts/hollow.stl` | ✗ **starts failing** | passed | failed | 1 of 1 wall worse |"
    assert row in lines
    assert "| worse | solid | hollow | 2 | 2 |" in lines
    assert "| passed | failed | no wall changes; 1 new finding |" in "\n".join(lines)
    (item,) = (line for line in lines if line.startswith("- **worse** `parts/hollow.stl`"))
    assert item.endswith("<br>**Instead:** draw 1.05-1.22 or 1.73-2.37 mm")
    assert "- **now fail** `parts/gap.stl` (gap)<br>gap 0.30 mm wide" in "\n".join(lines)


def test_other_layers_are_spoken_of(repo, capsys):
    (repo / "rules/update.yaml").write_text(UPDATE + "layer_height: 0.3\n")
    code, data = compared()
    assert code == 1
    assert "each part was measured twice" in data["notes"][0]
    assert "layers of 0.2 mm before and 0.3 mm after" in " ".join(capsys.readouterr().out.split())


XS = """\
wallguard: 1
extends: %s
name: bench printer, grey, for the small ones
minimum: {wall: {fail: 0.6}}
"""


def test_a_part_whose_rules_extend_the_old_ones_is_compared_under_its_own(repo, capsys):
    """What the parts of `others` answer to is made of the process that changes."""
    (repo / "rules/base.yaml").write_text("wallguard: 1\nextends: grey.yaml\n")
    (repo / "rules/other.yaml").write_text(XS % "base.yaml")
    save(repo / "others/thin.stl", box([40, 0.55, 10]) + box([10, 10, 10], [0, 10, 0]))
    _, data = compared()
    assert results(data)["others/hollow.stl"] == ("worse", "passed", "failed")
    # Under its own minimum, before as after.
    assert results(data)["others/thin.stl"][1:] == ("failed", "failed")
    assert data["left_out"] == []
    (note,) = data["notes"]
    assert note == (
        "2 parts compared under rules of the part's own (rules/other.yaml), which extend "
        "rules/grey.yaml: with rules/update.yaml in its place."
    )
    own = {part.path: part.rules for part in impact(Processes(OLD, NEW)).parts}
    assert own["others/hollow.stl"] == "rules/other.yaml"
    assert own["parts/hollow.stl"] == ""


def test_new_rules_from_elsewhere_take_the_place_too(repo, tmp_path_factory):
    update = tmp_path_factory.mktemp("elsewhere") / "new.yaml"
    update.write_text(RULES.replace("squeeze: 0.5", "squeeze: 0.075"))
    (repo / "rules/other.yaml").write_text(XS % "grey.yaml")
    _, data = compared(new=update)
    assert results(data)["others/hollow.stl"] == ("worse", "passed", "failed")


def test_rules_that_make_no_sense_with_the_new_ones_are_told(repo):
    (repo / "rules/other.yaml").write_text(XS % "grey.yaml")
    # A circle: it would extend what extends it.
    (repo / "rules/update.yaml").write_text(UPDATE.replace("grey.yaml", "other.yaml"))
    code, data = compared()
    assert code == 2
    (trouble,) = data["troubles"]
    assert trouble["path"] == "rules/other.yaml"
    assert "with rules/update.yaml in the place of rules/grey.yaml" in trouble["message"]


def test_impact_asks_the_nearest_file_above_a_part(repo, monkeypatch):
    (repo / "hardware/parts").mkdir(parents=True)
    (repo / "hardware/wallguard.yaml").write_text(
        "wallguard: 1\nparts: [{files: 'parts/*.stl', rules: grey.yaml, up: +y}]\n"
    )
    (repo / "hardware/grey.yaml").write_text(RULES)
    (repo / "hardware/update.yaml").write_text(UPDATE)
    save(repo / "hardware/parts/lying.stl", box([40, 10, 1.5]))
    _, data = compared(old=Path("hardware/grey.yaml"), new=Path("hardware/update.yaml"))
    assert results(data) == {"hardware/parts/lying.stl": ("worse", "passed", "failed")}
