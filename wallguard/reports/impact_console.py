"""An impact on a terminal: what changes in which part, what kinds of change, and the verdict."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base import cautions
from wallguard.base.plain import counted, plain, without_path
from wallguard.findings.groups import alike_changes, groups
from wallguard.findings.impact import Direction, Impact, PartImpact, Process, kind
from wallguard.findings.model import Finding
from wallguard.reports import impact_order as order
from wallguard.reports.console import Paint, painter, wrapped
from wallguard.reports.order import alike, one_of

# Nobody reads hundreds of changes on a terminal; the worst come first.
_SHOWN = 10
_NARROWEST = 40
_INDENT = " " * 4
_CHANGE = " " * 12
_ARROW = f"{_CHANGE}-> "
_MARKS = {"error": "!", "worse": "x", "better": "+", "other": "~", "same": "="}
# Colours that stand for outcomes elsewhere too, see `console`.
_LIKE = {
    "error": "error",
    "worse": "failed",
    "better": "passed",
    "other": "indeterminate",
    "same": "passed",
}


def text(impact: Impact, *, width: int = 80, colour: bool = False) -> str:
    """The impact for a terminal of `width` columns (40 at least); ends with a line break.

    Parts in which nothing changes are only counted. What gets worse stands last, next to the
    verdict.
    """
    paint = painter(colour)
    width = max(width, _NARROWEST)
    head = [f"{word}  {plain(side.rules)}  ({plain(side.name)})" for word, side in _sides(impact)]
    first_block, *more_blocks = blocks(impact, width, paint)
    made = [head + first_block, *more_blocks]
    word = order.verdict(impact).upper()
    outcome = {0: "passed", 1: "failed", 2: "error"}[impact.exit_code]
    first, *more = wrapped(f"{word}: {order.summary(impact)}", "", width)
    caution = wrapped(cautions.PARTS, "", width)
    made.append([paint(word, outcome) + first.removeprefix(word), *more, *caution])
    return "\n\n".join("\n".join(block) for block in made if block) + "\n"


def blocks(impact: Impact, width: int, paint: Paint) -> list[list[str]]:
    """Lines without head and verdict: notes, parts, kinds of change, what was left out."""
    notes = [line for note in impact.notes for line in wrapped(note, "", width)]
    left_out = []
    if impact.left_out:
        number = counted(len(impact.left_out), "part")
        left_out = wrapped(f"{number} left out. {order.left_out(len(impact.left_out))}", "", width)
    return [notes, list(_files(impact, width, paint)), _transitions(impact), left_out]


def _sides(impact: Impact) -> tuple[tuple[str, Process], ...]:
    return ("from", impact.before), ("to  ", impact.after)


def _files(impact: Impact, width: int, paint: Paint) -> Iterator[str]:
    for part in reversed(order.parts(impact)):
        if kind(part) != "same":
            yield from _part(part, width, paint)
    for trouble in order.troubles(impact):
        yield f"{paint('! error', 'error')}  {plain(trouble.path)}"
        yield from wrapped(without_path(trouble.path, trouble.message), _INDENT, width)


def _part(part: PartImpact, width: int, paint: Paint) -> Iterator[str]:
    way = kind(part)
    head = f"{paint(f'{_MARKS[way]} {order.label(part)}', _LIKE[way])}  {plain(part.path)}"
    if part.error:
        yield head
        yield from wrapped(without_path(part.path, part.error), _INDENT, width)
        return
    yield f"{head}  ({part.before} -> {part.after})"
    yield f"{_INDENT}{order.what(part)}"
    changed = alike_changes(part.changes)
    for same in changed[:_SHOWN]:
        change, more = same[0], one_of(len(same))
        yield from _said(change.direction, change.message, more, change.advice, width, paint)
    if len(changed) > _SHOWN:
        rest = counted(sum(map(len, changed[_SHOWN:])), "wall")
        yield f"{_INDENT}and {rest} more; the JSON report has them all"
    yield from _findings("worse", part.appeared, width, paint)
    yield from _findings("better", part.gone, width, paint)


def _findings(
    direction: Direction, findings: tuple[Finding, ...], width: int, paint: Paint
) -> Iterator[str]:
    word = "now" if direction == "worse" else "no longer"
    gathered = groups(findings)
    for group in gathered[:_SHOWN]:
        finding = group.first
        advice = finding.advice if direction == "worse" else ""
        message = f"{word} {finding.severity} ({finding.check}): {finding.message}"
        yield from _said(direction, message, alike(group), advice, width, paint)
    if len(gathered) > _SHOWN:
        rest = counted(len(gathered) - _SHOWN, "finding")
        yield f"{_INDENT}and {rest} more; the JSON report has them all"


def _said(
    direction: Direction, message: str, more: str, advice: str, width: int, paint: Paint
) -> Iterator[str]:
    first, *rest = wrapped(message, _CHANGE, width)
    yield f"{_INDENT}{paint(direction, _LIKE[direction])}{first[len(_INDENT) + len(direction) :]}"
    yield from rest
    if more:
        yield f"{_CHANGE}{more}"
    if advice:
        first, *rest = wrapped(advice, " " * len(_ARROW), width)
        yield f"{_ARROW}{first.lstrip()}"
        yield from rest


def _transitions(impact: Impact) -> list[str]:
    transitions = order.transitions(impact)
    names = [f"{transition.before} -> {transition.after}" for transition in transitions]
    walls = [counted(transition.walls, "wall") for transition in transitions]
    wide = max(map(len, names), default=0)
    return [
        f"{each.direction:<6}  {name:<{wide}}  {number} in {counted(each.parts, 'part')}"
        for each, name, number in zip(transitions, names, walls, strict=True)
    ]
