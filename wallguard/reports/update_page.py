"""An impact or a rehearsal as one page for a browser: the verdict first, then the parts, then the
walls that change. Self-contained: no script, nothing fetched, every text from outside escaped."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from wallguard.base import cautions
from wallguard.base.plain import capital, without_path
from wallguard.findings.groups import Group
from wallguard.findings.impact import Change, Impact, PartImpact, kind
from wallguard.findings.model import Trouble
from wallguard.findings.rehearsal import Rehearsal, Rehearsed, Verdict
from wallguard.reports import impact_order as order
from wallguard.reports import rehearsal_words as words
from wallguard.reports.order import alike, one_of
from wallguard.reports.page import COORDINATES
from wallguard.reports.templates import render

_PARTS = ("part", "result", "before", "after", "what changes")
_KINDS = ("", "from", "to", "walls", "parts")
# The colour of a verdict, as of what happens to a part.
_MARKS: dict[Verdict, str] = {
    "not done": "error",
    "hold back": "worse",
    "not worse": "same",
    "no change": "same",
}


@dataclass(frozen=True)
class Item:
    """One line of a list: `mark` names its colour, `first` stands before the text in bold."""

    text: str
    first: str = ""
    mark: str = ""
    instead: str = ""


@dataclass(frozen=True)
class Block:
    """A heading with a list or a table under it; `folded`: the reader opens it."""

    heading: str
    items: Sequence[Item] = ()
    columns: Sequence[str] = ()
    rows: Sequence[tuple[str, Sequence[str]]] = ()
    folded: bool = False


def impact_page(impact: Impact) -> str:
    """The page of an impact."""
    facts = [
        Item(f"{process.rules} ({process.name})", word)
        for word, process in (("from", impact.before), ("to", impact.after))
    ]
    facts += [Item(note) for note in impact.notes]
    said = order.verdict(impact)
    bad = said in ("worse", "not done", "nothing compared")
    said = "".join(order.HEADINGS[said])
    blocks = [Block("", facts), *_impact(impact)]
    return _page("Impact", said, bad, order.summary(impact), blocks)


def rehearsal_page(rehearsal: Rehearsal) -> str:
    """The page of a rehearsal, of one toolpath or several."""
    facts: list[Item] = []
    blocks = [_troubles(rehearsal.every_trouble)]
    if len(rehearsal.printers) > 1:
        printers = [
            (
                _MARKS.get(printer.verdict, "other"),
                (words.rules(printer), words.word(printer), words.held_back(printer.hold_back)),
            )
            for printer in rehearsal.printers
        ]
        blocks.append(Block("Rule files", columns=("rules", "update", "parts"), rows=printers))
    for printer in rehearsal.printers:
        facts.append(Item(words.rules(printer), "rules"))
        for toolpath in printer.toolpaths:
            facts.append(Item(f"{toolpath.toolpath}, {words.read(toolpath)}", "toolpath"))
            if toolpath.before is not None:
                said = f"{toolpath.before.toolpath}, {words.proof(toolpath.before)}"
                facts.append(Item(said, "before"))
                unlike = [Item(words.unlike(wall)) for wall in toolpath.before.unlike]
                blocks.append(Block("What the rules do not describe today", unlike))
    several = len(rehearsal.toolpaths) > 1
    if several:
        names = [toolpath.toolpath for toolpath in rehearsal.toolpaths]
        rows = [
            (
                min(filter(None, row.kinds), key=order.KINDS.index),
                (row.path, *(words.mark(each) for each in row.kinds)),
            )
            for row in words.telling(rehearsal)
        ]
        blocks.append(Block("Parts by toolpath", columns=("part", *names), rows=rows))
    for toolpath in rehearsal.toolpaths:
        blocks += _rehearsed(toolpath, f": {toolpath.toolpath}" if several else "")
    return _page(
        "Rehearsal",
        words.word(rehearsal),
        rehearsal.verdict in ("hold back", "not done", "nothing compared"),
        words.summary(rehearsal),
        [Block("", facts), *blocks],
        cautions.REHEARSALS,
    )


def _page(
    name: str,
    said: str,
    bad: bool,
    summary: str,
    blocks: Iterable[Block],
    caution: str = cautions.PARTS,
) -> str:
    return render(
        "update.html",
        name=name,
        verdict=capital(said),
        bad=bad,
        summary=summary,
        blocks=[block for block in blocks if block.items or block.rows],
        foot=[order.WORSE, COORDINATES, caution],
    )


def _rehearsed(rehearsed: Rehearsed, named: str) -> list[Block]:
    """What one toolpath does to parts, and what it lays otherwise."""
    settings = {
        moved: [Item(words.setting(each)) for each in rehearsed.settings if each.moved is moved]
        for moved in (True, False)
    }
    notes = [*filter(None, [words.more(rehearsed)]), *rehearsed.notes, *rehearsed.impact.notes]
    return [
        *_impact(rehearsed.impact, named),
        Block(f"walls that it lays otherwise{named}", _items(words.otherwise, rehearsed.otherwise)),
        Block(f"edges of the band table that moved{named}", _items(words.edge, rehearsed.edges)),
        Block(f"bead settings that moved{named}", settings[True]),
        Block(f"edges that stand{named}", _items(words.stand, rehearsed.stand), folded=True),
        Block(f"bead settings that stand{named}", settings[False], folded=True),
        Block(f"things to know{named}", [Item(note) for note in notes], folded=True),
    ]


def _impact(impact: Impact, named: str = "") -> list[Block]:
    """What changes of the parts, in order of weight."""
    shown = order.sorted_out(impact)
    kinds = [
        (
            each.direction,
            (each.direction, each.before, each.after, f"{each.walls}", f"{each.parts}"),
        )
        for each in order.transitions(impact)
    ]
    left_out = [Item(path) for path in sorted(impact.left_out)]
    return [
        _troubles(shown.troubles),
        Block(f"parts{named}", columns=_PARTS, rows=[_row(part) for part in shown.changed]),
        Block(f"kinds of change{named}", columns=_KINDS, rows=kinds),
        Block(f"what gets worse{named}", [_change(*each) for each in shown.worse]),
        Block(f"newly found{named}", [_finding(*each, "now") for each in shown.appeared]),
        Block(
            f"other changes of walls{named}",
            [_change(*each) for each in shown.rest],
            folded=True,
        ),
        Block(
            f"findings that are gone{named}",
            [_finding(*each, "no longer") for each in shown.gone],
            folded=True,
        ),
        Block(f"unchanged parts{named}", [Item(part.path) for part in shown.same], folded=True),
        Block(f"parts left out{named}: {order.left_out(len(left_out))}", left_out, folded=True),
    ]


def _items(say: Callable[[Any], str], things: Iterable[Any]) -> list[Item]:
    return [Item(say(each)) for each in things]


def _troubles(troubles: Iterable[Trouble]) -> Block:
    items = [
        Item(without_path(trouble.path, trouble.message), trouble.path, "error")
        for trouble in troubles
    ]
    return Block("Files that could not be used", items)


def _row(part: PartImpact) -> tuple[str, Sequence[str]]:
    if part.error:
        return "error", (part.path, "error", "", "", without_path(part.path, part.error))
    return kind(part), (part.path, order.label(part), part.before, part.after, order.what(part))


def _change(part: PartImpact, same: tuple[Change, ...]) -> Item:
    change, more = same[0], one_of(len(same))
    turn = f"{part.path}: {change.before.verdict} → {change.after.verdict}"
    said = change.message + (f" ({more})" if more else "")
    return Item(said, f"{change.direction} {turn}", change.direction, change.advice)


def _finding(part: PartImpact, group: Group, word: str) -> Item:
    finding, more = group.first, alike(group)
    said = finding.message + (f" ({more})" if more else "")
    advice = finding.advice if word == "now" else ""
    return Item(said, f"{word} {finding.severity} {part.path}", "worse" if advice else "", advice)
