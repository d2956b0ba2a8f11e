"""`wallguard check` from the outside: what it chooses, prints, writes, and how it ends."""

import json
import os
import re
import subprocess
import sys

import manifold3d as m3
import pytest
from solids import box, save

from wallguard.commands.main import main

RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.075, smallest_fill: 0.575,
        spacing: width, edge_uncertainty: 0}
minimum: {wall: {fail: 0.8}}
"""
REPOSITORY = """\
wallguard: 1
parts:
  - {files: "parts/**/*.stl", rules: rules/grey.yaml}
exclude: ["parts/old/**"]
"""
GOOD, HOLLOW = box([40, 2.0, 10]), box([40, 1.5, 10])


SPACE = """\
wallguard: 1
name: powder
process: {category: powder bed fusion}
layer_height: 0.1
bands: [{from: 0, to: 0.7, fill: missing}, {from: 0.7, fill: solid}]
minimum: {wall: {fail: 0.8}, gap: {fail: 0.3}, hole: {warn: 2}, pin: {warn: 2}}
"""


def git(folder, *arguments):
    subprocess.run(
        ["git", "-c", "user.name=t", "-c", "user.email=t@example.org", *arguments],
        cwd=folder,
        check=True,
        capture_output=True,
    )


@pytest.fixture
def repo(tmp_path, monkeypatch):
    """A design repository under git with one good part, committed."""
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules/grey.yaml").write_text(RULES)
    (tmp_path / "wallguard.yaml").write_text(REPOSITORY)
    save(tmp_path / "parts/good.stl", GOOD)
    git(tmp_path, "init", "-q", "-b", "main")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-qm", "one")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def report(repo, *arguments):
    """Exit code and the JSON report of a run."""
    code = main(["check", *map(str, arguments), "--json", "report.json"])
    return code, json.loads((repo / "report.json").read_text())


def statuses(data):
    return {part["path"]: part["status"] for part in data["parts"]}


def test_all_parts_pass(repo, capsys):
    code, data = report(repo, "--all")
    assert (code, statuses(data)) == (0, {"parts/good.stl": "passed"})
    assert "passed" in capsys.readouterr().out


def test_a_hollow_wall_fails_and_says_where_and_what_instead(repo, capsys):
    save(repo / "parts/bad.stl", HOLLOW)
    code, data = report(repo)
    assert (code, statuses(data)) == (1, {"parts/bad.stl": "failed"})
    out = " ".join(capsys.readouterr().out.split())
    assert "1.50 mm thick at (20.0, 0.8, 5.0)" in out
    assert "will print hollow, with about 0.35 mm of air" in out
    assert "draw 1.05-1.22 or 1.73-2.37 mm" in out
    (wall,) = data["parts"][0]["walls"]
    assert wall["fill"] == "hollow"
    assert wall["printed"]["value"] == pytest.approx(1.5)


def test_without_changes_all_parts_are_checked(repo):
    assert statuses(report(repo)[1]) == {"parts/good.stl": "passed"}


def test_changed_since_sees_what_the_branch_changed(repo):
    git(repo, "checkout", "-qb", "branch")
    save(repo / "parts/Größe 3 ü.stl", HOLLOW)
    git(repo, "mv", "parts/good.stl", "parts/renamed part.stl")
    git(repo, "add", ".")
    git(repo, "commit", "-qm", "two")
    code, data = report(repo, "--changed-since", "main")
    assert code == 1
    assert statuses(data) == {
        "parts/Größe 3 ü.stl": "failed",
        "parts/renamed part.stl": "passed",
    }
    assert data["removed"] == ["parts/good.stl"]


def test_staged_content_counts_not_the_work_tree(repo):
    save(repo / "parts/part.stl", HOLLOW)
    git(repo, "add", ".")
    save(repo / "parts/part.stl", GOOD)
    assert statuses(report(repo, "--staged")[1]) == {"parts/part.stl": "failed"}
    git(repo, "add", ".")
    assert statuses(report(repo, "--staged")[1]) == {"parts/part.stl": "passed"}


def test_a_staged_rule_file_counts_as_it_is_staged(repo):
    (repo / "rules/grey.yaml").write_text(RULES.replace("fail: 0.8", "fail: 2.5"))
    git(repo, "add", ".")
    (repo / "rules/grey.yaml").write_text(RULES)
    assert statuses(report(repo, "--staged")[1]) == {"parts/good.stl": "failed"}


def test_a_changed_rule_file_checks_every_part_it_governs(repo):
    (repo / "rules/grey.yaml").write_text(RULES.replace("fail: 0.8", "fail: 2.5"))
    assert statuses(report(repo)[1]) == {"parts/good.stl": "failed"}


def test_a_commit_that_touches_no_part_checks_nothing_and_is_quick(repo):
    (repo / "notes.txt").write_text("hello")
    git(repo, "add", ".")
    loaded = (
        "import sys; from wallguard.commands.main import main; code = main(['check', '--staged']); "
        "print(sorted({'numpy', 'trimesh', 'scipy'} & set(sys.modules))); sys.exit(code)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", loaded], cwd=repo, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0
    assert ran.stdout.splitlines()[-1] == "[]"


def test_a_part_that_nothing_covers_is_reported(repo):
    save(repo / "elsewhere/part.stl", GOOD)
    code, data = report(repo, "--all")
    assert code == 0
    assert data["not_covered"] == ["elsewhere/part.stl"]


def test_excluded_parts_are_left_out(repo):
    save(repo / "parts/old/part.stl", HOLLOW)
    assert report(repo, "--all")[0] == 0


def test_named_parts_folders_and_rule_files(repo):
    save(repo / "parts/sub/bad.stl", HOLLOW)
    assert statuses(report(repo, "parts/good.stl")[1]) == {"parts/good.stl": "passed"}
    assert statuses(report(repo, "parts/sub")[1]) == {"parts/sub/bad.stl": "failed"}
    # A hook that names a document checks what is committed, not what merely lies in the folder.
    assert list(statuses(report(repo, "rules/grey.yaml")[1])) == ["parts/good.stl"]
    git(repo, "add", ".")
    assert len(report(repo, "rules/grey.yaml")[1]["parts"]) == 2


def test_rules_on_the_command_line_stand_in_for_wallguard_yaml(repo, tmp_path):
    (repo / "strict.yaml").write_text(RULES.replace("fail: 0.8", "fail: 2.5"))
    code, data = report(repo, "parts/good.stl", "--rules", "strict.yaml")
    assert (code, data["parts"][0]["rules"]) == (1, "strict.yaml")


def test_a_part_outside_any_repository(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "grey.yaml").write_text(RULES)
    save(tmp_path / "part.stl", HOLLOW)
    assert main(["check", "part.stl", "--rules", "grey.yaml"]) == 1


def test_without_any_rules_it_says_what_to_do(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    save(tmp_path / "part.stl", HOLLOW)
    assert main(["check", "part.stl"]) == 2
    assert "wallguard init" in capsys.readouterr().err


def binary(count, body):
    return b"x".ljust(80) + count.to_bytes(4, "little") + body


BAD_PARTS = {
    "empty.stl": b"",
    "short.stl": binary(100, b"abc"),
    "no triangles.stl": binary(0, b""),
    "text.stl": b"this is no mesh at all\n" * 20,
    "nan.stl": binary(1, b"\x00\x00\xc0\x7f" * 12 + b"\0\0"),
    "pointer.stl": (
        b"version https://git-lfs.github.com/spec/v1\noid sha256:" + b"0" * 64 + b"\nsize 12345\n"
    ),
    "notzip.3mf": b"PK but not really",
    "bad.obj": b"f 1 2 3\n",
    "bad.ply": b"ply\nformat ascii 1.0\nelement vertex 3\n",
}


@pytest.mark.parametrize("name", BAD_PARTS)
def test_a_bad_part_is_an_error_and_the_others_are_checked(repo, name, capsys):
    (repo / "parts" / name).write_bytes(BAD_PARTS[name])
    (repo / "wallguard.yaml").write_text(REPOSITORY.replace("*.stl", "*"))
    code, data = report(repo, "--all")
    assert code == 2
    assert statuses(data) == {"parts/good.stl": "passed", f"parts/{name}": "error"}
    out = capsys.readouterr()
    assert name in out.out
    assert "Traceback" not in out.out + out.err
    if name == "pointer.stl":
        assert "git lfs pull" in " ".join(out.out.split())


def test_a_folder_named_like_a_part(repo):
    (repo / "parts/folder.stl").mkdir()
    assert report(repo, "--all")[0] == 0


@pytest.mark.skipif(os.name == "nt", reason="symbolic links need rights on Windows")
def test_a_link_out_of_the_repository_is_refused(repo, tmp_path_factory, capsys):
    outside = tmp_path_factory.mktemp("outside") / "secret.stl"
    save(outside, GOOD)
    (repo / "parts/link.stl").symlink_to(outside)
    code, data = report(repo, "--all")
    assert (code, statuses(data)["parts/link.stl"]) == (2, "error")


def test_a_bad_rule_file_is_an_error_with_its_line(repo, capsys):
    (repo / "rules/grey.yaml").write_text(RULES.replace("layer_height", "layer_hight"))
    code, data = report(repo, "--all")
    assert code == 2
    assert data["troubles"][0]["path"] == "rules/grey.yaml"
    assert "rules/grey.yaml:4" in data["troubles"][0]["message"]
    assert "layer_height" in data["troubles"][0]["message"]


def test_a_bad_wallguard_yaml_is_an_error(repo, capsys):
    (repo / "wallguard.yaml").write_text("wallguard: 1\nparts: 3\n")
    assert main(["check", "--all"]) == 2
    assert "wallguard.yaml" in capsys.readouterr().out


@pytest.mark.parametrize("path", ["nothing.stl", "README.md", "no/such/folder"])
def test_a_path_that_is_no_part(repo, path):
    assert report(repo, path)[0] == 2


def test_an_unknown_revision(repo, capsys):
    assert main(["check", "--changed-since", "no-such-branch"]) == 2
    assert "no-such-branch" in capsys.readouterr().err


def test_a_report_that_cannot_be_written(repo, capsys):
    assert main(["check", "--all", "--junit", "no/such/folder/report.xml"]) == 2
    assert "no/such/folder" in capsys.readouterr().err


def test_reports_are_the_same_for_any_number_of_jobs(repo):
    for i in range(4):
        save(repo / f"parts/part {i}.stl", box([40, 0.4 + 0.37 * i, 10]).rotate([0, 0, 7 * i]))

    def texts(jobs):
        names = {"--junit": "r.xml", "--markdown": "r.md", "--json": "r.json"}
        options = [word for pair in names.items() for word in pair]
        assert main(["check", "--all", "--jobs", jobs, *options]) == 1
        return [(repo / name).read_text() for name in names.values()]

    def timeless(text):
        import re

        text = re.sub(r'"(seconds|started)": [^,\n]*', "", text)
        return re.sub(r' (time|timestamp)="[^"]*"', "", text)

    one, three = texts("1"), texts("3")
    assert list(map(timeless, one)) == list(map(timeless, three))


def test_several_rule_files_for_one_part(repo):
    (repo / "rules/other.yaml").write_text(
        RULES.replace("grey", "white").replace("fail: 0.8", "fail: 2.5")
    )
    (repo / "wallguard.yaml").write_text(
        REPOSITORY.replace("rules/grey.yaml", "[rules/grey.yaml, rules/other.yaml]")
    )
    _, data = report(repo, "--all")
    assert [part["status"] for part in data["parts"]] == ["passed", "failed"]


def test_orientation_scale_and_unit_come_from_wallguard_yaml(repo):
    # 1.5 mm across along z as drawn: lying flat it is a plate, on its side a wall.
    save(repo / "parts/plate.stl", box([40, 20, 1.5]))
    assert report(repo, "--all")[0] == 0
    upright = REPOSITORY.replace("rules: rules/grey.yaml", "rules: rules/grey.yaml, up: +x")
    (repo / "wallguard.yaml").write_text(upright)
    _, data = report(repo, "parts/plate.stl")
    (finding,) = data["parts"][0]["findings"]
    assert finding["fill"] == "hollow"
    assert finding["location"] == pytest.approx([20, 10, 0.75], abs=0.2)  # the file's own frame
    inch = REPOSITORY.replace("rules: rules/grey.yaml", "rules: rules/grey.yaml, unit: inch")
    (repo / "wallguard.yaml").write_text(inch)
    save(repo / "parts/plate.stl", m3.Manifold.cube([2, 1.5 / 25.4, 1]))
    _, data = report(repo, "parts/plate.stl")
    assert data["parts"][0]["mesh"]["unit"] == "inch"
    assert data["parts"][0]["findings"][0]["measured"] == pytest.approx(1.5, abs=0.005)


def test_an_interrupt_leaves_no_report(repo, monkeypatch, capsys):
    from wallguard.jobs import check

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(check, "check_all", interrupted)
    assert main(["check", "--all", "--json", "report.json"]) == 130
    assert not (repo / "report.json").exists()


@pytest.mark.parametrize("command", ["check", "impact"])
def test_a_part_whose_process_is_killed_is_an_error_and_the_rest_goes_on(
    repo, monkeypatch, capsys, command
):
    from wallguard.jobs import workers

    for name in "abc":
        save(repo / f"parts/{name}.stl", GOOD)
    give = workers._Crew._give

    def deadly(crew, at):
        give(crew, at)
        if crew.items[at].path == "parts/b.stl":
            next(one for one in crew.workers if one.at == at).process.kill()

    monkeypatch.setattr(workers, "_START", 0.0)
    monkeypatch.setattr(workers._Crew, "_give", deadly)
    words = ["--all", "--jobs", "2", "--json", "report.json"]
    if command == "impact":
        words += ["--from", "rules/grey.yaml", "--to", "rules/grey.yaml"]
    assert main([command, *words]) == 2
    data = json.loads((repo / "report.json").read_text())
    errors = {part["path"]: part["error"] for part in data["parts"]}
    killed = errors.pop("parts/b.stl")
    assert "parts/b.stl: not checked, because its process was killed" in killed
    assert sorted(errors) == ["parts/a.stl", "parts/c.stl", "parts/good.stl"]
    assert not any(errors.values())
    assert "Traceback" not in "".join(capsys.readouterr())


@pytest.mark.skipif(sys.platform != "linux", reason="Linux holds a process to its memory")
@pytest.mark.parametrize("command", ["check", "impact"])
def test_a_part_that_takes_too_much_memory_is_an_error_and_the_rest_goes_on(repo, command):
    """A part that is packed has a process of its own; a small plain one has not."""
    from hostile import HOSTILE

    HOSTILE["components_that_double"][1](repo / "parts/a.3mf")
    config = (repo / "wallguard.yaml").read_text()
    (repo / "wallguard.yaml").write_text(config.replace("*.stl", "*.*"))
    words = ["--all", "--part-memory", "1", "--json", "report.json"]
    if command == "impact":
        words += ["--from", "rules/grey.yaml", "--to", "rules/grey.yaml"]
    assert main([command, *words]) == 2
    data = json.loads((repo / "report.json").read_text())
    errors = {part["path"]: part["error"] for part in data["parts"]}
    assert "not checked, because it takes more than 1 MB of memory (--part-memory)" in (
        errors.pop("parts/a.3mf")
    )
    assert errors == {"parts/good.stl": ""}


def test_walls_lists_every_wall(repo, capsys):
    save(repo / "parts/box.stl", box([40, 30, 10]) - box([37, 27, 12], [1.5, 1.5, -1]))
    assert main(["walls", "parts/box.stl", "--json"]) == 0
    walls = json.loads(capsys.readouterr().out)
    walls = walls["walls"] if isinstance(walls, dict) else walls
    assert [wall["thickness"]["typical"] for wall in walls] == pytest.approx([1.5] * 4, abs=0.005)
    assert main(["walls", "parts/box.stl", "--rules", "rules/grey.yaml"]) == 0
    assert "hollow" in capsys.readouterr().out


def test_help_teaches_with_an_example(capsys):
    for words in (["--help"], *([name, "--help"] for name in ("check", "walls", "chart", "init"))):
        with pytest.raises(SystemExit) as ended:
            main(words)
        assert ended.value.code == 0
        assert "wallguard" in capsys.readouterr().out


@pytest.mark.parametrize("words", [["nonsense"], [], ["check", "--jobs", "many"]])
def test_a_wrong_command_line_ends_with_2(words, capsys):
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2


def test_what_only_tells_imports_nothing_heavy():
    """How long it takes depends on the machine; what it imports does not. One process for all:
    what the help of one command brings in would be seen in the next."""
    code = (
        "import contextlib, sys\n"
        "from wallguard.commands.arguments import SUMMARIES\n"
        "from wallguard.commands.main import main\n"
        "tell = [[name, '--help'] for name in SUMMARIES] + [['coupon', 'fit', '--help']]\n"
        "for words in ['--version'], ['--help'], ['nonsense'], *tell:\n"
        "    with contextlib.suppress(SystemExit):\n"
        "        main(words)\n"
        "    heavy = {'numpy', 'scipy', 'shapely', 'manifold3d'} & set(sys.modules)\n"
        "    assert not heavy, (words, heavy)\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.startswith("wallguard ")


def test_the_python_interface_uses_the_same_words(repo):
    import wallguard

    save(repo / "parts/bad.stl", HOLLOW)
    part = wallguard.load_part("parts/bad.stl")
    found = wallguard.check(part, wallguard.load_rules("rules/grey.yaml"))
    assert found.status == "failed"
    assert found.findings[0].check == "fill"
    (wall,) = wallguard.find_walls(part)
    assert wall.thickness.typical == pytest.approx(1.5, abs=0.005)


def test_an_excluded_part_is_left_out_even_if_named(repo):
    save(repo / "parts/old/part.stl", HOLLOW)
    code, data = report(repo, "parts/old/part.stl")
    assert (code, data["parts"], data["not_covered"]) == (0, [], [])


def test_what_goes_wrong_with_one_part_is_an_error_of_that_part(repo, monkeypatch, capsys):
    """Whatever it is: the others are checked, the reports are whole, and it is said where."""
    from wallguard.part.geometry import Geometry

    save(repo / "parts/bad.stl", HOLLOW)
    save(repo / "parts/odd.stl", box([41, 4, 10]))
    walls = Geometry.walls

    def some(self, *asked):
        if self.name == "parts/odd.stl":
            raise ValueError("nobody\nforesaw this")
        return walls(self, *asked)

    monkeypatch.setattr(Geometry, "walls", some)
    code, data = report(repo, "--all")
    assert (code, statuses(data)) == (
        2,
        {"parts/bad.stl": "failed", "parts/good.stl": "passed", "parts/odd.stl": "error"},
    )
    (error,) = [part["error"] for part in data["parts"] if part["path"] == "parts/odd.stl"]
    begin = r"parts/odd\.stl: not checked, because this went wrong inside: ValueError: nobody"
    assert re.match(begin, error)
    assert re.search(r"foresaw this \(test_commands_check\.py, line \d+\)\. Please report", error)
    assert "Traceback" not in "".join(capsys.readouterr())


@pytest.mark.parametrize("rules", [RULES, SPACE], ids=["layers", "space"])
def test_a_small_part_loads_no_library_but_numpy(tmp_path, rules):
    """How long it takes depends on the machine (`bench_check.py`); what it imports does not."""
    save(tmp_path / "block.stl", box([10, 10, 10]))
    (tmp_path / "rules.yaml").write_text(rules)
    code = (
        "import sys; from wallguard.commands.main import main\n"
        "code = main(['check', '--no-cache', '--rules', 'rules.yaml', 'block.stl'])\n"
        "heavy = {'scipy', 'shapely', 'manifold3d', 'msgspec', 'numpy.ma', 'multiprocessing',"
        " 'numpy.testing', 'jinja2'}\n"
        "print(code, 'numpy' in sys.modules, sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.stdout.splitlines()[-1:] == ["0 True []"], done.stdout + done.stderr


def test_a_run_asks_git_no_more_often_than_it_must(tmp_path, monkeypatch):
    """Each question is a process of some milliseconds."""
    from wallguard.repository import git as asked_git

    (tmp_path / "wallguard.yaml").write_text(
        "wallguard: 1\nparts: [{files: '*.stl', rules: r.yaml}]\n"
    )
    (tmp_path / "r.yaml").write_text(RULES)
    save(tmp_path / "block.stl", GOOD)
    git(tmp_path, "init", "-q")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-qm", "begin")
    questions, run = [], asked_git.run
    monkeypatch.setattr(
        asked_git, "run", lambda folder, *words: questions.append(words[0]) or run(folder, *words)
    )
    monkeypatch.chdir(tmp_path)
    assert main(["check", "--all"]) == 0
    assert sorted(questions) == ["diff", *["ls-files"] * 4, "rev-parse"]


def test_without_a_repository_the_unit_and_the_way_up_are_said_beside_the_rules(
    tmp_path, monkeypatch, capsys
):
    # A plate of 1 x 1 x 0.04 inch, and the same standing on its edge.
    save(tmp_path / "plate.stl", m3.Manifold.cube([1, 1, 0.04]))
    rules = "wallguard: 1\nname: r\nprocess: {category: powder bed fusion}\nlayer_height: 0.1\n"
    rules += "build_volume: [100, 100, 20]\nminimum:\n  wall: {fail: 1.1}\n"
    (tmp_path / "r.yaml").write_text(rules)
    monkeypatch.chdir(tmp_path)
    words = ["check", "plate.stl", "--rules", "r.yaml", "--no-cache"]
    assert main([*words, "--unit", "inch"]) == 1
    assert "1.02 mm thick at" in capsys.readouterr().out
    assert main([*words, "--unit", "inch", "--up=+x"]) == 1
    assert "build volume" in capsys.readouterr().out  # 25.4 mm high
    assert main(["check", "plate.stl", "--unit", "inch"]) == 2
    assert "name a rule file with --rules" in capsys.readouterr().err
