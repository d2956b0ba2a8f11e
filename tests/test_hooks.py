"""The hooks and pipelines, driven for real in temporary git repositories."""

import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from solids import box, mesh

from wallguard.cli import main
from wallguard.mesh.mesh import Mesh

TOP = Path(__file__).resolve().parents[1]
PIPELINES = sorted((TOP / "hooks" / "pipelines").glob("*.yml"))
CONFIG = """\
wallguard: 1
unit: mm
parts:
  - files: "**/*.stl"
    rules: rules/petg.yaml
exclude: ["drafts/"]
"""
# 1.5 mm comes out hollow: 1.5 - 2 x 0.55 = 0.4 lies between `squeeze` and `smallest_fill`.
RULES = """\
wallguard: 1
name: PETG
process: {category: material extrusion}
layer_height: 0.5
beads: {width: 0.55, contours: 2, smallest_wall: 0.45, squeeze: 0.1, smallest_fill: 0.6}
"""


def stl(path: Path, wall: float) -> None:
    """A square tube with walls of `wall` mm, as ASCII STL."""
    inside = 20 - 2 * wall
    drawn: Mesh = mesh(box([20, 20, 4]) - box([inside, inside, 6], [wall, wall, -1]))
    lines = ["solid tube"]
    for triangle in drawn.vertices[drawn.triangles].tolist():
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += [f"vertex {x:.6f} {y:.6f} {z:.6f}" for x, y, z in triangle]
        lines += ["endloop", "endfacet"]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([*lines, "endsolid tube", ""]), encoding="ascii")


class Work:
    """A design repository under construction."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def run(self, *command: str, **more) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            command,
            cwd=self.root,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            check=False,
            **more,
        )

    def git(self, *arguments: str) -> str:
        done = self.run("git", *arguments)
        assert done.returncode == 0, done.stdout
        return done.stdout.strip()

    def write(self, name: str, text: str) -> None:
        (self.root / name).parent.mkdir(parents=True, exist_ok=True)
        (self.root / name).write_text(text, encoding="utf-8")

    def commit(self, *options: str) -> subprocess.CompletedProcess[str]:
        return self.run("git", "commit", "--message", "work", *options)


@pytest.fixture
def work(tmp_path, monkeypatch) -> Work:
    """A repository with its first commit, and `wallguard` on the PATH."""
    for name in [name for name in os.environ if name.startswith(("GIT_", "PRE_COMMIT"))]:
        monkeypatch.delenv(name)
    (tmp_path / "gitconfig").write_text(
        "[user]\nname = Tester\nemail = tester@example.org\n[init]\ndefaultBranch = main\n"
    )
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", str(tmp_path / "gitconfig"))
    monkeypatch.setenv("GIT_CONFIG_NOSYSTEM", "1")
    monkeypatch.setenv("PRE_COMMIT_HOME", str(tmp_path / "pre-commit"))
    monkeypatch.setenv("PYTHONPATH", str(TOP))
    programs = tmp_path / "programs"
    programs.mkdir()
    for name, line in (
        ("wallguard", f'exec "{sys.executable}" -m wallguard "$@"'),
        ("pip", f'echo "$@" >> "{tmp_path / "installed"}"'),
    ):
        program = programs / name
        program.write_text(f"#!/bin/sh\n{line}\n")
        program.chmod(0o755)
    monkeypatch.setenv("PATH", str(programs), prepend=os.pathsep)
    made = Work(tmp_path / "design")
    made.root.mkdir()
    made.git("init", "--quiet")
    made.write("wallguard.yaml", CONFIG)
    made.write("rules/petg.yaml", RULES)
    stl(made.root / "parts/good.stl", 1.8)
    made.git("add", "--all")
    made.git("commit", "--quiet", "--message", "first")
    return made


@pytest.fixture
def hooked(work) -> Work:
    """The same with pre-commit installed: our manifest's hook, but run from this environment."""
    (hook,) = yaml.safe_load((TOP / ".pre-commit-hooks.yaml").read_text(encoding="utf-8"))
    hook |= {"language": "system"}
    config = {"repos": [{"repo": "local", "hooks": [hook]}]}
    work.write(".pre-commit-config.yaml", yaml.safe_dump(config))
    work.git("add", "--all")
    work.git("commit", "--quiet", "--message", "hook")
    done = work.run(sys.executable, "-m", "pre_commit", "install")
    assert done.returncode == 0, done.stdout
    return work


def one_line(text: str) -> str:
    """Without the line breaks that a narrow terminal asks for."""
    return " ".join(text.split())


