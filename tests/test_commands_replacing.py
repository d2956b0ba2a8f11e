"""No output replaces what the same command reads, or what wallguard did not write."""

import importlib.util
import os
from pathlib import Path

import pytest
from design_repository import RULES
from solids import box, save
from test_commands_toolpath import folder as toolpaths

from wallguard.base.errors import InputError
from wallguard.commands.main import main
from wallguard.commands.replacing import refuse_inputs
from wallguard.drawings import kinds

__all__ = ["toolpaths"]  # a fixture that this file shares
FOREIGN = b"<svg xmlns='http://www.w3.org/2000/svg'/>\n"
RENDERER = importlib.util.find_spec("resvg_py") is not None


@pytest.fixture
def work(tmp_path, monkeypatch) -> Path:
    """A folder with a part of one hollow wall and its rules, which is the working folder."""
    (tmp_path / "petg.yaml").write_text(RULES, encoding="utf-8")
    save(tmp_path / "bar.stl", box([40, 1.5, 10]))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def told(capsys) -> str:
    return " ".join(capsys.readouterr().err.split())


def held(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_pictures_replace_earlier_ones_and_no_other_file(work, capsys):
    words = ["check", "bar.stl", "--rules", "petg.yaml", "--pictures", "pictures"]
    assert main(words) == 1
    first = held(work / "pictures")
    assert first
    assert main(words) == 1
    assert held(work / "pictures") == first
    for name, content in first.items():
        # What somebody drew under the same name; the other pictures are written all the same.
        (work / "pictures" / name).write_bytes(FOREIGN)
        others = [other for other in first if other != name]
        for other in others:
            (work / "pictures" / other).unlink()
        capsys.readouterr()
        assert main(words) == 2
        assert "--pictures would write over a file that is no earlier output" in told(capsys)
        assert held(work / "pictures") == {**first, name: FOREIGN}
        (work / "pictures" / name).write_bytes(content)


def test_pictures_of_toolpaths_too(toolpaths, capsys):
    words = ["toolpath", "hollow.gcode", "--part", "bar.stl", "--pictures", "pictures"]
    assert main(words) in (0, 1)
    first = held(toolpaths / "pictures")
    assert main(words) in (0, 1)
    name = min(first)
    (toolpaths / "pictures" / name).write_bytes(FOREIGN)
    assert main(words) == 2
    assert held(toolpaths / "pictures") == {**first, name: FOREIGN}
    (toolpaths / "place").write_bytes(b"mine")
    assert main([*words[:-1], "place"]) == 2
    assert (toolpaths / "place").read_bytes() == b"mine"


@pytest.mark.parametrize("option", ["--svg", "--markdown", *(["--png"] if RENDERER else [])])
def test_a_chart(work, capsys, option):
    name = f"chart{option.replace('--', '.')}"
    for _ in range(2):
        assert main(["chart", "petg.yaml", option, name]) == 0
    chart = (work / name).read_bytes()
    for content in (FOREIGN, b"\x89PNG\r\n\x1a\n and more", b"# Mine\n", chart[:10]):
        (work / name).write_bytes(content)
        assert main(["chart", "petg.yaml", option, name]) == 2
        assert (work / name).read_bytes() == content
    assert main(["chart", "petg.yaml", option, "bar.stl"]) == 2
    (work / "rules").write_text(RULES)
    assert main(["chart", "rules", option, "rules"]) == 2
    assert (work / "rules").read_text() == RULES
    assert main(["chart", "petg.yaml", "--svg", "a.svg", "--markdown", "./a.svg"]) == 2
    assert not (work / "a.svg").exists()


@pytest.mark.parametrize("how", [["--dry-run", "--output", "c.md"], ["--output", "c.md"], []])
def test_a_comment(work, monkeypatch, capsys, how):
    for name in [name for name in os.environ if name.startswith(("CI", "GITHUB", "GITLAB"))]:
        monkeypatch.delenv(name)
    main(["check", "bar.stl", "--rules", "petg.yaml", "--json", "walls.json"])
    report = (work / "walls.json").read_bytes()
    words = ["comment", "walls.json", "--forge", "github", "--repository", "a/b"]
    words += ["--pull-request", "1"]
    file = work / (how[-1] if how else "walls-comment.md")
    for _ in range(2):
        assert main([*words, *how]) == 0
        assert file.read_text().startswith("<!-- wallguard comment: ")
    for content in (b"# Mine\n", report):
        file.write_bytes(content)
        capsys.readouterr()
        assert main([*words, *how]) == 2
        assert "no earlier output of the kind" in told(capsys)
        assert file.read_bytes() == content
    for name in ("walls.json", "petg.yaml", "bar.stl"):
        before = (work / name).read_bytes()
        assert main([*words, "--dry-run", "--output", name]) == 2
        assert (work / name).read_bytes() == before


def test_no_report_replaces_an_input_whatever_it_is_called(work, capsys):
    (work / "rules").write_text(RULES)
    (work / "link").symlink_to("rules")
    (work / "empty").touch()
    for rules, output in (("rules", "rules"), ("link", "rules"), ("link", "link")):
        assert main(["check", "bar.stl", "--rules", rules, "--json", output]) == 2
        assert "read by the same command" in told(capsys)
        assert (work / "rules").read_text() == RULES
        assert (work / "link").is_symlink()
    assert main(["check", "bar.stl", "--rules", "empty", "--json", "./empty"]) == 2
    assert "read by the same command" in told(capsys)


def test_two_reports_in_one_file(work, capsys):
    words = ["check", "bar.stl", "--rules", "petg.yaml", "--json", "out", "--markdown", "./out"]
    assert main(words) == 2
    assert "two outputs of the same command" in told(capsys)
    assert not (work / "out").exists()
    if Path(os.devnull).exists():
        refuse_inputs([Path(os.devnull), Path(os.devnull)], [])


def test_a_chart_is_no_picture_of_a_finding():
    def begins(kind):
        return f"<svg xmlns='x'>\n<!-- {kinds.mark(kind)} -->\n"

    for kind in (kinds.CHART, kinds.FIT, kinds.PLACE, kinds.TOOLPATH):
        others = [begins(other) for other in (kinds.CHART, kinds.PLACE) if other != kind]
        assert kinds.is_drawn(kind, begins(kind))
        assert not any(kinds.is_drawn(kind, each) for each in others)
    with pytest.raises(InputError, match="read by the same"):
        refuse_inputs([Path("a")], [Path("a")])
