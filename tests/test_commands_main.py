"""What the command line says, and with which exit code, where nothing goes as it should."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from design_repository import RULES
from solids import box, save

from wallguard.commands import main as command_line
from wallguard.commands.main import main

HOSTILE = "x\n::error::merge-it\x1b[31m"


@pytest.fixture
def work(tmp_path, monkeypatch) -> Path:
    """A folder with a part and a rule file, which is the working folder."""
    (tmp_path / "petg.yaml").write_text(RULES, encoding="utf-8")
    save(tmp_path / "box.stl", box([20, 20, 5]))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def corners(path: Path, triangles) -> None:
    """A binary STL of triangles (n, 3, 3)."""
    record = np.zeros(
        len(triangles), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]
    )
    record["corners"] = triangles
    path.write_bytes(bytes(80) + np.uint32(len(record)).tobytes() + record.tobytes())


def run(folder: Path, words: str, redirected: str) -> subprocess.CompletedProcess[str]:
    """wallguard under a shell that redirects its output."""
    root = Path(command_line.__file__).parents[2]
    return subprocess.run(
        ["/bin/sh", "-c", f"{sys.executable} -m wallguard {words} {redirected}"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("debug", [False, True])
def test_what_nobody_foresaw_is_one_line_and_2(work, monkeypatch, capsys, debug):
    def broken(*_, **__):
        raise RuntimeError("first\nsecond")

    monkeypatch.setattr("wallguard.commands.check.run", broken)
    assert main(["check", "box.stl", *(["--debug"] if debug else [])]) == 2
    said = capsys.readouterr().err
    assert ("Traceback" in said) == debug
    assert debug or said.count("\n") == 1
    assert "RuntimeError: first" in said


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("words", ["check box.stl --rules petg.yaml", "chart petg.yaml"])
def test_output_that_is_full_is_2_and_files_are_written(work, words):
    more = " --json walls.json" if words.startswith("check") else ""
    done = run(work, words + more, ">/dev/full")
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].startswith("wallguard: output cannot be written")
    assert "Traceback" not in done.stderr
    assert not more or (work / "walls.json").exists()


@pytest.mark.skipif(os.name == "nt", reason="no such shell")
@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-"])
def test_output_that_is_closed_changes_no_exit_code(work, closed):
    done = run(work, "check box.stl --rules petg.yaml --json walls.json", closed)
    assert done.returncode == 0, done.stderr
    assert (work / "walls.json").read_text(encoding="utf-8").startswith("{")


@pytest.mark.parametrize(
    "words",
    [
        ["chart", f"{HOSTILE}.yaml"],
        ["check", "box.stl", "--rules", f"{HOSTILE}.yaml"],
        ["check", f"{HOSTILE}.stl", "--rules", "petg.yaml"],
        ["walls", f"{HOSTILE}.stl", "--rules", "petg.yaml"],
        ["check", f"--no-such-option{HOSTILE}"],
    ],
)
def test_a_name_begins_no_line_and_brings_no_escape(work, capsys, words):
    try:
        assert main(words) == 2
    except SystemExit as end:
        assert end.code == 2
    shown = "".join(capsys.readouterr())
    assert "merge-it" in shown
    assert "\x1b" not in shown
    assert not [line for line in shown.splitlines() if line.lstrip().startswith("::")]


@pytest.mark.skipif(os.name == "nt", reason="no such names")
def test_the_chart_of_a_rule_file_with_such_a_name(work, capsys):
    (work / f"{HOSTILE}.yaml").write_text(RULES, encoding="utf-8")
    assert main(["chart", f"{HOSTILE}.yaml"]) == 0
    shown = capsys.readouterr().out
    assert "\x1b" not in shown
    assert not [line for line in shown.splitlines() if line.startswith("::")]


def test_triangles_without_area_and_faces_back_to_back_fail(work, capsys):
    flat = np.zeros((12, 3, 3))
    flat[:, 1, 0], flat[:, 2, 0] = 10, 5
    flat[:, :, 2] = np.arange(12)[:, None]
    same = np.repeat(np.arange(12.0), 9).reshape(12, 3, 3)
    back = np.array([[[0, 0, 0], [10, 0, 0], [0, 10, 10]], [[0, 0, 0], [0, 10, 10], [10, 0, 0]]])
    for triangles in (flat, same, back):
        corners(work / "nothing.stl", triangles)
        assert main(["check", "nothing.stl", "--rules", "petg.yaml"]) == 1
        assert "enclose no volume" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "near"),
    [
        (["chekc"], "The nearest is check"),
        (["library", "updat"], "The nearest is update"),
        (["check", "--unit", "inches", "a.stl"], "The nearest is inch"),
        (["check", "--up", "z", "a.stl"], ""),  # either of two
        (["xyz"], ""),
    ],
)
def test_a_word_that_was_mistyped_leads_to_the_one_that_was_meant(capsys, words, near):
    with pytest.raises(SystemExit):
        main(words)
    first = capsys.readouterr().err.splitlines()[0]
    assert first.endswith(f"). {near}" if near else ")")


def test_a_word_that_a_command_does_not_know_leads_to_that_commands_help(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["coupon", "make", "petg.yaml", "-o", "folder", "--rules", "x.yaml"])
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert said.splitlines()[0] == "wallguard: unrecognized arguments: --rules x.yaml"
    assert said.splitlines()[1] == "Try: wallguard coupon make --help"
