"""Pages of Markdown in sections, cut to a limit by whole items, and saying what was cut."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

from wallguard.base.plain import counted, listed, without_path
from wallguard.findings.model import Finding, PartReport, Report, Trouble, in_force
from wallguard.reports import order
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.sentence import Key, key, where

Pairs: TypeAlias = Sequence[tuple[PartReport, Finding]]


@dataclass(frozen=True)
class Section:
    """Items of one kind (named by `one` and `many`), with what stands before and after them all."""

    one: str
    many: str
    items: Sequence[str]
    opening: str
    closing: str = "\n"


def fitted(head: str, sections: Sequence[Section], foot: str, limit: int) -> str:
    """The page in at most `limit` characters (see `size`): where it would grow longer whole items
    are left out, and a line above `foot` says how many of what."""
    # What was cut takes the most room where everything was.
    longest = _cut([(section, len(section.items)) for section in sections], limit)
    room = limit - size(head + longest + foot)
    body = ""
    cut: list[tuple[Section, int]] = []
    for section in sections:
        # Where something was cut nothing further down is shown: the page is in order of weight.
        taken = 0 if cut else _fitting(section, room - size(body))
        if taken:
            body += section.opening + "".join(section.items[:taken]) + section.closing
        if taken < len(section.items):
            cut.append((section, len(section.items) - taken))
    return head + body + (_cut(cut, limit) if cut else "") + foot


def size(text: str) -> int:
    """How many characters a text has where they are counted as UTF-16 code units: no service that
    has a limit counts more."""
    return len(text.encode("utf-16-le", "surrogatepass")) // 2


def _fitting(section: Section, room: int) -> int:
    """How many of the section's items fit in `room` characters."""
    room -= size(section.opening + section.closing)
    for number, item in enumerate(section.items):
        room -= size(item)
        if room < 0:
            return number
    return len(section.items)


def _cut(cut: Sequence[tuple[Section, int]], limit: int) -> str:
    numbers: dict[tuple[str, str], int] = {}
    for section, number in cut:
        kind = section.one, section.many
        numbers[kind] = numbers.get(kind, 0) + number
    what = listed([counted(number, one, many) for (one, many), number in numbers.items()])
    return f"Cut at {limit} characters. Left out, but in the JSON report: {what}.\n\n"


def folded(one: str, many: str, items: Sequence[str], more: str = "", opening: str = "") -> Section:
    """A section that is closed at first and shows only how many items it has."""
    summary = counted(len(items), more + one, more + many)
    head = f"<details>\n<summary>{summary}</summary>\n\n{opening}"
    return Section(one, many, items, head, "\n</details>\n\n")


def rest(report: Report) -> list[Section]:
    """What is folded on every page: findings that do not count, and what was not done."""
    pairs = order.every(report)
    quiet = [pair for pair in pairs if not pair[1].waived and not in_force(pair[1], report.gate)]
    waived = [pair for pair in pairs if pair[1].waived]
    parts = order.parts(report)
    # Nobody needs advice on what is mended.
    fixed = [
        (part, replace(one, advice="")) for part in parts for one in order.findings(part.fixed)
    ]
    alone = [(part, "", part.base_note) for part in parts if part.base_note]
    limited = [
        (part, f", {prose(run.name)}", run.note) for part in parts for run in order.limited(part)
    ]
    limits = (
        "check that could not do all of its job",
        "checks that could not do all of their job",
    )
    bare = "part not checked, for want of a rule file", "parts not checked, for want of a rule file"
    return [
        folded("unchanged finding", "unchanged findings", finding_items(quiet)),
        folded("fixed finding", "fixed findings", finding_items(fixed)),
        folded("waived finding", "waived findings", finding_items(waived)),
        folded("remark", "remarks", trouble_items(order.remarks(report))),
        folded("part not compared", "parts not compared", _part_items(alone)),
        folded(*limits, _part_items(limited)),
        folded(*bare, _names(report.not_covered)),
        folded(
            "removed part",
            "removed parts",
            [f"- {code(path)}\n" for path in sorted(report.removed)],
        ),
    ]


def trouble_items(troubles: Iterable[Trouble]) -> list[str]:
    """Files, each with what is to be said of it, as items of a list."""
    return [
        f"- {code(one.path)}: {prose(without_path(one.path, one.message))}\n" for one in troubles
    ]


def _names(paths: Iterable[str]) -> list[str]:
    return [f"- {code(path)}\n" for path in sorted(paths)]


def _part_items(said: Iterable[tuple[PartReport, str, str]]) -> list[str]:
    return [
        f"- {code(part.path)} ({code(part.rules)}){what}: {prose(note)}\n"
        for part, what, note in said
    ]


def finding_items(pairs: Pairs, pictures: Mapping[Key, str] | None = None) -> list[str]:
    """Findings as items of a list; `pictures`: addresses by the finding's key."""
    found = pictures or {}
    return [finding_item(part, one, found.get(key(part, one), "")) for part, one in pairs]


def finding_item(part: PartReport, finding: Finding, picture: str = "") -> str:
    """A finding as an item of a list: what, where and what to draw instead.

    picture  the address of its picture, percent-encoded; empty: none
    """
    what = prose(finding.message)
    if where(finding):
        what += f", {where(finding)}"
    if finding.indeterminate:
        what += " (indeterminate)"
    if finding.remark:
        what += f"; {prose(finding.remark)}"
    instead = f"<br>**Instead:** {prose(finding.advice)}" if finding.advice else ""
    if finding.waived:
        instead += f"<br>**Waived:** {prose(finding.waived)}"
    if picture:
        instead += f"<br>[Picture]({picture})"
    check = prose(finding.check)
    return (
        f"- **{finding.severity}** {code(part.path)} ({check}, {code(part.rules)}, "
        f"{code(finding.id)})<br>"
        f"{what}{instead}\n"
    )
