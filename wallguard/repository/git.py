"""Running git: no shell, names apart by NUL, and plain words where it fails.

git starts here only, and only to read; what it fetches, where that is asked for, goes into a folder
of its own. A design repository holds what anybody proposed: a folder
of it may pass for a repository of its own, whose settings name programs to run. So git is told
with every call to run none that a question does not need.
"""

from __future__ import annotations

import os
import re
import subprocess
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import IO

from wallguard.base.errors import InputError

# Seconds; a repository of a million files needs a few.
_PATIENCE = 300
_SMALL = "A library holds rule files; keep everything else elsewhere"
_FETCHED = "refs/wallguard/fetched"
_COMMIT = re.compile(r"[0-9a-f]{40}(?:[0-9a-f]{24})?")
_SCHEME = re.compile(r"([a-z]+)://")
_SHORT_SSH = re.compile(r"[^/]+:")
# Name and password in an address.
_SECRET = re.compile(r"(://)[^/@\s]+@")
_OBJECTS = ("GIT_OBJECT_DIRECTORY", "GIT_ALTERNATE_OBJECT_DIRECTORIES", "GIT_COMMON_DIR")
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
    return _done(folder, _command(folder, *arguments), arguments[0], environment(folder, more))


def _done(
    folder: Path, words: list[str], question: str, values: dict[str, str]
) -> subprocess.CompletedProcess[bytes]:
    """A program that is git, ended. Raises InputError where it cannot be run or does not end."""
    try:
        return subprocess.run(
            words,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            env=values,
            timeout=_PATIENCE,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise InputError(
            folder, f"git {question} gave no answer within {_PATIENCE} seconds"
        ) from None
    except OSError as error:
        raise _not_runnable(folder, error) from None


@contextmanager
def talking(folder: Path, *arguments: str) -> Iterator[tuple[IO[bytes], IO[bytes]]]:
    """A git that answers question by question: where to write them, and where to read answers.

    Raises InputError where git cannot be run.
    """
    with _pipes(folder, _command(folder, *arguments), environment(folder)) as pipes:
        yield pipes


@contextmanager
def _pipes(
    folder: Path, words: list[str], values: dict[str, str]
) -> Iterator[tuple[IO[bytes], IO[bytes]]]:
    try:
        process = subprocess.Popen(
            words,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=values,
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
    return _succeeded(folder, arguments, run(folder, *arguments))


def _output(folder: Path, *arguments: str) -> bytes:
    """The same in a folder that is in no repository."""
    return _succeeded(folder, arguments, _run(folder, *arguments))


def _succeeded(
    folder: Path, arguments: tuple[str, ...], done: subprocess.CompletedProcess[bytes]
) -> bytes:
    if done.returncode:
        said = _words(done.stderr) or "it did not say why"
        raise InputError(folder, f"git {arguments[0]} failed: {said}")
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


def fetch(bare: Path, address: str, revision: str, largest: int) -> str:
    """Fetch one revision, a tag or a commit, into a new repository without a work tree; returns the
    full name of the commit.

    address  that of a repository, or its folder; revision: see `rules.lock.REVISION`
    largest  bytes that it may take

    Raises InputError where it cannot be reached, or there is no such revision, or it is too large.
    """
    if address.startswith("-") or revision.startswith("-") or not revision:
        raise InputError(cleaned(address), "an option is no address and no revision")
    _output(bare.parent, "init", "--quiet", "--bare", "--template=", str(bare))
    is_commit = _COMMIT.fullmatch(revision) is not None
    wanted = revision if is_commit else f"refs/tags/{revision}"
    tries = [("--depth=1", f"+{wanted}:{_FETCHED}")]
    if is_commit:  # not every server gives a commit by its name
        tries.append(("--no-auto-gc", "+refs/heads/*:refs/heads/*"))
    said = ""
    for how, ref in tries:
        said = _fetched(bare, (how, "--", address, ref), address, largest)
        asked = f"{revision if is_commit else _FETCHED}^{{commit}}"
        found = _run_alone(bare, "rev-parse", "--verify", "--quiet", asked)
        name = found.stdout.decode("ascii", "replace").strip()
        if not said and _COMMIT.fullmatch(name):
            return name
    raise InputError(
        cleaned(address),
        f"{revision} cannot be fetched: {said or 'there is no such commit'}",
        remedy="Check address, revision and network; what wallguard.lock holds still holds",
    )


def _fetched(bare: Path, words: tuple[str, ...], address: str, largest: int) -> str:
    """Fetch; what git says where it fails, or nothing. Raises InputError where it is too large or
    takes too long."""
    scheme = _SCHEME.match(address)
    protocol = scheme[1] if scheme else ("ssh" if _SHORT_SSH.match(address) else "file")
    settings = (("transfer.fsckObjects", "true"), ("fetch.recurseSubmodules", "false"))
    # No question is put to anybody; of what helps with names and keys the user's own settings hold.
    values = {**_alone(bare, settings), "GIT_ALLOW_PROTOCOL": protocol}
    with tempfile.TemporaryFile() as errors:
        arguments = ("fetch", "--quiet", "--no-tags", "--no-recurse-submodules", *words)
        try:
            process = subprocess.Popen(
                _command_alone(bare, *arguments),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=errors,
                env=values,
            )
        except OSError as error:
            raise _not_runnable(bare.parent, error) from None
        ends, problem = time.monotonic() + _PATIENCE, ""
        try:
            while process.poll() is None and not problem:
                with suppress(subprocess.TimeoutExpired):
                    process.wait(0.1)
                if _size(bare) > largest:
                    problem = f"it is larger than {largest // 1024**2} MB"
                elif time.monotonic() > ends:
                    problem = f"it gave no answer within {_PATIENCE} seconds"
        finally:
            process.kill()
            process.wait()
        if problem:
            raise InputError(cleaned(address), f"not fetched: {problem}", remedy=_SMALL)
        errors.seek(0)
        words_said = errors.read(4096)
    return _words(words_said) or "git failed" if process.returncode else ""


def tree(bare: Path, commit: str, largest: int) -> Iterator[tuple[str, str, str]]:
    """Mode, blob and name of everything that a commit holds. Trees may hold themselves many times
    over, so no more than `largest` bytes of names are listed.

    Raises InputError where they are more.
    """
    with _talking_alone(bare, "ls-tree", "-r", "-z", "--full-tree", commit) as (_, answers):
        listed = answers.read(largest + 1)
    if len(listed) > largest:
        raise InputError(bare.name, "holds too many files for a library of rules", remedy=_SMALL)
    for line in listed.split(b"\0")[:-1]:
        facts, _, path = line.partition(b"\t")
        fields = facts.split(b" ")
        if len(fields) != 3:
            raise nonsense(bare.parent, "ls-tree")
        yield fields[0].decode(), fields[2].decode(), os.fsdecode(path)


def contents(
    bare: Path, blobs: Mapping[str, str], largest: int
) -> Iterator[tuple[str, bytes | None]]:
    """The content of each of `blobs`, by name; None of one that is larger than `largest` bytes.

    Raises InputError where git has not got one.
    """
    sized = [*blobs.items()]
    with _talking_alone(bare, "cat-file", "--batch-check") as (questions, answers):
        sizes = [_asked(bare, questions, answers, blob) for _, blob in sized]
    with _talking_alone(bare, "cat-file", "--batch") as (questions, answers):
        for (path, blob), size in zip(sized, sizes, strict=True):
            if size > largest:
                yield path, None
                continue
            yield path, answers.read(_asked(bare, questions, answers, blob))
            answers.read(1)


def _asked(bare: Path, questions: IO[bytes], answers: IO[bytes], blob: str) -> int:
    """The size of a blob, as git answers before its content."""
    with suppress(BrokenPipeError):
        questions.write(blob.encode() + b"\n")
        questions.flush()
    facts = answers.readline(1000).split()
    if len(facts) != 3 or facts[1] != b"blob":
        raise nonsense(bare.parent, "cat-file")
    return int(facts[2])


def cleaned(text: str) -> str:
    """Text of git or an address, to be shown: on one line, and without a name or password in it."""
    plain = "".join(letter if letter.isprintable() else "\ufffd" for letter in text)
    return _SECRET.sub(r"\1***@", plain)[:500]


def _words(said: bytes) -> str:
    return cleaned(" ".join(said.decode("utf-8", "replace").split()))


def _alone(bare: Path, more: Iterable[tuple[str, str]] = ()) -> dict[str, str]:
    """The environment for git in a repository of ours, whatever the caller is in the middle of."""
    values = environment(bare.parent, more)
    for name in ("GIT_DIR", "GIT_WORK_TREE", "GIT_PREFIX", "GIT_INDEX_FILE", *_OBJECTS):
        values.pop(name, None)
    return values


def _command_alone(bare: Path, *arguments: str) -> list[str]:
    return ["git", "-C", str(bare.parent), f"--git-dir={bare}", *arguments]


def _run_alone(bare: Path, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    words = _command_alone(bare, *arguments)
    return _done(bare.parent, words, arguments[0], _alone(bare))


def _talking_alone(
    bare: Path, *arguments: str
) -> AbstractContextManager[tuple[IO[bytes], IO[bytes]]]:
    return _pipes(bare.parent, _command_alone(bare, *arguments), _alone(bare))


def _size(folder: Path) -> int:
    """Bytes of all files in a folder; what is gone meanwhile counts nothing."""
    size = 0
    for place, _, names in os.walk(folder):
        for name in names:
            with suppress(OSError):
                size += os.lstat(os.path.join(place, name)).st_size  # noqa: PTH118
    return size


def _has_git(folder: Path) -> bool:
    return any(os.path.lexists(place / ".git") for place in (folder, *folder.parents))
