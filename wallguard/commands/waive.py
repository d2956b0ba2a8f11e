"""`wallguard waive`: accept a finding, or all that are alike, for a reason and until a day."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

from wallguard.base import files
from wallguard.base.errors import InputError
from wallguard.base.plain import one_line
from wallguard.base.write import write
from wallguard.commands.arguments import Commands, command
from wallguard.commands.publish import read_report
from wallguard.commands.schema import modeline, schema_file
from wallguard.documents.reading import read_text
from wallguard.findings.model import Body, Finding, PartReport
from wallguard.findings.outcomes import breach_of
from wallguard.jobs.check import check_all
from wallguard.jobs.choose import Asked, choose
from wallguard.jobs.design import Design
from wallguard.jobs.limits import Allowed
from wallguard.jobs.source import work_tree
from wallguard.reports.console import Progress
from wallguard.repository import git
from wallguard.repository.changes import find_root
from wallguard.waivers.append import added
from wallguard.waivers.apply import stem
from wallguard.waivers.load import FILE_NAME, Waiver, load_waivers

_BOM = "\ufeff"
CAUTION = (
    "This accepts how walls come out, not that the part is safe to use. If it carries load, or "
    "people stand below it, let somebody who answers for that decide."
)


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "waive",
        'wallguard waive 0a1b2c3d4e --why "glued in, carries nothing" --until 2031-05-31',
        _command,
    )
    parser.add_argument("finding", metavar="ID", help="the finding's id, as reports show it")
    parser.add_argument(
        "--part", default="", metavar="PART", help="the part that has it, if several do"
    )
    parser.add_argument(
        "--alike",
        action="store_true",
        help="accept all findings of the part that are alike but for their place, as many as there "
        "are now and not one more",
    )
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
            Named(arguments.finding, arguments.part, arguments.alike, arguments.report),
            why=arguments.why,
            until=arguments.until,
            who=arguments.who,
            issue=arguments.issue,
        ),
        end="",
    )
    return 0


@dataclass(frozen=True)
class Named:
    """Which finding is to be accepted.

    finding  its id, as reports show it
    part     the part that has it; empty: the only one that has
    alike    accept all findings of the part that are alike but for their place
    report   a JSON report with it; None: parts are checked
    """

    finding: str
    part: str = ""
    alike: bool = False
    report: Path | None = None


def run(
    named: Named,
    *,
    why: str,
    until: str,
    who: str | None = None,
    issue: str = "",
    today: date | None = None,
) -> str:
    """Add a waiver to `waivers.yaml` at the root; gives back what to tell.

    until    the last day on which it holds, as year-month-day
    who      None: the name that git commits under

    Raises InputError: no such finding, one that several parts have, a value that cannot be used, a
    day that is past or too far off, a waiver that is there already, or a file that cannot be read
    or added to.
    """
    root = find_root(Path.cwd())
    longest = Design(work_tree(root)).longest("")
    day = _day(until, today or date.today(), longest)
    part, finding = _finding(named, root)
    for waiver in load_waivers(root):
        if waiver.finding == finding.id and waiver.part in ("", part.path):
            raise InputError(
                FILE_NAME,
                f"there is a waiver of {finding.id} already",
                remedy="Change its `until`, `limits`, `measures` and `why` there",
                line=waiver.line,
            )
    group = [finding]
    if named.alike and finding.shape:
        group = [other for other in part.findings if other.shape == finding.shape]
    made = replace(
        _waiver(part, group, alone=len(group) == 1), who=who or _name(root), why=why, issue=issue
    )
    line = _write(root, replace(made, until=day))
    others = len(group) - 1
    more = f", and {others} alike" if others else ""
    limits = ", ".join(made.limits)
    return (
        f"{FILE_NAME}:{line}: waived until {day} ({limits}): {part.path}: "
        f"{one_line(finding.message)}{more}\n{CAUTION}\n"
    )


def _waiver(part: PartReport, group: Sequence[Finding], *, alone: bool) -> Waiver:
    """What is accepted; who, why and until when is still to be said."""
    finding = group[0]
    place = finding.location if alone else None
    limits = tuple(dict.fromkeys(breach.check for breach in finding.breaches))
    measures = [_extreme(group, check) for check in limits]
    known = [round(float(measure), 4) for measure in measures if measure is not None]
    family = sum(stem(other.id) == stem(finding.id) for other in part.findings)
    sides = zip(*(other.size for other in group), strict=True)
    return Waiver(
        who="",
        why="",
        until=date.max,
        finding=finding.id,
        part=part.path,
        rules=part.rules,
        limits=limits,
        place=(round(place[0], 2), round(place[1], 2), round(place[2], 2)) if place else None,
        measures=tuple(known) if len(known) == len(limits) else (),
        fill=finding.fill,
        size=tuple(round(max(side), 3) for side in sides),
        certain=not any(breach.indeterminate for breach in finding.breaches),
        alike=family if alone else len(group),
        shape="" if alone else finding.shape,
        body=_body(part, group),
    )


def _body(part: PartReport, group: Sequence[Finding]) -> Body | None:
    """The body that has these findings, or where they are on several the part as a whole."""
    from wallguard.findings.bodies import around, same

    body = around(group[0].location, part.bodies)
    if body is None:
        return None
    if not all(same(body, around(finding.location, part.bodies) or body) for finding in group):
        body = part.bodies[-1]
    x, y, z = (round(value, 3) for value in body.centre)
    u, v, w = (round(value, 3) for value in body.lean)
    xx, yy, zz, yz, xz, xy = (round(value, 3) for value in body.spread)
    nowhere, area, volume = (0.0, 0.0, 0.0), round(body.area, 3), round(body.volume, 3)
    return Body(area, volume, (x, y, z), (xx, yy, zz, yz, xz, xy), (u, v, w), (nowhere, nowhere))


def _extreme(group: Sequence[Finding], check: str) -> float | None:
    """What was measured where the limit is broken furthest."""
    breaches = [breach for finding in group if (breach := breach_of(finding, check))]
    measured = [breach.measured for breach in breaches if breach.measured is not None]
    if not measured:
        return None
    limit = breaches[0].limit
    return min(measured) if limit is not None and measured[0] < limit else max(measured)


def _day(until: str, today: date, longest: int) -> date:
    try:
        day = date.fromisoformat(until)
    except ValueError:
        raise InputError(
            f"--until {until}", "this is no day", remedy="Write year-month-day, as in 2031-05-31"
        ) from None
    if day < today:
        raise InputError(f"--until {until}", "this day is past", remedy="Name a later one")
    last = today + timedelta(longest)
    if day > last:
        raise InputError(
            f"--until {until}",
            f"a waiver may run for {longest} days at most",
            remedy=f"Name {last} or an earlier day",
        )
    return day


def _name(root: Path) -> str:
    name = ""
    if git.in_repository(root):
        name = git.run(root, "config", "user.name").stdout.decode("utf-8", "replace").strip()
    if not name:
        raise InputError("--who", "git knows no name to sign with", remedy="Give one with --who")
    return name


def _finding(named: Named, root: Path) -> tuple[PartReport, Finding]:
    """The finding and the part that has it."""
    report, named_findings = named.report, []
    for part in _checked(root) if report is None else read_report(report).parts:
        if named.part in ("", part.path):
            named_findings += [
                (part, finding) for finding in part.findings if finding.id == named.finding
            ]
        if named_findings and named.part:
            break
    names = sorted({part.path for part, _ in named_findings})
    if len(names) > 1:
        raise InputError(
            named.finding,
            f"{len(names)} parts have a finding of this name: {', '.join(names)}",
            remedy="Say which with --part",
        )
    if named_findings:
        return named_findings[0]
    where = f"the report {report}" if report else named.part or "any part that could be checked"
    remedy = "Copy it from a report of now: what is drawn otherwise may be called otherwise"
    if report is None and Design(work_tree(root)).repository("").generated:
        remedy += ". Code that makes parts is not run here: --report names a JSON report with them"
    raise InputError(named.finding, f"there is no finding of this name in {where}", remedy=remedy)


def _checked(root: Path) -> Iterator[PartReport]:
    """The report on each part of the repository as it is now, those that changed first."""
    design = Design(work_tree(root))
    changed, every = choose(design, Asked()), choose(design, Asked(everything=True))
    first = {task.path for task in changed.tasks}
    tasks = changed.tasks + [task for task in every.tasks if task.path not in first]
    with Progress(len(tasks)) as progress:
        for task in tasks:
            yield from check_all([replace(task, allowed=Allowed())])[0]
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
    if not text and (root / schema_file("waivers")).is_file():
        made, line = modeline("waivers") + made, line + 1
    write(path, mark + made)
    return line
