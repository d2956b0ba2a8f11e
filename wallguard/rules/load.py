"""Rule files: read, joined with what they extend, checked, and turned into `Rules`."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from wallguard.base.errors import InputError
from wallguard.documents.reading import (
    DocumentError,
    Entry,
    Mapping,
    Node,
    Problem,
    read_document,
)
from wallguard.rules.fields import EXTENDS, RULE_FILE
from wallguard.rules.lock import held, reference, refuse_unpinned
from wallguard.rules.model import Rules
from wallguard.rules.relations import relations

MAX_CHAIN = 8


def load_rules(
    path: Path,
    root: Path | None = None,
    instead: tuple[Path, Path] | None = None,
    *,
    any_revision: bool = False,
) -> Rules:
    """The rule file at `path`, with what it extends.

    With `root`, the file and all it extends must lie in that folder, symbolic links followed, and
    names in `Rules` and in errors are relative to it, with /; without, they are as given.

    instead  a rule file, and another that is read in its place where it is extended
    any_revision  of a library that it extends: what is here, whichever is asked for

    Raises InputError: unreadable or not YAML (see `documents.reading`), keys or values that the
    format does not have, contradictions between values, or a chain of `extends` that turns in
    a circle, leaves `root`, is longer than MAX_CHAIN, or leads into a library that is not here as
    `wallguard.lock` says. It names every problem it found.
    """
    chain, problems, locks = _read_chain(path, root, instead, any_revision)
    known = {(problem.place, problem.text) for problem in problems}
    problems += [
        problem
        for document in chain
        for problem in RULE_FILE.problems(document, complete="extends" not in document.entries)
        if (problem.place, problem.text) not in known
    ]
    if problems:
        raise DocumentError(tuple(problems))
    merged = RULE_FILE.spread(chain[-1])
    for document in reversed(chain[:-1]):
        merged = _merge(merged, RULE_FILE.spread(document))
    problems = list(RULE_FILE.problems(merged)) or list(relations(merged))
    if problems:
        raise DocumentError(tuple(problems))
    files = (name for document in chain for name in _names(Path(document.place.path), root))
    return _rules(merged, chain[0].place.path, tuple(dict.fromkeys([*files, *locks])))


def rules_from(document: Mapping, path: str) -> Rules:
    """The rules in a document that extends nothing; `path` is its name.

    Raises DocumentError: see `load_rules`.
    """
    problems = list(RULE_FILE.problems(document)) or list(relations(document))
    if problems:
        raise DocumentError(tuple(problems))
    return _rules(document, path, (path,))


def _rules(document: Mapping, path: str, files: tuple[str, ...]) -> Rules:
    made = RULE_FILE.value(document, path=path, files=files)
    assert isinstance(made, Rules)
    return made


class _Chain(NamedTuple):
    """Documents, nearest first, what stopped the chain, and the locks that it went by."""

    documents: list[Mapping]
    problems: list[Problem]
    locks: list[str]


class _BrokenError(Exception):
    """A chain that goes on for ever, or too long."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.remedy = remedy


def _read_chain(
    path: Path, root: Path | None, instead: tuple[Path, Path] | None, any_revision: bool
) -> _Chain:
    """The document and those it extends, nearest first, and what stopped the chain if anything.

    Raises InputError where not even the first can be read.
    """
    chain = [read_document(path, _shown(path, root), root=root)]
    seen = [os.path.realpath(path)]
    locks: list[str] = []
    # The folder of a library, which none of its files leaves.
    inside: Path | None = None
    while (entry := chain[-1].entries.get("extends")) is not None:
        if wrong := list(EXTENDS.problems(entry.value, "extends")):
            return _Chain(chain, [replace(problem, cause=True) for problem in wrong], locks)
        said = entry.value.plain()
        names = [document.place.path for document in chain]
        try:
            asked = reference(said)
            if asked is not None:
                if inside is not None:
                    raise InputError(names[-1], "a library extends no other", remedy="Copy it")
                path, inside, lock = held(asked, path, root, any_revision)
                locks.append(_shown(lock, root))
            else:
                # As it stands in the text: links in the path are followed when it is opened.
                beside, path = path, Path(os.path.normpath(path.parent / said))
                if not os.path.lexists(path):
                    refuse_unpinned(said, beside, root)
            if instead is not None and os.path.realpath(path) == os.path.realpath(instead[0]):
                path, instead = instead[1], None  # it may itself extend the one that it replaces
            shown, real = _shown(path, root), os.path.realpath(path)
            if real in seen:
                circle = " -> ".join([*names[seen.index(real) :], shown])
                raise _BrokenError(f"turns in a circle: {circle}", "Remove one `extends`")
            if len(chain) == MAX_CHAIN:
                links = " -> ".join([*names, shown])
                problem = f"more than {MAX_CHAIN} files in a chain: {links}"
                raise _BrokenError(problem, "Shorten the chain")
            document = read_document(path, shown, root=inside or root)
            if "wallguard" not in document.entries:
                problem = "no rule file, it lacks `wallguard: 1`"
                raise InputError(shown, problem, remedy="Check the name")
        except DocumentError as error:
            return _Chain(chain, list(error.problems), locks)
        except (InputError, _BrokenError) as error:
            why = f"{error.path}: {error.problem}" if isinstance(error, InputError) else str(error)
            broken = Problem(entry.value.place, f"`extends`: {why}", error.remedy, cause=True)
            return _Chain(chain, [broken], locks)
        chain.append(document)
        seen.append(real)
    return _Chain(chain, [], locks)


def _shown(path: Path, root: Path | None) -> str:
    if root is not None:
        # Second try for a root or a path that is named through a link.
        for plain in (os.path.abspath, os.path.realpath):
            if Path(plain(path)).is_relative_to(plain(root)):
                return Path(plain(path)).relative_to(plain(root)).as_posix()
    return path.as_posix()


def _names(shown: Path, root: Path | None) -> tuple[str, ...]:
    """The name of a file, and of the one it links to: a change in either counts."""
    path = shown if root is None else root / shown
    real = Path(os.path.realpath(path))
    if root is not None:
        return shown.as_posix(), real.relative_to(os.path.realpath(root)).as_posix()
    linked = path.is_symlink()
    return (shown.as_posix(), real.as_posix()) if linked else (shown.as_posix(),)


def _merge(base: Mapping, over: Mapping) -> Mapping:
    """`over` where it says something, else `base`; mappings key by key, lists as a whole."""
    entries = dict(base.entries)
    for key, entry in over.entries.items():
        below: Node | None = entries[key].value if key in entries else None
        if isinstance(below, Mapping) and isinstance(entry.value, Mapping):
            entries[key] = Entry(entry.place, _merge(below, entry.value))
        else:
            entries[key] = entry
    return Mapping(entries, over.place)
