"""Libraries of rule files: fetch what `wallguard.yaml` names, and say what changes by that."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from wallguard.bands.advice import ranges_words
from wallguard.bands.chart import chart_of
from wallguard.base.errors import InputError
from wallguard.base.write import write
from wallguard.findings.impact import Impact
from wallguard.findings.model import Trouble
from wallguard.jobs.choose import How
from wallguard.jobs.impact import Processes, impact
from wallguard.jobs.watch import Watch
from wallguard.repository.changes import find_root
from wallguard.repository.config import FILE_NAME, Repository, load_repository
from wallguard.repository.entry import LibraryEntry
from wallguard.repository.fetching import Fetched, fetched
from wallguard.rules.differences import differences
from wallguard.rules.load import load_rules
from wallguard.rules.lock import FOLDER, LOCK, Lock, load_lock, lock_text
from wallguard.rules.model import Rules
from wallguard.rules.write import text as rules_text


@dataclass(frozen=True)
class Change:
    """A rule file of a library, or of the repository, that asks otherwise than before.

    said  what it says otherwise, in words; empty: it is new, or gone, as `what` says
    """

    path: str
    what: str
    said: tuple[str, ...] = ()


@dataclass
class Updated:
    """What became of one library.

    before, after  revision and commit, in words; before is empty where there was none
    changes        of its rule files
    left           what was not taken, and why
    """

    name: str
    before: str
    after: str
    changes: list[Change] = field(default_factory=list)
    left: list[str] = field(default_factory=list)


@dataclass
class Update:
    """What an update does.

    own       rule files of the repository that ask otherwise by it
    impacts   what that does to parts, one for each of `own`
    troubles  libraries that could not be fetched: what the lock holds of them still holds
    """

    libraries: list[Updated] = field(default_factory=list)
    own: list[Change] = field(default_factory=list)
    impacts: list[Impact] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0: nothing gets worse; 1: some part does; 2: something could not be done."""
        return 2 if self.troubles else max((each.exit_code for each in self.impacts), default=0)


def update(
    names: Sequence[str] = (),
    here: Path | None = None,
    how: How | None = None,
    watch: Watch | None = None,
) -> Update:
    """Fetch libraries of the repository that the folder `here` is in, and compare its parts.

    names  of the libraries; without any, all

    Raises InputError: no library is named, `wallguard.yaml` or the lock cannot be used, or the
    files cannot be written. Then all is as it was.
    """
    root = find_root(here or Path.cwd())
    repository = load_repository(root)
    entries = _entries(repository, names)
    lock = _lock(root)
    # Rule files may name the new revision already, or the old one still: they are compared as they
    # are by what lies here, before and after.
    before = dict(_rules(repository, any_revision=True))
    done = Update()
    taken: list[tuple[LibraryEntry, Fetched]] = []
    for entry in entries:
        try:
            taken.append((entry, fetched(entry, root)))
        except InputError as error:
            done.troubles.append(Trouble(entry.name, f"{entry.name}: {error}"))
    for entry, files in taken:
        done.libraries.append(_replace(root, entry, files, lock))
        lock = lock.with_library(entry.name, files.contents, entry.revision, files.commit)
        write(root / LOCK, lock_text(lock))
    _forget(root, repository, lock, done)
    after = dict(_rules(repository, any_revision=True))
    for name, usable in _rules(repository):
        if isinstance(usable, InputError) and isinstance(before[name], Rules):
            done.troubles.append(Trouble(name, str(usable)))
    for name, was in before.items():
        now = after[name]
        if isinstance(was, Rules) and isinstance(now, Rules) and was.asking() != now.asking():
            done.own.append(Change(name, "asks otherwise", tuple(_words(was, now))))
            compared = _impact(root, name, was, now, how, watch)
            told = {trouble.path for trouble in done.troubles}
            fresh = tuple(each for each in compared.troubles if each.path not in told)
            done.impacts.append(replace(compared, troubles=fresh))
    return done


def _entries(repository: Repository, names: Sequence[str]) -> list[LibraryEntry]:
    known = {entry.name: entry for entry in repository.libraries}
    if repository.path is None:
        raise InputError(
            FILE_NAME,
            f"there is none in {repository.root}",
            remedy="Run `wallguard init` there, and name libraries in it",
        )
    if not known:
        raise InputError(
            FILE_NAME,
            "names no library",
            remedy="Add `libraries: [{name: ..., git: ..., revision: ...}]`",
        )
    for name in names:
        if name not in known:
            raise InputError(
                FILE_NAME, f"names no library `{name}`", remedy=f"It names: {', '.join(known)}"
            )
    return [entry for entry in known.values() if not names or entry.name in names]


