"""Pages of Markdown in sections, cut to a limit by whole items, and saying what was cut."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from wallguard.base.plain import counted, listed, without_path
from wallguard.findings.groups import Group, groups
from wallguard.findings.model import Finding, PartReport, Report, Trouble, in_force
from wallguard.reports import order
from wallguard.reports.first import by_rules, named, notices, unmeasured, waived_now
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.order import Pair
from wallguard.reports.sentence import Key, key, where


@dataclass(frozen=True)
class Section:
    """Items of one kind (`singular`, `many`), with what stands before and after them all."""

    singular: str
    many: str
    items: Sequence[str]
    opening: str
    closing: str = "\n"


# Less has no room for any verdict, what was cut, and what stands at the end.
SMALLEST = 2500
COORDINATES = "Coordinates are in the part file's own frame, in mm."


def fitted(head: str, sections: Sequence[Section], foot: str, limit: int) -> str:
    """The page in at most `limit` characters (see `size`): where it would grow longer whole items
    are left out, and a line above `foot` says how many of what.

    Raises ValueError: `limit` is less than SMALLEST.
    """
    if limit < SMALLEST:
        raise ValueError(f"no page fits in {limit} characters; {SMALLEST} is the least")
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
        kind = section.singular, section.many
        numbers[kind] = numbers.get(kind, 0) + number
    what = listed([counted(number, singular, many) for (singular, many), number in numbers.items()])
    return f"Cut at {limit} characters. Left out, but in the JSON report: {what}.\n\n"


def folded(
    singular: str, many: str, items: Sequence[str], more: str = "", opening: str = ""
) -> Section:
    """A section that is closed at first and shows only how many items it has."""
    summary = counted(len(items), more + singular, more + many)
    head = f"<details>\n<summary>{summary}</summary>\n\n{opening}"
    return Section(singular, many, items, head, "\n</details>\n\n")


def first(report: Report) -> list[Section]:
    """What every page says before its findings: see `reports.first`."""
    sections = []
    for notice in notices(report):
        items = [f"- {_beside(path, message)}\n" for path, message in notice.lines]
        sections.append(Section("notice", "notices", items, f"**{notice.title}:**\n\n"))
    for notice in unmeasured(report):
        named = ", ".join(code(path) if path else message for path, message in notice.lines)
        sections.append(Section("notice", "notices", [f"{notice.title}: {named}.\n"], ""))
    return sections


def _beside(path: str, message: str) -> str:
    return ": ".join(filter(None, (code(path) if path else "", prose(message) if message else "")))


def accepted(report: Report) -> Section:
    """What this change brings and accepts itself: for all to see."""
    items = finding_items(order.by_part(report, waived_now))
    return Section("finding", "findings", items, "### Accepted by this change itself\n\n")


def rest(report: Report) -> list[Section]:
    """What is folded on every page: findings that do not count, and what was not done."""
    quiet = order.by_part(
        report, lambda finding: not finding.waived and not in_force(finding, report.gate)
    )
    waived = order.by_part(report, lambda finding: bool(finding.waived) and not waived_now(finding))
    parts = order.parts(report)
    fixed = [pair for part in parts for pair in _gone(part, part.fixed)]
    lost = [pair for part in parts for pair in _gone(part, part.lost)]
    alone = [(part, "", part.base_note) for part in parts if part.base_note]
    moved = [(part, "", f"was {part.was}") for part in parts if part.was]
    limited = [
        (part, f", {prose(run.name)}", run.note) for part in parts for run in order.limited(part)
    ]
    facts = [(part, "", fact) for part in parts for fact in part.facts]
    limits = (
        "check that could not do all of its job",
        "checks that could not do all of their job",
    )
    bare = "part not covered by any rule file", "parts not covered by any rule file"
    less = "finding that is gone only because less is asked"
    return [
        folded(less, less.replace("finding that is", "findings that are"), finding_items(lost)),
        folded("unchanged finding", "unchanged findings", finding_items(quiet)),
        folded("fixed finding", "fixed findings", finding_items(fixed)),
        folded("waived finding", "waived findings", finding_items(waived)),
        folded("remark", "remarks", trouble_items(order.remarks(report))),
        folded("part not compared", "parts not compared", _part_items(alone)),
        folded("part that was moved", "parts that were moved", _part_items(moved)),
        folded(*limits, _part_items(limited)),
        folded("thing to know", "things to know", _part_items(facts)),
        folded(*bare, _names(report.not_covered)),
        folded(
            "part not looked at",
            "parts not looked at",
            _names(set(report.unseen).difference(named(report))),
        ),
        folded("removed part", "removed parts", _names(report.removed)),
    ]


def _gone(part: PartReport, findings: Iterable[Finding]) -> list[Pair]:
    # Nobody needs advice on what is gone.
    bare = (replace(finding, advice="") for finding in order.ranked(findings))
    return [(part, group) for group in groups(bare)]


def trouble_items(troubles: Iterable[Trouble]) -> list[str]:
    """Files, each with what is to be said of it, as items of a list."""
    return [
        f"- {code(trouble.path)}: {prose(without_path(trouble.path, trouble.message))}\n"
        for trouble in troubles
    ]


def _names(paths: Iterable[str]) -> list[str]:
    return [f"- {code(path)}\n" for path in sorted(paths)]


def _part_items(said: Iterable[tuple[PartReport, str, str]]) -> list[str]:
    return [
        f"- {code(part.path)} ({code(part.rules)}){what}: {prose(note)}\n"
        for part, what, note in said
    ]


def finding_items(pairs: Sequence[Pair], pictures: Mapping[Key, str] | None = None) -> list[str]:
    """Groups of findings as items of a list; `pictures`: addresses by the finding's key."""
    known = pictures or {}
    return [
        finding_item(part, group, known.get(key(part, group.first), "")) for part, group in pairs
    ]


def finding_item(part: PartReport, group: Group, picture: str = "") -> str:
    """Alike findings as an item of a list: what, where and what to draw instead, of the first.

    picture  the address of its picture, percent-encoded; empty: none
    """
    finding = group.first
    what = prose(finding.message)
    if where(finding):
        what += f", {where(finding)}"
    if finding.indeterminate:
        what += " (indeterminate)"
    if finding.remark:
        what += f"; {prose(finding.remark)}"
    if order.alike(group):
        what += f" ({order.alike(group)})"
    instead = f"<br>**Instead:** {prose(finding.advice)}" if finding.advice else ""
    if finding.waived:
        instead += f"<br>**Waived:** {prose(finding.waived)}"
    if picture:
        instead += f"<br>[Picture]({picture})"
    brought = ", brought by the rules" if by_rules(finding) else ""
    check = prose(finding.check)
    return (
        f"- **{finding.severity}** {code(part.path)} ({check}, {code(part.rules)}, "
        f"{code(finding.id)}{brought})<br>"
        f"{what}{instead}\n"
    )
