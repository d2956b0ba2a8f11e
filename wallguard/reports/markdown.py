"""The report for a reviewer: the verdict first, then the parts, then what to change and where."""

from __future__ import annotations

from collections.abc import Sequence

from wallguard.findings import Finding, PartReport, Report, Status
from wallguard.reports import order
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.page import Section, finding_item, fitted, folded
from wallguard.reports.plain import counted, without_path

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


def markdown(report: Report, *, limit: int = 65000) -> str:
    """The report as GitHub-flavoured Markdown of at most `limit` characters.

    Where it would grow longer whole items are left out, and a line says how many of what.

    Raises ValueError: `limit` is less than SMALLEST.
    """
    if limit < SMALLEST:
        raise ValueError(f"no report fits in {limit} characters; {SMALLEST} is the least")
    head = f"{_verdict(report)}\n\n"
    return fitted(head, _sections(report), _FOOT, limit)


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


def _sections(report: Report) -> list[Section]:
    """What the page shows, in order of weight, without sections that hold nothing."""
    parts = sorted(order.parts(report), key=_weight)
    rows = [_row(part) for part in parts]
    found = _findings(parts)
    items = [finding_item(part, finding) for part, finding in found]
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
        Section("file", "files", troubles, "### Files that could not be used\n\n"),
        Section(*part, rows[:_PARTS], _TABLE),
        Section(*finding, items[:shown], title),
        folded(*finding, items[shown:], more),
        folded(*part, rows[_PARTS:], "more ", _TABLE),
        folded(*limits, limited),
        folded(*bare, not_covered),
        folded("removed part", "removed parts", removed),
    ]
    return [section for section in sections if section.items]


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
