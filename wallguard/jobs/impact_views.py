"""What can be shown of walls that a change of process makes worse, as the new rules see them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.findings.impact import Change, Impact, PartImpact
from wallguard.findings.model import PartReport
from wallguard.jobs.check import Task, check_all
from wallguard.jobs.choose import How
from wallguard.jobs.impact import Processes
from wallguard.repository import changes
from wallguard.repository.nearest import assignment_of
from wallguard.rules.load import load_rules
from wallguard.rules.model import Rules

if TYPE_CHECKING:
    from wallguard.views.model import View

# Parts of which walls are shown; two thicknesses (mm) that are one.
_PARTS, _SAME = 50, 0.02


def views_of(
    impact: Impact, processes: Processes, how: How
) -> tuple[dict[tuple[str, str], View], dict[str, Rules | None]]:
    """By part, and place of the wall that gets worse or id of what is found newly, the section
    around it; and the rules by their names. Where the new rules bring no finding there is none."""
    root = changes.find_root(Path.cwd())
    rules: dict[str, Rules | None] = {impact.after.rules: load_rules(processes.new)}
    tasks: list[Task] = []
    shown: list[PartImpact] = []
    for part in impact.parts:
        if part.direction != "worse" or len(tasks) == _PARTS:
            continue
        if part.rules and part.rules not in rules:
            instead = (processes.old, processes.new)
            rules[part.rules] = load_rules(root / part.rules, root, instead)
        used = rules[part.rules or impact.after.rules]
        inside = (root / part.path).is_file()
        file = root / part.path if inside else Path(part.path)
        placed = assignment_of(file, processes.new, processes.old)
        if used is not None:
            top = root if inside else None
            task = Task(part.path, file, ((placed, used),), top, views="pictures")
            tasks.append(replace(task, allowed=how.allowed))
            shown.append(part)
    made: dict[tuple[str, str], View] = {}
    for part, reports in zip(shown, check_all(tasks, how.jobs), strict=True):
        for report in reports:
            made.update(
                ((part.path, str(change.location)), view)
                for change, view in _matched(part.changes, report)
            )
            found = report.views.pictures if report.views else ()
            made.update(((part.path, view.finding), view) for view in found)
    return made, rules


def _matched(worse: tuple[Change, ...], report: PartReport) -> Iterator[tuple[Change, View]]:
    views = {view.finding: view for view in (report.views.pictures if report.views else ())}
    for change in worse:
        for finding in report.findings:
            if finding.id in views and finding.subject and finding.subject.kind == "wall":
                off = abs(finding.subject.thickness.typical - change.thickness.typical)
                if off < _SAME and finding.box and _inside(change, finding.box):
                    yield change, views[finding.id]
                    break


def _inside(change: Change, box: tuple[tuple[float, ...], tuple[float, ...]]) -> bool:
    low, high = box
    return all(
        a - _SAME <= at <= b + _SAME for a, at, b in zip(low, change.location, high, strict=True)
    )
