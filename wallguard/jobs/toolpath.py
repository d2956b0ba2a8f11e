"""What a toolpath makes of a part, judged: by itself, and against another toolpath of it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from wallguard import __version__
from wallguard.bands.declared import band_table
from wallguard.base.errors import InputError
from wallguard.checks.case import Case, Draft
from wallguard.findings.model import CheckRun, Finding, PartReport
from wallguard.findings.naming import named
from wallguard.jobs import limits
from wallguard.jobs.check import check_status, failed, mesh_info, status_of
from wallguard.jobs.toolpath_head import other_release
from wallguard.jobs.verify import Reading, Step, Verified, verify
from wallguard.jobs.watched import TooMuchError
from wallguard.part.part import Part
from wallguard.rules.model import Rules
from wallguard.toolpath import verdict
from wallguard.toolpath.against import Against, Change, changes, side
from wallguard.toolpath.comparison import LaidWall

FILAMENT = 1.75


@dataclass(frozen=True)
class Task:
    """A part, the rules that its toolpaths are held against (None: none), and how they are read.

    Of `reading` largest and splits are as the rules ask.
    """

    part: Part
    rules: Rules | None = None
    reading: Reading | None = None

    @property
    def case(self) -> Case | None:
        """The part against the rules."""
        if self.rules is None:
            return None
        return Case(self.part.geometry, self.rules, band_table(self.rules))


@dataclass(frozen=True)
class Judged:
    """One toolpath of a part: its report, what was measured (None: it could not be used), and the
    wall that each finding about one is about."""

    report: PartReport
    verified: Verified | None = None
    walls: tuple[tuple[Finding, LaidWall], ...] = ()


@dataclass(frozen=True)
class Compared:
    """Two toolpaths of a part: what changes, and what was measured of both."""

    against: Against
    changes: tuple[Change, ...]
    before: Verified
    after: Verified


def task_for(part: Part, rules: Rules | None = None, asked: Reading | None = None) -> Task:
    """A part to hold toolpaths against; a filament or flow of 0 is as the rules say, else 1.75 mm
    and 1.

    Raises InputError: rules of a process that lays no beads.
    """
    if rules is not None and rules.category != "material extrusion":
        raise InputError(
            rules.path,
            f"these rules are for {rules.category}, which lays no beads",
            remedy="Name rules for material extrusion",
        )
    asked = asked or Reading(0.0, 0.0)
    reading = replace(
        asked,
        filament=asked.filament or (rules and rules.filament) or FILAMENT,
        flow=asked.flow or (rules and rules.flow) or 1.0,
    )
    return Task(part, rules, reading)


def judge_toolpath(file: Path, task: Task, step: Step | None = None) -> Judged:
    """What a toolpath makes of a part, and whether the rules still describe it.

    A toolpath that cannot be used gives a report that says why.
    """
    begun = time.perf_counter()
    try:
        verified = _verified(file, task, step)
    except (InputError, MemoryError) as error:
        if limits.out_of_memory(error):
            error = TooMuchError(str(file), limits.too_large())
        return Judged(unusable(file, task.part.path, task.rules, str(error)))
    return judged(file, task, verified, begun)


def judged(file: Path, task: Task, verified: Verified, begun: float) -> Judged:
    """The same of what is laid, which is measured already, since `begun`."""
    case = task.case
    source = f"{file}, {case.rules.path}" if case else str(file)
    name = case.rules.name if case else ""
    geometry, copies = task.part.geometry, verdict.Copies(verified.places)
    about = [*verdict.fill_drafts(geometry, verified.walls, copies, case)]
    about += [*verdict.rule_drafts(geometry, verified.walls, case)] if case else []
    drafts = [*(draft for draft, _ in about), *_whole(verified, task.part, copies)]
    findings = named([draft.finding() for draft in drafts], source)
    report = PartReport(
        path=task.part.path,
        rules=source,
        rules_name=name,
        status=status_of(findings),
        mesh=mesh_info(geometry),
        checks=_runs(drafts, case),
        walls=verdict.report_walls(geometry, verified.walls),
        findings=tuple(findings),
        facts=(*_facts(verified, copies), *_head(file, task.rules)),
        seconds=time.perf_counter() - begun,
    )
    shown = verdict.with_walls(about, findings)
    walls = tuple((finding, shown[finding.id]) for finding in findings if finding.id in shown)
    return Judged(report, verified, walls)


def unusable(file: Path, part: str, rules: Rules | None, why: str) -> PartReport:
    """The report on a part whose toolpath could not be used."""
    source = f"{file}, {rules.path}" if rules else str(file)
    return failed(part, source, rules.name if rules else "", why)


def compare_toolpaths(before: Path, after: Path, task: Task, step: Step | None = None) -> Compared:
    """Which walls of a part come out otherwise with another toolpath.

    Raises InputError: a toolpath that cannot be used.
    """
    # An update may mirror a part as well as turn it.
    either = replace(task, reading=replace(task.reading or Reading(), mirrored=True))
    one, other = _verified(before, either, step), _verified(after, either, step)
    tolerance = verdict.tolerance_of(task.rules)
    changed = changes(task.part.geometry, one.comparisons, other.comparisons, tolerance)
    compared = Against(
        part=task.part.path,
        before=side(str(before), one.laid, one.comparisons, one.places),
        after=side(str(after), other.laid, other.comparisons, other.places),
        pairs=tuple(change.pair for change in changed),
        notes=tuple(dict.fromkeys((*one.notes, *other.notes))),
        version=__version__,
        started=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S"),
    )
    return Compared(compared, changed, one, other)


def _verified(file: Path, task: Task, step: Step | None) -> Verified:
    return verify(file, task.part.geometry, task.part.path, reading_of(task), step)


def reading_of(task: Task) -> Reading:
    """How the toolpaths of a task are read, as its rules ask."""
    reading, case = task.reading or Reading(), task.case
    if case is None:
        return reading
    return replace(reading, largest=case.largest, splits=case.splits)


def _whole(verified: Verified, part: Part, copies: verdict.Copies) -> list[Draft]:
    """What is found of the toolpath as a whole."""
    return [
        *verdict.placing_drafts(copies),
        *verdict.layer_drafts(verified.comparisons, copies),
        *verdict.bead_drafts(verified.laid, verified.boxes(part.geometry)),
    ]


def _facts(verified: Verified, copies: verdict.Copies) -> tuple[str, ...]:
    facts = [*verdict.facts(verified.laid, verified.filament, copies), *verified.notes]
    pores = verdict.small_voids(verified.walls)
    return (*facts, pores) if pores else tuple(facts)


def _head(file: Path, rules: Rules | None) -> tuple[str, ...]:
    """A remark where the head of a toolpath names other software than that of the rules."""
    software = rules.made_with.software if rules else ""
    said = other_release(file, software) if software else ""
    return (said,) if said else ()


def _runs(drafts: Sequence[Draft], case: Case | None) -> tuple[CheckRun, ...]:
    def run(name: str) -> CheckRun:
        return CheckRun(name, check_status([draft for draft in drafts if draft.check == name]))

    none = CheckRun(verdict.RULES, "skipped", "no rules were named")
    names = (verdict.PLACING, verdict.LAYERS, verdict.BEADS, verdict.FILL)
    rules = run(verdict.RULES) if case else none
    return (CheckRun("toolpath_reading", "passed"), *map(run, names), rules)
