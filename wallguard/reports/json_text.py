"""Plain data as JSON text that is safe to show."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from wallguard.base.plain import spelled

Json = dict[str, Any]

_SURROGATE = re.compile("[\ud800-\udfff]")
# A list of numbers, over several lines; within a string there is no line break.
_NUMBERS = re.compile(r"\[\n([-+.,\de\s]+)\n *\]")


def pieces(made: Mapping[str, Any]) -> Iterator[str]:
    """JSON text with a final line break, in which every character can be seen, piece by piece. A
    value that is an iterator stands for a list, whose items are asked for one at a time: there may
    be thousands of them.

    Raises ValueError: a number is not finite.
    """
    before = "{\n  "
    for key, value in made.items():
        yield f"{before}{_written(key)}: "
        before = ",\n  "
        if isinstance(value, Iterator):
            opening = "[\n    "
            for item in value:
                yield opening + _written(item).replace("\n", "\n    ")
                opening = ",\n    "
            yield "[]" if opening[0] == "[" else "\n  ]"
        else:
            yield _written(value).replace("\n", "\n  ")
    yield "\n}\n"


def listed(items: Iterable[Json], depth: int) -> Iterator[str]:
    """A list as `json.dumps(..., indent=1)` has it that many levels in, an item at a time.

    Raises ValueError: a number is not finite.
    """
    inner = "\n" + " " * (depth + 1)
    opening = "["
    for item in items:
        text = json.dumps(item, indent=1, allow_nan=False)
        yield opening + inner + text.replace("\n", inner)
        opening = ","
    yield "[]" if opening == "[" else inner[:-1] + "]"


def _written(value: Any) -> str:
    """A value as indented text, without a final line break."""
    written = json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)
    written = _NUMBERS.sub(lambda match: f"[{' '.join(match[1].split())}]", written)
    if written.replace("\n", "").isprintable():
        return written  # the usual case: no line of it is held by itself
    # Terminal codes and direction marks stand inside of strings only, so they may be escaped.
    return "\n".join(line if line.isprintable() else _escaped(line) for line in written.split("\n"))


def _escaped(line: str) -> str:
    return "".join(char if char.isprintable() else json.dumps(char)[1:-1] for char in line)


def encodable(value: Any) -> Any:
    """The same data with bytes that are no text spelled, as `\\xe9`: JSON cannot hold them."""
    if isinstance(value, str):
        return _SURROGATE.sub(lambda match: spelled(match[0]), value)
    if isinstance(value, dict):
        return {key: encodable(inner) for key, inner in value.items()}
    return [encodable(inner) for inner in value] if isinstance(value, list) else value
