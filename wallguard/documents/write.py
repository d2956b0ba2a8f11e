"""A document as YAML for people to read and review: what a format's plain data says, with comments.

The way back from `reading`: what is written reads as the same data. Comments are given by the path
of what they belong to: "beads", "beads.width", "bands[0]".
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from wallguard.documents.scalars import Choice, Text
from wallguard.documents.shape import Field, Kept, Many, OneOf, Shape, Table

_WIDTH = 96
# Comments beside rows of one table begin in one column, up to this one.
_COLUMN = 36


@dataclass(frozen=True)
class Comments:
    """What is said beside the data.

    above, below  lines of text over a key or an item, and under the last line of it
    beside        behind it, on the same line
    offered       for a key that the data does not have: what may stand there, as YAML; the key is
                  written as a comment
    """

    above: Mapping[str, Sequence[str]] = field(default_factory=dict)
    beside: Mapping[str, str] = field(default_factory=dict)
    below: Mapping[str, Sequence[str]] = field(default_factory=dict)
    offered: Mapping[str, str] = field(default_factory=dict)


def document(table: Table, plain: Mapping[str, Any], comments: Comments) -> str:
    """The text of a document: a blank line between its parts, what is nested deeper on one line."""
    blocks: list[str] = []
    apart = True
    for entry in table.fields:
        if entry.key not in plain and entry.key not in comments.offered:
            continue
        lines = list(_entry(entry, plain, comments, "", ""))
        block = len(lines) > 1 or lines[0].startswith("#")
        if (block or apart) and blocks:
            blocks.append("")
        apart = block
        blocks += lines
    return "\n".join(blocks) + "\n"


def comment(text: str, indent: str = "") -> list[str]:
    """Text as comment lines: whatever it holds, it stays in them."""
    return textwrap.wrap(
        _one_line(text),
        _WIDTH - len(indent),
        initial_indent=f"{indent}# ",
        subsequent_indent=f"{indent}#   ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def value_text(shape: Shape, value: Any) -> str:
    """A value on one line, as YAML."""
    if isinstance(shape, Table):
        value = shape.shortest(value)
        if not isinstance(value, dict):
            return _number(value)
        shapes = {field.key: field.shape for field in shape.fields}
        return f"{{{', '.join(f'{k}: {value_text(shapes[k], v)}' for k, v in value.items())}}}"
    if isinstance(shape, Kept):
        return value_text(shape.shape, value)
    if isinstance(shape, OneOf):
        return value_text(shape.of(value), value)
    if isinstance(shape, Many):
        return f"[{', '.join(value_text(shape.item, item) for item in value)}]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        bare = isinstance(shape, Choice) or (isinstance(shape, Text) and shape.bare)
        return value if bare else _quoted(value)
    return _number(value)


def _entry(
    field: Field, plain: Mapping[str, Any], comments: Comments, above: str, indent: str
) -> Iterator[str]:
    path = above + field.key
    for text in comments.above.get(path, ()):
        yield from comment(text, indent)
    if field.key not in plain:
        yield _beside(f"{indent}# {field.key}: {_one_line(comments.offered[path])}", path, comments)
        return
    yield from _said(field, plain[field.key], comments, path, indent)
    for text in comments.below.get(path, ()):
        yield from comment(text, indent + "  ")


def _said(field: Field, value: Any, comments: Comments, path: str, indent: str) -> Iterator[str]:
    shape, inner = field.shape, indent + "  "
    if isinstance(shape, Many) and isinstance(shape.item, Table):
        yield f"{indent}{field.key}:" if value else f"{indent}{field.key}: []"
        for number, item in enumerate(value):
            for text in comments.above.get(f"{path}[{number}]", ()):
                yield from comment(text, inner)
            yield f"{inner}- {value_text(shape.item, item)}"
    elif isinstance(shape, Table) and not indent and not shape.every:
        yield _beside(f"{indent}{field.key}:", path, comments)
        for each in shape.fields:
            if each.key in value or f"{path}.{each.key}" in comments.offered:
                yield from _entry(each, value, comments, f"{path}.", inner)
    else:
        yield _beside(f"{indent}{field.key}: {value_text(shape, value)}", path, comments)


def _beside(line: str, path: str, comments: Comments) -> str:
    said = comments.beside.get(path)
    return f"{line:<{_COLUMN}}  # {_one_line(said)}" if said else line


def _one_line(text: str) -> str:
    return "".join(char if char.isprintable() else "�" for char in text)


def _number(value: float) -> str:
    """The shortest text that reads as the same number."""
    short = f"{value + 0.0:.10g}" if isinstance(value, float) else str(value)
    return short if float(short) == value else repr(value)


def _quoted(text: str) -> str:
    """Text in quotes, with escapes for what would not survive."""
    return '"' + "".join(map(_escaped, text)) + '"'


def _escaped(char: str) -> str:
    if char in '"\\':
        return "\\" + char
    if char == "\n":
        return "\\n"
    if char.isprintable():
        return char
    code = ord(char)
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
