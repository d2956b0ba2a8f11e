"""Where what was found out before may be kept: nowhere that a change can put something."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.base.errors import InputError
from wallguard.repository import git
from wallguard.store.folder import is_open_to_all, usual_folder

if TYPE_CHECKING:
    from wallguard.store.store import Store


@dataclass(frozen=True)
class Caching:
    """Whether to use what was found out before, and where that is kept; None: where the user keeps
    such things."""

    folder: Path | None = None

    def store(self, root: Path) -> Store | None:
        """The store for a run over the repository at `root`; None where there is no place for one.

        What is in a repository may come from whoever proposes a change to it, and so may a report
        that says "passed". So the folder must not lie in the repository under test, unless git
        tracks nothing of it. Nor may anybody on the machine be able to write to it.

        Raises InputError where a folder was named that cannot be used.
        """
        # Not for a commit that touches no part.
        from wallguard.store.store import Store

        folder = self.folder or usual_folder()
        if folder is None:
            return None
        problem = _unsafe(folder, root)
        if not problem:
            return Store(folder.resolve())
        if self.folder is None:
            return None
        remedy = "Name a folder outside the repository, or use --no-cache"
        raise InputError(self.folder, problem, remedy=remedy)


def _unsafe(folder: Path, root: Path) -> str:
    """Why a folder cannot be trusted with results; empty where it can."""
    try:
        real = folder.resolve()
        if real.exists() and not real.is_dir():
            return "this is not a folder"
    except (OSError, RuntimeError, ValueError):
        return "this folder cannot be used"
    if is_open_to_all(real):
        return "anybody on this machine can write to this folder"
    top = root
    for _ in Path(git.below_top(root)).parts:
        top = top.parent
    top = top.resolve()
    inside = "a change to the repository that is checked may put something into this folder"
    if top.is_relative_to(real):
        return inside
    if not real.is_relative_to(top):
        return ""
    if not git.in_repository(root):
        return inside
    tracked = git.run(top, "ls-files", "-z", "--", real.relative_to(top).as_posix())
    return inside if tracked.returncode or tracked.stdout else ""
