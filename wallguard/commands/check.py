"""`wallguard check`: choose parts, check them against their rules, and write the reports."""

from __future__ import annotations

import os
import secrets
import tempfile
import time
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from wallguard import __version__
from wallguard.commands.publish import Outputs, Text, publish
from wallguard.engine import Task, check_all, failed
from wallguard.errors import InputError
from wallguard.findings import PartReport, Report, Trouble
from wallguard.reports import console
from wallguard.repository import changes
from wallguard.repository.config import (
    FILE_NAME,
    Assignment,
    Repository,
    is_part,
    load_repository,
)
from wallguard.repository.git import below_top
from wallguard.rules.load import load_rules
from wallguard.rules.model import Rules

_RULE_SUFFIXES = (".yaml", ".yml")


@dataclass(frozen=True)
class CheckOutputs(Outputs):
    """Also for services that show findings beside the files; `annotations` go to the terminal."""

    sarif: Path | None = None
    code_quality: Path | None = None
    annotations: bool = False


def run(
    paths: Sequence[Path] = (),
    *,
    rules: Sequence[Path] = (),
    changed_since: str | None = None,
    staged: bool = False,
    everything: bool = False,
    outputs: CheckOutputs | None = None,
    jobs: int = 1,
) -> int:
    """Check and report; returns the exit code: 0 passed, 1 findings that fail, 2 could not.

    Raises InputError where nothing can be checked at all, or where a report cannot be written.
    """
    begun = time.perf_counter()
    started = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    with ExitStack() as stack:
        place = _Place(Path.cwd(), staged, stack)
        job = _Job(place, tuple(rules))
        job.choose(paths, changed_since, everything)
        with console.Progress(len(job.tasks)) as progress:
            reports = job.reports + check_all(job.tasks, jobs, progress.step)
    report = Report(
        parts=tuple(sorted(reports, key=lambda part: (part.path, part.rules))),
        not_covered=tuple(sorted(job.not_covered)),
        troubles=tuple(job.troubles.values()),
        removed=tuple(sorted(job.removed)),
        version=__version__,
        started=started,
        seconds=time.perf_counter() - begun,
    )
    outputs = outputs or CheckOutputs()
    folder = below_top(place.root)
    shown: Text = partial(console.text, report)
    if outputs.annotations:
        shown = partial(_annotated, report, folder)
    publish(shown, _texts(report, outputs, folder))
    return report.exit_code


def _annotated(report: Report, folder: str, *, width: int, colour: bool) -> str:
    from wallguard.reports import annotations

    shown = console.text(report, width=width, colour=colour)
    return annotations.fenced(shown, secrets.token_hex(16)) + annotations.text(
        report, folder=folder
    )


def _texts(report: Report, outputs: CheckOutputs, folder: str) -> Iterable[tuple[Path, str]]:
    if outputs.junit:
        from wallguard.reports import junit

        yield outputs.junit, junit.xml(report)
    if outputs.markdown:
        from wallguard.reports import markdown

        yield outputs.markdown, markdown.markdown(report)
    if outputs.json:
        from wallguard.reports import json_report

        yield outputs.json, json_report.text(report)
    if outputs.sarif:
        from wallguard.reports import sarif

        yield outputs.sarif, sarif.text(report, folder=folder)
    if outputs.code_quality:
        from wallguard.reports import code_quality

        yield outputs.code_quality, code_quality.text(report, folder=folder)


