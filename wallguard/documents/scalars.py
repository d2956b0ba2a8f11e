"""Shapes of what stands in a document as one word or text: see `documents.shape`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from typing import Any, TypeAlias

from wallguard.base.plain import nearest
from wallguard.documents.reading import Node, Problem, Scalar, describe

JsonSchema: TypeAlias = dict[str, Any]


def _is_number(node: Node) -> bool:
    return (
        isinstance(node, Scalar)
        and isinstance(node.value, int | float)
        and not isinstance(node.value, bool)
    )


def mismatch(key: str, expected: str, node: Node, remedy: str = "") -> Problem:
    """What to say of a node that is no such thing."""
    return Problem(node.place, f"`{key}`: expected {expected}, but found {describe(node)}", remedy)


class _Itself:
    """Where plain data and value are the same."""

    def value(self, node: Node) -> Any:
        return node.plain()

    def plain(self, value: Any) -> Any:
        return value


@dataclass(frozen=True)
class Number(_Itself):
    """A finite number from `low` to `high`, in `unit`; whole numbers only where `whole`."""

    low: float
    high: float
    unit: str = ""
    whole: bool = False

    def expected(self) -> str:
        kind = "a whole number" if self.whole else "a number"
        unit = f" of {self.unit}" if self.unit else ""
        return f"{kind}{unit} from {self.low:g} to {self.high:g}"

    def accepts(self, node: Node) -> bool:
        return _is_number(node)

    def schema(self, complete: bool = True) -> JsonSchema:
        kind = "integer" if self.whole else "number"
        return {"type": kind, "minimum": self.low, "maximum": self.high}

    def problems(self, node: Node, key: str, complete: bool = True) -> Iterator[Problem]:
        value = node.value if isinstance(node, Scalar) else None
        if not _is_number(node):
            yield mismatch(key, self.expected(), node, self._spelling(value))
            return
        assert isinstance(value, int | float)
        if not isfinite(value) or not self.low <= value <= self.high:
            yield mismatch(key, self.expected(), node, self._other_unit(float(value)))
        elif self.whole and value != int(value):
            yield mismatch(key, self.expected(), node)

    def value(self, node: Node) -> Any:
        return int(node.plain()) if self.whole else float(node.plain())

    def _spelling(self, value: object) -> str:
        if not isinstance(value, str):
            return ""
        if re.fullmatch(r"\s*[-+]?[0-9]+,[0-9]+\s*", value):
            return "Write a decimal point, not a comma"
        if re.match(r"\s*[-+]?[0-9.]+\s*[a-zµ\"%]+\s*$", value, re.IGNORECASE):
            unit = f": it is in {self.unit}" if self.unit else ""
            return f"Write the number without a unit{unit}"
        if re.fullmatch(r"[-+]?[0-9.]+", value):
            return "Write the number without quotes"
        return ""

    def _other_unit(self, value: float) -> str:
        if self.unit != "mm" or value <= 0:
            return ""
        if value > self.high and self.low <= value / 1000 <= self.high:
            return "Lengths are in mm; this one looks like micrometres"
        if value < self.low and self.low <= value * 1000 <= self.high:
            return "Lengths are in mm; this one looks like metres"
        return ""


@dataclass(frozen=True)
class Forbidden:
    """What text may not hold: a regular expression read alike by Python and JSON Schema.

    secret  whether the text is not to be shown then
    """

    pattern: str
    problem: str
    remedy: str
    secret: bool = False


# Escapes are spelled so that Python and ECMA-262, which JSON Schema uses, read them alike.
CONTROLS = Forbidden(
    r"[\u0000-\u001f\u007f-\u009f\u2028\u2029]",
    "a line break or control character",
    "Keep to one line of plain text",
)
CONTROLS_BUT_LINES = Forbidden(
    r"[\u0000-\u0008\u000b-\u001f\u007f-\u009f]", "a control character", "Remove it"
)
BLANK = Forbidden(r"^\s*$", "nothing but spaces", "Write something, or remove the key")
LEAVES = (
    CONTROLS,
    BLANK,
    Forbidden(r"\\", "a backslash", "Put / between folders"),
    Forbidden(r"^(/|~|[A-Za-z]:)", "an absolute path", "Write it relative"),
)
GOES_UP = Forbidden(
    r"(^|/)\.\.(/|$)", "`..`, which leaves the folder", "Write it relative to the root"
)


@dataclass(frozen=True)
class Text(_Itself):
    """Text of at most `longest` characters, matching `pattern` if there is one; `bare` where that
    leaves nothing that YAML could read otherwise, so that it is written without quotes."""

    what: str = "text"
    longest: int = 200
    forbidden: tuple[Forbidden, ...] = (CONTROLS, BLANK)
    pattern: str = ""
    bare: bool = False

    def expected(self) -> str:
        return self.what

    def accepts(self, node: Node) -> bool:
        return isinstance(node, Scalar) and isinstance(node.value, str)

    def schema(self, complete: bool = True) -> JsonSchema:
        made: JsonSchema = {"type": "string", "maxLength": self.longest}
        if self.pattern:
            made["pattern"] = self.pattern
        if self.forbidden:
            made["allOf"] = [{"not": {"pattern": item.pattern}} for item in self.forbidden]
        return made

    def problems(self, node: Node, key: str, complete: bool = True) -> Iterator[Problem]:
        if not (isinstance(node, Scalar) and isinstance(node.value, str)):
            remedy = "Put it in quotes" if _is_number(node) else ""
            yield mismatch(key, self.expected(), node, remedy)
            return
        if len(node.value) > self.longest:
            problem = f"`{key}`: longer than {self.longest} characters"
            yield Problem(node.place, problem, "Shorten it")
            return
        for item in self.forbidden:
            if re.search(item.pattern, node.value):
                shown = "it" if item.secret else describe(node)
                problem = f"`{key}`: {shown} holds {item.problem}"
                yield Problem(node.place, problem, item.remedy)
                return
        if self.pattern and not re.search(self.pattern, node.value):
            yield mismatch(key, self.expected(), node)


@dataclass(frozen=True)
class Days(_Itself):
    """A length of time in whole days, such as "365 days"; its value is their number."""

    digits: int = 5

    def expected(self) -> str:
        return f'a length of time of at most {10**self.digits - 1} days, such as "365 days"'

    def accepts(self, node: Node) -> bool:
        return isinstance(node, Scalar) and isinstance(node.value, str)

    def schema(self, complete: bool = True) -> JsonSchema:
        return {"type": "string", "pattern": self._pattern()}

    def problems(self, node: Node, key: str, complete: bool = True) -> Iterator[Problem]:
        if not (self.accepts(node) and re.search(self._pattern(), node.plain())):
            remedy = f"Write the unit too: {node.plain()} days" if _is_number(node) else ""
            yield mismatch(key, self.expected(), node, remedy)

    def value(self, node: Node) -> Any:
        return int(node.plain().split()[0])

    def plain(self, value: Any) -> Any:
        return None if value is None else f"{value} day{'s' * (value != 1)}"

    def _pattern(self) -> str:
        # Not $, which Python lets stand before a line break at the end.
        return rf"^[1-9][0-9]{{0,{self.digits - 1}}} days?(?![\s\S])"


@dataclass(frozen=True)
class Choice:
    """One of a few values, written out: words, or `false`, which stands for None where there is no
    `true`."""

    values: tuple[str | bool, ...]

    def expected(self) -> str:
        words = [
            str(value).lower() if isinstance(value, bool) else f'"{value}"' for value in self.values
        ]
        return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"

    def accepts(self, node: Node) -> bool:
        return isinstance(node, Scalar) and any(
            isinstance(node.value, type(value)) for value in self.values
        )

    def schema(self, complete: bool = True) -> JsonSchema:
        return {"enum": list(self.values)}

    def problems(self, node: Node, key: str, complete: bool = True) -> Iterator[Problem]:
        given = node.value if isinstance(node, Scalar) else None
        if any(type(given) is type(value) and given == value for value in self.values):
            return
        words = tuple(value for value in self.values if isinstance(value, str))
        near = nearest(given, words) if isinstance(given, str) else None
        remedy = f"The nearest known value is `{near}`" if near and len(words) > 1 else ""
        yield mismatch(key, self.expected(), node, remedy)

    def value(self, node: Node) -> Any:
        said = node.plain()
        return None if said is False and True not in self.values else said

    def plain(self, value: Any) -> Any:
        return False if value is None and False in self.values else value


@dataclass(frozen=True)
class Version(_Itself):
    """The format's version: the number 1, the only one so far."""

    def expected(self) -> str:
        return "the format's version, 1"

    def accepts(self, node: Node) -> bool:
        return _is_number(node)

    def schema(self, complete: bool = True) -> JsonSchema:
        return {"const": 1}

    def problems(self, node: Node, key: str, complete: bool = True) -> Iterator[Problem]:
        if _is_number(node) and node.plain() == 1:
            return
        newer = _is_number(node) and node.plain() > 1
        remedy = "This file wants a later wallguard: update it" if newer else "Write 1"
        yield mismatch(key, self.expected(), node, remedy)

    def plain(self, value: Any) -> Any:
        return 1
