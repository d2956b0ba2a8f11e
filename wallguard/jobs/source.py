"""Where files are read: in the work tree, in the index of git, or in a commit."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from functools import cache, cached_property
from pathlib import Path

from wallguard.repository import changes
from wallguard.repository.config import FILE_NAME
from wallguard.repository.coupons import is_manifest
from wallguard.rules.lock import LOCK

YAML = (".yaml", ".yml")


def is_document(name: str) -> bool:
    """Whether a file, by its name, may say something about parts: a YAML file, or the lock of the
    libraries that these extend."""
    return name.endswith(YAML) or name.rpartition("/")[2] == LOCK


class Source:
    """The files of a design repository as they are at one place.

    root     the top of the run, in the work tree; all names are relative to it, with /
    content  the folder in which content lies under the same names: YAML files and manifests of
             coupons from the start, others once `files` was asked for them
    staged   whether it is the index
    """

    def __init__(
        self,
        root: Path,
        content: Path,
        listed: Callable[[], list[str]],
        lay_out: Callable[[Iterable[str]], dict[str, Path]],
        staged: bool = False,
    ) -> None:
        self.root, self.content, self.staged = root, content, staged
        self._listed = listed
        self.files = lay_out

    @cached_property
    def every(self) -> list[str]:
        """Every file, sorted. Raises InputError where git cannot tell."""
        return self._listed()

    @cached_property
    def _names(self) -> frozenset[str]:
        return frozenset(self.every)

    def holds(self, path: str) -> bool:
        """Whether there is such a file."""
        return path in self._names


def work_tree(here: Path) -> Source:
    """The work tree that the folder `here` is in; also a folder without git."""
    root = changes.find_root(here)
    return Source(
        root,
        root,
        lambda: changes.all_files(root),
        lambda paths: {path: root / path for path in paths},
    )


def index(here: Path, stack: ExitStack, quiet: bool = False) -> Source:
    """What the next commit will hold, laid out until `stack` is closed.

    quiet  the commit touches nothing that is checked: rule files and waivers are not needed

    Raises InputError where git or the folder for temporary files fails.
    """
    from wallguard.repository.staged import in_index

    root, into = changes.find_root(here), _folder(stack)
    stored = in_index(root)
    names = stored.files
    stored.content((name for name in names if _is_wanted(name, quiet)), into)
    return Source(root, into, lambda: names, lambda paths: stored.content(paths, into), staged=True)


def commit(root: Path, name: str, stack: ExitStack, documents: bool = True) -> Source:
    """What the commit named `name` (its full name) holds; without `documents` not even YAML files
    are there from the start. Raises InputError as `index` does."""
    from wallguard.repository.staged import in_commit

    into = _folder(stack)
    # Where nothing is asked of it git is not asked either.
    stored = cache(lambda: in_commit(root, name))
    if documents:
        stored().content(filter(_is_wanted, stored().files), into)
    return Source(root, into, lambda: stored().files, lambda paths: stored().content(paths, into))


def _is_wanted(name: str, quiet: bool = False) -> bool:
    if name.rpartition("/")[2] == FILE_NAME or is_manifest(name):
        return True
    return not quiet and is_document(name)


def _folder(stack: ExitStack) -> Path:
    made = stack.enter_context(tempfile.TemporaryDirectory(prefix="wallguard-"))
    return Path(made).resolve()
