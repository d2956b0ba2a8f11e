"""Strategies of hypothesis that make what is well-formed hostile: numbers, words, trees, bytes.

Each changes one kind of structure, so that most of what comes out still gets through the reader's
first checks; bytes that are damaged anywhere hardly ever do.
"""

from __future__ import annotations

import copy
import json
import math
import re
import string
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from hypothesis import strategies as st

Tree = Any  # of dicts, lists and plain values, as JSON and YAML have them
Draw = Any

# How files spell numbers that no reader expects.
SPELLED = (
    *("0", "-0", "1", "-1", "0.1", "+5", ".5", "5.", "1e1", "1E+2", "1e-320", "1e38", "3.5e38"),
    *("1e300", "-1e308", "1e309", "1e-400", "nan", "inf", "-inf", "NaN", "Infinity", "0x10", "1_0"),
    *("1,5", "1e", "-", "", "9" * 400, "0." + "0" * 400 + "1", "2147483647", "4294967295", "-2"),
    *(
        "9223372036854775808",
        "1.00000001",
        "100000",
        "\u0661",
        "\uff11",
        "1\u00a00",
        "true",
        "null",
    ),
)
NUMBERS = (
    *(0, 1, -1, 2, 3, 10_000, 2**31, 2**53 + 1, 2**63, 2**64, 10**30, -(2**63)),
    *(0.0, -0.0, 0.1, 0.3, 0.45, 1.5, -0.5, 1e-9, 5e-324, 1e9, 1e22, 1e300, -1e300),
    *(math.inf, -math.inf, math.nan),
)
TEXTS = (
    *("", " ", "x", "../../etc/passwd", "/", "~", "a" * 3000, "é", "\u202e", "\U0001f600", "\x00"),
    *(
        "\ud800",
        "<script>",
        "]]>",
        "| a |",
        "`",
        "\n# x",
        "\x1b[31m",
        "@all",
        "-",
        "--",
        "2031-05-31",
    ),
    *("0" * 10, "**/*.stl", "*" * 40, "[", "+z", "1:200", "mm", "fail", "solid", "hollow", "null"),
)
VALUES: tuple[Tree, ...] = (*NUMBERS, *TEXTS, None, True, False, [], {}, [[]], {"a": 1}, [1, 2, 3])
# Characters that one change adds at most.
_LONGEST = 1_000_000
_PIECES = re.compile(r"(\s+|[<>=\"/,;:{}\[\]()])")


@st.composite
def damaged(draw: Draw, data: bytes, most: int = 3) -> bytes:
    """Bytes that are cut short, turned, left out, doubled or put in, up to `most` times."""
    made = bytearray(data)
    for _ in range(draw(st.integers(0, most))):
        at = draw(st.integers(0, len(made)))
        size = draw(st.sampled_from((1, 2, 4, 50, 1000)))
        match draw(st.sampled_from(("cut", "flip", "drop", "double", "put", "byte"))):
            case "cut":
                del made[at:]
            case "flip" if at < len(made):
                made[at] ^= 1 << draw(st.integers(0, 7))
            case "drop":
                del made[at : at + size]
            case "double":
                made[at:at] = made[at : at + size] * draw(st.sampled_from((1, 2, 20)))
            case "put":
                made[at:at] = draw(st.binary(min_size=1, max_size=6))
            case "byte" if at < len(made):
                made[at] = draw(st.sampled_from(b'\x00\xff-+.0 9eE\n\r\t"<>&/\\{}[]:#'))
    return bytes(made)


