"""The hooks, driven for real in temporary git repositories."""

import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from design_repository import RULES, Work, design_repository, stl

from wallguard.commands.main import main

TOP = Path(__file__).resolve().parents[1]
pytestmark = pytest.mark.xdist_group("hooks")


@pytest.fixture
def work(tmp_path, monkeypatch) -> Work:
    """A design repository with its first commit, and `wallguard` on the PATH."""
    return design_repository(tmp_path, monkeypatch)


@pytest.fixture(scope="module")
def with_hook() -> dict[str, Path]:
    """Where a repository with pre-commit installed is kept, once it is made."""
    return {}


@pytest.fixture
def hooked(work, with_hook, tmp_path_factory) -> Work:
    """The same with pre-commit installed: our manifest's hook, but run from this environment."""
    if "made" not in with_hook:
        _install(work)
        with_hook["made"] = tmp_path_factory.mktemp("hooked") / "design"
        shutil.copytree(work.root, with_hook["made"], symlinks=True)
    else:
        shutil.rmtree(work.root)
        shutil.copytree(with_hook["made"], work.root, symlinks=True)
    return work


def _install(work: Work) -> None:
    (hook,) = yaml.safe_load((TOP / ".pre-commit-hooks.yaml").read_text(encoding="utf-8"))
    hook |= {"language": "system"}
    config = {"repos": [{"repo": "local", "hooks": [hook]}]}
    work.write(".pre-commit-config.yaml", yaml.safe_dump(config))
    work.git("add", "--all")
    work.git("commit", "--quiet", "--message", "hook")
    done = work.run(sys.executable, "-m", "pre_commit", "install")
    assert done.returncode == 0, done.stdout


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
    line = len(RULES.splitlines()) + 1
    assert f"rules/petg.yaml:{line}:1" in one_line(done.stdout)


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


def test_a_warning_shows_though_the_commit_passes(hooked):
    hooked.write("rules/petg.yaml", RULES + "minimum: {wall: {warn: 2.5}}\n")
    hooked.git("add", "--all")
    done = hooked.commit()
    assert done.returncode == 0, done.stdout
    assert "below the minimum of 2.50 mm" in one_line(done.stdout)


@pytest.fixture
def below(hooked) -> Work:
    """The same with the design repository in a folder of the git repository."""
    (hooked.root / "hardware").mkdir()
    for name in ("wallguard.yaml", "rules", "parts"):
        hooked.git("mv", name, f"hardware/{name}")
    hooked.git("commit", "--no-verify", "--quiet", "--message", "moved")
    return hooked


def test_from_the_top_the_hook_serves_a_design_repository_in_a_folder(below):
    stl(below.root / "hardware/parts/bad.stl", 1.5)
    below.git("add", "--all")
    done = below.commit()
    assert done.returncode == 1
    assert "hardware/parts/bad.stl" in done.stdout
    assert "exit code: 1" in done.stdout
    below.git("rm", "--quiet", "--force", "hardware/parts/bad.stl")
    below.write("pipeline.yaml", "any: thing\n")
    below.write("hardware/other.yaml", "any: thing\n")
    below.git("add", "--all")
    done = below.commit()
    assert done.returncode == 0, done.stdout


@pytest.fixture
def plain(work) -> Work:
    """The repository with our plain git hook."""
    (work.root / ".git" / "hooks").mkdir()
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
def test_the_plain_hook_finds_a_design_repository_in_a_folder(plain):
    (plain.root / "hardware").mkdir()
    for name in ("wallguard.yaml", "rules", "parts"):
        plain.git("mv", name, f"hardware/{name}")
    stl(plain.root / "hardware/parts/new.stl", 1.5)
    plain.git("add", "--all")
    done = plain.commit()
    assert done.returncode == 1
    assert "hardware/parts/new.stl" in done.stdout


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
    assert "in a clone of its repository, pip install ." in done.stdout


def test_a_commit_that_touches_no_part_imports_nothing_heavy(work, monkeypatch, capsys):
    """How long it takes depends on the machine; what it imports does not."""
    work.write("README.md", "text\n")
    work.git("add", "--all")
    code = (
        "import sys; from wallguard.commands.main import main; code = main(['check', '--staged'])\n"
        "heavy = {'numpy', 'scipy', 'trimesh', 'manifold3d'} & set(sys.modules)\n"
        "print(code, sorted(heavy))"
    )
    done = work.run(sys.executable, "-c", code)
    assert done.stdout.splitlines()[-1] == "0 []", done.stdout
    monkeypatch.chdir(work.root)
    assert main(["check", "--staged"]) == 0
    said = one_line(capsys.readouterr().out)
    assert "NOTHING CHECKED" in said
    assert "Not looked at: parts/good.stl they did not change; --all checks them too" in said
