"""What the comments at the head of a toolpath say of the software that made it. A remark is all
that ever follows from it: comments are not believed, outcomes come from what is laid."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from wallguard.base.plain import clipped, plain
from wallguard.toolpath.stream import blocks

# Of a file, bytes and lines that are its head; of a line, characters.
_HEAD, _LINES, _LONGEST = 65536, 400, 400
_COMMENT = re.compile(r"^\s*(?:N\d+\s*)?(?:;(.*)|\(([^)]*)\))", re.IGNORECASE)
_MADE = re.compile(
    r"\b(?:generated|sliced|created|made|produced|written)\s+(?:by|with)\s*:?\s+(\S.*)", re.I
)
_RELEASE = r"[^\w\n]*(?:(?:version|release|ver|v)\b[^\w\n]*)?v?(\d[\w.+-]*)"


def other_release(file: Path, software: str) -> str:
    """What to say where the head names other software, or another release, than `software`, a name
    and a release in somebody's own words; empty where it does not, or says nothing.

    Raises InputError where the file cannot be read.
    """
    name, release = _parts(software)
    if not name:
        return ""
    words = r"[\s_-]*".join(map(re.escape, name))
    pattern = re.compile(rf"(?<!\w){words}(?!\w){_RELEASE}", re.IGNORECASE)
    others: list[tuple[int, str]] = []
    for number, text in _comments(file):
        found = pattern.search(text)
        if found is not None and release:
            if _same(release, found[1]):
                return ""
            others.append((number, found[0]))
        elif (made := _MADE.search(text)) is not None:
            if re.search(words, made[1], re.IGNORECASE):
                return ""  # without a release, or none was asked for
            others.append((number, made[1]))
    if not others:
        return ""
    number, said = others[0]
    return (
        f"line {number} says it is of {clipped(plain(said.strip()), 80)!r}, and the rules were "
        f"made with {clipped(plain(software), 80)!r}: they may not hold for it. A comment is no "
        "proof; `wallguard rehearse` tells"
    )


def _parts(software: str) -> tuple[list[str], str]:
    """The words of a name, and the release behind them; empty where there is none."""
    words = software.split()
    at = next((at for at, word in enumerate(words) if at and re.match(r"v?\d", word, re.I)), None)
    if at is None:
        return words, ""
    return [word.strip(",;:()") for word in words[:at]], words[at].strip(",;()").lstrip("vV")


def _same(asked: str, named: str) -> bool:
    """Whether a release is the one that is asked for: 2.7 is 2.7.1, too, and 2.7.1 not 2.7.12."""
    rest = named.lower().removeprefix(asked.lower())
    return named.lower().startswith(asked.lower()) and not rest[:1].isdigit()


def _comments(file: Path) -> Iterator[tuple[int, str]]:
    head = next(iter(blocks(file))).text[:_HEAD].decode("utf-8", "replace")
    for number, line in enumerate(head.split("\n")[:_LINES], 1):
        found = _COMMENT.match(line[:_LONGEST])
        if found is not None:
            yield number, found[1] or found[2] or ""