@st.composite
def reworded(draw: Draw, text: str, words: Sequence[str] = (), most: int = 4) -> str:
    """Text of which single words are replaced, by one of `words` or a number that nobody expects,
    left out, or doubled, and of which lines change places or come again and again."""
    for _ in range(draw(st.integers(0, most))):
        if draw(st.integers(0, 3)) == 0:
            lines = text.splitlines(keepends=True)
            if not lines:
                return text
            at, to = (draw(st.integers(0, len(lines) - 1)) for _ in range(2))
            again = draw(st.sampled_from((0, 1, 2, 300)))
            # A text of one long line is not made larger than the limits are made for.
            again = min(again, _LONGEST // len(lines[at]))
            lines[to:to] = [lines[at]] * again if again else [lines.pop(at)]
            text = "".join(lines)
            continue
        pieces = _PIECES.split(text)
        at = draw(st.integers(0, len(pieces) - 1))
        other = st.sampled_from((*SPELLED, *words, *(words * 3)))
        pieces[at] = draw(st.one_of(other, st.just(""), st.just(pieces[at] * 2)))
        text = "".join(pieces)
    return text


@st.composite
def regrown(
    draw: Draw, tree: Tree, values: Sequence[Tree] = (), keys: Sequence[str] = (), most: int = 3
) -> Tree:
    """A tree of which branches are replaced, left out, doubled, renamed or put elsewhere."""
    tree = copy.deepcopy(tree)
    other = st.sampled_from((*VALUES, *values))
    for _ in range(draw(st.sampled_from((1, 1, 1, 2, most)))):
        spots = list(_spots(tree))
        if not spots:
            return copy.deepcopy(draw(other))
        holder, key = draw(st.sampled_from(spots))
        match draw(
            st.sampled_from(("other", "other", "drop", "double", "name", "graft", "number"))
        ):
            case "other":
                holder[key] = copy.deepcopy(draw(other))
            case "number" if isinstance(holder[key], int | float):
                holder[key] = draw(st.one_of(st.floats(), st.integers(), st.sampled_from(NUMBERS)))
            case "drop":
                del holder[key]
            case "double" if isinstance(holder, list):
                holder[key:key] = [holder[key]] * draw(st.sampled_from((1, 2, 50)))
            case "name" if isinstance(holder, dict):
                name = draw(st.sampled_from((*keys, *TEXTS[:12])))
                holder[name] = holder[key] if draw(st.booleans()) else holder.pop(key)
            case "graft":
                giver, name = draw(st.sampled_from(spots))
                if _still(giver, name):
                    holder[key] = copy.deepcopy(giver[name])
            case _:
                holder[key] = copy.deepcopy(draw(other))
    return tree


def _still(holder: Tree, key: Any) -> bool:
    return key in holder if isinstance(holder, dict) else key < len(holder)


def _spots(tree: Tree) -> Iterator[tuple[Tree, Any]]:
    """Every branch, as what holds it and its key there."""
    if isinstance(tree, dict | list):
        for key, value in tree.items() if isinstance(tree, dict) else enumerate(tree):
            yield tree, key
            yield from _spots(value)


# Text that stands where a format asks for a kind of text that nobody could guess.
_KINDS = {
    "up": ("+z", "-z", "+x", "-y"),
    "rules": ("rules.yaml", "other.yaml"),
    "files": ("*.stl", "**/*.stl", "part.stl", "a/b/*.stl"),
    "extends": ("other.yaml",),
    "until": ("2031-05-31", "2026-12-01", "2020-02-29", "2031-02-30"),
    "issue": ("https://forge.example/1",),
    "part": ("part.stl", "other.stl", "gone.stl"),
    "finding": ("0123456789", "0123456789-2"),
    "scale": ("1:200", "1:1", "2:1"),
}


@st.composite
def instance(
    draw: Draw, schema: Mapping[str, Any], defs: Mapping[str, Any] | None = None, name: str = ""
) -> Tree:
    """What a JSON Schema allows, as far as it says so plainly; sizes like to lie at its bounds."""
    defs = defs if defs is not None else schema.get("$defs", {})
    if "$ref" in schema:
        return draw(instance(defs[schema["$ref"].rpartition("/")[2]], defs, name))
    for many in ("anyOf", "oneOf"):
        if many in schema and "properties" not in schema:
            return draw(instance(draw(st.sampled_from(schema[many])), defs, name))
    if "const" in schema:
        return schema["const"]
    if "enum" in schema:
        return draw(st.sampled_from(schema["enum"]))
    kind = schema.get("type", "object")
    if isinstance(kind, list):
        kind = draw(st.sampled_from(kind))
    match kind:
        case "object":
            return draw(_mapping(schema, defs))
        case "array":
            low = schema.get("minItems", 0)
            high = min(schema.get("maxItems", low + 3), low + 3)
            fixed = schema.get("prefixItems")
            if fixed:
                return [draw(instance(each, defs, name)) for each in fixed]
            count = draw(st.integers(low, high))
            return [draw(instance(schema.get("items") or {}, defs, name)) for _ in range(count)]
        case "number" | "integer":
            return draw(_number(schema, kind == "integer"))
        case "boolean":
            return draw(st.booleans())
        case "null":
            return None
    known = _KINDS.get(name)
    if known and draw(st.integers(0, 3)):
        return draw(st.sampled_from(known))
    if "pattern" in schema and draw(st.integers(0, 5)):
        return draw(st.from_regex(schema["pattern"]))
    if draw(st.integers(0, 9)):
        return draw(st.sampled_from(("x", "two words", "é", "*.stl", "a/b.stl", "1")))
    return draw(st.one_of(st.sampled_from(TEXTS), st.text(max_size=8)))


@st.composite
def _mapping(draw: Draw, schema: Mapping[str, Any], defs: Mapping[str, Any]) -> dict[str, Tree]:
    inside = schema.get("properties", {})
    needed = set(schema.get("required", ()))
    often = draw(st.sampled_from((1, 2, 8)))
    made = {
        key: draw(instance(value, defs, key))
        for key, value in inside.items()
        if key in needed or draw(st.integers(0, often)) == 0
    }
    more = schema.get("additionalProperties")
    if isinstance(more, dict) and more:
        for _ in range(draw(st.integers(0, 2))):
            made[draw(st.sampled_from(string.ascii_lowercase))] = draw(instance(more, defs))
    return made


@st.composite
def _number(draw: Draw, schema: Mapping[str, Any], whole: bool) -> float:
    low, high = schema.get("minimum", -1e6), schema.get("maximum", 1e6)
    if whole:
        return draw(st.one_of(st.sampled_from((low, high)), st.integers(int(low), int(high))))
    near = [value for value in (0.1, 0.2, 0.4, 0.45, 0.8, 1.0, 2.0) if low <= value <= high]
    usual = st.sampled_from((*near, *near, *near, low, high))
    return draw(st.one_of(usual, st.floats(low, high, allow_nan=False)))


def yaml_text(tree: Tree) -> str:
    """A tree as YAML. JSON is YAML, save for numbers that are none and half characters."""
    text = json.dumps(tree, ensure_ascii=False, indent=1)
    return text.replace("NaN", ".nan").replace("-Infinity", "-.inf").replace("Infinity", ".inf")


def encoded(text: str) -> bytes:
    """Text as UTF-8, half characters as they come."""
    return text.encode("utf-8", "surrogatepass")
