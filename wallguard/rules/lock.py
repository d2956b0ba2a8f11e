"""`wallguard.lock`: which revision of each library of rule files holds, and what its files are.

The files themselves lie beside it in `wallguard-libraries/NAME/`, so that a check needs no network,
and a review sees what changes. Only `wallguard library update` writes any of this; a file that is
not what the lock says is refused.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from wallguard.base import files
from wallguard.base.errors import InputError
from wallguard.documents.reading import MAX_BYTES, DocumentError, read_document
from wallguard.documents.record import fields_of, key, maker, table_of
from wallguard.documents.scalars import BLANK, CONTROLS, GOES_UP, LEAVES, Forbidden, Text, Version
from wallguard.documents.shape import Field, Many, Table
from wallguard.documents.write import Comments, document

LOCK = "wallguard.lock"
FOLDER = "wallguard-libraries"
# Of files: of one library, and of all together.
MAX_LIBRARIES, MAX_FILES, MAX_ALL = 50, 300, 1000
UPDATE = "Run `wallguard library update`"

_REFERENCE = re.compile(r"([^/@]+)/([^@]+\.ya?ml)@(.+)")
NAME = Text("a short name", 40, (CONTROLS, BLANK), r"^[a-z0-9][a-z0-9_-]*$")
_DOTS = Forbidden(r"\.\.|/$|//|\.lock$", "what no name of a revision holds", "Check the name")
# No name that git could take for an option, for another revision, or for more than one.
REVISION = Text(
    "a tag or the name of a commit",
    200,
    (CONTROLS, BLANK, _DOTS),
    r"^[A-Za-z0-9][A-Za-z0-9._/+-]*$",
)
_COMMIT = Text("the name of a commit", 64, (CONTROLS, BLANK), r"^[0-9a-f]{40,64}$")
_HASH = Text("sha256: and 64 digits", 71, (CONTROLS, BLANK), r"^sha256:[0-9a-f]{64}$", bare=True)
_FILE = Text("a rule file of the library", 300, (*LEAVES, GOES_UP))


class Reference(NamedTuple):
    """What `extends` says of a file in a library: NAME/FILE@REVISION."""

    name: str
    file: str
    revision: str


@dataclass(frozen=True)
class LockedFile:
    """A file of a library, and what it holds."""

    owner: str = field(metadata=key(NAME, "Name of the library.", name="library"))
    file: str = field(metadata=key(_FILE, "Its name in the library."))
    hash: str = field(metadata=key(_HASH, "SHA-256 of what it holds, lines ended by LF."))


@dataclass(frozen=True)
class Locked:
    """A library as it was fetched.

    commit  its full name; empty: from a folder without git
    hash    of all its files together
    """

    name: str = field(metadata=key(NAME, "Name of the library."))
    revision: str = field(default="", metadata=key(REVISION, "The revision that was asked for."))
    commit: str = field(default="", metadata=key(_COMMIT, "The commit that it stood for."))
    hash: str = field(
        default="", metadata=key(_HASH, "SHA-256 of the names and hashes of all its files.")
    )


@dataclass(frozen=True)
class Lock:
    """What `wallguard.lock` holds."""

    libraries: tuple[Locked, ...] = field(
        default=(),
        metadata=key(
            Many(table_of(Locked, "a library"), 0, MAX_LIBRARIES, "a list of libraries"),
            "The libraries, as they were fetched.",
        ),
    )
    files: tuple[LockedFile, ...] = field(
        default=(),
        metadata=key(
            Many(table_of(LockedFile, "a file"), 0, MAX_ALL, "a list of files"),
            "Every file of theirs.",
        ),
    )

    def locked(self, name: str) -> Locked | None:
        """The library of this name."""
        return next((each for each in self.libraries if each.name == name), None)

    def files_of(self, name: str) -> dict[str, str]:
        """Hashes of the files of a library, by name."""
        return {each.file: each.hash for each in self.files if each.owner == name}

    def with_library(
        self, name: str, contents: Mapping[str, bytes], revision: str, commit: str
    ) -> Lock:
        """The lock with these contents, by name, as a library, in the place of what it was."""
        held = [LockedFile(name, file, hash_of(data)) for file, data in sorted(contents.items())]
        whole = "".join(f"{each.file}\0{each.hash}\n" for each in held)
        library = Locked(name, revision, commit, hash_of(whole.encode()))
        others = self.without(name)
        return Lock(
            tuple(sorted((*others.libraries, library), key=lambda each: each.name)),
            tuple(sorted((*others.files, *held), key=lambda each: (each.owner, each.file))),
        )

    def without(self, name: str) -> Lock:
        """The lock without a library."""
        return Lock(
            tuple(each for each in self.libraries if each.name != name),
            tuple(each for each in self.files if each.owner != name),
        )


LOCK_FILE = Table(
    "a lock of libraries",
    (
        Field("wallguard", Version(), "Version of this format: 1.", always=True),
        *fields_of(Lock),
    ),
    make=maker(Lock),
)


def reference(extends: str) -> Reference | None:
    """What `extends` says of a file in a library; None where it names a file here."""
    found = _REFERENCE.fullmatch(extends)
    return Reference(found[1], found[2], found[3]) if found else None


def refuse_unpinned(extends: str, beside: Path, root: Path | None) -> None:
    """Raises InputError where `extends` names a library of the lock (see `held`) and no revision:
    for a file that is not here."""
    name, _, file = extends.partition("/")
    lock_file = _nearest(beside, root)
    library = load_lock(lock_file, LOCK, root).locked(name) if file and lock_file else None
    if library is not None:
        at = library.revision or library.commit
        remedy = f"Write {extends}@{at}" if at else f"Write {extends}@ and the revision"
        raise InputError(extends, f"`{name}` is a library, and no revision is named", remedy=remedy)


def hash_of(data: bytes) -> str:
    """SHA-256 of a text, whatever ends its lines: git may write them in another way."""
    plain = data.replace(b"\r\n", b"\n")
    return f"sha256:{hashlib.sha256(plain).hexdigest()}"


def load_lock(path: Path, shown: str = LOCK, root: Path | None = None) -> Lock:
    """What a lock holds. Raises InputError where it cannot be used."""
    read = read_document(path, shown, root=root)
    problems = tuple(LOCK_FILE.problems(read))
    if problems:
        raise DocumentError(problems)
    lock = LOCK_FILE.value(read)
    assert isinstance(lock, Lock)
    return lock


def lock_text(lock: Lock) -> str:
    """The lock as text: a line for each file, so that a review sees which of them changed."""
    head = [
        "# Written by `wallguard library update`; commit it together with the files in",
        f"# {FOLDER}/. A rule file that is not what is said here is refused.",
    ]
    return "\n".join([*head, document(LOCK_FILE, LOCK_FILE.plain(lock), Comments())])


class Held(NamedTuple):
    """A rule file of a library as it lies here, the folder of that library, and the lock."""

    file: Path
    folder: Path
    lock: Path


def held(asked: Reference, beside: Path, root: Path | None, any_revision: bool = False) -> Held:
    """Where the file that `extends` asks for lies: by the nearest lock above the rule file
    `beside`, and, where there is a `root`, within that; with `any_revision` whichever is asked for.

    Raises InputError: no lock, or one that holds no such library, revision or file, or a file that
    is not what the lock says.
    """
    lock_file = _nearest(beside, root)
    if lock_file is None:
        raise InputError(LOCK, "there is none, so no library is known", remedy=UPDATE)
    lock = load_lock(lock_file, LOCK, root)
    library = lock.locked(asked.name)
    if library is None:
        known = ", ".join(each.name for each in lock.libraries) or "none"
        problem = f"holds no library `{asked.name}` (it holds: {known})"
        raise InputError(
            LOCK, problem, remedy=f"Name it under `libraries` in wallguard.yaml. {UPDATE}"
        )
    if not any_revision and asked.revision not in (library.revision, library.commit):
        has = library.revision or library.commit or "no revision"
        problem = f"holds `{asked.name}` at {has}, and this asks for {asked.revision}"
        raise InputError(
            LOCK,
            problem,
            remedy=(
                f"Write @{has} here, or {asked.revision} as its `revision` in wallguard.yaml "
                "and run `wallguard library update`"
            ),
        )
    known_files = lock.files_of(asked.name)
    if asked.file not in known_files:
        problem = f"`{asked.name}` has no rule file `{asked.file}` at {asked.revision}"
        raise InputError(LOCK, problem, remedy=f"It has: {', '.join(known_files) or 'none'}")
    folder = lock_file.parent / FOLDER / asked.name
    if not files.within(folder, lock_file.parent):
        raise InputError(f"{FOLDER}/{asked.name}", files.OUTSIDE, remedy=UPDATE)
    check_held(folder, asked.name, asked.file, lock)
    return Held(folder / asked.file, folder, lock_file)


def check_held(folder: Path, library: str, file: str, lock: Lock) -> None:
    """Raises InputError where a file of a library is not what the lock says, or not there."""
    shown = f"{FOLDER}/{library}/{file}"
    data = files.read(folder / file, MAX_BYTES, kind="a rule file", shown=shown, root=folder)
    if hash_of(data) != lock.files_of(library).get(file):
        problem = f"is not what {LOCK} says that it is"
        raise InputError(shown, problem, remedy=f"Nobody edits it here. {UPDATE}")


def _nearest(beside: Path, root: Path | None) -> Path | None:
    top = Path(os.path.realpath(root)) if root is not None else None
    for folder in Path(os.path.realpath(beside)).parents:
        if os.path.lexists(folder / LOCK):
            return folder / LOCK
        if folder == top:
            break
    return None
