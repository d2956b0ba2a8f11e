"""Parts that code makes: when the code is run, and what becomes of what it does."""

import json
import sys
from contextlib import suppress
from datetime import date, timedelta
from pathlib import Path

import pytest
from design_repository import commit, git
from here import wallguard

from wallguard.base.errors import InputError
from wallguard.jobs import generated
from wallguard.repository.config import load_repository, parse_repository

NAME = "models/bracket.py::bracket"
RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.5
beads: {width: 0.55, contours: 2, smallest_wall: 0.45, squeeze: 0.1, smallest_fill: 0.6,
        spacing: width}
"""
# 1.5 mm comes out hollow: 1.5 - 2 x 0.55 = 0.4 lies between `squeeze` and `smallest_fill`.
MODEL = """\
import pathlib
import manifold3d as m3
from sizes import RIB

pathlib.Path(__file__).with_name("ran").open("a").write("x")

def bracket():
    return m3.Manifold.cube([40, RIB, 10])

def broken():
    def radius():
        return 1 / 0
    return radius()

def nothing():
    return "no part"
"""
ENTRY = "  - part: models/bracket.py::bracket\n"


def config(entries=ENTRY, parts='  - {files: "models/*", rules: rules.yaml}\n'):
    return f"wallguard: 1\nparts:\n{parts}generated:\n{entries}"


@pytest.fixture
def repo(tmp_path):
    root = tmp_path / "repo"
    (root / "models").mkdir(parents=True)
    (root / "models/bracket.py").write_text(MODEL)
    (root / "models/sizes.py").write_text("RIB = 1.5\n")
    (root / "rules.yaml").write_text(RULES)
    (root / "wallguard.yaml").write_text(config())
    (root / ".gitignore").write_text("ran\n__pycache__\nwalls.json\n")
    git(root, "init", "-q")
    commit(root)
    return root


def ran(root):
    """How often the code ran."""
    file = root / "models/ran"
    return len(file.read_text()) if file.exists() else 0


def check(root, *words):
    done = wallguard(root, "check", "--json", "walls.json", *words)
    return done, json.loads((root / "walls.json").read_text())


def test_a_part_that_is_named_is_made_and_checked(repo):
    done, _ = check(repo, NAME)
    assert done.returncode == 1, done.stderr
    assert f"x failed  {NAME}  (rules.yaml)" in done.stdout
    assert "wall 1.50 mm thick at (20.0, 0.8, 5.0)" in done.stdout
    assert ran(repo) == 1
    # From a folder below, too.
    assert wallguard(repo / "models", "check", "bracket.py::bracket").returncode == 1


def test_what_was_made_is_known_until_a_source_changes(repo):
    for _ in range(2):
        assert check(repo, NAME)[0].returncode == 1
    assert ran(repo) == 1
    assert check(repo, NAME, "--no-cache")[0].returncode == 1
    assert ran(repo) == 2
    (repo / "models/sizes.py").write_text("RIB = 2.0\n")
    assert check(repo, NAME)[0].returncode == 0
    assert ran(repo) == 3
    # Files besides Python are sources where they are named.
    (repo / "wallguard.yaml").write_text(config(ENTRY + "    sources: [models/sizes.json]\n"))
    (repo / "models/sizes.json").write_text("1")
    check(repo, NAME)
    (repo / "models/sizes.json").write_text("2")
    check(repo, NAME)
    assert ran(repo) == 5


@pytest.mark.parametrize(
    "words",
    [
        ("--all",),
        (),
        ("--staged",),
        ("--changed-since", "HEAD~1"),
        ("--base", "HEAD~1"),
        ("models",),
        ("models/bracket.py",),
        ("wallguard.yaml",),
        ("--brief", "--", "models/sizes.py", "wallguard.yaml"),
    ],
)
def test_code_of_a_change_is_not_run_that_nobody_named(repo, words):
    """Though the change says that it should be."""
    (repo / "models/bracket.py").write_text(MODEL + "# another\n")
    (repo / "wallguard.yaml").write_text(config(ENTRY + "    run: always\n"))
    commit(repo)
    (repo / "models/bracket.py").write_text(MODEL + "# yet another\n")
    git(repo, "add", ".")
    _, report = check(repo, *words)
    assert ran(repo) == 0
    # It is never passed over in silence where what it is made from is asked for; but a commit of no
    # part and no document costs nothing, and says nothing.
    told = [part["path"] for part in report["left_out"]]
    assert told == ([] if words in (("wallguard.yaml",), ("--staged",)) else [NAME])
    assert report["parts"] == []


def test_the_target_branch_may_let_it_run(repo):
    (repo / "wallguard.yaml").write_text(config(ENTRY + "    run: always\n"))
    commit(repo)
    (repo / "models/sizes.py").write_text("RIB = 2.0\n")
    done, report = check(repo, "--changed-since", "HEAD")
    assert (done.returncode, ran(repo)) == (0, 1), done.stderr
    assert [part["path"] for part in report["parts"]] == [NAME]
    # Not where the change alters what is run,
    entry = ENTRY + '    run: always\n    command: [python, models/bracket.py, "{mesh.stl}"]\n'
    (repo / "wallguard.yaml").write_text(config(entry))
    done, report = check(repo, "--changed-since", "HEAD")
    assert "does not say `run: always` of the same entry" in report["left_out"][0]["why"]
    # nor without a revision that could say so.
    (repo / "wallguard.yaml").write_text(config(ENTRY + "    run: always\n"))
    for words in (("--all",), ("--staged", "--base", "HEAD")):
        check(repo, *words)
    assert ran(repo) == 1


def test_no_wallguard_yaml_then_lets_nothing_run(repo):
    git(repo, "rm", "-q", "--cached", "wallguard.yaml")
    git(repo, "commit", "-qm", "none")
    (repo / "wallguard.yaml").write_text(config(ENTRY + "    run: always\n"))
    commit(repo)
    _, report = check(repo, "--changed-since", "HEAD~1")
    assert (ran(repo), report["left_out"][0]["path"]) == (0, NAME)


def test_code_that_no_entry_names_is_not_run(repo):
    for name in ("models/bracket.py::broken", "models/sizes.py::RIB", "nothing::there"):
        done, report = check(repo, name)
        assert done.returncode == 2
        (trouble,) = report["troubles"]
        assert "does not name this part, and no other code is run" in trouble["message"]
        assert "Known are models/bracket.py::bracket" in trouble["message"]
    more = "".join(ENTRY.replace("::bracket", f"::bracket_{at}") for at in range(6))
    (repo / "wallguard.yaml").write_text(config(ENTRY + more))
    (trouble,) = check(repo, "models/bracket.py::broken")[1]["troubles"]
    assert trouble["message"].endswith("models/bracket.py::bracket_3, and 2 more.")
    assert ran(repo) == 0


def test_a_file_of_that_name_is_a_file(repo):
    """What a hook passes are files that there are: none of them runs code."""
    if sys.platform == "win32":
        pytest.skip("no such names there")
    (repo / NAME.replace("/", "-")).write_text("no code")
    entry = ENTRY.replace("models/bracket", "models-bracket")
    (repo / "wallguard.yaml").write_text(config(entry, '  - {files: "*", rules: rules.yaml}\n'))
    done, _ = check(repo, NAME.replace("/", "-"))
    assert (done.returncode, ran(repo)) == (2, 0)


def test_a_function_that_raises_is_told_by_the_designers_own_lines(repo):
    entries = "".join(ENTRY.replace("::bracket", f"::{each}") for each in ("broken", "nothing"))
    (repo / "wallguard.yaml").write_text(config(entries + ENTRY.replace("::bracket", "::lost")))
    done, report = check(repo, "models/bracket.py::broken")
    assert done.returncode == 2
    (part,) = report["parts"]
    assert part["error"].splitlines() == [
        "models/bracket.py::broken: not made, because its code raised an error:",
        "  models/bracket.py, line 13, in broken: return radius()",
        "  models/bracket.py, line 12, in radius: return 1 / 0",
        "  ZeroDivisionError: division by zero",
    ]
    # What is refused here is told as it is: nobody's code raised that.
    _, report = check(repo, "models/bracket.py::nothing")
    assert report["parts"][0]["error"].splitlines() == [
        "models/bracket.py::nothing: not made:",
        "  bracket.py::nothing: this gives no triangles: str. Return a solid, a mesh, or arrays of "
        "vertices and faces.",
    ]
    _, report = check(repo, "models/bracket.py::lost")
    assert (
        "lost: not made:\n  bracket.py::lost: bracket.py has no function lost. Correct"
        in (report["parts"][0]["error"])
    )
    (repo / "wallguard.yaml").write_text(config(ENTRY.replace("bracket.py", "gone.py")))
    _, report = check(repo, "models/gone.py::bracket")
    assert "`generated` of wallguard.yaml names models/gone.py" in report["parts"][0]["error"]


COMMAND = """\
import sys
from sizes import RIB
import manifold3d as m3
import numpy as np
raw = m3.Manifold.cube([40, RIB, 10]).to_mesh64()
lines = [f"v {x} {y} {z}" for x, y, z in raw.vert_properties[:, :3].tolist()]
lines += [f"f {a + 1} {b + 1} {c + 1}" for a, b, c in raw.tri_verts.tolist()]
open(sys.argv[1], "w").write("\\n".join(lines))
"""


def test_a_command_makes_the_mesh(repo):
    (repo / "models/make.py").write_text(COMMAND)
    (repo / "wallguard.yaml").write_text(
        config(ENTRY + '    command: [python, models/make.py, "{mesh.obj}"]\n')
    )
    done, _ = check(repo, NAME)
    assert done.returncode == 1, done.stdout
    assert "wall 1.50 mm thick at (20.0, 0.8, 5.0)" in done.stdout


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ('[python, -c, "pass", "{mesh.obj}"]', "ended well and wrote no mesh"),
        ('[python, -c, "pass"]', "does not name the file to write"),
        ('[python, -c, "pass", "{mesh.txt}"]', "does not name the file to write"),
        ('[no-such-program, "{mesh.stl}"]', "no-such-program cannot be run"),
        (
            "[python, -c, \"print('no such size'); raise SystemExit(3)\", '{mesh.stl}']",
            "ended with 3:\n  no such size",
        ),
        ('[python, -c, "import time; time.sleep(99)", "{mesh.stl}"]', "took more than 1 s"),
    ],
)
def test_a_command_that_makes_none_is_told(repo, command, said, monkeypatch):
    monkeypatch.setattr(generated, "SECONDS", 1.0 if "sleep" in command else 60.0)
    (repo / "wallguard.yaml").write_text(config(f"{ENTRY}    command: {command}\n"))
    done, report = check(repo, NAME)
    assert done.returncode == 2
    assert said in report["parts"][0]["error"]


def test_the_code_sees_no_token_and_what_it_says_is_plain(repo, monkeypatch):
    for name in ("FORGE_TOKEN", "MY_SECRET", "DB_PASSWORD", "SIGN_KEY"):
        monkeypatch.setenv(name, "hush-hush")
    monkeypatch.setenv("PLAIN", "seen")
    print_known = "print(*{*os.environ.values()} & {'seen', 'hush-hush'}, chr(27))"
    code = f"import os, sys; {print_known}; sys.exit(1)"
    command = f'[python, -c, "{code}", "{{mesh.stl}}"]'
    (repo / "wallguard.yaml").write_text(config(f"{ENTRY}    command: {command}\n"))
    _, report = check(repo, NAME)
    assert "seen" in report["parts"][0]["error"]
    assert "hush" not in report["parts"][0]["error"]
    assert "\\x1b" in report["parts"][0]["error"]


def test_what_the_code_started_is_ended(repo):
    code = (
        "import subprocess, sys; print(subprocess.Popen([sys.executable, '-c', "
        "'import time; time.sleep(600)']).pid); sys.exit(1)"
    )
    command = f'[python, -c, "{code}", "{{mesh.stl}}"]'
    (repo / "wallguard.yaml").write_text(config(f"{ENTRY}    command: {command}\n"))
    _, report = check(repo, NAME)
    pid = int(report["parts"][0]["error"].split()[-1].rstrip("."))
    if sys.platform == "linux":
        with suppress(FileNotFoundError):
            assert Path(f"/proc/{pid}/stat").read_text().split()[2] == "Z"


def test_a_part_without_rules_is_not_run(repo):
    (repo / "wallguard.yaml").write_text(config(parts='  - {files: "*.stl", rules: rules.yaml}\n'))
    done, report = check(repo, NAME)
    assert (done.returncode, ran(repo)) == (2, 0)
    [trouble] = report["troubles"]
    assert "not checked, because no entry under `parts` of wallguard.yaml names it" in str(trouble)
    assert check(repo, NAME, "--rules", "rules.yaml")[0].returncode == 1


def test_a_part_that_is_excluded_is_no_pass_where_somebody_names_it(repo):
    (repo / "wallguard.yaml").write_text(config() + 'exclude: ["models/**"]\n')
    done, report = check(repo, NAME)
    assert (done.returncode, ran(repo), report["parts"]) == (2, 0, [])
    assert "not checked, because" in report["troubles"][0]["message"]


def test_a_part_is_held_against_what_its_code_made_then(repo):
    (repo / "models/bracket.py").write_text(MODEL + "\n# A remark.\n")
    done, report = check(repo, NAME, "--base", "HEAD", "--gate", "new")
    assert (done.returncode, report["parts"][0]["base_note"]) == (0, ""), done.stdout
    assert {each["state"] for each in report["parts"][0]["findings"]} == {"unchanged"}
    (repo / "models/sizes.py").write_text("RIB = 3.0\n")
    _, report = check(repo, NAME, "--base", "HEAD")
    assert report["parts"][0]["findings"] == []
    assert [each["check"] for each in report["parts"][0]["fixed"]] == ["fill"]
    # What it made then lies nowhere but in a folder that is gone.
    changed = git(repo, "status", "--porcelain", "-uall").split()
    assert changed == ["M", "models/bracket.py", "M", "models/sizes.py"]


def test_a_part_that_was_not_there_is_new_and_one_that_failed_then_is_told(repo):
    entry = ENTRY + "  - part: models/bracket.py::thick\n"
    (repo / "models/bracket.py").write_text(MODEL.replace("def bracket", "def thick"))
    (repo / "wallguard.yaml").write_text(config(entry))
    thick = "models/bracket.py::thick"
    _, report = check(repo, thick, "--base", "HEAD")
    assert (report["parts"][0]["base_note"], len(report["parts"][0]["findings"])) == ("", 1)
    assert report["parts"][0]["findings"][0]["state"] == "new"
    commit(repo)
    # `bracket` was asked for then, and there was no such function.
    (repo / "models/bracket.py").write_text(MODEL)
    done, report = check(repo, NAME, "--base", "HEAD")
    assert done.returncode == 1
    assert "its code of then gave none: " in report["parts"][0]["base_note"]
    assert "has no function bracket" in report["parts"][0]["base_note"]


def test_a_source_that_is_a_device_does_not_hang(repo):
    if sys.platform == "win32":
        pytest.skip("no devices there")
    (repo / "models/endless.py").symlink_to("/dev/zero")
    _, report = check(repo, NAME)
    assert "endless.py" in report["parts"][0]["error"]
    assert ran(repo) == 0


def test_waivers_and_reports_know_the_part(repo):
    done, report = check(repo, NAME, "--sarif", "walls.sarif")
    finding = report["parts"][0]["findings"][0]["id"]
    until = (date.today() + timedelta(30)).isoformat()
    words = ("--why", "it is meant so", "--until", until, "--report", "walls.json")
    waived = wallguard(repo, "waive", finding, *words)
    assert waived.returncode == 0, waived.stderr
    done, report = check(repo, NAME)
    assert (done.returncode, report["remarks"]) == (0, [])
    # Where the part is not made, its waiver is not without a part.
    assert check(repo, "--all")[1]["remarks"] == []
    sarif = json.loads((repo / "walls.sarif").read_text())
    (result,) = sarif["runs"][0]["results"]
    uri = result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
    assert uri == "models/bracket.py"


@pytest.mark.parametrize(
    "words",
    [
        ("walls", NAME),
        ("scale", NAME, "--rules", "rules.yaml"),
        ("toolpath", "plate.gcode", "--part", NAME),
        ("impact", NAME, "--from", "rules.yaml", "--to", "rules.yaml"),
    ],
)
def test_other_commands_say_that_a_check_makes_it(repo, words):
    done = wallguard(repo, *words)
    told = " ".join((done.stdout + done.stderr).split())
    assert (done.returncode, ran(repo)) == (2, 0)
    assert (
        f"code makes this part, which only a check runs. Check it: `wallguard check {NAME}`" in told
    )


def test_entries_are_read_with_their_folder(tmp_path):
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner/wallguard.yaml").write_text(config(ENTRY + "    sources: ./data/\n"))
    (entry,) = load_repository(tmp_path, "inner/").generated
    assert (entry.part, entry.file, entry.name) == (
        "inner/models/bracket.py::bracket",
        "inner/models/bracket.py",
        "bracket",
    )
    assert entry.is_from("inner/data/sizes.csv") and not entry.is_from("data/sizes.csv")
    for wrong in ("bracket.py", "a::b::c", "../a.py::b", "a.py::1b", "/a.py::b"):
        with pytest.raises(InputError, match="generated"):
            parse_repository(config(f"  - {{part: '{wrong}'}}\n"), tmp_path)
