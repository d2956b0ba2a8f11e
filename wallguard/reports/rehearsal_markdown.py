"""A rehearsal for a reviewer: the verdict first, then which parts to hold back and what to draw
instead, then what the toolpath lays otherwise."""

from __future__ import annotations

from dataclasses import replace

from wallguard.base.plain import counted
from wallguard.findings.impact import Kind
from wallguard.findings.rehearsal import Printer, Rehearsal, Rehearsed, Verdict
from wallguard.reports import impact_markdown
from wallguard.reports import impact_order as order
from wallguard.reports import rehearsal_words as words
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.page import COORDINATES, Section, fitted, folded, trouble_items

_WORDS: dict[Verdict, str] = {
    "not done": "**Not done**",
    "hold back": "**Hold the update back**",
    "nothing compared": "**Nothing was compared**",
    "unproven": "**Nothing gets worse, but the rules do not describe what is laid today**",
    "no change": "**The update may be rolled out**",
    "not worse": "**The update may be rolled out**",
    "not asked": "**No toolpath changed**",
}
_FOOT = f"{order.WORSE}\n\n{COORDINATES} {words.CAUTION}\n"


def markdown(rehearsal: Rehearsal, *, head: str = "", limit: int = 65000) -> str:
    """The rehearsal as GitHub-flavoured Markdown of at most `limit` characters.

    head  what stands first, safe already

    Where it would grow longer whole items are left out, and a line says how many of what.

    Raises ValueError: `limit` is less than `page.SMALLEST`.
    """
    sections = [_broken(rehearsal), _printers(rehearsal), _doubt(rehearsal)]
    if len(rehearsal.toolpaths) > 1:
        sections.append(_matrix(rehearsal))
    for toolpath in rehearsal.toolpaths:
        sections += _toolpath(toolpath, named=len(rehearsal.toolpaths) > 1)
    return fitted(
        head + _head(rehearsal), [section for section in sections if section.items], _FOOT, limit
    )


def _head(rehearsal: Rehearsal) -> str:
    said = f"{_WORDS[rehearsal.verdict]}: {prose(words.summary(rehearsal), 500)}.\n\n"
    for printer in rehearsal.printers:
        said += f"- Rules: {_rules(printer)}\n"
        for toolpath in printer.toolpaths:
            said += f"- Toolpath: {code(toolpath.toolpath)}, {words.read(toolpath)}\n"
            before = toolpath.before
            if before is not None:
                said += f"- Before: {code(before.toolpath)}, {prose(words.proof(before))}\n"
    return f"{said}\n"


def _rules(printer: Printer) -> str:
    rules = printer.rules
    return code(rules.rules) + (rules.name and f" ({code(rules.name)})")


def _broken(rehearsal: Rehearsal) -> Section:
    items = trouble_items(rehearsal.every_trouble)
    return Section("file", "files", items, "### What could not be used\n\n")


def _printers(rehearsal: Rehearsal) -> Section:
    """Which printer may be updated, where there are several."""
    rows = []
    for printer in rehearsal.printers if len(rehearsal.printers) > 1 else ():
        good = printer.verdict in ("not worse", "no change")
        held = prose(words.held_back(printer.hold_back), 500)
        word = prose(words.word(printer))
        rows.append(
            f"| {_rules(printer)} | {f'✓ {word}' if good else f'✗ **{word}**'} | {held} |\n"
        )
    opening = "| rules | update | parts |\n|---|---|---|\n"
    return Section("rule file", "rule files", rows, opening)


def _doubt(rehearsal: Rehearsal) -> Section:
    """Where the rules do not describe what was laid before: it stands before every claim."""
    items = [
        f"- {code(toolpath.before.toolpath)}: {prose(words.unlike(wall))}\n"
        for toolpath in rehearsal.toolpaths
        if toolpath.before is not None
        for wall in toolpath.before.unlike
    ]
    return Section("wall", "walls", items, "### What the rules do not describe today\n\n")


def _matrix(rehearsal: Rehearsal) -> Section:
    names = [code(toolpath.toolpath) for toolpath in rehearsal.toolpaths]
    opening = f"| part | {' | '.join(names)} |\n|---|{'---|' * len(names)}\n"
    rows = [
        f"| {code(row.path)} | {' | '.join(map(_cell, row.kinds))} |\n"
        for row in words.telling(rehearsal)
    ]
    return Section("part", "parts", rows, opening)


def _cell(kind: Kind | None) -> str:
    if kind is None:
        return words.ELSEWHERE
    return {"same": "=", "worse": "✗ **worse**", "error": "! **error**"}.get(kind, kind)


def _toolpath(rehearsed: Rehearsed, named: bool) -> list[Section]:
    """What one toolpath does; `named`: whether it is one of several."""
    moved = [f"- {prose(words.otherwise(each))}\n" for each in rehearsed.otherwise]
    edges = [f"- {prose(words.edge(each))}\n" for each in rehearsed.edges]
    stand = [f"- {prose(words.stand(each))}\n" for each in rehearsed.stand]
    settings = [f"- {prose(words.setting(each))}\n" for each in rehearsed.settings if each.moved]
    rest = [f"- {prose(words.setting(each))}\n" for each in rehearsed.settings if not each.moved]
    notes = [*filter(None, [words.more(rehearsed)]), *rehearsed.notes, *rehearsed.impact.notes]
    title = f"## {code(rehearsed.toolpath)}\n\n" if named else ""
    parts = [section for section in impact_markdown.sections(rehearsed.impact) if section.items]
    if parts and title:
        parts[0] = replace(parts[0], opening=title + parts[0].opening)
    otherwise = f"### Walls that it lays otherwise{f': {code(rehearsed.toolpath)}' * named}\n\n"
    return [
        *parts,
        Section("range of thickness", "ranges of thickness", moved, otherwise),
        Section("edge", "edges", edges, "Edges of the band table that moved:\n\n"),
        Section("bead setting", "bead settings", settings, "Bead settings that moved:\n\n"),
        folded("edge that stands", "edges that stand", stand),
        folded("bead setting that stands", "bead settings that stand", rest),
        folded("thing to know", "things to know", [f"- {prose(note)}\n" for note in notes]),
    ]


def title(rehearsal: Rehearsal) -> str:
    """The verdict as the heading of a comment."""
    mark = "✓" if rehearsal.exit_code == 0 else "✗"
    held = rehearsal.hold_back
    more = f": {counted(len(held), 'part')} to hold back" if held else ""
    return f"{mark} Update rehearsed: {words.word(rehearsal)}{more}"
