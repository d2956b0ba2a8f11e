"""`check --pictures DIR --html FILE`: what is written, linked, said where an extra is missing."""

from dataclasses import replace
from importlib import util

import pytest
from report_samples import finding
from solids import box, save
from view_samples import report

from wallguard.base.errors import InputError
from wallguard.commands import publish
from wallguard.commands.main import main
from wallguard.findings.model import Report
from wallguard.reports.pictures import links

RULES = """\
wallguard: 1
name: PETG
process:
  category: material extrusion
layer_height: 0.2
beads:
  width: 0.575
  contours: 2
  smallest_wall: 0.5
  squeeze: 0.075
  smallest_fill: 0.575
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    save(tmp_path / "parts" / "rib.stl", box([40, 1.5, 10]))
    (tmp_path / "rules.yaml").write_text(RULES)
    (tmp_path / "wallguard.yaml").write_text(
        "wallguard: 1\nparts:\n  - files: parts/*.stl\n    rules: rules.yaml\n"
    )
    monkeypatch.chdir(tmp_path)
    return tmp_path


def without(monkeypatch, *names):
    found = util.find_spec
    monkeypatch.setattr(
        util, "find_spec", lambda name, *more: None if name in names else found(name, *more)
    )


def test_pictures_are_written_and_linked_from_the_markdown(folder):
    (folder / "out").mkdir()
    assert main(["check", "--all", "--pictures", "out/pic (1)", "--markdown", "out/w.md"]) == 1
    written = sorted(path.name for path in (folder / "out/pic (1)").iterdir())
    (name,) = [one for one in written if one.endswith(".svg")]
    assert written == [name.replace("svg", "png"), name]
    text = (folder / "out/w.md").read_text()
    assert f"[Picture](pic%20%281%29/{name.replace('svg', 'png')})" in text


def test_without_the_renderer_pictures_are_svg_and_it_says_how_to_get_png(
    folder, monkeypatch, capsys
):
    without(monkeypatch, "resvg_py")
    assert main(["check", "--all", "--pictures", "pictures", "--markdown", "w.md"]) == 1
    assert [path.suffix for path in (folder / "pictures").iterdir()] == [".svg"]
    assert 'pip install ".[pictures]"' in capsys.readouterr().err
    assert ".svg)" in (folder / "w.md").read_text()


def test_a_folder_that_cannot_be_made_is_said_before_anything_is_checked(folder):
    (folder / "file").write_text("")
    with pytest.raises(InputError, match="Name another folder"):
        publish.ready(publish.Outputs(pictures=folder / "file"), "check")


def test_the_page_and_the_pictures_are_the_same_with_any_number_of_jobs(folder):
    save(folder / "parts" / "other.stl", box([30, 0.3, 10]))
    pages = []
    for jobs in ("1", "2"):
        arguments = ["check", "--all", "--html", f"{jobs}.html", "--pictures", f"p{jobs}"]
        assert main([*arguments, "--jobs", jobs]) == 1
        lines = (folder / f"{jobs}.html").read_text("utf-8").splitlines()
        pages.append([line for line in lines if " UTC</p>" not in line])
    assert pages[0] == pages[1]
    one, two = (sorted((folder / name).iterdir()) for name in ("p1", "p2"))
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]


def test_only_findings_with_a_picture_are_linked(tmp_path):
    part = report(box([40, 1.5, 10]))
    bare = finding(id="nothing")
    whole = Report(parts=(replace(part, findings=(*part.findings, bare)),))
    found = links(whole, tmp_path / "p", tmp_path / "w.md")
    assert list(found) == [(part.path, part.rules, part.findings[0].id)]
