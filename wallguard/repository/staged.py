"""Content from git's own store: what the next commit will hold (the index), or what a commit holds,
whatever the work tree says."""

from __future__ import annotations

import hashlib
import os
import posixpath
import re
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from wallguard.base.errors import InputError
from wallguard.repository import git

_LINK, _SUBMODULE = "120000", "160000"
_MAX_LINKS = 8
_CHUNK = 1 << 20
# Git LFS specification v1: a pointer file, less than 1024 bytes long (from memory).
_POINTER = re.compile(
    rb"version https://git-lfs\.github\.com/spec/v1\n"
    rb"(?:ext-[^\n]*\n)*oid sha256:([0-9a-f]{64})\nsize ([0-9]{1,18})\n"
)


@dataclass(frozen=True)
class _Entry:
    mode: str
    blob: str


@dataclass(frozen=True)
class Stored:
    """The files below `root` that the index or a commit has; no submodules. Read once: where git
    changes meanwhile, all is still of one moment."""

    root: Path
    _entries: dict[str, _Entry]

    @property
    def files(self) -> list[str]:
        """All of them, sorted."""
        return sorted(self._entries)

    def content(self, paths: Iterable[str], into: Path) -> dict[str, Path]:
        """Write the content of `paths` into the folder `into`, each under its own path.

        Gives back where each one lies; a path that is not there is not among them. A symbolic link
        becomes what is under the name it points to; one that points elsewhere stays a link, for
        the reader to refuse. In place of a Git LFS pointer comes the file it stands for, from the
        work tree or from git's own store, where that has the same content; else it stays a pointer.

        Raises InputError where git or the folder fails.
        """
        return _lay_out(self.root, self._entries, paths, into)


def in_index(root: Path) -> Stored:
    """What the next commit will hold. Raises InputError where git cannot tell."""
    return Stored(root, _index(root))


def in_commit(root: Path, commit: str) -> Stored:
    """What the commit named `commit` (its full name) holds. Raises InputError as `in_index`."""
    return Stored(root, _tree(root, commit))


def _lay_out(
    root: Path, index: dict[str, _Entry], paths: Iterable[str], into: Path
) -> dict[str, Path]:
    targets: dict[str, Path] = {}
    try:
        with _blobs(root) as blobs:
            for path in dict.fromkeys(paths):
                if path in index:
                    targets[path] = _target(into, path)
                    _write(root, index, path, blobs, targets[path])
    except OSError as error:
        raise InputError(
            into,
            f"the files from git cannot be laid out there ({error.strerror or error})",
            remedy="Make room in the folder for temporary files",
        ) from None
    return targets


def _write(root: Path, index: dict[str, _Entry], path: str, blobs: _Blobs, target: Path) -> None:
    source = path
    for _ in range(_MAX_LINKS):
        blobs.write(index[source].blob, target)
        if index[source].mode != _LINK:
            break
        link = os.fsdecode(_head(target))
        source = posixpath.normpath(posixpath.join(posixpath.dirname(source), link))
        if source not in index:
            _leave_link(link, target)
            return
    pointer = _POINTER.fullmatch(_head(target))
    if pointer:
        _fetch(root, source, pointer[1].decode(), int(pointer[2]), target)


def is_pointer(path: Path) -> bool:
    """Whether a regular file is a Git LFS pointer."""
    return path.is_file() and _POINTER.fullmatch(_head(path)) is not None


def _leave_link(link: str, target: Path) -> None:
    target.unlink()
    with suppress(OSError, ValueError):  # no name at all: then the reader finds no file
        target.symlink_to(link)


def _fetch(root: Path, path: str, digest: str, size: int, target: Path) -> None:
    """Put the file that an LFS pointer stands for in the pointer's place, if it is here."""
    common = os.fsdecode(git.output(root, "rev-parse", "--git-common-dir").removesuffix(b"\n"))
    # Where Git LFS keeps what was added or fetched, unless told otherwise (from memory).
    store = root / common / "lfs" / "objects" / digest[:2] / digest[2:4] / digest
    for candidate in (root / path, store):
        if candidate.is_file() and candidate.stat().st_size == size:
            with candidate.open("rb") as file:
                same = hashlib.file_digest(file, "sha256").hexdigest() == digest
            if same:
                shutil.copyfile(candidate, target)
                return


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(4096)


def _target(into: Path, path: str) -> Path:
    """Where the content of `path` goes; never out of `into`, whatever the index holds."""
    target = into / path
    inside = ".." not in target.parts and target.is_relative_to(into)
    if inside:
        target.parent.mkdir(parents=True, exist_ok=True)
        inside = target.parent.resolve().is_relative_to(into.resolve())
    if not inside:
        raise InputError(path, "git lists a file that lies outside the repository")
    target.unlink(missing_ok=True)  # or a link left there would be written through
    return target


def _index(root: Path) -> dict[str, _Entry]:
    entries: dict[str, _Entry] = {}
    # Each is `mode blob stage<TAB>path`; stages above 0 are the sides of a conflict.
    for line in git.names(root, "ls-files", "-z", "--stage"):
        facts, _, path = line.partition("\t")
        mode, blob, stage = _three(root, "ls-files", facts)
        if mode != _SUBMODULE and stage == "0":
            entries[path] = _Entry(mode, blob)
    return entries


def _tree(root: Path, commit: str) -> dict[str, _Entry]:
    entries: dict[str, _Entry] = {}
    # Each is `mode type blob<TAB>path`.
    for line in git.names(root, "ls-tree", "-r", "-z", commit):
        facts, _, path = line.partition("\t")
        mode, _, blob = _three(root, "ls-tree", facts)
        if mode != _SUBMODULE:
            entries[path] = _Entry(mode, blob)
    return entries


def _three(root: Path, question: str, facts: str) -> tuple[str, str, str]:
    fields = facts.split(" ")
    if len(fields) != 3:
        raise git.nonsense(root, question)
    return fields[0], fields[1], fields[2]


class _Blobs:
    """Content by its name in git's store, from one process that answers question by question."""

    def __init__(self, root: Path, questions: IO[bytes], answers: IO[bytes]) -> None:
        self.root, self.questions, self.answers = root, questions, answers

    def write(self, blob: str, target: Path) -> None:
        """Write one blob to a file. Raises InputError where git has not got it."""
        with suppress(BrokenPipeError):  # it gave up: then there is no answer either
            self.questions.write(blob.encode() + b"\n")
            self.questions.flush()
        # The answer is `name type size`, the content, a line end; or `name missing`.
        facts = self.answers.readline().split()
        if len(facts) != 3 or facts[1] != b"blob":
            raise InputError(
                self.root,
                f"git has not got the content of {target.name}",
                remedy="Run `git fetch`, and `git fsck` if that does not help",
            )
        left = int(facts[2])
        with target.open("wb") as file:
            while left:
                chunk = self.answers.read(min(left, _CHUNK))
                if not chunk:
                    raise InputError(self.root, f"git stopped in the middle of {target.name}")
                file.write(chunk)
                left -= len(chunk)
        self.answers.read(1)


@contextmanager
def _blobs(root: Path) -> Iterator[_Blobs]:
    with git.talking(root, "cat-file", "--batch") as (questions, answers):
        yield _Blobs(root, questions, answers)
