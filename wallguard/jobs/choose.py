"""Choose what to check: the parts, where their content lies, the rules they answer to."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from wallguard.base.errors import InputError
from wallguard.findings.model import PartReport, Trouble
from wallguard.jobs.check import Task, failed
from wallguard.repository import changes, git
from wallguard.repository.config import (
    FILE_NAME,
    Assignment,
    Repository,
    is_part,
    load_repository,
)
from wallguard.repository.nearest import lies, names
from wallguard.rules.load import load_rules
from wallguard.rules.model import Rules
from wallguard.waivers.load import FILE_NAME as WAIVERS
from wallguard.waivers.load import Waiver, load_waivers, parse_waivers

_YAML = (".yaml", ".yml")


class Place:
    """Where files are read: the work tree, or for staged content a copy of what is staged."""

    def __init__(self, here: Path, staged: bool, stack: ExitStack) -> None:
        self.root = changes.find_root(here)
        self.content = self.root
        self.is_staged = staged
        self.changed = changes.staged(self.root) if staged else changes.Changes()
        names = (*self.changed.present, *self.changed.removed)
        # A commit of something else must cost next to nothing.
        self.idle = staged and not any(is_part(n) or n.endswith(_YAML) for n in names)
        if staged and not self.idle:
            from wallguard.repository.staged import staged_content, staged_files

            self.content = Path(
                stack.enter_context(tempfile.TemporaryDirectory(prefix="wallguard-"))
            ).resolve()
            self._files = staged_files(self.root)
            written = [name for name in self._files if name.endswith(_YAML)]
            staged_content(self.root, written, self.content)

    def every(self) -> list[str]:
        """Every file of the repository, relative to the root."""
        return self._files if self.is_staged else changes.all_files(self.root)

    def files(self, paths: Iterable[str]) -> dict[str, Path]:
        """Where the content of each path lies."""
        if self.is_staged:
            from wallguard.repository.staged import staged_content

            return staged_content(self.root, paths, self.content)
        return {path: self.root / path for path in paths}


@dataclass
class Job:
    """What is to be checked, and what could not be."""

    place: Place
    given_rules: tuple[Path, ...]
    tasks: list[Task] = field(default_factory=list)
    reports: list[PartReport] = field(default_factory=list)
    not_covered: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    troubles: dict[str, Trouble] = field(default_factory=dict)
    known: dict[str, Rules | None] = field(default_factory=dict)
    waivers: tuple[Waiver, ...] = ()
    gate: Literal["all", "new"] = "all"
    complete: bool = False

    def choose(
        self,
        paths: Sequence[Path] = (),
        changed_since: str | None = None,
        everything: bool = False,
        asked: str = "--changed-since",
    ) -> None:
        """Fill `tasks` with the parts to check, each with its rules, and all else with what there
        is to know about them; `asked` is the option that `changed_since` was given with."""
        if self.place.idle:
            return
        repository = self._repository()
        self.gate = repository.gate
        self.waivers = self._waivers()
        if repository.path is None and not self.given_rules and not self.troubles:
            raise InputError(
                FILE_NAME,
                f"there is none in {self.place.root}, and no --rules are given",
                remedy="Run `wallguard init` there, or name a rule file with --rules",
            )
        inside, outside = self._named(paths, repository)
        named = inside if paths else None
        chosen = self._chosen(repository, named, changed_since, everything, asked)
        files = self.place.files(chosen)
        for path in chosen:
            if repository.excluded(path) and not self.given_rules:
                continue
            file = files.get(path, self.place.root / path)
            self._add(path, file, self._assignments(repository, path), self.place.content)
        for other in outside:
            given = [replace(lies(other, rules), rules=str(rules)) for rules in self.given_rules]
            self._add(str(other), other, given, None)

    def _repository(self) -> Repository:
        try:
            return load_repository(self.place.content)
        except InputError as error:
            self.troubles[FILE_NAME] = Trouble(FILE_NAME, str(error))
            return Repository(self.place.content)

    def _waivers(self) -> tuple[Waiver, ...]:
        try:
            return load_waivers(self.place.content)
        except InputError as error:
            self.troubles[WAIVERS] = Trouble(WAIVERS, str(error))
            return ()

    def _named(self, paths: Sequence[Path], repository: Repository) -> tuple[set[str], list[Path]]:
        """Parts that the paths on the command line stand for, and those outside the root."""
        inside: set[str] = set()
        outside: list[Path] = []
        every: list[str] | None = None
        for path in paths:
            name = changes.relative(path, self.place.root)
            if name is None and self.given_rules and is_part(path.name):
                outside.append(path)
            elif name is None:
                self._refuse(str(path), "this lies outside the repository: name rules with --rules")
            elif not self.place.is_staged and not os.path.lexists(path):
                self._refuse(name, "there is no such file or folder")
            elif is_part(name) and not path.is_dir():
                inside.add(name)
            elif path.is_dir() or name.endswith(_YAML):
                every = self.place.every() if every is None else every
                if path.is_dir():
                    within = [f for f in every if name == "." or f.startswith(f"{name}/")]
                    inside.update(repository.part_files(within))
                else:
                    changed = changes.Changes(present=(name,))
                    inside.update(self._select(repository, changed))
                    if name == WAIVERS:
                        inside.update(self._waived(repository, None))
            else:
                self._refuse(name, "this is neither a mesh file, a rule file nor a folder")
        return inside, outside

    def _refuse(self, name: str, problem: str) -> None:
        self.troubles[name] = Trouble(name, str(InputError(name, problem)))

    def _chosen(
        self,
        repository: Repository,
        named: set[str] | None,
        changed_since: str | None,
        everything: bool,
        asked: str,
    ) -> list[str]:
        if everything or (named is not None and not changed_since and not self.place.is_staged):
            if named is None:
                return self._all(repository)
            return sorted(named)
        if changed_since:
            changed = changes.changed_since(self.place.root, changed_since, asked)
        elif self.place.is_staged:
            changed = self.place.changed
        else:
            changed = self._working()
            if not changed.present and not changed.removed:
                return self._all(repository)
        self.removed = repository.part_files(changed.removed)
        chosen = self._select(repository, changed)
        if WAIVERS in (*changed.present, *changed.removed):
            chosen = sorted({*chosen, *self._waived(repository, changed_since)})
        return [path for path in chosen if named is None or path in named]

    def _all(self, repository: Repository) -> list[str]:
        self.complete = True
        return repository.part_files(self.place.every())

    def _waived(self, repository: Repository, changed_since: str | None) -> list[str]:
        """The parts that are there and that waivers are for, as they are and as they were."""
        root = self.place.root
        commit = changes.merge_base(root, changed_since) if changed_since else "HEAD"
        was = git.run(root, "show", f"{commit}:./{WAIVERS}")
        try:
            before = parse_waivers(was.stdout.decode("utf-8", "replace"))
        except InputError:  # there were none, or none that could be used
            before = ()
        named = {waiver.part for waiver in (*self.waivers, *before) if waiver.part}
        return repository.part_files(named.intersection(self.place.every()))

    def gone(self, path: str) -> bool:
        """Whether there is no such part."""
        if self.place.is_staged:
            return path not in self.place.every()
        return not os.path.lexists(self.place.root / path)

    def _working(self) -> changes.Changes:
        if not git.in_repository(self.place.root):
            return changes.Changes()
        return changes.working(self.place.root)

    def _select(self, repository: Repository, changed: changes.Changes) -> list[str]:
        return changes.select(repository, changed, self.place.every, self._files_of)

    def _files_of(self, rules: str) -> Iterable[str]:
        return load_rules(self.place.content / rules, self.place.content).files

    def _assignments(self, repository: Repository, path: str) -> list[Assignment]:
        if not self.given_rules:
            return repository.assignments(path)
        return [
            replace(repository.lies(path, *names([rules], self.place.root)), rules=str(rules))
            for rules in self.given_rules
        ]

    def _add(self, path: str, file: Path, assignments: list[Assignment], root: Path | None) -> None:
        if not assignments:
            self.not_covered.append(path)
            return
        usable = []
        for assignment in assignments:
            rules = self._rules(assignment.rules)
            if rules is not None:
                usable.append((assignment, rules))
            else:
                message = f"{path}: not checked, because {assignment.rules} cannot be used."
                self.reports.append(failed(path, assignment.rules, "", message))
        if usable:
            self.tasks.append(Task(path, file, tuple(usable), root))

    def _rules(self, name: str) -> Rules | None:
        if name not in self.known:
            try:
                if self.given_rules:
                    self.known[name] = load_rules(Path(name))
                else:
                    self.known[name] = load_rules(self.place.content / name, self.place.content)
            except InputError as error:
                self.known[name] = None
                self.troubles[name] = Trouble(name, str(error))
        return self.known[name]
