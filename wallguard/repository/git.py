"""Running git: no shell, names apart by NUL, and plain words where it fails.

git starts here only, and only to read. A design repository holds what anybody proposed: a folder
of it may pass for a repository of its own, whose settings name programs to run. So git is told
with every call to run none that a question does not need.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from wallguard.base.errors import InputError

# Seconds; a repository of a million files needs a few.
_PATIENCE = 300
_INSTALL = "Install git, or name the parts to check"
# Names from the documentation of git config (from memory); a git that does not know one ignores it.
_SETTINGS = (
    # A tracked folder that looks like a bare repository is none (git 2.38).
    ("safe.bareRepository", "explicit"),
    # Programs that watch the work tree, and hooks.
    ("core.fsmonitor", "false"),
    ("core.hooksPath", os.devnull),
)
# What a filter of a repository's settings is set to, so that it does nothing.
_NO_FILTER = {"clean": "", "smudge": "", "process": "", "required": "false"}


def in_repository(folder: Path) -> bool:
    """Whether a git repository seems to hold `folder` (an absolute path)."""
    return _has_git(folder) or "GIT_DIR" in os.environ


def below_top(folder: Path) -> str:
    """`folder` (an absolute path, links followed) as seen from the top of the git work tree that
    holds it, with /; `.` where it is the top, or where there is none."""
    for place in (folder, *folder.parents):
        if os.path.lexists(place / ".git"):
            return folder.relative_to(place).as_posix()
    return "."


def environment(folder: Path, more: Iterable[tuple[str, str]] = ()) -> dict[str, str]:
    """The environment for git in `folder`: it asks no questions, leaves the index alone, fetches
    nothing and runs no program that a setting names, but for filters; `more` settings."""
    values = {
        **os.environ,
        "GIT_OPTIONAL_LOCKS": "0",
        "GIT_TERMINAL_PROMPT": "0",
        "GIT_NO_LAZY_FETCH": "1",
        # Nothing is fetched, so no transport helper starts; a setting of one protocol (`ext`) would
        # go before one of all.
        "GIT_ALLOW_PROTOCOL": "none",
    }
    if _has_git(folder):
        # A hook may be told where the repository is; with that git would take any folder it is
        # run in for the top of the work tree. GIT_INDEX_FILE stays: it is what is committed.
        for name in ("GIT_DIR", "GIT_WORK_TREE", "GIT_PREFIX"):
            values.pop(name, None)
    # After what is set there already, such as `safe.directory`: the last one holds.
    given = values.get("GIT_CONFIG_COUNT", "")
    count = int(given) if given.isdecimal() else 0
    for key, value in (*_SETTINGS, *more):
        values[f"GIT_CONFIG_KEY_{count}"] = key
        values[f"GIT_CONFIG_VALUE_{count}"] = value
        count += 1
    values["GIT_CONFIG_COUNT"] = str(count)
    return values


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    """Run git in `folder`, whatever its exit code.

    What compares files of the work tree would send them through the filters that settings name, and
    these are programs: it compares them as they lie there.

    Raises InputError: git is not installed, `folder` is in no repository, no answer.
    """
    if not in_repository(folder):
        raise InputError(
            folder,
            "this folder is in no git repository, so what changed cannot be told",
            remedy="Name the parts to check, or check all",
        )
    compares = arguments[0] == "diff" and "--cached" not in arguments
    return _run(folder, *arguments, more=_no_filters(folder) if compares else ())


def _no_filters(folder: Path) -> list[tuple[str, str]]:
    """Settings by which none of the filters that there are does anything."""
    known = _run(folder, "config", "-z", "--name-only", "--get-regexp", r"^filter\.").stdout
    drivers = {name.rpartition(b".")[0] for name in known.split(b"\0") if name}
    return [
        (f"{os.fsdecode(driver)}.{key}", value)
        for driver in sorted(drivers)
        for key, value in _NO_FILTER.items()
    ]


def _run(
    folder: Path, *arguments: str, more: Iterable[tuple[str, str]] = ()
) -> subprocess.CompletedProcess[bytes]:
    try:
        return subprocess.run(
            _command(folder, *arguments),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            env=environment(folder, more),
            timeout=_PATIENCE,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise InputError(
            folder, f"git {arguments[0]} gave no answer within {_PATIENCE} seconds"
        ) from None
    except OSError as error:
        raise _not_runnable(folder, error) from None


@contextmanager
def talking(folder: Path, *arguments: str) -> Iterator[tuple[IO[bytes], IO[bytes]]]:
    """A git that answers question by question: where to write them, and where to read answers.

    Raises InputError where git cannot be run.
    """
    try:
        process = subprocess.Popen(
            _command(folder, *arguments),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment(folder),
        )
    except OSError as error:
        raise _not_runnable(folder, error) from None
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        yield process.stdin, process.stdout
    finally:
        process.kill()
        process.communicate()


def _command(folder: Path, *arguments: str) -> list[str]:
    return ["git", "-C", str(folder), *arguments]


def _not_runnable(folder: Path, error: OSError) -> InputError:
    """What to say where git could not be started."""
    if isinstance(error, FileNotFoundError):
        return InputError(folder, "git is not installed, or not on the PATH", remedy=_INSTALL)
    return InputError(folder, f"git cannot be run ({error.strerror})", remedy=_INSTALL)


def output(folder: Path, *arguments: str) -> bytes:
    """What git prints. Raises InputError as `run` does, and where git fails, in git's words."""
    done = run(folder, *arguments)
    if done.returncode:
        words = " ".join(done.stderr.decode("utf-8", "replace").split())
        said = "".join(letter for letter in words if letter.isprintable())[:500]
        raise InputError(folder, f"git {arguments[0]} failed: {said or 'it did not say why'}")
    return done.stdout


def names(folder: Path, *arguments: str) -> list[str]:
    """The names, each ended by NUL, that git prints; bytes that are no text are kept.

    Raises InputError as `output` does, and for an answer of another kind.
    """
    *ended, rest = output(folder, *arguments).split(b"\0")
    if rest:
        raise nonsense(folder, arguments[0])
    return [os.fsdecode(name) for name in ended]


def refuse_nonsense(folder: Path, known: str) -> None:
    """Raises InputError where what is called git does not answer as git does: of one that says
    nothing to anything it would seem that nothing changed.

    known  a file's name: where there is one in `folder`, git must list it, tracked or not
    """
    if (folder / known).is_file():
        if names(folder, "ls-files", "-z", "--cached", "--others", "--", known)[:1] != [known]:
            raise nonsense(folder, "ls-files")
    elif output(folder, "rev-parse", "--is-inside-work-tree").strip() not in (b"true", b"false"):
        raise nonsense(folder, "rev-parse")


def nonsense(folder: Path, question: str) -> InputError:
    """What to say of an answer that is none to what was asked: nothing may be read into it."""
    return InputError(
        folder,
        f"git {question} gave an answer that makes no sense",
        remedy="See what `git` is on the PATH here, and what its settings are",
    )


def _has_git(folder: Path) -> bool:
    return any(os.path.lexists(place / ".git") for place in (folder, *folder.parents))
