"""What every output says first, besides the verdict: what a change asks less, what a changed rule
file brings, what was not looked at."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

from wallguard.base.plain import counted, listed
from wallguard.findings.model import Basis, Finding, Report, in_force
from wallguard.reports import order
from wallguard.reports.sentence import reason

# What is named at once.
_MOST = 8


@dataclass(frozen=True)
class Notice:
    """A heading and what stands under it: files, each with what is to be said of it.

    A path may be empty; then the message stands alone.
    """

    title: str
    lines: tuple[tuple[str, str], ...]


def notices(report: Report) -> list[Notice]:
    """All that stands next to the verdict, without what has nothing to say."""
    made = (
        Notice("This change asks less than before", tuple(_asks_less(report))),
        Notice("Changed rules", tuple(_by_rules(report))),
        Notice("Left out", tuple(_left_out(report))),
        Notice("Not looked at", tuple(_unseen(report))),
    )
    return [notice for notice in made if notice.lines]


# What a band table without a reading is called.
_UNMEASURED: dict[Basis, str] = {
    "calculated": "Calculated, never measured",
    "declared": "Declared, with no reading",
    "assumed": "Taken to come out as drawn, never measured",
}


def unmeasured(report: Report) -> list[Notice]:
    """The processes whose band table has no reading in it, by what it rests on: once each."""
    made = []
    for basis, title in _UNMEASURED.items():
        rules = sorted({part.rules for part in report.parts if part.basis == basis})
        lines = [(path, "") for path in rules[:_MOST]]
        if len(rules) > _MOST:
            lines.append(("", f"and {len(rules) - _MOST} more"))
        if lines:
            made.append(Notice(title, tuple(lines)))
    return made


class Note(NamedTuple):
    """A message beside the findings, for services that show each at its file; `.`: at none."""

    level: Literal["error", "warning"]
    title: str
    path: str
    message: str


def notes(report: Report) -> Iterator[Note]:
    """What could not be checked, what is to be mended, and every line of the notices."""
    for trouble in order.unusable(report):
        why = reason(trouble.path, trouble.message)
        yield Note("error", "could not be checked", trouble.path, why)
    for remark in order.remarks(report):
        why = reason(remark.path, remark.message)
        yield Note("warning", "to be mended", remark.path, why)
    for notice in notices(report):
        for path, message in notice.lines:
            said = f"{notice.title}: {message}" if message else notice.title
            yield Note("warning", "", path or ".", said)


def aside(report: Report) -> list[str]:
    """How many parts were not checked, and why: "2 parts left out"."""
    numbers = (
        (len(report.not_covered), "not covered by any rule file"),
        (len(report.left_out), "left out"),
        (len(report.unseen), "not looked at"),
    )
    return [f"{counted(number, 'part')} {why}" for number, why in numbers if number]


def word(report: Report) -> str:
    """The verdict in a few words, for who merges a change or prints a file."""
    toolpaths = report.about == "toolpaths"
    merged = report.versioned and not toolpaths
    if report.exit_code:
        return "Do not merge" if merged else "Do not print this yet"
    if not report.parts:
        return "Nothing was checked"
    return "May be merged" if merged else "Its walls come out"


def scope(report: Report) -> str:
    """How far a good verdict goes."""
    if report.exit_code or not report.parts:
        return ""
    return " as far as this compares them" if report.about == "toolpaths" else " as far as walls go"


def waived_now(finding: Finding) -> bool:
    """Whether this change itself brings the finding and accepts it."""
    return bool(finding.waived) and finding.state == "new"


def by_rules(finding: Finding) -> bool:
    """Whether the drawing is as it was, and the rules alone bring it."""
    return finding.state == "new" and finding.cause == "rules"


def _asks_less(report: Report) -> Iterator[tuple[str, str]]:
    for change in report.asks_less[:_MOST]:
        parts = change.parts
        named = listed([*parts[:2], f"{len(parts) - 2} more"] if len(parts) > 3 else [*parts])
        yield change.path, change.message + (f" ({named})" if parts else "")
    if len(report.asks_less) > _MOST:
        more = counted(len(report.asks_less) - _MOST, "more thing", "more things")
        yield "", f"and {more}; the JSON report has them all"
    lost = [finding for part in (*report.parts, *report.dropped) for finding in part.lost]
    if lost:
        gone = counted(len(lost), "finding is", "findings are")
        yield "", f"{gone} gone only because of that ({order.kinds(lost)})"


def _by_rules(report: Report) -> Iterator[tuple[str, str]]:
    brought: dict[str, list[tuple[str, Finding]]] = {}
    for part in report.parts:
        findings = [
            finding
            for finding in part.findings
            if by_rules(finding) and in_force(finding, report.gate)
        ]
        if findings:
            brought.setdefault(part.rules, []).extend((part.path, finding) for finding in findings)
    for rules, pairs in sorted(brought.items()):
        parts = counted(len({path for path, _ in pairs}), "part")
        does = order.kinds([finding for _, finding in pairs])
        yield (
            rules,
            f"changed, and that alone brings {counted(len(pairs), 'finding')} on {parts} ({does}); "
            "`wallguard impact` with the rules as they were and as they are shows all it does",
        )


def _left_out(report: Report) -> Iterator[tuple[str, str]]:
    for part in report.left_out[:_MOST]:
        yield part.path, part.why
    if len(report.left_out) > _MOST:
        yield "", f"and {counted(len(report.left_out) - _MOST, 'more part')}"


def named(report: Report) -> list[str]:
    """The parts that nobody looked at and that a notice names."""
    # Where some were looked at, the rest is what did not change: the counts tell of it.
    return [] if report.parts else sorted(report.unseen)[:_MOST]


def _unseen(report: Report) -> Iterator[tuple[str, str]]:
    if report.parts:
        return
    for path in named(report):
        yield path, ""
    if len(report.unseen) > _MOST:
        yield "", f"and {counted(len(report.unseen) - _MOST, 'more part')}"
    if report.unseen and not report.troubles:
        yield "", "they did not change; --all checks them too"
