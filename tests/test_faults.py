"""What happens when something breaks: every row of the table of faults in DEVELOPERS.md.

A test takes exit code and message from the row that names it (`row`), so that table and program
cannot say different things. Rows whose test is in another file name it, and it is looked for.
"""

from __future__ import annotations

import ast
import errno
import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import pytest
from design_repository import CONFIG, RULES, Work, design_repository, stl
from hostile import HOSTILE
from test_jobs_workers import running

from wallguard.commands.main import main

HERE = Path(__file__).resolve()
TABLE = HERE.parents[1] / "DEVELOPERS.md"
linux = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="asks Linux what runs")
posix = pytest.mark.skipif(os.name == "nt", reason="a POSIX system's")


@dataclass(frozen=True)
class Row:
    """A row of the table: the fault, the exit code (a word where there are several), what is said,
    and the test."""

    fault: str
    code: str
    said: str
    test: str


def rows() -> list[Row]:
    """The table under "What happens when something breaks"."""
    text = TABLE.read_text(encoding="utf-8")
    table = text.partition("## What happens when something breaks")[2].partition("\n## ")[0]
    lines = [line for line in table.splitlines() if line.startswith("| ")][1:]
    return [Row(*(cell.strip() for cell in line.strip("| ").split(" | "))) for line in lines]


@pytest.fixture
def row(request) -> Row:
    """The row that names this test, with what is said in plain text."""
    (mine,) = [each for each in rows() if each.test == f"`{request.node.originalname}`"]
    return Row(mine.fault, mine.code, mine.said.strip("`").replace("…", ""), mine.test)


@pytest.fixture
def work(tmp_path, monkeypatch) -> Work:
    """A repository with a part that passes and one that fails, which is the working folder."""
    made = design_repository(tmp_path, monkeypatch)
    made.write("wallguard.yaml", CONFIG)
    made.write("rules/petg.yaml", RULES)
    stl(made.root / "bad.stl", 1.5)
    for command in (("add", "."), ("commit", "-qm", "parts")):
        subprocess.run(["git", *command], cwd=made.root, check=True, capture_output=True)
    monkeypatch.chdir(made.root)
    return made


def held(row: Row, code: int, shown: str) -> None:
    """A run ended as its row says."""
    assert str(code) in row.code.split(" or "), shown
    assert row.said in " ".join(shown.split())
    assert "Traceback" not in shown


def told(capsys) -> str:
    both = capsys.readouterr()
    return both.out + both.err


def wallguard(*words: str, **more) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "wallguard", *words]
    env = {**os.environ, "PYTHONPATH": str(HERE.parents[1]), **more.pop("env", {})}
    return subprocess.run(command, env=env, capture_output=True, text=True, check=False, **more)


def leftovers(folder: Path) -> list[str]:
    return [file.name for file in folder.rglob(".wallguard-*")]


# The table


def test_every_row_names_a_test_that_there_is():
    found = rows()
    assert len(found) > 25
    source = {path.name: path.read_text(encoding="utf-8") for path in HERE.parent.glob("test_*.py")}
    tests = {
        name: {node.name for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)}
        for name, text in source.items()
    }
    files = sorted((HERE.parents[1] / "wallguard").rglob("*.py"))
    house = "".join(path.read_text(encoding="utf-8") for path in files)
    for each in found:
        name = each.test.strip("`")
        file, _, function = name.rpartition("::")
        assert function in tests[file or HERE.name], each
        assert re.fullmatch(r"\S+( or \S+)*", each.code), each
        if file and each.said != "nothing":
            # The words are those of the program, or of what the test wants of it.
            assert each.said.strip("`") in source[file] + house, each
    mine = {name for name in tests[HERE.name] if "row" in _takes(name)}
    assert mine == {each.test.strip("`") for each in found if "::" not in each.test}


def _takes(name: str) -> set[str]:
    tree = ast.parse(HERE.read_text(encoding="utf-8"))
    (function,) = [
        node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name == name
    ]
    takes = {each.arg for each in function.args.args}
    return takes if name.startswith("test_") else set()


# Writing


@pytest.mark.parametrize("at", [1, 2, 3])
def test_the_disk_is_full(work, row, monkeypatch, capsys, at):
    """At the first report, in the middle and at the last."""
    names = ["w.xml", "w.md", "w.json"]
    for name in names:
        (work.root / name).write_text("")
    count = iter(range(1, 9))

    def full(_: int) -> None:
        if next(count) == at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    code = main(["check", "--all", "--junit", "w.xml", "--markdown", "w.md", "--json", "w.json"])
    held(row, code, told(capsys))
    sizes = [bool((work.root / name).stat().st_size) for name in names]
    assert sizes == [number != at for number in (1, 2, 3)]
    assert not leftovers(work.root)