class _Place:
    """Where files are read: the work tree, or for staged content a copy of what is staged."""

    def __init__(self, here: Path, staged: bool, stack: ExitStack) -> None:
        self.root = changes.find_root(here)
        self.content = self.root
        self.is_staged = staged
        self.changed = changes.staged(self.root) if staged else changes.Changes()
        names = (*self.changed.present, *self.changed.removed)
        # A commit of something else must cost next to nothing.
        self.idle = staged and not any(is_part(n) or n.endswith(_RULE_SUFFIXES) for n in names)
        if staged and not self.idle:
            from wallguard.repository.staged import staged_content, staged_files

            self.content = Path(
                stack.enter_context(tempfile.TemporaryDirectory(prefix="wallguard-"))
            ).resolve()
            self._files = staged_files(self.root)
            written = [name for name in self._files if name.endswith(_RULE_SUFFIXES)]
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
class _Job:
    """What is to be checked, and what could not be."""

    place: _Place
    given_rules: tuple[Path, ...]
    tasks: list[Task] = field(default_factory=list)
    reports: list[PartReport] = field(default_factory=list)
    not_covered: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    troubles: dict[str, Trouble] = field(default_factory=dict)
    known: dict[str, Rules | None] = field(default_factory=dict)

    def choose(self, paths: Sequence[Path], changed_since: str | None, everything: bool) -> None:
        """Fill `tasks` with the parts to check, each with its rules."""
        if self.place.idle:
            return
        repository = self._repository()
        if repository.path is None and not self.given_rules and not self.troubles:
            raise InputError(
                FILE_NAME,
                f"there is none in {self.place.root}, and no --rules are given",
                remedy="Run `wallguard init` there, or name a rule file with --rules",
            )
        inside, outside = self._named(paths, repository)
        chosen = self._chosen(repository, inside if paths else None, changed_since, everything)
        files = self.place.files(chosen)
        for path in chosen:
            if repository.excluded(path) and not self.given_rules:
                continue
            file = files.get(path, self.place.root / path)
            self._add(path, file, self._assignments(repository, path), self.place.content)
        for other in outside:
            given = [Assignment(rules=str(rules)) for rules in self.given_rules]
            self._add(str(other), other, given, None)

    def _repository(self) -> Repository:
        try:
            return load_repository(self.place.content)
        except InputError as error:
            self.troubles[FILE_NAME] = Trouble(FILE_NAME, str(error))
            return Repository(self.place.content)

    def _named(self, paths: Sequence[Path], repository: Repository) -> tuple[set[str], list[Path]]:
        """Parts that the paths on the command line stand for, and those outside the root."""
        inside: set[str] = set()
        outside: list[Path] = []
        every: list[str] | None = None
        for path in paths:
            name = changes.relative(path, self.place.root)
            if name is None:
                outside.append(path)
            elif not self.place.is_staged and not os.path.lexists(path):
                self._refuse(name, "there is no such file or folder")
            elif is_part(name) and not path.is_dir():
                inside.add(name)
            elif path.is_dir() or name.endswith(_RULE_SUFFIXES):
                every = self.place.every() if every is None else every
                if path.is_dir():
                    within = [f for f in every if name == "." or f.startswith(f"{name}/")]
                    inside.update(repository.part_files(within))
                else:
                    changed = changes.Changes(present=(name,))
                    inside.update(self._select(repository, changed))
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
    ) -> list[str]:
        if everything or (named is not None and not changed_since and not self.place.is_staged):
            if named is None:
                return repository.part_files(self.place.every())
            return sorted(named)
        if changed_since:
            changed = changes.changed_since(self.place.root, changed_since)
        elif self.place.is_staged:
            changed = self.place.changed
        else:
            changed = self._working()
            if not changed.present and not changed.removed:
                return repository.part_files(self.place.every())
        self.removed = repository.part_files(changed.removed)
        chosen = self._select(repository, changed)
        return [path for path in chosen if named is None or path in named]

    def _working(self) -> changes.Changes:
        from wallguard.repository import git

        if not git.in_repository(self.place.root):
            return changes.Changes()
        return changes.working(self.place.root)

    def _select(self, repository: Repository, changed: changes.Changes) -> list[str]:
        return changes.select(repository, changed, self.place.every, self._files_of)

    def _files_of(self, rules: str) -> Iterable[str]:
        return load_rules(self.place.content / rules, self.place.content).files

    def _assignments(self, repository: Repository, path: str) -> list[Assignment]:
        found = repository.assignments(path)
        if not self.given_rules:
            return found
        placed = found[0] if found else Assignment(rules="")
        return [replace(placed, rules=str(rules)) for rules in self.given_rules]

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
