"""git as it is started: nothing in a design repository can make it run a program."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from wallguard.base.errors import InputError
from wallguard.commands.main import main
from wallguard.repository import git
from wallguard.repository.changes import all_files, merge_base, staged, working
from wallguard.repository.staged import in_index

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="shell scripts")
CONFIG = """\
wallguard: 1
parts:
  - {files: "*.stl", rules: petg.yaml}
"""


@pytest.fixture
def repository(tmp_path) -> Path:
    root = tmp_path / "design"
    root.mkdir()
    ask(root, "init", "--quiet", "-b", "main")
    (root / "a.stl").write_text("one\n")
    ask(root, "add", "--all")
    ask(root, "commit", "--quiet", "--message", "one")
    return root


def ask(folder: Path, *arguments: str) -> None:
    subprocess.run(["git", "-C", str(folder), *arguments], check=True, capture_output=True)


def program(path: Path, line: str) -> Path:
    path.write_text(f"#!/bin/sh\n{line}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def plainly_runs(folder, ran):
    """What git runs there by itself, which shows that it would: forgotten again."""
    subprocess.run(["git", "-C", str(folder), "status"], capture_output=True, check=False)
    said = ran.read_text()
    ran.unlink()
    return said


@pytest.mark.parametrize("how", [["--all"], ["--staged"], []])
def test_a_tracked_folder_that_passes_for_a_repository_runs_nothing(
    repository, tmp_path, monkeypatch, how
):
    """All of it can be committed: git finds HEAD, objects, refs and a config in the folder."""
    ran = tmp_path / "ran"
    spy = program(tmp_path / "spy", f'echo "$@" >> "{ran}"')
    bare = repository / "sub"
    for name in ("objects", "refs/heads"):
        (bare / name).mkdir(parents=True)
    (bare / "HEAD").write_text("ref: refs/heads/main\n")
    (bare / "config").write_text(
        f"[core]\nrepositoryformatversion = 0\nbare = false\nworktree = .\nfsmonitor = {spy}\n"
    )
    (bare / "wallguard.yaml").write_text(CONFIG)
    plainly_runs(bare, ran)
    monkeypatch.chdir(bare)
    main(["check", *how])
    assert not ran.exists()


def test_programs_that_settings_name_are_not_run(repository, tmp_path):
    ran = tmp_path / "ran"
    spy = program(tmp_path / "spy", f'echo "$@" >> "{ran}"; exit 1')
    hooks = tmp_path / "hooks"
    hooks.mkdir()
    program(hooks / "post-index-change", f'echo hook >> "{ran}"')
    for key, value in (("core.fsmonitor", str(spy)), ("core.hooksPath", str(hooks))):
        ask(repository, "config", key, value)
    (repository / "a.stl").write_text("two\n")
    assert "hook" in plainly_runs(repository, ran)
    (repository / "a.stl").write_text("three\n")
    assert working(repository).present == ("a.stl",)
    assert staged(repository).present == ()
    assert all_files(repository) == ["a.stl"]
    assert not ran.exists()


def test_settings_given_by_the_environment_stay(repository, monkeypatch):
    monkeypatch.setenv("GIT_CONFIG_COUNT", "1")
    monkeypatch.setenv("GIT_CONFIG_KEY_0", "user.name")
    monkeypatch.setenv("GIT_CONFIG_VALUE_0", "Somebody")
    assert git.output(repository, "config", "user.name") == b"Somebody\n"
    assert git.output(repository, "config", "safe.bareRepository") == b"explicit\n"


@pytest.mark.parametrize("answer", ["", "echo nothing that was asked", "printf 'x\\0y\\0z\\0'"])
def test_an_answer_that_makes_no_sense_is_refused(repository, tmp_path, monkeypatch, answer):
    """A wrapper around git, or a broken one."""
    programs = tmp_path / "programs"
    programs.mkdir()
    program(programs / "git", answer)
    monkeypatch.setenv("PATH", str(programs), prepend=os.pathsep)
    questions = [lambda: in_index(repository).content(["a.stl"], tmp_path / "into")]
    if answer:  # that nothing is staged is an answer
        questions.append(lambda: staged(repository))
    for question in questions:
        if answer:
            with pytest.raises(InputError, match="makes no sense"):
                question()
        else:
            assert question() == {}


@pytest.mark.parametrize("kind", ["clean", "smudge", "process"])
def test_filters_that_settings_name_are_not_run(repository, tmp_path, monkeypatch, kind):
    """Nor do they hide a change, and the ones of Git LFS are such, too."""
    ran = tmp_path / "ran"
    spy = program(tmp_path / "spy", f'echo {kind} >> "{ran}"; cat')
    (repository / ".gitattributes").write_text("*.stl filter=Evil.one\n")
    (repository / "b.stl").write_text("one\n")
    ask(repository, "add", "--all")
    ask(repository, "commit", "--quiet", "--message", "two")
    for key, value in ((kind, str(spy)), ("required", "true")):
        ask(repository, "config", f"filter.Evil.one.{key}", value)
    (repository / "a.stl").write_text("two, and longer\n")
    (repository / "b.stl").touch()
    (repository / "wallguard.yaml").write_text(CONFIG)
    assert "a.stl" in working(repository).present
    monkeypatch.chdir(repository)
    for how in ([], ["--all"], ["--staged"], ["--base", "HEAD"], ["--changed-since", "HEAD~1"]):
        main(["check", "--no-cache", *how])
    assert not ran.exists()


def test_what_is_missing_is_not_fetched_by_a_program(repository, tmp_path, monkeypatch):
    """A promised object whose remote is a command line."""
    ran = tmp_path / "ran"
    for key, value in (
        ("core.repositoryformatversion", "1"),
        ("extensions.partialClone", "evil"),
        ("remote.evil.url", f"ext::sh -c touch% {ran}"),
        ("remote.evil.promisor", "true"),
        ("protocol.ext.allow", "always"),
    ):
        ask(repository, "config", key, value)
    for blob in (repository / ".git/objects").glob("??/*"):
        kind = subprocess.run(
            ["git", "-C", str(repository), "cat-file", "-t", blob.parent.name + blob.name],
            capture_output=True,
            check=True,
        ).stdout
        if kind == b"blob\n":
            blob.unlink()
    (repository / "a.stl").write_text("two, and longer\n")
    (repository / "wallguard.yaml").write_text(CONFIG)
    monkeypatch.chdir(repository)
    for how in ([], ["--staged"], ["--base", "HEAD"]):
        main(["check", "--no-cache", *how])
    assert not ran.exists()


@pytest.mark.parametrize("option", ["--base", "--changed-since"])
@pytest.mark.parametrize(
    "revision", ["--output=out", "-h", "--exec-path=.", "--upload-pack=touch out", "-", "HEAD\n-h"]
)
def test_a_revision_that_looks_like_an_option_is_none(
    repository, monkeypatch, capsys, option, revision
):
    (repository / "wallguard.yaml").write_text(CONFIG)
    monkeypatch.chdir(repository)
    assert main(["check", f"{option}={revision}"]) == 2
    assert not (repository / "out").exists()
    assert capsys.readouterr().err.count("wallguard: ") == 1


def test_a_submodule_is_not_looked_into(repository, tmp_path, monkeypatch):
    ran = tmp_path / "ran"
    spy = program(tmp_path / "spy", f'echo "$@" >> "{ran}"')
    inner = repository / "inner"
    inner.mkdir()
    ask(inner, "init", "--quiet", "-b", "main")
    (inner / "c.stl").write_text("one\n")
    ask(inner, "add", "--all")
    ask(inner, "commit", "--quiet", "--message", "one")
    ask(repository, "add", "--all")
    ask(repository, "commit", "--quiet", "--message", "with a submodule")
    ask(inner, "config", "core.fsmonitor", str(spy))
    (inner / "c.stl").write_text("two, and longer\n")
    plainly_runs(repository, ran)
    (repository / "wallguard.yaml").write_text(CONFIG)
    monkeypatch.chdir(repository)
    for how in ([], ["--all"], ["--base", "HEAD"]):
        main(["check", "--no-cache", *how])
    assert not ran.exists()


@pytest.mark.parametrize("said", [b"\xff", b"", b"abc\ndef\n", b"../x"])
def test_a_merge_base_that_is_no_name_is_refused(repository, monkeypatch, said):
    real = git.run

    def run(folder, *words):
        done = real(folder, *words)
        if words[0] == "merge-base":
            done.stdout = said
        return done

    monkeypatch.setattr(git, "run", run)
    with pytest.raises(InputError, match="git merge-base gave an answer that makes no sense"):
        merge_base(repository, "HEAD")
