"""`wallguard check`: choose parts, check them against their rules, and write the reports."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Literal

from wallguard import __version__
from wallguard.commands import publish
from wallguard.commands.arguments import Commands, command, jobs
from wallguard.commands.publish import Outputs
from wallguard.findings.model import PartReport, Report
from wallguard.jobs.base import Base, compare, find_base
from wallguard.jobs.check import check_all, settled
from wallguard.jobs.choose import Job, Place
from wallguard.reports import console
from wallguard.reports.formats import Setting
from wallguard.repository.git import below_top
from wallguard.waivers.apply import apply


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "check",
        "wallguard check --changed-since origin/main --junit walls.xml --markdown walls.md",
        _command,
    )
    parser.add_argument(
        "paths",
        nargs="*",
        type=Path,
        metavar="PATH",
        help="parts, rule files or folders; without any: what changed, else all",
    )
    parser.add_argument(
        "--rules",
        action="append",
        type=Path,
        default=[],
        metavar="FILE",
        help="check against this rule file, whatever wallguard.yaml says (may be repeated)",
    )
    which = parser.add_mutually_exclusive_group()
    which.add_argument(
        "--changed-since", metavar="REV", help="parts that changed since this git revision"
    )
    which.add_argument(
        "--staged", action="store_true", help="parts staged for the next commit, as staged"
    )
    which.add_argument("--all", action="store_true", help="every part of the repository")
    parser.add_argument(
        "--base",
        metavar="REV",
        help="tell what is new, fixed and unchanged against the place where this branch left this "
        "git revision; both are checked against the rules as they are now",
    )
    parser.add_argument(
        "--gate",
        choices=("new", "all"),
        help="which findings fail: those that are new, or worse, against the base, or all "
        "(default: what wallguard.yaml says, else all)",
    )
    publish.declare(parser, "check")
    parser.add_argument(
        "--jobs",
        type=jobs,
        default=1,
        metavar="N",
        help="parts checked at a time (0: one for each processor; default 1)",
    )


def _command(arguments: argparse.Namespace) -> int:
    return run(
        arguments.paths,
        rules=arguments.rules,
        changed_since=arguments.changed_since,
        staged=arguments.staged,
        everything=arguments.all,
        base=arguments.base,
        gate=arguments.gate,
        outputs=publish.outputs(arguments, "check"),
        jobs=arguments.jobs,
    )


def run(
    paths: Sequence[Path] = (),
    *,
    rules: Sequence[Path] = (),
    changed_since: str | None = None,
    staged: bool = False,
    everything: bool = False,
    base: str | None = None,
    gate: Literal["all", "new"] | None = None,
    outputs: Outputs | None = None,
    jobs: int = 1,
    today: date | None = None,
) -> int:
    """Check and report; returns the exit code: 0 passed, 1 findings that fail, 2 could not.

    base   a git revision: findings are sorted into what is new against it, unchanged and fixed;
           without anything else that says what to check, what changed since is
    gate   which findings fail; None: as `wallguard.yaml` says
    today  the day on which waivers must still hold; None: today

    Raises InputError where nothing can be checked at all, or where a report cannot be written.
    """
    outputs = outputs or Outputs()
    publish.ready(outputs, "check")
    begun = time.perf_counter()
    started = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    with publish.undone_is_told("check", outputs, Setting(Path())), ExitStack() as stack:
        place = Place(Path.cwd(), staged, stack)
        job = Job(place, tuple(rules))
        if base is None or paths or changed_since or staged or everything:
            job.choose(paths, changed_since, everything)
        else:
            job.choose(changed_since=base, asked="--base")
        if outputs.views:
            job.tasks = [replace(task, views=outputs.views) for task in job.tasks]
        against, parts = _parts(job, base, gate, changed_since, jobs, stack)
    parts, remarks = apply(
        parts, job.waivers, today or date.today(), gone=job.gone, complete=job.complete
    )
    gate = (gate or job.gate) if against else "all"
    parts = [settled(part, gate) for part in parts]
    report = Report(
        parts=tuple(sorted(parts, key=lambda part: (part.path, part.rules))),
        not_covered=tuple(sorted(job.not_covered)),
        troubles=tuple(job.troubles.values()),
        removed=tuple(sorted(job.removed)),
        base=against.revision if against else "",
        base_commit=against.commit if against else "",
        gate=gate,
        remarks=tuple(remarks),
        version=__version__,
        started=started,
        seconds=time.perf_counter() - begun,
    )
    setting = Setting(Path(), folder=below_top(place.root), rules=job.known)
    publish.publish("check", report, outputs, setting)
    return report.exit_code


def _parts(
    job: Job,
    base: str | None,
    gate: Literal["all", "new"] | None,
    changed_since: str | None,
    jobs: int,
    stack: ExitStack,
) -> tuple[Base | None, list[PartReport]]:
    """The reports on the chosen parts, compared with a base where there is one."""
    against = find_base(job, base, gate, changed_since)
    comparison = compare(job.place, job.tasks, against, stack) if against else None
    tasks = [*job.tasks, *(comparison.tasks if comparison else ())]
    with console.Progress(len(tasks)) as progress:
        reports = check_all(tasks, jobs, progress.step)
    if comparison is None:
        return against, job.reports + reports
    # One for each rule file of a part, in the order of the tasks.
    heads = sum(len(task.assignments) for task in job.tasks)
    return against, job.reports + comparison.sort(reports[:heads], reports[heads:])
