"""Patterns over paths: `*` within a name, `?` one character, `**` any folders.

Everything else stands for itself, brackets too, since file names hold them. A pattern that ends in
`/` is all below that folder. Matching takes time in proportion to the lengths multiplied, whatever
the pattern.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Sequence


def matches(pattern: str, path: str) -> bool:
    """Whether `path` (relative, with /) answers to `pattern`.

    Composed and decomposed spellings of a character are the same; upper and lower case differ,
    save in the suffix of the last name.
    """
    return _wild(_names(pattern + "**" * pattern.endswith("/")), _names(path), "**", _same_name)


def _names(path: str) -> list[str]:
    """The names in a path; `.` is dropped, as in `./parts`."""
    names = [
        name for name in unicodedata.normalize("NFC", path).split("/") if name not in ("", ".")
    ]
    if names:
        stem, dot, suffix = names[-1].rpartition(".")
        names[-1] = stem + dot + suffix.casefold() if dot else names[-1]
    return names


def _same_name(pattern: str, name: str) -> bool:
    return _wild(pattern, name, "*", lambda wanted, given: wanted in ("?", given))


def _wild(
    pattern: Sequence[str], text: Sequence[str], many: str, same: Callable[[str, str], bool]
) -> bool:
    """Whether `text` is `pattern` with each `many` standing for any number of items.

    Only the last `many` seen ever needs trying again: what came before it already matched as early
    as it could.
    """
    at = position = back = 0
    star = -1
    while position < len(text):
        if at < len(pattern) and pattern[at] == many:
            star, back = at, position
            at += 1
        elif at < len(pattern) and same(pattern[at], text[position]):
            at, position = at + 1, position + 1
        elif star >= 0:
            back += 1
            at, position = star + 1, back
        else:
            return False
    return all(item == many for item in pattern[at:])
