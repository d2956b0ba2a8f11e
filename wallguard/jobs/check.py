"""Check parts: from a file and the rules it answers to, to the report on it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from wallguard.base.errors import InputError, unforeseen
from wallguard.base.heap import keep_freed
from wallguard.findings.model import (
    Breach,
    CheckRun,
    CheckStatus,
    Finding,
    Gate,
    MeshInfo,
    PartReport,
    Printed,
    Status,
    Wall,
    check_run,
    in_force,
)
from wallguard.findings.naming import named

if TYPE_CHECKING:
    from wallguard.checks.case import Case, Draft
    from wallguard.jobs.known import KnownPart
    from wallguard.jobs.limits import Allowed
    from wallguard.jobs.watch import Progress
    from wallguard.jobs.workers import Cost, Hooks, Work
    from wallguard.part.geometry import Geometry
    from wallguard.part.part import PartFile
    from wallguard.repository.entry import Assignment
    from wallguard.rules.model import Rules
    from wallguard.store.store import Store
    from wallguard.views.model import What
    from wallguard.walls.stretch import Stretch

# Bytes of a file for each triangle: exact for binary STL, else what common files hold.
_PER_TRIANGLE = {".stl": 50, ".3mf": 12, ".obj": 40, ".ply": 20, ".step": 20, ".stp": 20}


_Result = TypeVar("_Result")


@dataclass(frozen=True)
class Task:
    """One part file and all rules it answers to.

    path    how the part is named in reports
    file    where its content lies (for staged content: a copy)
    root    the folder that its path, symbolic links followed, must not leave; None: anywhere
    folder  the folder of its `wallguard.yaml`, ended by /; empty: the top of the run. The names of
            findings do not depend on where in the repository a run begins
    views   what is to be shown of it, None: nothing, which costs nothing
    also    what it is checked for besides, after the rest; nothing of that is shown
    store   what was found out before; None: all is worked out anew, and nothing is kept
    data    what the file holds, where it is not here; None: it is read
    allowed  what checking it may take; None: as much as it takes
    made    whether code made it, so that there is none of another revision
    """

    path: str
    file: Path
    assignments: tuple[tuple[Assignment, Rules], ...]
    root: Path | None = None
    folder: str = ""
    views: What | None = None
    also: tuple[tuple[Assignment, Rules], ...] = ()
    store: Store | None = None
    data: bytes | None = None
    allowed: Allowed | None = None
    made: bool = False

    @property
    def inner(self) -> tuple[tuple[Assignment, Rules], ...]:
        """All that it is checked for, with the rules named as seen from `folder`."""
        said = (*self.assignments, *self.also)
        return tuple(
            (assignment, replace(rules, path=rules.path.removeprefix(self.folder)))
            for assignment, rules in said
        )


def check_all(
    tasks: Sequence[Task],
    jobs: int = 1,
    progress: Progress | None = None,
    cluster: str | None = None,
) -> list[list[PartReport]]:
    """Check every task in up to `jobs` processes, or on the cluster at this address; the results
    and their order do not depend on that.

    progress  told of each part as its result comes in

    Raises InputError where the cluster cannot be used.
    """
    results: dict[int, list[PartReport]] = {}
    for at, task in enumerate(tasks):
        known = known_reports(task)
        if known is not None:
            results[at] = known
            if progress:
                progress.step(task.path, 0.0)
    left = [at for at in range(len(tasks)) if at not in results]
    if left:
        from wallguard.jobs.limits import is_plain, most_of
        from wallguard.jobs.workers import Work

        work = Work(check_part, cost_of, lost_part, most_of, is_plain)
        asked = [tasks[at] for at in left]
        made = do_somewhere(work, asked, jobs, cluster, progress)
        results |= dict(zip(left, made, strict=True))
    return [results[at] for at in range(len(tasks))]


def do_somewhere(
    work: Work[Task, _Result],
    tasks: Sequence[Task],
    jobs: int,
    cluster: str | None,
    progress: Progress | None,
) -> list[_Result]:
    """Do some work with every task, here in up to `jobs` processes or on a cluster.

    Raises InputError where the cluster cannot be used.
    """
    hooks = hooks_of(tasks, progress)
    if cluster:
        from wallguard.jobs.cluster import do_on

        return do_on(cluster, work, tasks, hooks)
    from wallguard.jobs.workers import do_all

    return do_all(work, tasks, jobs, hooks)


def known_reports(task: Task) -> list[PartReport] | None:
    """The reports on a part that were all made before; None where one of them was not. Nothing
    heavy is loaded."""
    if task.store is None or task.views:
        return None
    from wallguard.jobs.known import KnownPart
    from wallguard.mesh.content import content

    begun = time.perf_counter()
    made = []
    try:
        data = content(task.file, task.path, task.root)
    except (InputError, MemoryError):  # who checks it will say so
        return None
    known = KnownPart(task.store, data, task.file.suffix)
    for (_, rules), (assignment, inner) in zip(
        (*task.assignments, *task.also), task.inner, strict=True
    ):
        report = known.report(assignment, inner)
        if report is None:
            return None
        seconds = time.perf_counter() - begun
        made.append(replace(report, path=task.path, rules=rules.path, seconds=seconds))
    return made


def hooks_of(tasks: Sequence[Task], progress: Progress | None) -> Hooks:
    """What tells `progress` of tasks by their paths."""
    from wallguard.jobs.workers import Hooks

    if progress is None:
        return Hooks()
    step = progress.step
    return Hooks(lambda at, share: step(tasks[at].path, share), progress.note)


def cost_of(task: Task) -> Cost:
    """What checking a part will roughly take, from the size of its file."""
    from wallguard.jobs.workers import cost_of_mesh

    return cost_of_mesh(triangles_in(task.file), len(task.assignments) + len(task.also))


def triangles_in(file: Path) -> float:
    """About how many triangles a part's file holds, from its size."""
    try:
        size = file.stat().st_size
    except OSError:
        size = 0
    return size / _PER_TRIANGLE.get(file.suffix.lower(), 50)