def test_pre_commit_accepts_the_manifest():
    done = subprocess.run(
        [sys.executable, "-m", "pre_commit", "validate-manifest", TOP / ".pre-commit-hooks.yaml"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "")


def test_the_readme_shows_the_hook_of_the_manifest():
    (hook,) = yaml.safe_load((TOP / ".pre-commit-hooks.yaml").read_text(encoding="utf-8"))
    blocks = (TOP / "hooks" / "README.md").read_text(encoding="utf-8").split("```yaml\n")[1:]
    (local,) = [block.split("```")[0] for block in blocks if "repo: local" in block]
    (shown,) = yaml.safe_load(local)["repos"][0]["hooks"]
    assert shown == {key: hook[key] for key in shown} | {"language": "system"}


def test_a_hollow_wall_is_refused_with_its_place_and_a_mended_one_passes(hooked):
    stl(hooked.root / "parts/new cup é.stl", 1.5)
    hooked.git("add", "--all")
    done = hooked.commit()
    said = one_line(done.stdout)
    assert done.returncode == 1, said
    assert "parts/new cup é.stl" in said
    assert re.search(r"wall 1\.50 .*thick at \(\S+, \S+, \S+\)", said)
    assert "will print hollow" in said
    assert "parts/good.stl" not in said
    stl(hooked.root / "parts/new cup é.stl", 1.8)
    hooked.git("add", "--all")
    done = hooked.commit()
    assert done.returncode == 0, done.stdout
    assert "Passed" in done.stdout


def test_a_commit_of_something_else_starts_nothing(hooked):
    hooked.write("README.md", "text\n")
    hooked.git("add", "--all")
    done = hooked.commit()
    assert done.returncode == 0, done.stdout
    assert "(no files to check)Skipped" in done.stdout


def test_another_yaml_file_is_passed_over(hooked):
    hooked.write("pipeline.yaml", "any: thing\n")
    hooked.git("add", "--all")
    done = hooked.commit()
    assert done.returncode == 0, done.stdout
    assert "Passed" in done.stdout


def test_a_changed_rule_file_checks_the_parts_it_governs(hooked):
    hooked.write("rules/petg.yaml", RULES.replace("smallest_fill: 0.6", "smallest_fill: 0.9"))
    hooked.git("add", "--all")
    done = hooked.commit()
    assert done.returncode == 1, done.stdout
    assert "parts/good.stl" in done.stdout


def test_a_broken_rule_file_is_refused_with_its_place(hooked):
    hooked.write("rules/petg.yaml", RULES + "walls: 3\n")
    hooked.git("add", "--all")
    done = hooked.commit()
    assert done.returncode == 1
    assert "exit code: 2" in done.stdout
    assert "rules/petg.yaml:6:1" in one_line(done.stdout)


def test_what_is_not_staged_does_not_count(hooked):
    stl(hooked.root / "parts/good.stl", 1.9)
    hooked.git("add", "--all")
    stl(hooked.root / "parts/good.stl", 1.5)
    assert hooked.commit().returncode == 0
    stl(hooked.root / "parts/good.stl", 1.5)
    hooked.git("add", "--all")
    stl(hooked.root / "parts/good.stl", 1.8)
    assert hooked.commit().returncode == 1


def test_an_excluded_file_is_not_checked(hooked):
    stl(hooked.root / "drafts/idea.stl", 1.5)
    hooked.git("add", "--all")
    done = hooked.commit()
    assert done.returncode == 0, done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="options are what begins with - or /")
def test_a_name_that_looks_like_an_option_is_a_name(hooked):
    stl(hooked.root / "--help.stl", 1.5)
    hooked.git("add", "--all")
    done = hooked.commit()
    assert done.returncode == 1
    assert "will print hollow" in one_line(done.stdout)


def test_all_files_are_checked_on_demand(hooked):
    stl(hooked.root / "parts/bad.stl", 1.5)
    hooked.git("add", "--all")
    hooked.git("commit", "--no-verify", "--quiet", "--message", "past the hook")
    done = hooked.run(sys.executable, "-m", "pre_commit", "run", "--all-files")
    assert done.returncode == 1
    assert "parts/bad.stl" in done.stdout


@pytest.fixture
def plain(work) -> Work:
    """The repository with our plain git hook."""
    shutil.copy(TOP / "hooks" / "pre-commit", work.root / ".git" / "hooks" / "pre-commit")
    return work


