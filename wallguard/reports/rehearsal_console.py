"""A rehearsal on a terminal: what the toolpath lays otherwise, what that does to which part, and
the verdict."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base.plain import counted, plain, without_path
from wallguard.findings.rehearsal import Rehearsal, Rehearsed
from wallguard.reports import impact_console
from wallguard.reports import rehearsal_words as words
from wallguard.reports.console import Paint, painter, wrapped

_NARROWEST = 40
_SHOWN = 12
_PARTS = 40


def text(rehearsal: Rehearsal, *, width: int = 80, colour: bool = False) -> str:
    """The rehearsal for a terminal of `width` columns (40 at least); ends with a line break."""
    paint = painter(colour)
    width = max(width, _NARROWEST)
    blocks: list[list[str]] = []
    for printer in rehearsal.printers:
        rules = printer.rules
        blocks.append(
            [f"rules     {plain(rules.rules)}{rules.name and f'  ({plain(rules.name)})'}"]
        )
        for toolpath in printer.toolpaths:
            blocks += [
                list(_toolpath(toolpath, width)),
                *impact_console.blocks(toolpath.impact, width, paint),
            ]
    if len(rehearsal.toolpaths) > 1:
        blocks.append(list(_matrix(rehearsal)))
    for trouble in rehearsal.every_trouble:
        message = wrapped(without_path(trouble.path, trouble.message), "    ", width)
        blocks.append([f"{paint('! error', 'error')}  {plain(trouble.path)}", *message])
    if len(rehearsal.printers) > 1:
        blocks.append(list(_printers(rehearsal, width)))
    blocks.append(_verdict(rehearsal, width, paint))
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _toolpath(rehearsed: Rehearsed, width: int) -> Iterator[str]:
    yield f"toolpath  {plain(rehearsed.toolpath)}: {words.read(rehearsed)}"
    if rehearsed.before is not None:
        first, *more = wrapped(
            f"{plain(rehearsed.before.toolpath)}: {words.proof(rehearsed.before)}", " " * 10, width
        )
        yield f"before{first[6:]}"
        yield from more
        yield from _listed(
            [words.unlike(wall) for wall in rehearsed.before.unlike], " " * 12, width
        )
    for note in rehearsed.notes:
        yield from wrapped(f"note: {note}", " " * 10, width)
    yield ""
    moved = [words.setting(each) for each in rehearsed.settings if each.moved]
    for title, said in (
        (
            "walls come out otherwise that are",
            [words.otherwise(each) for each in rehearsed.otherwise],
        ),
        ("edges of the band table that moved", [words.edge(each) for each in rehearsed.edges]),
        ("bead settings that moved", moved),
        ("edges that stand", [words.stand(each) for each in rehearsed.stand]),
    ):
        if said:
            yield f"  {title}"
            yield from _listed(said, "    ", width)
    if not rehearsed.otherwise:
        yield "  nothing in it contradicts the rules"
    if rehearsed.next_walls:
        yield from wrapped(words.more(rehearsed), "  ", width)


def _listed(said: list[str], indent: str, width: int) -> Iterator[str]:
    for line in said[:_SHOWN]:
        yield from wrapped(line, indent, width)
    if len(said) > _SHOWN:
        yield f"{indent}and {len(said) - _SHOWN} more; the JSON report has them all"


def _matrix(rehearsal: Rehearsal) -> Iterator[str]:
    """What each toolpath does to each part, where it does something to any."""
    for number, toolpath in enumerate(rehearsal.toolpaths, 1):
        yield f"  [{number}] {plain(toolpath.toolpath)}"
    heads = "".join(f"{f'[{number}]':<11}" for number in range(1, len(rehearsal.toolpaths) + 1))
    yield f"  {heads}part"
    rows = words.telling(rehearsal)
    for row in rows[:_PARTS]:
        cells = "".join(f"{words.mark(kind):<11}" for kind in row.kinds)
        yield f"  {cells}{plain(row.path)}"
    if len(rows) > _PARTS:
        yield f"  and {counted(len(rows) - _PARTS, 'part')} more; the JSON report has them all"
    same = len(rehearsal.matrix) - len(rows)
    if same:
        yield f"  {counted(same, 'part')} the same by all of them"
    if any(None in row.kinds for row in rows[:_PARTS]):
        yield f"  - {words.ELSEWHERE}"


def _printers(rehearsal: Rehearsal, width: int) -> Iterator[str]:
    """Which printer may be updated."""
    for printer in rehearsal.printers:
        held = words.held_back(printer.hold_back)
        said = f"{words.word(printer)}: {words.rules(printer)}" + (held and f"; {held}")
        first, *more = wrapped(said, "    ", width)
        yield f"  {first[4:]}"
        yield from more


def _verdict(rehearsal: Rehearsal, width: int, paint: Paint) -> list[str]:
    word = words.word(rehearsal).upper()
    outcome = {0: "passed", 1: "failed", 2: "error"}[rehearsal.exit_code]
    first, *more = wrapped(f"{word}: {words.summary(rehearsal)}", "", width)
    caution = wrapped(words.CAUTION, "", width)
    return [paint(word, outcome) + first.removeprefix(word), *more, *caution]
