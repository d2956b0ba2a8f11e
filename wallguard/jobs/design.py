"""What a design repository says of its parts, as it stands in one source: which rules each answers
to, which findings are waived. What cannot be used is told once, and hides nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from wallguard.base.errors import InputError
from wallguard.base.rotation import Rotation
from wallguard.base.units import Unit
from wallguard.findings.model import Gate, Trouble
from wallguard.jobs.source import Source
from wallguard.repository import git
from wallguard.repository.config import FILE_NAME, Repository
from wallguard.repository.entry import Assignment, GeneratedEntry
from wallguard.repository.nearest import Repositories, assignment_of, names

if TYPE_CHECKING:
    from wallguard.rules.model import Rules
    from wallguard.waivers.load import Waiver

# How a part lies, and the rules it answers to.
Said: TypeAlias = "tuple[Assignment, Rules]"


@dataclass(frozen=True)
class Lying:
    """How parts lie that answer to rules named for this run.

    unit      that files are drawn in whose format carries none; None: as `wallguard.yaml` says
    rotation  as of an assignment; None: as `wallguard.yaml` says
    """

    unit: Unit | None = None
    rotation: Rotation | None = None

    def of(self, assignment: Assignment) -> Assignment:
        """An assignment in which they lie so."""
        unit, rotation = self.unit or assignment.unit, self.rotation or assignment.rotation
        return replace(assignment, unit=unit, rotation=rotation)


class Design:
    """One source, and what its `wallguard.yaml`, rule files and waivers say.

    given     rule files named for this run, that all parts answer to instead, and how they lie
    troubles  files that cannot be used, by name
    """

    def __init__(
        self, source: Source, given: Sequence[Path] = (), lying: Lying | None = None
    ) -> None:
        self.source = source
        self.given, self.lying = tuple(given), lying or Lying()
        self.troubles: dict[str, Trouble] = {}
        self.repositories = Repositories(source.content, self._tell, lambda: source.every)
        self._rules: dict[str, Rules | None] = {}
        self._waivers: dict[str, tuple[Waiver, ...]] = {}

    @property
    def known(self) -> dict[str, Rules | None]:
        """The rule files that were asked for, None where one cannot be used."""
        return self._rules

    def says_something(self, near: Iterable[str] = ()) -> bool:
        """Whether there is any `wallguard.yaml`, usable or not. Outside git, where it may take long
        to list all files, only those above the paths `near` count."""
        root = self.source.root
        says = any(self.repository(path).path is not None for path in ("", *near))
        if not says and git.in_repository(root):
            says = bool(self.repositories.all())
        return says or any(name.rpartition("/")[2] == FILE_NAME for name in self.troubles)

    def repository(self, path: str) -> Repository:
        """What answers for `path`."""
        return self.repositories.of(path)

    def generated(self, part: str) -> GeneratedEntry | None:
        """The entry of a part that code makes; None: it is no such part."""
        entries = self.repository(part).generated
        return next((entry for entry in entries if entry.part == part), None)

    def generated_from(self, paths: Iterable[str]) -> list[GeneratedEntry]:
        """The parts that code makes of any of these files."""
        files: dict[str, list[str]] = {}
        of: dict[str, Repository] = {}
        for path in paths:
            repository = self.repository(path)
            if repository.generated_entries:
                of[repository.folder] = repository
                files.setdefault(repository.folder, []).append(path)
        return [
            entry
            for folder, repository in of.items()
            for entry in repository.generated
            if any(entry.is_from(path) for path in files[folder])
        ]

    def assignments(self, path: str) -> list[Assignment]:
        """The rule files that a part of the repository answers to in this run, and how it lies for
        each."""
        repository = self.repository(path)
        if not self.given:
            return repository.assignments(path)
        return [
            self._given(repository.assignment(path, *names([rules], self.source.root)), rules)
            for rules in self.given
        ]

    def assignments_outside(self, part: Path) -> list[Assignment]:
        """The same for a part that lies elsewhere: it answers to the given rules."""
        return [self._given(assignment_of(part, rules), rules) for rules in self.given]

    def _given(self, assignment: Assignment, rules: Path) -> Assignment:
        return replace(self.lying.of(assignment), rules=str(rules))

    def below(self, name: str) -> list[str]:
        """Every file in the folder of this name; "." is the root."""
        every = self.source.every
        return [path for path in every if name == "." or path.startswith(f"{name}/")]

    def is_left_out(self, path: str) -> bool:
        """Whether a part is excluded, and no rules are given that it answers to all the same."""
        return not self.given and self.repository(path).excluded(path)

    def is_unreadable(self, path: str) -> bool:
        """Whether the `wallguard.yaml` that answers for `path` cannot be used: what it asks of a
        part nobody knows then."""
        return self.repository(path).name in self.troubles

    def covered(self, paths: Iterable[str]) -> list[str]:
        """Those of `paths` that are parts to check, sorted."""
        return [
            path
            for path in self.repositories.part_files(paths)
            if self.given or self.assignments(path)
        ]

    def rules(self, name: str) -> Rules | None:
        """The rules that an assignment names; None where the file cannot be used."""
        if name not in self._rules:
            self._rules[name] = None
            try:
                self._rules[name] = self.load(name)
            except InputError as error:
                self.troubles[name] = Trouble(name, str(error))
        return self._rules[name]

    def load(self, name: str) -> Rules:
        """The same; raises InputError for a file that cannot be used."""
        from wallguard.rules.load import load_rules

        if self.given:
            return load_rules(Path(name))
        return load_rules(self.source.content / name, self.source.content)

    def waivers(self, folder: str) -> tuple[Waiver, ...]:
        """The waivers beside the `wallguard.yaml` in `folder` (ended by /; empty: the root), with
        their parts and rules named from the root."""
        from wallguard.waivers.load import FILE_NAME as WAIVERS
        from wallguard.waivers.load import load_waivers

        if folder not in self._waivers:
            self._waivers[folder] = ()
            try:
                self._waivers[folder] = tuple(
                    replace(
                        waiver,
                        part=waiver.part and folder + waiver.part,
                        rules=waiver.rules and folder + waiver.rules,
                    )
                    for waiver in load_waivers(self.source.content / folder)
                )
            except InputError as error:
                name = folder + WAIVERS
                self.troubles[name] = Trouble(name, folder + str(error))
        return self._waivers[folder]

    def longest(self, folder: str) -> int:
        """How many days from today the waivers in `folder` may run."""
        from wallguard.waivers.apply import LONGEST

        return self.repository(folder + FILE_NAME).longest or LONGEST

    def gate(self, paths: Iterable[str]) -> tuple[Gate, list[Trouble]]:
        """Which findings stop the gate for these parts; where more than one `wallguard.yaml`
        answers and they do not agree, all do, and a remark says so."""
        asked = {repository.name: repository.gate for repository in map(self.repository, paths)}
        if len(set(asked.values())) < 2:
            return next(iter(asked.values()), self.repository("").gate), []
        first = min(name for name, gate in asked.items() if gate == "all")
        return "all", [
            Trouble(name, f"{name}: `gate: new` does not hold here, since {first} says `all`")
            for name, gate in sorted(asked.items())
            if gate == "new"
        ]

    def _tell(self, name: str, error: InputError) -> None:
        self.troubles[name] = Trouble(name, str(error))
