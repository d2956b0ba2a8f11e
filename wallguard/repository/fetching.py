"""Fetching a revision of a repository of rule files: with git, into a folder of its own, and from
there nothing but YAML files, as bytes.

Whoever writes a library is not trusted: no tree is checked out, so that no link, no hook and no
filter of it comes to anything; what git fetches is bounded in time and size, and so is what is
taken of it. Whoever writes `wallguard.yaml` is not trusted either, but nothing is fetched unless
somebody runs `wallguard library update`.
"""

from __future__ import annotations

import os
import re
import tempfile
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from wallguard.base import files
from wallguard.base.errors import InputError
from wallguard.documents.reading import MAX_BYTES, parse_document
from wallguard.repository import git
from wallguard.repository.entry import LibraryEntry
from wallguard.rules.lock import MAX_FILES

# Of what git fetches, and of the names that it lists, bytes.
MAX_FETCHED, _MAX_LISTED = 200 * 1024**2, 8 * 1024**2
# Of all that is taken.
_MAX_TAKEN = 16 * 1024**2
_YAML = (".yaml", ".yml")
_NOT_RULES = {"wallguard", "waivers", ".pre-commit-config", ".pre-commit-hooks"}
# Names that every system can hold, and that mean the same on each.
_PLAIN = re.compile(r"[^\x00-\x1f\x7f\\:*?\"<>|]{1,120}")
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)
_COMMIT = re.compile(r"[0-9a-f]{40}([0-9a-f]{24})?")


@dataclass
class Fetched:
    """Rule files of a library.

    contents  by name, with /
    commit    the full name of the commit; empty: from a folder
    left      what was not taken, and why
    """

    contents: dict[str, bytes] = field(default_factory=dict)
    commit: str = ""
    left: list[str] = field(default_factory=list)

    def take(self, name: str, data: bytes, shown: str) -> None:
        """Take a file, if it is a rule file. Raises InputError where they are too many."""
        try:
            document = parse_document(data.decode("utf-8"), name)
        except UnicodeDecodeError:
            self.left.append(f"{name}: no text")
            return
        except InputError as error:
            self.left.append(str(error))
            return
        if "wallguard" not in document.entries:
            self.left.append(f"{name}: no rule file, it lacks `wallguard: 1`")
            return
        self.contents[name] = data
        if len(self.contents) > MAX_FILES or sum(map(len, self.contents.values())) > _MAX_TAKEN:
            raise InputError(shown, f"holds more than {MAX_FILES} rule files, or too large ones")


def fetched(entry: LibraryEntry, root: Path) -> Fetched:
    """The rule files of a library, as they are where `entry` says.

    root  the folder that its own folder is relative to

    Raises InputError: it cannot be reached, has no such revision, or holds too much. No address is
    shown with a password in it.
    """
    if entry.folder:
        return _of_folder(entry, root / entry.folder)
    if not entry.git:
        raise InputError(
            f"libraries: {entry.name}",
            "neither `git` nor `folder` says where it comes from",
            remedy="Add one of them",
        )
    address = entry.git if _is_remote(entry.git) else str(root / entry.git)
    with tempfile.TemporaryDirectory(prefix="wallguard-") as name:
        bare = Path(name) / "library.git"
        commit = git.fetch(bare, address, entry.revision, MAX_FETCHED)
        made = Fetched(commit=commit)
        wanted = dict(_wanted(entry.name, git.tree(bare, commit, _MAX_LISTED), made))
        for path, data in git.contents(bare, wanted, MAX_BYTES):
            if data is None:
                made.left.append(f"{path}: larger than {MAX_BYTES // 1024} kB")
            else:
                made.take(path, data, entry.name)
        return made


def _is_remote(address: str) -> bool:
    """Whether an address is none of a folder: a URL, or name@host:path."""
    return "://" in address or re.match(r"[^/]+:", address) is not None


def _wanted(
    library: str, listed: Iterator[tuple[str, str, str]], made: Fetched
) -> Iterator[tuple[str, str]]:
    """Name and blob of every file that may be a rule file."""
    known: set[str] = set()
    for mode, blob, path in listed:
        if not path.lower().endswith(_YAML) or _is_no_rule_file(path):
            continue
        if mode not in ("100644", "100755"):
            made.left.append(f"{git.cleaned(path)}: a link, and no file")
        elif not is_plain(path):
            made.left.append(f"{git.cleaned(path)}: a name that not every system can hold")
        elif (folded := _folded(path)) in known:
            made.left.append(f"{path}: differs from another name only in capitals or accents")
        else:
            known.add(folded)
            yield path, blob
        if len(known) > 10 * MAX_FILES:
            raise InputError(library, "holds far too many YAML files for a library of rules")


def _of_folder(entry: LibraryEntry, folder: Path) -> Fetched:
    if not folder.is_dir():
        raise InputError(
            f"libraries: {entry.name}",
            f"there is no folder {entry.folder}",
            remedy="See that it is mounted",
        )
    made = Fetched()

    def listed() -> Iterator[tuple[str, str, str]]:
        for number, (place, folders, names) in enumerate(os.walk(folder)):
            folders[:] = sorted(name for name in folders if not name.startswith("."))
            if number > 10_000:
                raise InputError(entry.name, "holds too many folders for a library of rules")
            for name in sorted(names):
                file = Path(place) / name
                mode = "120000" if file.is_symlink() else "100644"
                yield mode, "", file.relative_to(folder).as_posix()

    for path, _ in list(_wanted(entry.name, listed(), made)):
        try:
            data = files.read(folder / path, MAX_BYTES, root=folder, shown=path)
            made.take(path, data, entry.name)
        except InputError as error:
            made.left.append(str(error))
    return made


def is_plain(path: str) -> bool:
    """Whether a name, with /, stays in its folder and means the same on every system."""
    parts = path.split("/")
    return len(parts) <= 8 and all(
        _PLAIN.fullmatch(part)
        and part.isprintable()
        and not part.startswith((".", "-", " "))
        and not part.endswith((".", " "))
        and not _DEVICES.match(part)
        for part in parts
    )


def _is_no_rule_file(path: str) -> bool:
    return path.rpartition("/")[2].rpartition(".")[0] in _NOT_RULES or path.startswith(".")


def _folded(path: str) -> str:
    return unicodedata.normalize("NFKC", path).casefold()
