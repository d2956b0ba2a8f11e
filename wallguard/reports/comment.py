"""The report as a comment on a pull request: may it be merged, what is wrong, where, and what to
draw instead, on the first screen; all else is folded.
"""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote, urlsplit

from wallguard.errors import InputError
from wallguard.findings import Finding, PartReport, Report, in_force
from wallguard.reports import order
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.page import Section, finding_item, fitted, folded
from wallguard.reports.plain import counted, listed, without_path

# What is shown at once; the rest is folded.
_SHOWN = 7
# Less has no room for the verdict, what was cut, and the caution.
SMALLEST = 2000
_FOOT = """\
Coordinates are in the part file's own frame, in mm. A pass speaks of a part's geometry only; it \
never says that a part is safe to use.
"""
_LINKABLE = ":/?#@!$&'*+,;=%~"

_Pairs = Sequence[tuple[PartReport, Finding]]


def text(report: Report, *, marker: str = "", artifacts: str = "", limit: int = 65536) -> str:
    """The report as GitHub-flavoured Markdown of at most `limit` characters (see `page.size`).

    marker     the first line, by which the comment is found again; nobody sees it
    artifacts  the address of the run's files

    Where it would grow longer whole items are left out, and a line says how many of what.

    Raises InputError: `artifacts` is no web address. ValueError: `limit` is less than SMALLEST.
    """
    if limit < SMALLEST:
        raise ValueError(f"no comment fits in {limit} characters; {SMALLEST} is the least")
    head = f"{marker}\n" if marker else ""
    head += f"## {_verdict(report)}\n\n{_counts(report)}\n\n"
    if artifacts:
        head += f"[All reports of this run]({_address(artifacts)})\n\n"
    return fitted(head, _sections(report), _FOOT, limit)


def _address(url: str) -> str:
    try:
        parts = urlsplit(url)
    except ValueError:
        parts = urlsplit("")
    if parts.scheme not in ("http", "https") or not parts.netloc or len(url) > 1000:
        raise InputError(
            "--artifacts", "this is no web address", remedy="Write one that begins with https://"
        )
    return quote(url, safe=_LINKABLE)


def _verdict(report: Report) -> str:
    counts = order.count(report)
    clauses = []
    undone = order.undone(counts)
    if undone:
        clauses.append(f"{undone} could not be checked")
    stops = [
        finding
        for _, finding in order.every(report)
        if finding.severity == "fail" and in_force(finding, report.gate)
    ]
    if stops:
        new = sum(finding.state == "new" for finding in stops)
        kind = "new finding" if new == len(stops) else "finding"
        more = f", {new} of them new" if 0 < new < len(stops) else ""
        fail = "fails" if len(stops) == 1 else "fail"
        clauses.append(f"{counted(len(stops), kind)} {fail}{more}")
    if report.exit_code:
        return f"✗ Do not merge: {', '.join(clauses) or 'parts fail'}"
    if not counts.parts:
        return "Nothing was checked"
    if counts.indeterminate:
        unsure = counted(counts.indeterminate, "part")
        return f"✓ May be merged as far as walls go, but {unsure} cannot be told for certain"
    return "✓ May be merged as far as walls go"


def _counts(report: Report) -> str:
    """What was checked, against which base, and how many findings of which kind there are."""
    counts = order.count(report)
    said = f"{counted(counts.files, 'part')} checked"
    if report.not_covered:
        said += f", {len(report.not_covered)} not, for want of a rule file"
    groups = _groups(report)
    if not report.base:
        found = order.found(counts)
        return f"{said}. Findings: {found or 'none'}."
    commit = f" at {code(report.base_commit[:10])}" if report.base_commit else ""
    numbers = [
        f"{len(groups['new'])} new",
        f"{len(groups['fixed'])} fixed",
        f"{len(groups['unchanged'])} still there",
    ]
    if groups["waived"]:
        numbers.append(f"{len(groups['waived'])} waived")
    old = " Only new ones stop a merge." if report.gate == "new" and groups["unchanged"] else ""
    return f"{said}. Against {code(report.base)}{commit}: {listed(numbers)}.{old}"


def _groups(report: Report) -> dict[str, _Pairs]:
    """The findings by what became of them, worst first; without a base all are new."""
    groups: dict[str, list[tuple[PartReport, Finding]]] = {
        "new": [],
        "unchanged": [],
        "waived": [],
        "fixed": [
            (part, finding)
            for part in order.parts(report)
            for finding in order.findings(part.fixed)
        ],
    }
    for part, finding in order.every(report):
        group = "waived" if finding.waived else finding.state or "new"
        groups[group].append((part, finding))
    return dict(groups)


def _sections(report: Report) -> list[Section]:
    """What the comment shows, in order of weight, without sections that hold nothing."""
    groups = _groups(report)
    parts = order.parts(report)
    title = "### New\n\n" if report.base else "### What to change\n\n"
    broken = [
        f"- {code(one.path)}: {prose(without_path(one.path, one.message))}\n"
        for one in order.unusable(report)
    ]
    sections = [
        Section("file", "files", broken, "### Could not be checked\n\n"),
        *_listed(groups["new"], title),
    ]
    if report.gate == "all":
        sections += _listed(groups["unchanged"], "### Still there\n\n")
    else:
        sections.append(
            folded("finding still there", "findings still there", _items(groups["unchanged"]))
        )
    remarks = [
        f"- {code(one.path)}: {prose(without_path(one.path, one.message))}\n"
        for one in sorted(report.remarks, key=lambda one: (one.path, one.message))
    ]
    alone = [
        f"- {code(part.path)} ({code(part.rules)}): {prose(part.base_note)}\n"
        for part in parts
        if part.base_note
    ]
    limited = [
        f"- {code(part.path)} ({code(part.rules)}), {prose(run.name)}: {prose(run.note)}\n"
        for part in parts
        for run in order.limited(part)
    ]
    sections += [
        folded("fixed finding", "fixed findings", _items(groups["fixed"])),
        folded("waived finding", "waived findings", _items(groups["waived"])),
        folded("remark", "remarks", remarks),
        folded("part not compared", "parts not compared", alone),
        folded(
            "part not checked, for want of a rule file",
            "parts not checked, for want of a rule file",
            [f"- {code(path)}\n" for path in sorted(report.not_covered)],
        ),
        folded(
            "check that could not do all of its job",
            "checks that could not do all of their job",
            limited,
        ),
    ]
    return [section for section in sections if section.items]


def _listed(pairs: _Pairs, title: str) -> list[Section]:
    """The worst finding of each part for all to see, the others and mere notes folded."""
    numbers: dict[str, int] = {}
    first, others = [], []
    for pair in pairs:
        part, finding = pair
        number = numbers.setdefault(part.path, 0)
        at_once = number == 0 and len(first) < _SHOWN and finding.severity != "note"
        (first if at_once else others).append(pair)
        numbers[part.path] += 1
    shown = [
        _with_more(finding_item(part, finding), numbers[part.path] - 1) for part, finding in first
    ]
    return [
        Section("finding", "findings", shown, title),
        folded("finding", "findings", _items(others), "more " if first else ""),
    ]


def _with_more(item: str, number: int) -> str:
    return f"{item.rstrip()}<br>and {number} more in this part, see below\n" if number else item


def _items(pairs: _Pairs) -> list[str]:
    return [finding_item(part, finding) for part, finding in pairs]
