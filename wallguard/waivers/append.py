"""Add a waiver to the text of `waivers.yaml`, and leave all else in it as it is."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from wallguard.base.errors import InputError
from wallguard.documents.reading import Sequence, parse_document
from wallguard.documents.write import value_text
from wallguard.waivers.load import FILE_NAME, WAIVER, Waiver, parse_waivers

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
    kept = [replace(waiver, line=0) for waiver in after]
    if kept != [replace(each, line=0) for each in (*before, waiver)]:
        by_hand = _item(entry, "  ", "\n").rstrip()
        raise InputError(
            FILE_NAME,
            "its list of waivers is not laid out so that one can be added to it",
            remedy=f"Give each waiver lines of its own, or add this by hand:\n{by_hand}\n",
        )
    return made, after[-1].line


def _lines(waiver: Waiver) -> Iterator[str]:
    shapes = {field.key: field.shape for field in WAIVER.fields}
    for key, said in WAIVER.plain(waiver).items():
        yield f"{key}: {value_text(shapes[key], said)}"


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
    at = _end_of_list(
        lines, [entry.place.line for entry in document.entries.values()], rows.place.line
    )
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
