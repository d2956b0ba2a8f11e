"""An impact on a terminal: what changes in which part, what kinds of change, and the verdict."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base import cautions
from wallguard.base.plain import counted, plain, without_path
from wallguard.findings.impact import Direction, Impact, PartImpact, kind
from wallguard.findings.model import Finding
from wallguard.reports import impact_order as order
from wallguard.reports.console import Paint, painter, wrapped

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
    blocks = [list(_head(impact, width)), list(_files(impact, width, paint)), _transitions(impact)]
    if impact.left_out:
        number = counted(len(impact.left_out), "part")
        blocks.append(wrapped(f"{number} left out. {order.LEFT_OUT}.", "", width))
    word = order.verdict(impact).upper()
    outcome = {0: "passed", 1: "failed", 2: "error"}[impact.exit_code]
    first, *more = wrapped(f"{word}: {order.summary(impact)}", "", width)
    caution = wrapped(cautions.PARTS, "", width)
    blocks.append([paint(word, outcome) + first.removeprefix(word), *more, *caution])
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _head(impact: Impact, width: int) -> Iterator[str]:
    for word, process in (("from", impact.before), ("to  ", impact.after)):
        yield f"{word}  {plain(process.rules)}  ({plain(process.name)})"
    for note in impact.notes:
        yield from wrapped(note, "", width)


def _files(impact: Impact, width: int, paint: Paint) -> Iterator[str]:
    for part in reversed(order.parts(impact)):
        if kind(part) != "same":
            yield from _part(part, width, paint)
    for trouble in sorted(impact.troubles, key=lambda one: (one.path, one.message)):
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
    for change in part.changes[:_SHOWN]:
        yield from _said(change.direction, change.message, change.advice, width, paint)
    if len(part.changes) > _SHOWN:
        rest = counted(len(part.changes) - _SHOWN, "wall")
        yield f"{_INDENT}and {rest} more; the JSON report has them all"
    yield from _findings("worse", part.appeared, width, paint)
    yield from _findings("better", part.gone, width, paint)


def _findings(
    direction: Direction, found: tuple[Finding, ...], width: int, paint: Paint
) -> Iterator[str]:
    word = "now" if direction == "worse" else "no longer"
    for finding in found[:_SHOWN]:
        advice = finding.advice if direction == "worse" else ""
        message = f"{word} {finding.severity} ({finding.check}): {finding.message}"
        yield from _said(direction, message, advice, width, paint)
    if len(found) > _SHOWN:
        rest = counted(len(found) - _SHOWN, "finding")
        yield f"{_INDENT}and {rest} more; the JSON report has them all"


def _said(
    direction: Direction, message: str, advice: str, width: int, paint: Paint
) -> Iterator[str]:
    first, *more = wrapped(message, _CHANGE, width)
    yield f"{_INDENT}{paint(direction, _LIKE[direction])}{first[len(_INDENT) + len(direction) :]}"
    yield from more
    if advice:
        first, *more = wrapped(advice, " " * len(_ARROW), width)
        yield f"{_ARROW}{first.lstrip()}"
        yield from more


def _transitions(impact: Impact) -> list[str]:
    found = order.transitions(impact)
    names = [f"{one.before} -> {one.after}" for one in found]
    walls = [counted(one.walls, "wall") for one in found]
    wide = max(map(len, names), default=0)
    return [
        f"{one.direction:<6}  {name:<{wide}}  {number} in {counted(one.parts, 'part')}"
        for one, name, number in zip(found, names, walls, strict=True)
    ]