def _lock(root: Path) -> Lock:
    return load_lock(root / LOCK, root=root) if os.path.lexists(root / LOCK) else Lock()


def _rules(
    repository: Repository, any_revision: bool = False
) -> Iterator[tuple[str, Rules | InputError]]:
    """Every rule file of the repository as it stands now, or why it cannot be used."""
    root = repository.root
    for name in repository.rule_files():
        try:
            yield name, load_rules(root / name, root, any_revision=any_revision)
        except InputError as error:
            yield name, error


def _forget(root: Path, repository: Repository, lock: Lock, done: Update) -> None:
    """Take out what no entry names any more."""
    named = {entry.name for entry in repository.libraries}
    for library in lock.libraries:
        if library.name not in named:
            lock = lock.without(library.name)
            write(root / LOCK, lock_text(lock))
            shutil.rmtree(root / FOLDER / library.name, ignore_errors=True)
            done.libraries.append(Updated(library.name, _at(library.revision, library.commit), ""))


def _replace(root: Path, entry: LibraryEntry, files: Fetched, lock: Lock) -> Updated:
    """Put the files of a library in the place of what it was, whole or not at all."""
    above, was = root / FOLDER, lock.locked(entry.name)
    folder = above / entry.name
    if above.is_symlink() or folder.is_symlink():
        raise InputError(FOLDER, "a link is in the place of the folder", remedy="Remove it")
    old = {name: folder / name for name in lock.files_of(entry.name) if (folder / name).is_file()}
    try:
        above.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".new-", dir=above) as name:
            fresh, spare = Path(name) / "new", Path(name) / "old"
            fresh.mkdir()
            for path, data in files.contents.items():
                (fresh / path).parent.mkdir(parents=True, exist_ok=True)
                (fresh / path).write_bytes(data.replace(b"\r\n", b"\n"))
            made = Updated(
                entry.name,
                _at(was.revision, was.commit) if was else "",
                _at(entry.revision, files.commit),
                list(_changes(old, {path: fresh / path for path in files.contents})),
                files.left,
            )
            if folder.exists():
                folder.rename(spare)
            try:
                fresh.rename(folder)
            except OSError:
                if spare.exists():
                    spare.rename(folder)
                raise
    except OSError as error:
        raise InputError(folder, f"cannot be written: {error.strerror or error}") from None
    return made


def _at(revision: str, commit: str) -> str:
    return " ".join(filter(None, (revision, f"({commit[:10]})" if commit else ""))) or "a folder"


def _changes(old: dict[str, Path], new: dict[str, Path]) -> Iterator[Change]:
    for path in sorted({*old, *new}):
        if path not in new:
            yield Change(path, "is gone")
            continue
        try:
            now = load_rules(new[path], _top(new[path], path))
        except InputError as error:
            yield Change(path, "cannot be used", (str(error),))
            continue
        if path not in old:
            yield Change(path, "is new")
            continue
        try:
            was = load_rules(old[path], _top(old[path], path))
        except InputError:
            yield Change(path, "can be used now")
            continue
        if was.asking() != now.asking():
            yield Change(path, "asks otherwise", tuple(_words(was, now)))


def _top(file: Path, path: str) -> Path:
    return file.parents[path.count("/")]


def _words(was: Rules, now: Rules) -> Iterator[str]:
    """What a rule file says otherwise: its keys, and which thicknesses are good by that."""
    for difference in differences(was, now):
        less = " (asks less)" if difference.asks == "less" else ""
        yield f"{difference.message}{less}"
    try:
        good = [chart_of(each).good for each in (was, now)]
    except InputError:
        return
    if good[0] != good[1]:
        before, after = (ranges_words(each) if each else "nothing" for each in good)
        yield f"good to draw: {before}; now {after}"


def _impact(
    root: Path, name: str, was: Rules, now: Rules, how: How | None, watch: Watch | None
) -> Impact:
    """What the new rules do to the parts that answer to the rule file `name`."""
    with tempfile.TemporaryDirectory(prefix="wallguard-") as folder:
        before, after = Path(folder) / "before.yaml", Path(folder) / "after.yaml"
        for file, rules in ((before, was), (after, now)):
            file.write_text(rules_text(rules), encoding="utf-8")
        done = impact(
            Processes(root / name, after, standing=before, called=name),
            only_answering=True,
            how=how,
            watch=watch,
        )
    return replace(done, before=replace(done.before, rules=f"{name}, before"))
