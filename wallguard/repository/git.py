"""Running git: no shell, names apart by NUL, and plain words where it fails."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

from wallguard.base.errors import InputError

# Seconds; a repository of a million files needs a few.
_PATIENCE = 300
_INSTALL = "Install git, or name the parts to check"


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


def command(folder: Path, *arguments: str) -> list[str]:
    """The command line for git in `folder`."""
    return ["git", "-C", str(folder), *arguments]


def environment(folder: Path) -> dict[str, str]:
    """The environment for git in `folder`: it asks no questions and leaves the index alone."""
    values = {**os.environ, "GIT_OPTIONAL_LOCKS": "0", "GIT_TERMINAL_PROMPT": "0"}
    if _has_git(folder):
        # A hook may be told where the repository is; with that git would take any folder it is
        # run in for the top of the work tree. GIT_INDEX_FILE stays: it is what is committed.
        for name in ("GIT_DIR", "GIT_WORK_TREE", "GIT_PREFIX"):
            values.pop(name, None)
    return values


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    """Run git in `folder`, whatever its exit code.

    Raises InputError: git is not installed, `folder` is in no repository, no answer.
    """
    if not in_repository(folder):
        raise InputError(
            folder,
            "this folder is in no git repository, so what changed cannot be told",
            remedy="Name the parts to check, or check all",
        )
    try:
        return subprocess.run(
            command(folder, *arguments),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            env=environment(folder),
            timeout=_PATIENCE,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise InputError(
            folder, f"git {arguments[0]} gave no answer within {_PATIENCE} seconds"
        ) from None
    except OSError as error:
        raise not_runnable(folder, error) from None


def not_runnable(folder: Path, error: OSError) -> InputError:
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
    """The names, each ended by NUL, that git prints; bytes that are no text are kept."""
    return [os.fsdecode(name) for name in output(folder, *arguments).split(b"\0")[:-1]]


def _has_git(folder: Path) -> bool:
    return any(os.path.lexists(place / ".git") for place in (folder, *folder.parents))
