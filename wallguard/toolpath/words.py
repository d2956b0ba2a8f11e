"""One line of a toolpath, taken apart into words: letters and their numbers.

RS-274 as in NISTIR 6556 (RS274/NGC), from memory: case does not matter, blanks may stand
anywhere, even in numbers; a number has a sign, digits and at most one point, and no exponent.
Comments stand in round brackets, or follow a semicolon. A line number is `N` with digits; a
checksum, `*` with digits at the end, is the exclusive or of all bytes before the star (common
practice, no published source).
"""

from __future__ import annotations

import re
from functools import reduce
from operator import xor
from typing import NamedTuple

NUMBER = rb"[-+]?+(?:\d++(?:\.\d*+)?+|\.\d++)"

_COMMENT = re.compile(rb";[^\n]*+|\([^)\n]*+\)")
_CHECKSUM = re.compile(rb"\*\s*+(\d{1,3})\s*+$")
_LINE_NUMBER = re.compile(rb"\s*+N\s*+\d++(?:\.\d*+)?+\s*+")
_WORD = re.compile(r"([A-Z])(" + NUMBER.decode() + r")?+")
_WORDS = re.compile(rf"(?:{_WORD.pattern})++")
_NAME = re.compile(rb"[A-Z_]{3,}+\w*+|[@$][^\s=]*+")


class LineError(Exception):
    """A line that cannot be read; says why."""


class Words(NamedTuple):
    """The words of a line.

    words  letters with their numbers, None where a letter has none
    rest   what follows the last word that could be read: empty in a well-formed line
    name   of a command that is written as a name rather than as words, else empty
    """

    words: list[tuple[str, float | None]]
    rest: str
    name: str


def split(raw: bytes) -> Words | None:
    """The words of one line, or None where it says nothing. Raises LineError."""
    text = raw
    if b"*" in raw:
        text = _verified(raw)
    if b";" in text or b"(" in text:
        text = _COMMENT.sub(b"", text)
    text = text.upper()
    if b"N" in text and (number := _LINE_NUMBER.match(text)):
        text = text[number.end() :]
    text = text.strip()
    if not text:
        return None
    if name := _NAME.match(text):
        return Words([], "", name[0][:40].decode("ascii", "replace"))
    close = b"".join(text.split()).decode("ascii", "replace")
    end = match.end() if (match := _WORDS.match(close)) else 0
    words = [
        (letter, float(number) if number else None)
        for letter, number in _WORD.findall(close, 0, end)
    ]
    return Words(words, close[end:], "")


def _verified(raw: bytes) -> bytes:
    """The line without its checksum, if it has one that is right."""
    plain = _COMMENT.sub(lambda comment: b" " * len(comment[0]), raw)
    match = _CHECKSUM.search(plain)
    if match is None:
        return raw
    numbered = raw[: match.start()].lstrip()
    expected, written = reduce(xor, numbered, 0), int(match[1])
    if written != expected:
        # The star may stand in a text that an unnumbered command shows or sends.
        if not _LINE_NUMBER.match(numbered.upper()) and numbered[:1] not in b"GgTt":
            return raw
        raise LineError(f"its checksum is {written}, and that of its text is {expected}")
    return raw[: match.start()]
