"""The format of a document as plain data, from which its validation and its JSON Schema follow.

A format is a tree of the shapes below and of those in `documents.scalars`. Each shape knows what
it expects in words, its JSON Schema (draft 7, which editors know best), the problems of a node that
should have it, the value that a node without problems stands for, and, the way back, the plain data
that stands for a value. `complete=False` lets required keys be absent, for a file that inherits the
rest from another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from operator import attrgetter
from typing import Any, Literal, TypeAlias

from wallguard.base.plain import nearest
from wallguard.documents.reading import Entry, Mapping, Node, Problem, Sequence
from wallguard.documents.scalars import (
    BLANK,
    CONTROLS,
    Choice,
    Days,
    JsonSchema,
    Number,
    Text,
    Version,
    mismatch,
)

# What a larger value, or a later one of a choice, asks of what is judged by it; "other": that
# depends; "nothing": the key is for the reader only.
Asks = Literal["more", "less", "other", "nothing"]


@dataclass(frozen=True)
class Many:
    """A list of `fewest` to `most` items of one shape; `what` says it in words.

    order  the attribute of the items by which their values are sorted
    """

    item: Shape
    fewest: int
    most: int
    what: str
    order: str = ""

    def expected(self) -> str:
        return self.what

    def accepts(self, node: Node) -> bool:
        return isinstance(node, Sequence)

    def schema(self, complete: bool = True) -> JsonSchema:
        return {
            "type": "array",
            "items": self.item.schema(),
            "minItems": self.fewest,
            "maxItems": self.most,
        }

    def problems(self, node: Node, key: str, complete: bool = True) -> Iterator[Problem]:
        if not isinstance(node, Sequence) or not self.fewest <= len(node.items) <= self.most:
            yield mismatch(key, self.expected(), node)
            return
        for number, item in enumerate(node.items, 1):
            # Lists are inherited whole, so their items are always complete.
            yield from self.item.problems(item, f"{key}[{number}]")

    def value(self, node: Node) -> Any:
        assert isinstance(node, Sequence)
        made = [self.item.value(item) for item in node.items]
        return tuple(sorted(made, key=attrgetter(self.order)) if self.order else made)

    def plain(self, value: Any) -> Any:
        return None if value is None else [self.item.plain(item) for item in value]


@dataclass(frozen=True)
class Kept:
    """A shape whose value is kept as something else: text as a day, one item as a list of one.

    keep    makes that; raises ValueError with what is wrong with what has the shape all the same
    remedy  what to do then
    show    the way back to plain data; None where nothing stands for it
    """

    shape: Shape
    keep: Callable[[Any], Any]
    remedy: str = ""
    show: Callable[[Any], Any] = lambda value: value

    def expected(self) -> str:
        return self.shape.expected()

    def accepts(self, node: Node) -> bool:
        return self.shape.accepts(node)

    def schema(self, complete: bool = True) -> JsonSchema:
        return self.shape.schema(complete)

    def problems(self, node: Node, key: str, complete: bool = True) -> Iterator[Problem]:
        problems = list(self.shape.problems(node, key, complete))
        yield from problems
        if not problems:
            try:
                self.value(node)
            except ValueError as error:
                yield Problem(node.place, f"`{key}`: {error}", self.remedy)

    def value(self, node: Node) -> Any:
        return self.keep(self.shape.value(node))

    def plain(self, value: Any) -> Any:
        shown = None if value is None else self.show(value)
        return None if shown is None else self.shape.plain(shown)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"there is no day {text}") from None


DAY = Kept(
    Text(
        "a day such as 2031-05-31",
        10,
        (CONTROLS, BLANK),
        r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$",
        bare=True,
    ),
    _day,
    "Write year-month-day, as in 2031-05-31",
    str,
)


@dataclass(frozen=True)
class OneOf:
    """The first of several shapes that has the node's type; their types differ."""

    shapes: tuple[Shape, ...]

    def expected(self) -> str:
        return " or ".join(shape.expected() for shape in self.shapes)

    def accepts(self, node: Node) -> bool:
        return any(shape.accepts(node) for shape in self.shapes)

    def schema(self, complete: bool = True) -> JsonSchema:
        return {"anyOf": [shape.schema(complete) for shape in self.shapes]}

    def problems(self, node: Node, key: str, complete: bool = True) -> Iterator[Problem]:
        for shape in self.shapes:
            if shape.accepts(node):
                yield from shape.problems(node, key, complete)
                return
        yield mismatch(key, self.expected(), node)

    def value(self, node: Node) -> Any:
        return next(shape for shape in self.shapes if shape.accepts(node)).value(node)

    def plain(self, value: Any) -> Any:
        return self.of(value).plain(value)

    def of(self, value: Any) -> Shape:
        """The shape that a value, or its plain data, has: the list, the number, or the first."""
        kind: type[Shape] = Many if isinstance(value, tuple | list) else Choice
        if isinstance(value, int | float) and not isinstance(value, bool):
            kind = Number
        return next((shape for shape in self.shapes if isinstance(shape, kind)), self.shapes[0])


