"""Each part answers to the nearest `wallguard.yaml` above it; and how a part lies that is named by
itself."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.repository.changes import find_root, relative
from wallguard.repository.config import (
    FILE_NAME,
    OTHER_NAME,
    Repository,
    is_part,
    load_repository,
)
from wallguard.repository.entry import Assignment

_NAMES = (FILE_NAME, OTHER_NAME)
# A `wallguard.yaml` that cannot be used, and why.
Tell = Callable[[str, InputError], None]


class Repositories:
    """Every `wallguard.yaml` of a folder and those below, each read when a part asks for it.

    Paths are relative to `root`, with /.
    """

    def __init__(
        self,
        root: Path,
        tell: Tell | None = None,
        every: Callable[[], Iterable[str]] = lambda: (),
    ) -> None:
        """With `tell`, a file that cannot be used is told there, and counts as one that says
        nothing. `every` lists all files; it is called where all of `wallguard.yaml` are wanted."""
        self.root = root
        self._tell, self._every = tell, every
        self._known: dict[str, Repository] = {}
        self._above: dict[str, str] = {}

    def of(self, path: str) -> Repository:
        """What answers for `path`: the nearest `wallguard.yaml` above it; where there is none up to
        `root`, an empty one there.

        Raises InputError as `load_repository` does, where there is no `tell`.
        """
        return self._at(self._nearest(path))

    def all(self) -> list[Repository]:
        """All of them that are there, in the order of their folders."""
        names = self._every()
        folders = {name.removesuffix(FILE_NAME) for name in names if _is_file(name)}
        repositories = (self._at(folder) for folder in sorted({"", *folders}))
        return [repository for repository in repositories if repository.path is not None]

    def part_files(self, paths: Iterable[str]) -> list[str]:
        """Those of `paths` that are parts and not excluded, sorted, each once."""
        parts = {path for path in paths if is_part(path)}
        return sorted(path for path in parts if not self.of(path).excluded(path))

    def assignments(self, path: str) -> list[Assignment]:
        """The rule files that the part at `path` answers to: see `Repository.assignments`."""
        return self.of(path).assignments(path)

    def rule_files(self) -> list[str]:
        """Every rule file that is named for some part, each once."""
        return list(
            dict.fromkeys(name for repository in self.all() for name in repository.rule_files())
        )

    def _at(self, folder: str) -> Repository:
        if folder not in self._known:
            # The folder's own name is what lies above it.
            above = self._at(self._nearest(folder[:-1])) if folder else None
            try:
                self._known[folder] = load_repository(self.root, folder, above)
            except InputError as error:
                if self._tell is None:
                    raise
                self._tell(folder + FILE_NAME, error)
                self._known[folder] = Repository(self.root, folder=folder, above=above)
        return self._known[folder]

    def _nearest(self, path: str) -> str:
        """The folder of the nearest file above `path`, ended by /; empty: `root`."""
        folder = path.rpartition("/")[0]
        if not folder:
            return ""
        if folder not in self._above:
            here = any(os.path.lexists(self.root / folder / name) for name in _NAMES)
            self._above[folder] = f"{folder}/" if here else self._nearest(folder)
        return self._above[folder]


def _is_file(name: str) -> bool:
    return name.rpartition("/")[2] == FILE_NAME


def names(rules: Iterable[Path], root: Path) -> Iterator[str]:
    """How entries of a `wallguard.yaml` in `root` may name these rule files: as they are named, and
    with links followed."""
    for path in rules:
        for file in (path, Path(os.path.realpath(path))):
            name = relative(file, root)
            if name is not None:
                yield name


def assignment_of(part: Path, *rules: Path | None) -> Assignment:
    """How the part at `part` is printed for the first of `rules`, if any, that its
    `wallguard.yaml` names for it: see `Repository.assignment`.

    Raises InputError where that file cannot be used, and for a part that code makes: a check alone
    makes such.
    """
    root = find_root(part.parent)
    name = relative(part, root)
    if name is None:
        return Assignment(rules="")
    repository = load_repository(root)
    if any(entry.part == name for entry in repository.generated):
        raise by_code(name)
    return repository.assignment(name, *names(filter(None, rules), root))


def by_code(part: str) -> InputError:
    """What to say of a part that code makes where none is run."""
    remedy = f"Check it: `wallguard check {part}`; or let its code write a file, and name that"
    return InputError(part, "code makes this part, which only a check runs", remedy=remedy)
