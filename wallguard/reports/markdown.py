"""The report for a reviewer: the verdict first, then the parts, then what to change and where."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

from wallguard.base.plain import without_path
from wallguard.findings.counts import grouped
from wallguard.findings.groups import groups
from wallguard.findings.impact import Impact
from wallguard.findings.model import PartReport, Report, Status, in_force
from wallguard.reports import impact_markdown, order
from wallguard.reports.first import aside, scope, word
from wallguard.reports.formats import Setting
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.order import Pair
from wallguard.reports.page import (
    COORDINATES,
    Section,
    accepted,
    finding_items,
    first,
    fitted,
    folded,
    rest,
    trouble_items,
)
from wallguard.reports.pictures import links
from wallguard.reports.sentence import Key

if TYPE_CHECKING:
    from wallguard.findings.rehearsal import Rehearsal
    from wallguard.toolpath.against import Against

# What is shown at once; the rest is folded.
_PARTS = 20
_FINDINGS = 10

_MARKS: dict[Status, str] = {
    "passed": "✓ passed",
    "failed": "✗ **failed**",
    "indeterminate": "? **indeterminate**",
    "error": "! **error**",
}
_WORST_FIRST: tuple[Status, ...] = ("error", "failed", "indeterminate", "passed")
_TABLE = "| part | rules | result | worst finding |\n|---|---|---|---|\n"


def markdown(
    report: Report, *, limit: int = 65000, pictures: Mapping[Key, str] | None = None
) -> str:
    """The report as GitHub-flavoured Markdown of at most `limit` characters.

    pictures  for the key of each finding that has one, the percent-encoded address of its picture

    Where it would grow longer whole items are left out, and a line says how many of what.

    Raises ValueError: `limit` is less than `page.SMALLEST`.
    """
    head = f"{_verdict(report)}\n\n"
    return fitted(
        head, _sections(report, pictures or {}), f"{COORDINATES}\n\n{report.caution}\n", limit
    )


def _verdict(report: Report) -> str:
    counts = grouped(report)
    clauses = [*order.results(counts), *aside(report)] or ["there was no part to check"]
    said = [f"**{word(report)}**{scope(report)}: {'; '.join(clauses)}."]
    severities = order.severities(report)
    if severities:
        said.append(f"Findings: {severities}.")
    if report.head_commit:
        said.append(f"Checked at {code(report.head_commit[:10])}.")
    if report.base:
        commit = f" ({code(report.base_commit[:10])})" if report.base_commit else ""
        said.append(
            f"Against {code(report.base)}{commit}: {counts.new} new, {counts.unchanged} unchanged, "
            f"{counts.fixed} fixed."
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
    new, old = (
        order.by_part(report, partial(order.counts, gate=report.gate, old=old))
        for old in (False, True)
    )
    troubles = trouble_items(order.troubles(report))
    part = ("part", "parts")
    sections = [
        Section("file", "files", troubles, "### Files that could not be used\n\n"),
        *first(report),
        Section(*part, rows[:_PARTS], _TABLE),
        *_listed(new, "### New" if report.base else "", pictures),
        accepted(report),
        *_listed(old, "### Unchanged", pictures),
        folded(*part, rows[_PARTS:], "more ", _TABLE),
        *rest(report),
    ]
    return [section for section in sections if section.items]


def _listed(pairs: Sequence[Pair], title: str, pictures: Mapping[Key, str]) -> list[Section]:
    """The first findings for all to see; the others, mere notes and what follows from a doubtful
    unit folded."""
    loud, others = order.split(pairs)
    shown, quiet = loud[:_FINDINGS], loud[_FINDINGS:] + others
    title = title or ("### The worst findings" if quiet else "### What to change")
    kind = "finding", "findings"
    return [
        Section(*kind, finding_items(shown, pictures), f"{title}\n\n"),
        folded(*kind, finding_items(quiet, pictures), "more " if shown else ""),
    ]


def _weight(part: PartReport, report: Report) -> tuple[int, bool]:
    loud = any(
        finding.severity != "note" and in_force(finding, report.gate) for finding in part.findings
    )
    return _WORST_FIRST.index(part.status), not loud


def _row(part: PartReport, report: Report) -> str:
    held = groups(
        order.ranked(finding for finding in part.findings if in_force(finding, report.gate))
    )
    quiet = (
        finding
        for finding in part.findings
        if not finding.waived and not in_force(finding, report.gate)
    )
    numbers = [order.kinds([group.first for group in held])]
    others = (
        (quiet, "unchanged"),
        (part.fixed, "fixed"),
        (part.lost, "gone only because less is asked"),
        ((finding for finding in part.findings if finding.waived), "waived"),
    )
    numbers += [
        f"{number} {what}" for findings, what in others if (number := len(groups(findings)))
    ]
    said = ", ".join(filter(None, numbers))
    result = _MARKS[part.status] + (f": {said}" if said else "")
    if part.error:
        worst = prose(without_path(part.path, part.error), 300)
    else:
        worst = prose(held[0].first.message, 300) if held else ""
    return f"| {code(part.path)} | {code(part.rules)} | {result} | {worst} |\n"


def show_report(report: Report, setting: Setting) -> str:
    """See `markdown`."""
    where = links(report, setting.pictures, setting.path) if setting.pictures else {}
    return markdown(report, pictures=where)


def show_impact(impact: Impact, setting: Setting) -> str:
    """An impact as Markdown."""
    return impact_markdown.markdown(impact)


def show_rehearsal(rehearsal: Rehearsal, setting: Setting) -> str:
    """A rehearsal as Markdown."""
    from wallguard.reports import rehearsal_markdown

    return rehearsal_markdown.markdown(rehearsal)


def show_against(compared: Against, setting: Setting) -> str:
    """Two toolpaths as Markdown."""
    from wallguard.reports import against

    return against.markdown(compared)
