"""The report for a reviewer: the verdict first, then the parts, then what to change and where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wallguard.findings import Finding, PartReport, Report, Status
from wallguard.reports import order
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.plain import counted, listed, without_path
from wallguard.text import place

# What is shown at once; the rest is folded.
_PARTS = 20
_FINDINGS = 10
# Less has no room for the verdict, what was cut, and the caution.
SMALLEST = 1500

_MARKS: dict[Status, str] = {
    "passed": "✓ passed",
    "failed": "✗ **failed**",
    "indeterminate": "? **indeterminate**",
    "error": "! **error**",
}
_WORST_FIRST: tuple[Status, ...] = ("error", "failed", "indeterminate", "passed")
_TABLE = "| part | rules | result | worst finding |\n|---|---|---|---|\n"
_FOOT = """\
Coordinates are in the part file's own frame, in mm.

A pass speaks of a part's geometry only. It never says that a part is safe to use.
"""


@dataclass(frozen=True)
class _Section:
    """Items of one kind (named by `one` and `many`), with what stands before and after them all."""

    one: str
    many: str
    items: Sequence[str]
    opening: str
    closing: str = "\n"


def markdown(report: Report, *, limit: int = 65000) -> str:
    """The report as GitHub-flavoured Markdown of at most `limit` characters.

    Where it would grow longer whole items are left out, and a line says how many of what.

    Raises ValueError: `limit` is less than SMALLEST.
    """
    if limit < SMALLEST:
        raise ValueError(f"no report fits in {limit} characters; {SMALLEST} is the least")
    sections = _sections(report)
    head = f"{_verdict(report)}\n\n"
    # What was cut takes the most room where everything was.
    longest = _cut([(section, len(section.items)) for section in sections], limit)
    room = limit - len(head) - len(longest) - len(_FOOT)
    body = ""
    cut: list[tuple[_Section, int]] = []
    for section in sections:
        # Where something was cut nothing further down is shown: the page is in order of weight.
        taken = 0 if cut else _fitting(section, room - len(body))
        if taken:
            body += section.opening + "".join(section.items[:taken]) + section.closing
        if taken < len(section.items):
            cut.append((section, len(section.items) - taken))
    return head + body + (_cut(cut, limit) if cut else "") + _FOOT


def _fitting(section: _Section, room: int) -> int:
    """How many of the section's items fit in `room` characters."""
    room -= len(section.opening) + len(section.closing)
    for number, item in enumerate(section.items):
        room -= len(item)
        if room < 0:
            return number
    return len(section.items)


def _cut(cut: Sequence[tuple[_Section, int]], limit: int) -> str:
    numbers: dict[tuple[str, str], int] = {}
    for section, number in cut:
        kind = section.one, section.many
        numbers[kind] = numbers.get(kind, 0) + number
    what = listed([counted(number, one, many) for (one, many), number in numbers.items()])
    return f"Cut at {limit} characters. Left out, but in the JSON report: {what}.\n\n"


def _verdict(report: Report) -> str:
    counts = order.count(report)
    undone = order.undone(counts)
    found = order.found(counts)
    clauses = []
    if counts.failed:
        clauses.append(f"{counts.failed} of {order.checked(counts)} failed")
    if undone:
        clauses.append(f"{undone} could not be checked")
    if counts.parts and not clauses:
        clauses.append(f"{counts.passed} of {order.checked(counts)} passed")
    if counts.indeterminate:
        clauses.append(f"{counts.indeterminate} indeterminate")
    if counts.not_covered:
        clauses.append(
            f"{counted(counts.not_covered, 'part')} not checked, for want of a rule file"
        )
    if report.exit_code:
        word = "**Do not merge**"
    elif counts.parts:
        word = "**May be merged** as far as walls go"
    else:
        word = "**Nothing was checked**"
        clauses = clauses or ["there was no part to check"]
    return f"{word}: {'; '.join(clauses)}." + (f" Findings: {found}." if found else "")


def _sections(report: Report) -> list[_Section]:
    """What the page shows, in order of weight, without sections that hold nothing."""
    parts = sorted(order.parts(report), key=_weight)
    rows = [_row(part) for part in parts]
    found = _findings(parts)
    items = [_item(part, finding) for part, finding in found]
    shown = min(_FINDINGS, sum(finding.severity != "note" for _, finding in found))
    troubles = [
        f"- {code(one.path)}: {prose(without_path(one.path, one.message))}\n"
        for one in order.troubles(report)
    ]
    limited = [
        f"- {code(part.path)} ({code(part.rules)}), {prose(run.name)}: {prose(run.note)}\n"
        for part in parts
        for run in order.limited(part)
    ]
    not_covered = [f"- {code(path)}\n" for path in sorted(report.not_covered)]
    removed = [f"- {code(path)}\n" for path in sorted(report.removed)]
    title = "### The worst findings\n\n" if items[shown:] else "### What to change\n\n"
    finding, part = ("finding", "findings"), ("part", "parts")
    limits = (
        "check that could not do all of its job",
        "checks that could not do all of their job",
    )
    bare = "part not checked, for want of a rule file", "parts not checked, for want of a rule file"
    more = "more " if shown else ""
    sections = [
        _Section("file", "files", troubles, "### Files that could not be used\n\n"),
        _Section(*part, rows[:_PARTS], _TABLE),
        _Section(*finding, items[:shown], title),
        _folded(*finding, items[shown:], more),
        _folded(*part, rows[_PARTS:], "more ", _TABLE),
        _folded(*limits, limited),
        _folded(*bare, not_covered),
        _folded("removed part", "removed parts", removed),
    ]
    return [section for section in sections if section.items]


def _folded(
    one: str, many: str, items: Sequence[str], more: str = "", opening: str = ""
) -> _Section:
    summary = counted(len(items), more + one, more + many)
    head = f"<details>\n<summary>{summary}</summary>\n\n{opening}"
    return _Section(one, many, items, head, "\n</details>\n\n")


def _weight(part: PartReport) -> tuple[int, bool]:
    return _WORST_FIRST.index(part.status), not _loud(part)


def _loud(part: PartReport) -> bool:
    return any(finding.severity != "note" for finding in part.findings)


def _findings(parts: Sequence[PartReport]) -> list[tuple[PartReport, Finding]]:
    """All findings, worst first over all parts."""
    pairs = [(part, finding) for part in parts for finding in part.findings]
    return sorted(pairs, key=lambda pair: (order.badness(pair[1]), pair[0].path, pair[0].rules))


def _row(part: PartReport) -> str:
    severities = [finding.severity for finding in part.findings]
    numbers = [f"{severities.count(one)} {one}" for one in order.SEVERITIES if one in severities]
    result = _MARKS[part.status] + (f": {', '.join(numbers)}" if numbers else "")
    if part.error:
        worst = prose(without_path(part.path, part.error), 300)
    else:
        worst = prose(order.findings(part.findings)[0].message, 300) if part.findings else ""
    return f"| {code(part.path)} | {code(part.rules)} | {result} | {worst} |\n"


def _item(part: PartReport, finding: Finding) -> str:
    what = prose(finding.message)
    if finding.location is not None and place(finding.location) not in finding.message:
        what += f", at {place(finding.location)}"
    if finding.indeterminate:
        what += " (indeterminate)"
    instead = f"<br>**Instead:** {prose(finding.advice)}" if finding.advice else ""
    check = prose(finding.check)
    return (
        f"- **{finding.severity}** {code(part.path)} ({check}, {code(part.rules)})<br>"
        f"{what}{instead}\n"
    )
