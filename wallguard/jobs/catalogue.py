"""The catalogue of a library: every rule file of a folder with its chart, and all together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path

from wallguard.bands.chart import Chart, chart_of
from wallguard.bands.common import Common
from wallguard.base.errors import InputError
from wallguard.findings.model import Trouble
from wallguard.jobs.provenance import remarks
from wallguard.repository.entry import LibraryEntry
from wallguard.repository.fetching import fetched
from wallguard.rules.load import load_rules
from wallguard.rules.origin import age


@dataclass(frozen=True)
class Process:
    """One rule file: its chart, how old its numbers are, and what is to be mended."""

    chart: Chart
    age: str = ""
    mend: tuple[str, ...] = ()


@dataclass(frozen=True)
class Catalogue:
    """All processes of a library on one day, and files that could not be used."""

    processes: tuple[Process, ...]
    day: date
    troubles: tuple[Trouble, ...] = ()

    @cached_property
    def common(self) -> Common:
        """The processes beside each other."""
        return Common(tuple(process.chart for process in self.processes))


def catalogue(folder: Path, today: date | None = None) -> Catalogue:
    """The rule files of a folder, as a library that is made of it would have them.

    Raises InputError: no such folder, or no rule file in it that can be used.
    """
    day, troubles = today or date.today(), list[Trouble]()
    taken = fetched(LibraryEntry(name="library", folder="."), folder)
    names = sorted(taken.contents)
    processes = list(_processes(folder, names, day, troubles))
    troubles += [Trouble(said.partition(":")[0], said) for said in taken.left]
    if not processes:
        why = f": {troubles[0].message}" if troubles else ""
        raise InputError(folder, f"there is no rule file that can be used{why}")
    return Catalogue(tuple(processes), day, tuple(troubles))


def _processes(
    folder: Path, names: list[str], day: date, troubles: list[Trouble]
) -> Iterator[Process]:
    for name in names:
        try:
            rules = load_rules(folder / name, folder)
            yield Process(chart_of(rules), age(rules, day), tuple(remarks(rules, folder, day)))
        except InputError as error:
            troubles.append(Trouble(name, str(error)))