@dataclass(frozen=True)
class Field:
    """One key: what may stand there, what it means, and what holds where it is left out.

    A required key may be inherited; one that is asked `always` stands in every file.

    formerly   what the key was called before
    attribute  where the value is kept, if it is: the name of a field, or a key
    inline     the values of the table under this key are kept by what holds the table
    asks       what a larger value asks of what is judged by it
    """

    key: str
    shape: Shape
    help: str
    required: bool = False
    always: bool = False
    default: Any = None
    formerly: str = ""
    attribute: str = ""
    inline: bool = False
    asks: Asks = "other"


@dataclass(frozen=True)
class Table:
    """A mapping with known keys.

    exclusive  pairs of keys of which at most one may be given
    needs      (key, key it needs beside it)
    every      a value that may stand in place of the table, for each of its keys
    line       where the number of the line is kept in which the mapping begins
    make       makes the value of what the keys say
    """

    what: str
    fields: tuple[Field, ...]
    exclusive: tuple[tuple[str, str], ...] = ()
    needs: tuple[tuple[str, str], ...] = ()
    every: Number | None = None
    make: Callable[..., Any] = dict
    line: str = ""

    @property
    def keys(self) -> tuple[str, ...]:
        return tuple(field.key for field in self.fields)

    def expected(self) -> str:
        either = f"{self.every.expected()} or " if self.every else ""
        return f"{either}{self.what} ({', '.join(self.keys)})"

    def accepts(self, node: Node) -> bool:
        return isinstance(node, Mapping)

    def schema(self, complete: bool = True) -> JsonSchema:
        made = self._schema(complete)
        return {"anyOf": [self.every.schema(), made]} if self.every else made

    def _schema(self, complete: bool) -> JsonSchema:
        properties: JsonSchema = {}
        for field in self.fields:
            described = {"description": field.help, **field.shape.schema(complete)}
            if field.default is not None:
                described["default"] = field.default
            properties[field.key] = described
        made: JsonSchema = {
            "type": "object",
            "properties": properties,
            "additionalProperties": False,
        }
        required = self._required(complete)
        if required:
            made["required"] = required
        if self.exclusive:
            made["allOf"] = [{"not": {"required": list(pair)}} for pair in self.exclusive]
        if self.needs:
            made["dependencies"] = {key: [needed] for key, needed in self.needs}
        return made

    def completeness(self) -> JsonSchema:
        """Only what `complete=True` adds to the schema: the required keys, at every level."""
        made: JsonSchema = {}
        required = self._required(complete=True)
        if required:
            made["required"] = required
        inside = {
            field.key: field.shape.completeness()
            for field in self.fields
            if isinstance(field.shape, Table) and field.shape.completeness()
        }
        if inside:
            made["properties"] = inside
        return made

    def problems(self, node: Node, key: str = "", complete: bool = True) -> Iterator[Problem]:
        if self.every and self.every.accepts(node):
            yield from self.every.problems(node, key)
            return
        if not isinstance(node, Mapping):
            yield mismatch(key, self.expected(), node)
            return
        known = {field.key: field for field in self.fields}
        old = {field.formerly: field for field in self.fields if field.formerly}
        inside = f"{key}." if key else ""
        for name, entry in node.entries.items():
            if name in known:
                yield from known[name].shape.problems(entry.value, inside + name, complete)
            elif name in old:
                problem = f"`{inside}{name}` is called `{old[name].key}` now"
                yield Problem(entry.place, problem, f"Rename it. {old[name].help}")
            else:
                shown = "".join(c if c.isprintable() else "�" for c in name[:60])
                place = f" in `{key}`" if key else ""
                problem = f"unknown key `{shown}`{place}"
                yield Problem(entry.place, problem, self._suggest(name))
        for name in self._required(complete):
            if name not in node.entries:
                problem = f"the key `{inside}{name}` is missing"
                yield Problem(node.place, problem, f"Expected {known[name].shape.expected()}")
        for one, other in self.exclusive:
            if one in node.entries and other in node.entries:
                problem = f"both `{inside}{one}` and `{inside}{other}` are given"
                yield Problem(node.entries[other].place, problem, "Keep one of them")
        for needing, needed in self.needs:
            if needing in node.entries and needed not in node.entries:
                problem = f"`{inside}{needing}` is given without `{inside}{needed}`"
                yield Problem(node.entries[needing].place, problem, f"Add `{needed}`")

    def spread(self, document: Mapping) -> Mapping:
        """The document with each value that stands for a whole table written out, key by key."""
        shapes = {field.key: field.shape for field in self.fields}
        entries = {
            key: Entry(entry.place, _spread(shapes.get(key), entry.value))
            for key, entry in document.entries.items()
        }
        return Mapping(entries, document.place)

    def value(self, node: Node, **more: Any) -> Any:
        """What `make` makes of the keys' values, and of `more` that is in no file."""
        assert isinstance(node, Mapping)
        if self.line:
            more[self.line] = node.place.line
        return self.make(**self._values(self.spread(node)), **more)

    def _values(self, node: Mapping) -> dict[str, Any]:
        made: dict[str, Any] = {}
        for field in self.fields:
            entry = node.entries.get(field.key)
            if entry is None:
                continue
            if field.inline:
                assert isinstance(field.shape, Table)
                assert isinstance(entry.value, Mapping)
                made |= field.shape._values(entry.value)
            elif field.attribute:
                made[field.attribute] = field.shape.value(entry.value)
        return made

    def plain(self, value: Any) -> Any:
        """The keys that say something, in the order of the format: {key: plain data}."""
        if value is None:
            return None
        made: dict[str, Any] = {}
        for field in self.fields:
            held = value if field.inline else self._held(value, field.attribute)
            kept = field.inline or field.attribute or isinstance(field.shape, Version)
            said = field.shape.plain(held) if kept else None
            number = isinstance(said, int | float) and not isinstance(said, bool)
            silent = (number and said == 0 == field.default) or said is field.default is True
            if said not in (None, "", [], {}) and not silent:
                made[field.key] = said
        return made

    def shortest(self, plain: dict[str, Any]) -> Any:
        """What stands for the plain data in the fewest words: one value for every key, if any."""
        values = list(plain.values())
        alike = self.every and len(values) == len(self.fields) and len(set(values)) == 1
        return values[0] if alike else plain

    def _held(self, value: Any, attribute: str) -> Any:
        if isinstance(value, dict):
            return value.get(attribute)
        if isinstance(value, tuple):
            return value[[field.attribute for field in self.fields].index(attribute)]
        return getattr(value, attribute, None)

    def _required(self, complete: bool) -> list[str]:
        return [field.key for field in self.fields if field.always or (complete and field.required)]

    def _suggest(self, name: str) -> str:
        near = nearest(name, self.keys)
        if near:
            return f"The nearest known key is `{near}`"
        for field in self.fields:
            inner = field.shape
            tables = inner.shapes if isinstance(inner, OneOf) else (inner,)
            for table in tables:
                if isinstance(table, Table) and nearest(name, table.keys):
                    return (
                        f"The nearest known key is `{nearest(name, table.keys)}` in `{field.key}`"
                    )
        return f"Known keys: {', '.join(self.keys)}"


Shape: TypeAlias = Number | Text | Days | Choice | Version | Many | Kept | OneOf | Table


def _spread(shape: Shape | None, node: Node) -> Node:
    if not isinstance(shape, Table):
        return node
    if isinstance(node, Mapping):
        return shape.spread(node)
    return Mapping(dict.fromkeys(shape.keys, Entry(node.place, node)), node.place)
