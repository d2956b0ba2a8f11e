"""`wallguard waive`: accept one finding, for a reason and until a day, in `waivers.yaml`."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path

from wallguard.base import files
from wallguard.base.errors import InputError
from wallguard.base.plain import one_line
from wallguard.base.write import write
from wallguard.commands.arguments import Commands, command
from wallguard.commands.publish import read_report
from wallguard.documents.reading import read_text
from wallguard.findings.model import Finding, PartReport
from wallguard.jobs.check import check_part
from wallguard.jobs.choose import Asked, choose
from wallguard.jobs.design import Design
from wallguard.jobs.source import work_tree
from wallguard.reports.console import Progress
from wallguard.repository import git
from wallguard.repository.changes import find_root
from wallguard.waivers.append import added
from wallguard.waivers.apply import stem
from wallguard.waivers.load import FILE_NAME, Waiver, load_waivers

_BOM = "\ufeff"


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "waive",
        'wallguard waive 0a1b2c3d4e --why "glued in, carries nothing" --until 2031-05-31',
        _command,
    )
    parser.add_argument("finding", metavar="ID", help="the finding's id, as reports show it")
    parser.add_argument("--why", required=True, metavar="TEXT", help="why it is accepted")
    parser.add_argument(
        "--until", required=True, metavar="YYYY-MM-DD", help="the last day on which this holds"
    )
    parser.add_argument(
        "--who", metavar="NAME", help="who accepts it (default: the name git commits under)"
    )
    parser.add_argument("--issue", default="", metavar="URL", help="where it is followed up")
    parser.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="JSON report with the finding (default: parts are checked until it is found)",
    )


def _command(arguments: argparse.Namespace) -> int:
    print(
        run(
            arguments.finding,
            why=arguments.why,
            until=arguments.until,
            who=arguments.who,
            issue=arguments.issue,
            report=arguments.report,
        ),
        end="",
    )
    return 0


def run(
    finding: str,
    *,
    why: str,
    until: str,
    who: str | None = None,
    issue: str = "",
    report: Path | None = None,
    today: date | None = None,
) -> str:
    """Add a waiver to `waivers.yaml` at the root; gives back what to tell.

    finding  id of the finding, as reports show it
    until    the last day on which it holds, as year-month-day
    who      None: the name that git commits under
    report   a JSON report with the finding; None: parts are checked until it is found, those that
             changed first

    Raises InputError: no such finding, a value that cannot be used, a day that is past, a waiver
    that is there already, or a file that cannot be read or added to.
    """
    root = find_root(Path.cwd())
    day = _day(until, today or date.today())
    for waiver in load_waivers(root):
        if waiver.finding == finding:
            raise InputError(
                FILE_NAME,
                f"there is a waiver of {finding} already",
                remedy="Change its `until`, `measured` and `why` there",
                line=waiver.line,
            )
    part, found = _found(finding, root, report)
    place = found.location
    waiver = Waiver(
        who=who or _name(root),
        why=why,
        until=day,
        finding=found.id,
        part=part.path,
        rules=part.rules,
        check=found.check,
        place=(round(place[0], 2), round(place[1], 2), round(place[2], 2)) if place else None,
        measured=None if found.measured is None else round(float(found.measured), 4),
        fill=found.fill,
        size=tuple(round(side, 3) for side in found.size),
        certain=not found.indeterminate,
        alike=sum(stem(one.id) == stem(found.id) for one in part.findings),
        issue=issue,
    )
    line = _write(root, waiver)
    return f"{FILE_NAME}:{line}: waived until {day}: {part.path}: {one_line(found.message)}\n"


def _day(until: str, today: date) -> date:
    try:
        day = date.fromisoformat(until)
    except ValueError:
        raise InputError(
            f"--until {until}", "this is no day", remedy="Write year-month-day, as in 2031-05-31"
        ) from None
    if day < today:
        raise InputError(f"--until {until}", "this day is past", remedy="Name a later one")
    return day


def _name(root: Path) -> str:
    name = ""
    if git.in_repository(root):
        name = git.run(root, "config", "user.name").stdout.decode("utf-8", "replace").strip()
    if not name:
        raise InputError("--who", "git knows no name to sign with", remedy="Give one with --who")
    return name


def _found(name: str, root: Path, report: Path | None) -> tuple[PartReport, Finding]:
    """The finding and the part that has it."""
    parts = _checked(root) if report is None else read_report(report).parts
    for part in parts:
        for finding in part.findings:
            if finding.id == name:
                return part, finding
    where = f"the report {report}" if report else "any part that could be checked"
    raise InputError(
        name,
        f"there is no finding of this name in {where}",
        remedy="Copy it from a report of now: what is drawn otherwise may be called otherwise",
    )


def _checked(root: Path) -> Iterator[PartReport]:
    """The report on each part of the repository as it is now, those that changed first."""
    design = Design(work_tree(root))
    changed, every = choose(design, Asked()), choose(design, Asked(everything=True))
    first = {task.path for task in changed.tasks}
    tasks = changed.tasks + [task for task in every.tasks if task.path not in first]
    with Progress(len(tasks)) as progress:
        for task in tasks:
            yield from check_part(task)
            progress.step(task.path)
    for trouble in design.troubles.values():
        raise InputError(
            FILE_NAME, f"parts are left unchecked, since {trouble.path} cannot be used"
        )


def _write(root: Path, waiver: Waiver) -> int:
    """Add the waiver to the file, and give back the line where it begins."""
    path = Path(os.path.realpath(root / FILE_NAME))
    text, mark = "", ""
    if path.exists():
        text = read_text(path, FILE_NAME)
        with files.opened(path) as file:
            mark = _BOM if file.read(3) == _BOM.encode() else ""
    made, line = added(text, waiver)
    write(path, mark + made)
    return line