def lost_part(task: Task, why: str) -> list[PartReport]:
    """The reports on a part whose process was killed."""
    message = lost_message(task.path, why)
    said = (*task.assignments, *task.also)
    return [failed(task.path, rules.path, rules.name, message) for _, rules in said]


def lost_message(path: str, why: str) -> str:
    """What to say of the part `path` whose process was killed."""
    return (
        f"{path}: not checked, because {why}. Simplify the mesh, or allow more; where memory ran "
        "out, --jobs 1 helps."
    )


def check_part(task: Task) -> list[PartReport]:
    """One report for each rule file that the part answers to. Never raises: whatever goes wrong
    with a part is an error of that part."""
    keep_freed()
    try:
        file, known = part_file(task)
    except Exception as error:
        message = explain(task.path, error)
        said = (*task.assignments, *task.also)
        return [failed(task.path, rules.path, rules.name, message) for _, rules in said]
    plain = replace(task, views=None)
    both = zip((*task.assignments, *task.also), task.inner, strict=True)
    return [
        _one_report(task if at < len(task.assignments) else plain, asked, inner, (file, known))
        for at, (asked, inner) in enumerate(both)
    ]


def part_file(task: Task) -> tuple[PartFile, KnownPart | None]:
    """The part's file, and what is known of it. Raises InputError where it cannot be read."""
    from wallguard.part.part import PartFile

    if task.store is None:
        file, known = PartFile(task.file, root=task.root, name=task.path, data=task.data), None
    else:
        from wallguard.jobs.known import KnownPart
        from wallguard.mesh.content import content

        data = content(task.file, task.path, task.root)
        known = KnownPart(task.store, data, task.file.suffix)
        file = PartFile(task.file, root=task.root, name=task.path, data=data, memories=known.memory)
    if len(task.assignments) + len(task.also) > 1:
        file.for_several()
    return file, known


def report_on(geometry: Geometry, rules: Rules, path: str, views: What | None = None) -> PartReport:
    """Check one part, known as `path`, against one rule file; `views`: see `Task`.

    Raises InputError where no band table follows from the rules, or for a part of absurd size.
    """
    from wallguard.bands.declared import band_table
    from wallguard.checks.case import Case

    begun = time.perf_counter()
    case = Case(geometry, rules, band_table(rules))
    runs, findings = run_checks(case)
    shown = None
    if views:
        from wallguard.views.make import make

        shown = make(case, findings, views)
    return PartReport(
        path=path,
        rules=rules.path,
        rules_name=rules.name,
        status=status_of(findings),
        mesh=mesh_info(geometry),
        checks=tuple(runs),
        walls=report_walls(case),
        findings=tuple(findings),
        bodies=geometry.bodies() if findings else (),
        basis=case.table.basis,
        seconds=time.perf_counter() - begun,
        views=shown,
    )


def _one_report(
    task: Task,
    asked: tuple[Assignment, Rules],
    inner: tuple[Assignment, Rules],
    read: tuple[PartFile, KnownPart | None],
) -> PartReport:
    """The report on a part for what is `asked`; `inner`: the same with names as seen from its
    folder."""
    begun = time.perf_counter()
    file, known = read
    report = known.report(*inner) if known and not task.views else None
    try:
        if report is None:
            report = report_on(file.lying(inner[0]).geometry, inner[1], "", task.views)
            if known:
                known.keep(*inner, report)
        report = replace(report, path=task.path, rules=asked[1].path)
    except Exception as error:  # of this part alone: the others and all reports stay whole
        report = failed(task.path, asked[1].path, asked[1].name, explain(task.path, error))
    return replace(report, seconds=time.perf_counter() - begun)


