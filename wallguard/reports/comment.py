"""The report as a comment on a pull request: may it be merged, what is wrong, where, and what to
draw instead, on the first screen; all else is folded.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import partial
from urllib.parse import quote, urlsplit

from wallguard.base.errors import InputError
from wallguard.base.plain import counted
from wallguard.findings.counts import grouped
from wallguard.findings.model import Report, in_force
from wallguard.findings.rehearsal import Rehearsal
from wallguard.reports import order
from wallguard.reports.first import aside, scope, word
from wallguard.reports.markdown_text import code
from wallguard.reports.order import Pair
from wallguard.reports.page import (
    COORDINATES,
    Section,
    accepted,
    finding_item,
    finding_items,
    first,
    fitted,
    folded,
    rest,
    trouble_items,
)

# What is shown at once; the rest is folded.
_SHOWN = 7
_LINKABLE = ":/?#@!$&'*+,;=%~"


def text(report: Report, *, marker: str = "", artifacts: str = "", limit: int = 65536) -> str:
    """The report as GitHub-flavoured Markdown of at most `limit` characters (see `page.size`).

    marker     the first line, by which the comment is found again; nobody sees it
    artifacts  the address of the run's files

    Where it would grow longer whole items are left out, and a line says how many of what.

    Raises InputError: `artifacts` is no web address. ValueError: `limit` is below `page.SMALLEST`.
    """
    head = _opening(_verdict(report), f"{_counts(report)}\n\n", marker, artifacts)
    return fitted(head, _sections(report), f"{COORDINATES} {report.caution}\n", limit)


def show(result: Report | Rehearsal, *, marker: str, artifacts: str, limit: int) -> str:
    """A report or a rehearsal as a comment, see `text`."""
    if isinstance(result, Report):
        return text(result, marker=marker, artifacts=artifacts, limit=limit)
    from wallguard.reports import rehearsal_markdown

    head = _opening(rehearsal_markdown.title(result), "", marker, artifacts)
    return rehearsal_markdown.markdown(result, head=head, limit=limit)


def _opening(verdict: str, counts: str, marker: str, artifacts: str) -> str:
    head = f"{marker}\n" if marker else ""
    head += f"## {verdict}\n\n{counts}"
    return head + (f"[All reports of this run]({_address(artifacts)})\n\n" if artifacts else "")


def _address(url: str) -> str:
    try:
        parts = urlsplit(url)
    except ValueError:
        parts = urlsplit("")
    if parts.scheme not in ("http", "https") or not parts.netloc or len(url) > 1000:
        raise InputError(
            "--artifacts", "this is no web address", remedy="Write one that begins with https://"
        )
    return quote(url, safe=_LINKABLE, errors="replace")  # what is half a character is none


def _verdict(report: Report) -> str:
    counts = grouped(report)
    undone = order.undone(counts)
    clauses = [f"{undone} could not be checked"] if undone else []
    pairs = order.by_part(
        report, lambda finding: finding.severity == "fail" and in_force(finding, report.gate)
    )
    stops = [group.first for _, group in pairs]
    if stops:
        new = sum(finding.state == "new" for finding in stops)
        kind = "new finding" if new == len(stops) else "finding"
        more = f", {new} of them new" if 0 < new < len(stops) else ""
        fail = "fails" if len(stops) == 1 else "fail"
        clauses.append(f"{counted(len(stops), kind)} {fail}{more}")
    said = word(report)
    if report.exit_code:
        return f"✗ {said}: {', '.join(clauses) or 'parts fail'}"
    if not counts.parts:
        return said
    if counts.indeterminate:
        unsure = counted(counts.indeterminate, "part")
        return f"✓ {said}{scope(report)}, but {unsure} cannot be told for certain"
    return f"✓ {said}{scope(report)}"


def _counts(report: Report) -> str:
    """What was checked, against which base, and how many findings of which kind there are."""
    counts = grouped(report)
    said = f"{counted(counts.files, 'part')} checked"
    if report.head_commit:
        said += f" at {code(report.head_commit[:10])}"
    said += "".join(f", {clause}" for clause in aside(report))
    waived = f", {counts.waived} waived" if counts.waived else ""
    if not report.base:
        return f"{said}. Findings: {order.severities(report) or 'none'}{waived}."
    commit = f" ({code(report.base_commit[:10])})" if report.base_commit else ""
    numbers = f"{counts.new} new, {counts.unchanged} unchanged, {counts.fixed} fixed{waived}"
    old = " Only new findings fail." if report.gate == "new" and counts.unchanged else ""
    return f"{said}. Against {code(report.base)}{commit}: {numbers}.{old}"


def _sections(report: Report) -> list[Section]:
    """What the comment shows, in order of weight, without sections that hold nothing."""
    new, old = (
        order.by_part(report, partial(order.counts, gate=report.gate, old=old))
        for old in (False, True)
    )
    broken = trouble_items(order.unusable(report))
    sections = [
        Section("file", "files", broken, "### Could not be checked\n\n"),
        *first(report),
        *_listed(new, "### New\n\n" if report.base else "### What to change\n\n"),
        accepted(report),
        *_listed(old, "### Unchanged\n\n"),
        *rest(report),
    ]
    return [section for section in sections if section.items]


def _listed(pairs: Sequence[Pair], title: str) -> list[Section]:
    """The worst finding of each part for all to see, and others while there is room."""
    loud = [at for at, seen in enumerate(order.loud(pairs)) if seen]
    paths = [part.path for part, _ in pairs]
    firsts = {paths[at]: at for at in reversed(loud)}
    later = [at for at in loud if firsts[paths[at]] != at]
    shown = sorted((sorted(firsts.values()) + later)[:_SHOWN])
    folded_up = sorted(set(range(len(pairs))).difference(shown))
    more = Counter(paths[at] for at in folded_up)
    # Said once, where the part is named last.
    items = [_with_more(finding_item(*pairs[at]), more.pop(paths[at], 0)) for at in shown[::-1]]
    return [
        Section("finding", "findings", items[::-1], title),
        folded(
            "finding",
            "findings",
            finding_items([pairs[at] for at in folded_up]),
            "more " if shown else "",
        ),
    ]


def _with_more(item: str, number: int) -> str:
    return f"{item.rstrip()}<br>and {number} more in this part, see below\n" if number else item
