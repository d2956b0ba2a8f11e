"""Add a waiver to the text of `waivers.yaml`, and leave all else in it as it is."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace

from wallguard.base.errors import InputError
from wallguard.documents.reading import Sequence, parse_document
from wallguard.waivers.load import FILE_NAME, Waiver, parse_waivers

HEAD = """\
# Findings that somebody accepted: who, why, and until when. `wallguard waive` adds to this file.
# A waiver accepts the limits it names. One that has run out, or whose finding got worse, does not
# hold any more.
wallguard: 1
waivers:
"""


def added(text: str, waiver: Waiver) -> tuple[str, int]:
    """The text of `waivers.yaml` (empty: there is no file yet) with one waiver more at the end of
    its list, and the line where that begins.

    Raises InputError where the text is no file of waivers, where the waiver has a value that the
    format does not allow, or where the layout of the file leaves no room for one more; the message
    then has the lines to add by hand.
    """
    before = parse_waivers(text) if text else ()
    entry = list(_lines(waiver))
    try:
        parse_waivers(HEAD + _item(entry, "  ", "\n"))
    except InputError as error:
        raise InputError("the new waiver", error.problem, remedy=error.remedy) from None
    made = _inserted(text, entry) if text else HEAD + _item(entry, "  ", "\n")
    try:
        after = parse_waivers(made)
    except InputError:
        after = ()
    kept = [replace(one, line=0) for one in after]
    if kept != [replace(one, line=0) for one in (*before, waiver)]:
        by_hand = _item(entry, "  ", "\n").rstrip()
        raise InputError(
            FILE_NAME,
            "its list of waivers is not laid out so that one can be added to it",
            remedy=f"Give each waiver lines of its own, or add this by hand:\n{by_hand}\n",
        )
    return made, after[-1].line


def _lines(waiver: Waiver) -> Iterator[str]:
    if waiver.finding:
        yield f"finding: {json.dumps(waiver.finding)}"
    for key, value in (("part", waiver.part), ("rules", waiver.rules)):
        if value:
            yield f"{key}: {_quoted(value)}"
    if waiver.limits:
        yield f"limits: [{', '.join(waiver.limits)}]"
    if waiver.place is not None:
        yield f"place: [{', '.join(map(repr, waiver.place))}]"
    if waiver.measures:
        yield f"measures: [{', '.join(map(repr, waiver.measures))}]"
    if waiver.fill is not None:
        yield f"fill: {waiver.fill}"
    if waiver.size:
        yield f"size: [{', '.join(map(repr, waiver.size))}]"
    if not waiver.certain:
        yield "certain: false"
    if waiver.alike > 1:
        yield f"alike: {waiver.alike}"
    if waiver.shape:
        yield f"shape: {_quoted(waiver.shape)}"
    if waiver.body:
        about = waiver.body
        numbers = (about.area, about.volume, *about.centre, *about.spread, *about.lean)
        yield f"body: [{', '.join(map(repr, numbers))}]"
    yield f"who: {_quoted(waiver.who)}"
    yield f"why: {_quoted(waiver.why)}"
    yield f"until: {waiver.until}"
    if waiver.issue:
        yield f"issue: {_quoted(waiver.issue)}"


def _quoted(text: str) -> str:
    """Text in quotes: JSON's are YAML's too (YAML 1.2, section 1.3)."""
    return json.dumps(text, ensure_ascii=False)


def _item(entry: list[str], indent: str, end: str) -> str:
    marks = ["- ", *["  "] * (len(entry) - 1)]
    return "".join(f"{indent}{mark}{line}{end}" for mark, line in zip(marks, entry, strict=True))


def _inserted(text: str, entry: list[str]) -> str:
    """The text with an item more where the list ends; nonsense where it is not one line an item."""
    document = parse_document(text, FILE_NAME)
    end = "\r\n" if "\r\n" in text else "\n"
    lines = re.findall(r"[^\n]*\n|[^\n]+", text)
    rows = document.entries["waivers"].value
    assert isinstance(rows, Sequence)
    indent = "  "
    if rows.items:
        first = lines[rows.items[0].place.line - 1]
        indent = first[: len(first) - len(first.lstrip(" "))]
    else:
        at = rows.place.line - 1
        lines[at] = lines[at].replace("[]", "", 1)
        lines[at] = lines[at].rstrip() + end if "#" not in lines[at] else lines[at]
    at = _end_of_list(lines, [one.place.line for one in document.entries.values()], rows.place.line)
    if at and not lines[at - 1].endswith("\n"):
        lines[at - 1] += end
    return "".join([*lines[:at], _item(entry, indent, end), *lines[at:]])


def _end_of_list(lines: list[str], keys: list[int], begin: int) -> int:
    """How many lines stand before the end of the list: those before the next key of the file, but
    for comments and empty lines that lead up to it; all lines if there is no such key."""
    following = [line for line in keys if line > begin]
    if not following:
        return len(lines)
    at = min(following) - 1
    while lines[at - 1].strip() == "" or lines[at - 1].startswith("#"):
        at -= 1
    return at