@pytest.mark.skipif(sys.platform == "win32", reason="a shell script")
def test_the_plain_hook_refuses_a_hollow_wall_and_lets_a_mended_one_pass(plain):
    assert (TOP / "hooks" / "pre-commit").stat().st_mode & stat.S_IXUSR
    stl(plain.root / "parts/new.stl", 1.5)
    plain.git("add", "--all")
    stl(plain.root / "parts/new.stl", 1.8)
    done = plain.commit()
    said = one_line(done.stdout)
    assert done.returncode == 1
    assert "parts/new.stl" in said
    assert "will print hollow" in said
    plain.git("add", "--all")
    done = plain.commit()
    assert done.returncode == 0, done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="a shell script")
def test_the_plain_hook_lets_other_commits_pass(plain):
    plain.write("README.md", "text\n")
    plain.git("add", "--all")
    done = plain.commit()
    assert done.returncode == 0, done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="a shell script")
def test_the_plain_hook_says_how_to_install_wallguard(plain, tmp_path, monkeypatch):
    (tmp_path / "programs" / "wallguard").unlink()
    monkeypatch.setenv("PATH", f"{tmp_path / 'programs'}:/usr/bin:/bin")
    plain.write("README.md", "text\n")
    plain.git("add", "--all")
    done = plain.commit()
    assert done.returncode == 1
    assert "pip install wallguard" in done.stdout


def scripts(value: object) -> list[str]:
    """All shell lines in a pipeline, in their order."""
    if isinstance(value, list):
        return [line for item in value for line in scripts(item)]
    if not isinstance(value, dict):
        return []
    found: list[str] = []
    for key, item in value.items():
        if key == "run" and isinstance(item, str):
            found.append(item)
        elif key == "script":
            found += item
        else:
            found += scripts(item)
    return found


@pytest.mark.parametrize("pipeline", PIPELINES, ids=lambda path: path.stem)
@pytest.mark.parametrize(("branch", "expected"), [("merged", 1), ("", 0)])
@pytest.mark.skipif(sys.platform == "win32", reason="shell scripts")
def test_a_pipeline_checks_what_the_branch_changed_and_reports(
    work, tmp_path, monkeypatch, pipeline, branch, expected
):
    """Run with what each forge sets for a merge request into main, and for main itself."""
    lines = scripts(yaml.safe_load(pipeline.read_text(encoding="utf-8")))
    if pipeline.stem == "bitbucket-pipelines" and not branch:
        pytest.skip("it runs for pull requests only")
    base = work.git("rev-parse", "HEAD")
    work.git("remote", "add", "origin", str(work.root))
    work.git("fetch", "--quiet", "origin")
    if branch:
        work.git("checkout", "--quiet", "-b", branch)
        stl(work.root / "parts/new.stl", 1.5)
        work.git("add", "--all")
        work.git("commit", "--quiet", "--message", "hollow")
        monkeypatch.setenv("TARGET", "main")
        monkeypatch.setenv("CI_MERGE_REQUEST_DIFF_BASE_SHA", base)
        monkeypatch.setenv("BITBUCKET_PR_DESTINATION_BRANCH", "main")
    monkeypatch.setenv("GITHUB_STEP_SUMMARY", str(tmp_path / "summary.md"))
    kept = [line for line in lines if "apt-get" not in line]
    assert any("pip install wallguard" in line for line in lines)
    codes = [work.run("bash", "-e", "-c", line).returncode for line in kept]
    assert [code for code in codes if code] == [expected] * expected
    (junit,) = work.root.rglob("walls.xml")
    (markdown,) = work.root.rglob("walls.md")
    assert junit.read_text(encoding="utf-8").startswith("<?xml")
    summary = markdown.read_text(encoding="utf-8")
    assert ("parts/new.stl" in summary) == bool(branch)
    assert ("parts/good.stl" in summary) == (not branch)
    if pipeline.stem == "github-actions":
        assert (tmp_path / "summary.md").read_text(encoding="utf-8") == summary


def test_a_commit_that_touches_no_part_imports_nothing_heavy(work, monkeypatch, capsys):
    """How long it takes depends on the machine; what it imports does not."""
    work.write("README.md", "text\n")
    work.git("add", "--all")
    code = (
        "import sys; from wallguard.cli import main; code = main(['check', '--staged'])\n"
        "heavy = {'numpy', 'scipy', 'trimesh', 'manifold3d'} & set(sys.modules)\n"
        "print(code, sorted(heavy))"
    )
    done = work.run(sys.executable, "-c", code)
    assert done.stdout.splitlines()[-1] == "0 []", done.stdout
    monkeypatch.chdir(work.root)
    assert main(["check", "--staged"]) == 0
    assert "parts/good.stl" not in capsys.readouterr().out
