"""An impact for a reviewer: the verdict first, then the parts, then the walls that change."""

from __future__ import annotations

from wallguard.base import cautions
from wallguard.base.plain import without_path
from wallguard.findings.groups import Group
from wallguard.findings.impact import Change, Impact, PartImpact, kind
from wallguard.reports import impact_order as order
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.order import alike, one_of
from wallguard.reports.page import COORDINATES, Section, fitted, folded

# What is shown at once; the rest is folded.
_PARTS = 20
_CHANGES = 10

_MARKS = {"error": "! **error**", "worse": "✗ **{}**", "better": "✓ {}", "other": "~ {}"}
_TABLE = "| part | result | before | after | what changes |\n|---|---|---|---|---|\n"
_KINDS = "| | from | to | walls | parts |\n|---|---|---|--:|--:|\n"
_FOOT = f"""\
{order.WORSE}

{COORDINATES} {cautions.PARTS}
"""


def markdown(impact: Impact, *, limit: int = 65000) -> str:
    """The impact as GitHub-flavoured Markdown of at most `limit` characters.

    Where it would grow longer whole items are left out, and a line says how many of what.

    Raises ValueError: `limit` is less than `page.SMALLEST`.
    """
    shown = [section for section in sections(impact) if section.items]
    return fitted(_head(impact), shown, _FOOT, limit)


def _head(impact: Impact) -> str:
    said, held = order.HEADINGS[order.verdict(impact)]
    said = f"**{said}**{held}: {order.summary(impact)}.\n\n"
    for word, process in (("From", impact.before), ("To", impact.after)):
        said += f"- {word} {code(process.rules)} ({code(process.name)})\n"
    return said + "".join(f"- {prose(note)}\n" for note in impact.notes) + "\n"


def sections(impact: Impact) -> list[Section]:
    """What the page shows, in order of weight."""
    shown = order.sorted_out(impact)
    rows = [_row(part) for part in shown.changed]
    same = [f"- {code(part.path)}\n" for part in shown.same]
    kinds = [
        f"| {each.direction} | {each.before} | {each.after} | {each.walls} | {each.parts} |\n"
        for each in order.transitions(impact)
    ]
    worse, rest = ([_change(*each) for each in ways] for ways in (shown.worse, shown.rest))
    appeared = [_finding(*each, "now") for each in shown.appeared]
    gone = [_finding(*each, "no longer") for each in shown.gone]
    troubles = [
        f"- {code(trouble.path)}: {prose(without_path(trouble.path, trouble.message))}\n"
        for trouble in shown.troubles
    ]
    left_out = [f"- {code(path)}\n" for path in sorted(impact.left_out)]
    part, wall = ("part", "parts"), ("wall", "walls")
    return [
        Section("file", "files", troubles, "### Files that could not be used\n\n"),
        Section(*part, rows[:_PARTS], _TABLE),
        Section("kind of change", "kinds of change", kinds, _KINDS),
        Section(*wall, worse[:_CHANGES], "### What gets worse\n\n"),
        Section("new finding", "new findings", appeared[:_CHANGES], "### Newly found\n\n"),
        folded("wall that gets worse", "walls that get worse", worse[_CHANGES:], "more "),
        folded("new finding", "new findings", appeared[_CHANGES:], "more "),
        folded("other change of a wall", "other changes of walls", rest),
        folded("finding that is gone", "findings that are gone", gone),
        folded(*part, rows[_PARTS:], "more ", _TABLE),
        folded("unchanged part", "unchanged parts", same),
        folded(
            "part left out",
            "parts left out",
            left_out,
            opening=f"{order.left_out(len(left_out))}\n\n",
        ),
    ]


def _row(part: PartImpact) -> str:
    mark = _MARKS[kind(part)].format(order.label(part))
    if part.error:
        return f"| {code(part.path)} | {mark} | | | {prose(_problem(part), 300)} |\n"
    return f"| {code(part.path)} | {mark} | {part.before} | {part.after} | {order.what(part)} |\n"


def _problem(part: PartImpact) -> str:
    return without_path(part.path, part.error)


def _change(part: PartImpact, same: tuple[Change, ...]) -> str:
    change, more = same[0], one_of(len(same))
    instead = f"<br>**Instead:** {prose(change.advice)}" if change.advice else ""
    return (
        f"- **{change.direction}** {code(part.path)} ({change.before.verdict} → "
        f"{change.after.verdict})<br>{prose(change.message)}{more and f' ({more})'}{instead}\n"
    )


def _finding(part: PartImpact, group: Group, word: str) -> str:
    finding, more = group.first, alike(group)
    instead = f"<br>**Instead:** {prose(finding.advice)}" if finding.advice else ""
    return (
        f"- **{word} {finding.severity}** {code(part.path)} ({prose(finding.check)})<br>"
        f"{prose(finding.message)}{more and f' ({more})'}{instead if word == 'now' else ''}\n"
    )