@pytest.mark.skipif(not Path("/sys/kernel").exists(), reason="no folder that nobody writes to")
def test_the_folder_is_read_only(work, row, capsys):
    code = main(["check", "--all", "--json", "/sys/kernel/walls.json", "--markdown", "w.md"])
    held(row, code, told(capsys))
    assert "FAILED" not in (work.root / "w.md").read_text()
    assert "Do not merge" in (work.root / "w.md").read_text()


def test_the_output_is_a_folder(work, row, capsys):
    (work.root / "out").mkdir()
    code = main(["check", "--all", "--json", "out", "--markdown", "w.md"])
    held(row, code, told(capsys))
    assert "Do not merge" in (work.root / "w.md").read_text()


@posix
def test_the_output_is_a_link(work, row, capsys):
    (work.root / "notes").write_text("mine")
    (work.root / "w.json").symlink_to("notes")
    held(row, main(["check", "--all", "--json", "w.json"]), told(capsys))
    assert (work.root / "notes").read_text() == "mine"
    assert json.loads((work.root / "w.json").read_text())["parts"]


@posix
def test_the_output_is_a_device(work, row, capsys):
    held(row, main(["check", "--all", "--json", os.devnull]), told(capsys))
    assert not Path(os.devnull).is_file()


@posix
def test_whoever_reads_the_output_is_gone(work, row):
    command = f"{sys.executable} -m wallguard check --all --json w.json"
    env = {**os.environ, "PYTHONPATH": str(HERE.parents[1])}
    done = subprocess.run(
        ["/bin/sh", "-c", f"{{ {command}; echo ended $? >&2; }} | true"],
        env=env,
        capture_output=True,
        text=True,
        check=True,
    )
    held(row, int(done.stderr.split("ended ")[1]), done.stderr)
    assert json.loads((work.root / "w.json").read_text())["parts"]


