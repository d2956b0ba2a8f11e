"""The same jobs from Python."""

import subprocess
import sys

import pytest
from solids import box, save

import wallguard
from wallguard.commands.main import main

RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.5, smallest_fill: 0.575,
        spacing: width}
"""
REPOSITORY = """\
wallguard: 1
parts:
  - {files: "*.stl", rules: grey.yaml}
"""


@pytest.fixture
def repo(tmp_path, monkeypatch):
    (tmp_path / "grey.yaml").write_text(RULES)
    (tmp_path / "update.yaml").write_text(
        "wallguard: 1\nextends: grey.yaml\nbeads: {squeeze: 0.075}\n"
    )
    (tmp_path / "wallguard.yaml").write_text(REPOSITORY)
    save(tmp_path / "rib.stl", box([40, 1.5, 10]))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_one_part(repo):
    rules = wallguard.load_rules("update.yaml")
    part = wallguard.load_part("rib.stl", rules=rules)
    assert [one.fill for one in wallguard.check(part, rules).findings] == ["hollow"]
    assert [wall.fill for wall in wallguard.find_walls(part, rules)] == ["hollow"]
    assert [wall.fill for wall in wallguard.find_walls(part)] == [None]


def test_a_repository(repo, tmp_path_factory, monkeypatch, capsys):
    report = wallguard.check_repository()
    assert (report.exit_code, [part.path for part in report.parts]) == (0, ["rib.stl"])
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    asked = wallguard.Asked(rules=(repo / "update.yaml",), everything=True)
    report = wallguard.check_repository(asked, folder=repo)
    assert (report.exit_code, [part.status for part in report.parts]) == (1, ["failed"])
    with pytest.raises(wallguard.InputError):
        wallguard.check_repository()
    assert capsys.readouterr().out == ""


def test_two_processes(repo, capsys):
    impact = wallguard.compare("grey.yaml", "update.yaml")
    assert (impact.exit_code, impact.parts[0].direction) == (1, "worse")
    assert capsys.readouterr().out == ""
    assert main(["impact", "--from", "grey.yaml", "--to", "update.yaml"]) == 1


def test_a_model_at_every_reduction(repo, capsys):
    rules = wallguard.load_rules("grey.yaml")
    scales = wallguard.scale(wallguard.load_part("rib.stl"), rules, wanted=3)
    assert 3.0 in [one.factor for one in scales.reductions]
    assert scales.wanted == 3
    assert capsys.readouterr().out == ""


def test_a_toolpath(repo, capsys):
    (repo / "text.gcode").write_text("nothing that a machine reads\n")
    rules = wallguard.load_rules("grey.yaml")
    report = wallguard.verify("text.gcode", wallguard.load_part("rib.stl"), rules)
    assert (report.status, report.path) == ("error", "rib.stl")
    (repo / "resin.yaml").write_text(
        "wallguard: 1\nname: resin\nprocess: {category: vat photopolymerization}\n"
        "layer_height: 0.05\nbands: [{from: 0, fill: solid}]\n"
    )
    with pytest.raises(wallguard.InputError, match="lays no beads"):
        wallguard.verify(
            "text.gcode", wallguard.load_part("rib.stl"), wallguard.load_rules("resin.yaml")
        )
    assert capsys.readouterr().out == ""


def test_the_readings_of_a_coupon(repo):
    with pytest.raises(wallguard.InputError, match="no file of readings is given"):
        wallguard.fit([], "grey.yaml")
    rows = ["feature,axis,nominal,reading_1,reading_2,reading_3,fill,note"]
    rows += [f"wall,x,{t:.2f},{t:.2f},{t:.2f},{t:.2f},solid," for t in (0.6, 1.2, 1.8, 2.4)]
    (repo / "readings.csv").write_text("\n".join(rows) + "\n")
    try:
        fitted = wallguard.fit(["readings.csv"], "grey.yaml")
    except wallguard.InputError as error:
        assert "readings.csv" in str(error)
    else:
        assert fitted.rules.name


def test_everything_that_is_offered_is_there_and_costs_nothing_until_it_is_used():
    for name in wallguard.__all__:
        assert getattr(wallguard, name) is not None
    with pytest.raises(AttributeError):
        _ = wallguard.nothing
    code = "import sys, wallguard; print(sorted({'numpy', 'yaml'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
