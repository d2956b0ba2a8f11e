"""The report for a reviewer: the verdict first, then the parts, then what to change and where."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from wallguard.base.plain import counted, without_path
from wallguard.findings.counts import SEVERITIES, told
from wallguard.findings.impact import Impact
from wallguard.findings.model import PartReport, Report, Status, in_force
from wallguard.reports import impact_markdown, order
from wallguard.reports.formats import Setting
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.page import (
    Pairs,
    Section,
    finding_items,
    fitted,
    folded,
    rest,
    trouble_items,
)
from wallguard.reports.pictures import links
from wallguard.reports.sentence import Key

if TYPE_CHECKING:
    from wallguard.toolpath.against import Against

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


def markdown(
    report: Report, *, limit: int = 65000, pictures: Mapping[Key, str] | None = None
) -> str:
    """The report as GitHub-flavoured Markdown of at most `limit` characters.

    pictures  for the key of each finding that has one, the percent-encoded address of its picture

    Where it would grow longer whole items are left out, and a line says how many of what.

    Raises ValueError: `limit` is less than SMALLEST.
    """
    if limit < SMALLEST:
        raise ValueError(f"no report fits in {limit} characters; {SMALLEST} is the least")
    head = f"{_verdict(report)}\n\n"
    return fitted(head, _sections(report, pictures or {}), _FOOT, limit)


def _verdict(report: Report) -> str:
    counts = told(report)
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
    said = [f"{word}: {'; '.join(clauses)}."]
    if found:
        said.append(f"Findings: {found}.")
    if report.base:
        commit = f" ({code(report.base_commit[:10])})" if report.base_commit else ""
        said.append(
            f"Against {code(report.base)}{commit}: {counts.new} new, {counts.unchanged} unchanged, "
            f"{counts.fixed} fixed; both were checked against the rules as they are now."
        )
        if report.gate == "new" and counts.unchanged:
            said.append("Only new findings fail.")
    if counts.waived:
        said.append(f"{counts.waived} waived.")
    return " ".join(said)


def _sections(report: Report, pictures: Mapping[Key, str]) -> list[Section]:
    """What the page shows, in order of weight, without sections that hold nothing."""
    parts = sorted(order.parts(report), key=lambda part: _weight(part, report))
    rows = [_row(part, report) for part in parts]
    held = [pair for pair in order.every(report) if in_force(pair[1], report.gate)]
    new = [pair for pair in held if pair[1].state != "unchanged"]
    old = [pair for pair in held if pair[1].state == "unchanged"]
    troubles = trouble_items(order.troubles(report))
    part = ("part", "parts")
    sections = [
        Section("file", "files", troubles, "### Files that could not be used\n\n"),
        Section(*part, rows[:_PARTS], _TABLE),
        *_listed(new, "### New" if report.base else "", pictures),
        *_listed(old, "### Unchanged", pictures),
        folded(*part, rows[_PARTS:], "more ", _TABLE),
        *rest(report),
    ]
    return [section for section in sections if section.items]


def _listed(pairs: Pairs, title: str, pictures: Mapping[Key, str]) -> list[Section]:
    """The first findings for all to see, the others and mere notes folded."""
    items = finding_items(pairs, pictures)
    shown = min(_FINDINGS, sum(finding.severity != "note" for _, finding in pairs))
    title = title or ("### The worst findings" if items[shown:] else "### What to change")
    kind = "finding", "findings"
    return [
        Section(*kind, items[:shown], f"{title}\n\n"),
        folded(*kind, items[shown:], "more " if shown else ""),
    ]


def _weight(part: PartReport, report: Report) -> tuple[int, bool]:
    loud = any(one.severity != "note" and in_force(one, report.gate) for one in part.findings)
    return _WORST_FIRST.index(part.status), not loud


def _row(part: PartReport, report: Report) -> str:
    held = [one for one in order.findings(part.findings) if in_force(one, report.gate)]
    held.sort(key=lambda one: one.state == "unchanged")
    severities = [finding.severity for finding in held]
    numbers = [f"{severities.count(one)} {one}" for one in SEVERITIES if one in severities]
    quiet = sum(not one.waived and not in_force(one, report.gate) for one in part.findings)
    others = (
        (quiet, "unchanged"),
        (len(part.fixed), "fixed"),
        (sum(bool(one.waived) for one in part.findings), "waived"),
    )
    numbers += [f"{number} {what}" for number, what in others if number]
    result = _MARKS[part.status] + (f": {', '.join(numbers)}" if numbers else "")
    if part.error:
        worst = prose(without_path(part.path, part.error), 300)
    else:
        worst = prose(held[0].message, 300) if held else ""
    return f"| {code(part.path)} | {code(part.rules)} | {result} | {worst} |\n"


def show_report(report: Report, setting: Setting) -> str:
    """See `markdown`."""
    where = links(report, setting.pictures, setting.path) if setting.pictures else {}
    return markdown(report, pictures=where)


def show_impact(impact: Impact, setting: Setting) -> str:
    """An impact as Markdown."""
    return impact_markdown.markdown(impact)


def show_against(compared: Against, setting: Setting) -> str:
    """Two toolpaths as Markdown."""
    from wallguard.reports import against

    return against.markdown(compared)