def test_two_runs_write_the_same_files(work, row):
    words = [sys.executable, "-m", "wallguard", "check", "--all", "--no-cache"]
    words += ["--json", "w.json", "--junit", "w.xml", "--markdown", "w.md"]
    env = {**os.environ, "PYTHONPATH": str(HERE.parents[1])}
    both = [
        subprocess.Popen(
            words, env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        for _ in range(2)
    ]
    for process in both:
        shown = process.communicate()[0]
        held(row, process.returncode, shown)
    assert json.loads((work.root / "w.json").read_text(encoding="utf-8"))["parts"]
    ElementTree.parse(work.root / "w.xml")
    assert not leftovers(work.root)


# Being ended


def begun(work: Work, slow: int = 3) -> tuple[subprocess.Popen[str], list[int]]:
    """A check of parts that take long, and the processes of it that do the work."""
    for number in range(slow):
        HOSTILE["tetrahedra_strewn"][1](work.root / f"slow-{number}.stl")
    (work.root / "w.json").write_text("")
    command = [sys.executable, "-m", "wallguard", "check", "--all", "--no-cache", "--jobs", "2"]
    process = subprocess.Popen(
        [*command, "--json", "w.json"],
        env={**os.environ, "PYTHONPATH": str(HERE.parents[1])},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    until = time.monotonic() + 120
    while len(children(process.pid)) < 2 and time.monotonic() < until:
        assert process.poll() is None
        time.sleep(0.02)
    time.sleep(1.0)  # so that some of them are at a part
    return process, children(process.pid)


def children(parent: int) -> list[int]:
    """The processes that do parts for a process: not the one that looks after shared things."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        try:
            state = (place / "stat").read_text().rpartition(")")[2].split()
            words = (place / "cmdline").read_bytes()
        except OSError:
            continue
        if int(state[1]) == parent and b"spawn_main" in words:
            found.append(int(place.name))
    return found


def gone(processes: list[int]) -> bool:
    until = time.monotonic() + 60
    while any(map(running, processes)) and time.monotonic() < until:
        time.sleep(0.02)
    return not any(map(running, processes))


def ended(work: Work, row: Row, number: signal.Signals) -> None:
    process, ours = begun(work)
    try:
        assert len(ours) == 2
        process.send_signal(number)
        signalled = time.monotonic()
        shown = "".join(process.communicate(timeout=60))
        held(row, process.returncode, shown)
        assert time.monotonic() - signalled < 10  # a part takes longer; 0.2 s where nobody hinders
        assert gone(ours)
        assert not (work.root / "w.json").read_text()
        assert not leftovers(work.root)
    finally:
        process.kill()
        process.communicate()


@linux
def test_an_interrupt(work, row):
    ended(work, row, signal.SIGINT)


@linux
def test_a_request_to_terminate(work, row):
    ended(work, row, signal.SIGTERM)


@linux
def test_the_first_process_is_killed(work, row):
    ended(work, row, signal.SIGKILL)


@linux
def test_a_process_that_does_a_part_is_killed(work, row):
    """Its part is an error, and all others are done and told."""
    process, ours = begun(work, slow=2)
    try:
        for each in ours:  # the largest are begun first
            os.kill(each, signal.SIGKILL)
        shown = "".join(process.communicate(timeout=120))
        held(row, process.returncode, shown)
        parts = json.loads((work.root / "w.json").read_text())["parts"]
        assert {part["path"]: part["status"] for part in parts} == {
            "bad.stl": "failed",
            "parts/good.stl": "passed",
            "slow-0.stl": "error",
            "slow-1.stl": "error",
        }
    finally:
        process.kill()
        process.communicate()
    assert gone(ours)


# Want of something


@linux
def test_memory_runs_out(work, row, capsys):
    HOSTILE["tetrahedra_strewn"][1](work.root / "large.stl")
    code = main(["check", "--all", "--no-cache", "--part-memory", "1", "--json", "w.json"])
    held(row, code, told(capsys))
    parts = json.loads((work.root / "w.json").read_text())["parts"]
    status = {part["path"]: part["status"] for part in parts}
    assert status == {"bad.stl": "failed", "parts/good.stl": "passed", "large.stl": "error"}


def test_there_is_no_home(work, row):
    env = dict.fromkeys(("HOME", "XDG_CACHE_HOME", "USERPROFILE", "LOCALAPPDATA"), "")
    done = wallguard("check", "--all", env=env)
    held(row, done.returncode, done.stdout + done.stderr)
    assert not [file for file in work.root.rglob("*") if "cache" in file.name.lower()]


def test_there_is_no_git(work, row, monkeypatch, capsys, tmp_path):
    (tmp_path / "nothing").mkdir()
    monkeypatch.setenv("PATH", str(tmp_path / "nothing"))
    held(row, main(["check", "--all"]), told(capsys))


@posix
def test_git_is_too_old(work, row, monkeypatch, capsys, tmp_path):
    (tmp_path / "old").mkdir()
    program = tmp_path / "old/git"
    program.write_text('#!/bin/sh\necho "error: unknown option" >&2\nexit 129\n')
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path / "old"), prepend=os.pathsep)
    held(row, main(["check", "--all"]), told(capsys))


@posix
@pytest.mark.skipif(sys.platform == "darwin", reason="no such names")
def test_a_name_is_not_utf_8(work, row, capsys):
    stl(work.root / os.fsdecode(b"caf\xe9.stl"), 1.5)
    words = ["--json", "w.json", "--junit", "w.xml", "--markdown", "w.md", "--sarif", "w.sarif"]
    held(row, main(["check", "--all", *words]), told(capsys))
    for name in words[1::2]:
        (work.root / name).read_text(encoding="utf-8")
    ElementTree.parse(work.root / "w.xml")


@pytest.mark.parametrize("year", [1970, 9998])
def test_the_clock_is_wrong(work, row, monkeypatch, capsys, year):
    class Wrong(datetime):
        @classmethod
        def now(cls, tz=None):
            return cls(year, 1, 1, tzinfo=tz or UTC)

    monkeypatch.setattr("wallguard.jobs.review.datetime", Wrong)
    monkeypatch.setattr(time, "time", lambda: Wrong.now().timestamp())
    for name, moment in (("bad.stl", 0), ("parts/good.stl", 4e9)):
        os.utime(work.root / name, (moment, moment))
    cache = ["--cache", str(work.root.parent / "kept")]
    for _ in range(2):
        held(row, main(["check", "--all", *cache, "--json", "w.json"]), told(capsys))
        started = json.loads((work.root / "w.json").read_text())["started"]
        assert started.startswith(str(year))


def test_the_repository_is_read_only(work, row, capsys):
    """Nothing in it is touched, its index neither: so it may be read-only."""

    def state():
        files = [file for file in work.root.rglob("*") if file.is_file()]
        return {file: (file.read_bytes(), file.stat().st_mtime_ns) for file in files}

    before = state()
    out = str(work.root.parent / "w.json")
    for how in (["--all"], ["--base", "HEAD"], ["--staged"], []):
        code = main(["check", *how, "--json", out])
        if how == ["--all"]:
            held(row, code, told(capsys))
    assert state() == before
    json.loads(Path(out).read_text())