def explain(path: str, error: Exception) -> str:
    """Why the part `path` could not be checked, in words, from what was raised meanwhile."""
    from wallguard.jobs.limits import out_of_memory, too_large

    lacking = out_of_memory(error)
    if isinstance(error, InputError) and not lacking:
        return str(error)
    if not lacking:
        return f"{path}: not checked, because {unforeseen(error)}. Please report it."
    return f"{path}: not checked, because {too_large()}. Simplify the mesh."


def failed(path: str, rules: str, name: str, message: str) -> PartReport:
    """The report on a part that could not be checked."""
    return PartReport(
        path=path,
        rules=rules,
        rules_name=name,
        status="error",
        mesh=None,
        checks=(),
        walls=(),
        findings=(),
        error=message,
    )


def run_checks(case: Case) -> tuple[list[CheckRun], list[Finding]]:
    """All checks on one case, in their order, and what they find, worst first."""
    from wallguard.checks.case import Broken
    from wallguard.checks.owners import of_bodies
    from wallguard.checks.places import findings_of
    from wallguard.checks.registry import CHECKS, skipped, unjudged

    runs: list[CheckRun] = []
    whole: list[Finding] = []
    broken: list[Broken] = []
    for name, check in CHECKS.items():
        why = skipped(name, case)
        if why:
            runs.append(check_run(name, "skipped", why))
            continue
        drafts = list(check.findings(case))
        broken += [each for each in drafts if isinstance(each, Broken)]
        parts = [each.finding() for each in drafts if not isinstance(each, Broken)]
        whole += parts
        breaches = [each.breach for each in drafts if isinstance(each, Broken)]
        breaches += [breach for finding in parts for breach in finding.breaches]
        runs.append(check_run(name, check_status(breaches), unjudged(name, case)))
    # Names of bodies come last: what a finding is called does not depend on the file's format.
    return runs, of_bodies(case, named([*whole, *findings_of(case, broken)], case.rules.path))


def settled(report: PartReport, gate: Gate) -> PartReport:
    """The report with the status of the part and of its checks that the findings in force ask for:
    see `findings.in_force`."""
    held = [finding for finding in report.findings if in_force(finding, gate)]
    breaches = [breach for finding in held for breach in finding.breaches if not breach.waived]
    runs = tuple(
        run
        if run.status in ("skipped", "error")
        else check_run(
            run.name,
            check_status([breach for breach in breaches if breach.check == run.name]),
            run.note,
        )
        for run in report.checks
    )
    status = report.status if report.status == "error" else status_of(held)
    return replace(report, checks=runs, status=status)


def check_status(breaches: Sequence[Breach | Draft | Finding]) -> CheckStatus:
    """How a check ended that found this."""
    if any(breach.severity == "fail" for breach in breaches):
        return "failed"
    if any(breach.indeterminate for breach in breaches):
        return "indeterminate"
    return "warned" if any(breach.severity == "warn" for breach in breaches) else "passed"


def status_of(findings: Sequence[Finding]) -> Status:
    """How a part stands with these findings."""
    if any(finding.severity == "fail" for finding in findings):
        return "failed"
    if any(finding.indeterminate for finding in findings):
        return "indeterminate"
    return "passed"


def mesh_info(geometry: Geometry) -> MeshInfo:
    """What the part's file holds, as drawn."""
    facts = geometry.facts
    return MeshInfo(
        triangles=facts.triangles,
        watertight=facts.condition.watertight,
        extents=facts.drawn,
        unit=facts.unit,
        names=facts.names,
        chord_error=facts.chord,
    )


def report_walls(case: Case) -> tuple[Wall, ...]:
    """The walls of a case with their outcome, in the part file's own frame."""
    return tuple(_wall(case.geometry, wall, case) for wall in case.walls)


def plain_walls(geometry: Geometry, stretches: Sequence[Stretch]) -> tuple[Wall, ...]:
    """Walls without an outcome, for a part that answers to no rules; specks are left out."""
    from wallguard.walls.stretch import is_speck

    return tuple(_wall(geometry, wall, None) for wall in stretches if not is_speck(wall))


def _wall(geometry: Geometry, wall: Stretch, case: Case | None) -> Wall:
    fill, printed = None, None
    margin, beyond = None, ""
    if case is not None:
        nearest = case.nearest_other(wall)
        margin, beyond = nearest or (None, "")
        outcome = case.outcome(wall)
        fill = outcome.fill
        if outcome.printed is not None:
            printed = Printed(outcome.printed, outcome.uncertainty)
    return geometry.wall(
        wall,
        fill=fill,
        printed=printed,
        margin=margin,
        beyond=beyond,
        lean=wall.lean,
        callipers=case.callipers(wall) if case else None,
    )
