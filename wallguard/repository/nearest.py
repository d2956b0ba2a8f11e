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
    Assignment,
    Repository,
    load_repository,
)

# A `wallguard.yaml` that cannot be used, and why.
Told = Callable[[str, InputError], None]


class Repositories:
    """Every `wallguard.yaml` of a folder and those below, each read when a part asks for it.

    Paths are relative to `root`, with /.
    """

    def __init__(self, root: Path, told: Told | None = None) -> None:
        """With `told`, a file that cannot be used is told there, and counts as one that says
        nothing."""
        self.root = root
        self._told = told
        self._known: dict[str, Repository] = {}

    def of(self, path: str) -> Repository:
        """What answers for `path`: the nearest `wallguard.yaml` above it; where there is none up to
        `root`, an empty one there.

        Raises InputError as `load_repository` does, where there is no `told`.
        """
        return self._at(self._nearest(path))

    def _at(self, folder: str) -> Repository:
        if folder not in self._known:
            # The folder's own name is what lies above it.
            above = self._at(self._nearest(folder[:-1])) if folder else None
            try:
                self._known[folder] = load_repository(self.root, folder, above)
            except InputError as error:
                if self._told is None:
                    raise
                self._told(folder + FILE_NAME, error)
                self._known[folder] = Repository(self.root, folder=folder, above=above)
        return self._known[folder]

    def _nearest(self, path: str) -> str:
        while "/" in path:
            path = path.rpartition("/")[0]
            if any(os.path.lexists(self.root / path / name) for name in (FILE_NAME, OTHER_NAME)):
                return f"{path}/"
        return ""


def names(rules: Iterable[Path], root: Path) -> Iterator[str]:
    """How entries of a `wallguard.yaml` in `root` may name these rule files: as they are named, and
    with links followed."""
    for path in rules:
        for one in (path, Path(os.path.realpath(path))):
            name = relative(one, root)
            if name is not None:
                yield name


def lies(part: Path, *rules: Path) -> Assignment:
    """How the part at `part` is printed for the first of `rules` that its `wallguard.yaml` names
    for it: see `Repository.lies`.

    Raises InputError where that file cannot be used.
    """
    root = find_root(part.parent)
    name = relative(part, root)
    if name is None:
        return Assignment(rules="")
    return load_repository(root).lies(name, *names(rules, root))
