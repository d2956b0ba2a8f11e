"""Results as JSON, back, and the JSON Schema of that: all three from the dataclasses themselves.

A field of a result is named once, in its dataclass; its meaning is read from the docstring there.
Lengths are rounded to 0.001 mm, thickness and what else FINE names to 0.0001 mm. A number that is
not finite becomes null where the format allows that, with what it stands in. Bytes of a file name
that are not UTF-8 are spelled, as `\\xe9`: JSON cannot hold them.
"""

from __future__ import annotations

import functools
import inspect
import math
import operator
import re
import types
import typing
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any, Generic, Literal, TypeVar, get_args, get_origin

from wallguard.base.errors import InputError
from wallguard.reports.json_text import Json, encodable, pieces

Result = TypeVar("Result")
# What is told beyond the fields of a class: names of its properties, or functions of an instance
# whose own name is the key.
Tellers = Mapping[type, tuple[str | Callable[[Any], Any], ...]]

_DECIMALS, _FINE_DECIMALS = 3, 4
FINE = frozenset(
    {
        *("min", "typical", "max", "value", "uncertainty", "measured", "limit", "air", "printed"),
        *("thickness", "width", "layer_height", "least", "thinner", "thicker", "up_to"),
        *("thinnest", "shares"),
    }
)
# Numbers that stand as they are.
_EXACT = frozenset({"factor", "wanted"})
# Lists that hold something.
_FILLED = frozenset({"breaches"})
_SHARES = tuple[tuple[str, float], ...]
_WORDS = {
    "str": "text",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "array": "a list",
    "object": "an object",
    "null": "null",
}


@dataclass(frozen=True)
class Format(Generic[Result]):
    """One JSON format.

    name   and version, which stands under `schema` in each document
    title  of its JSON Schema
    of     the dataclass that it holds
    frame  in which frame and unit coordinates are, which stands in each document
    beyond  what is written and described beyond the fields, and never read back
    left_out  fields that are neither written nor read
    """

    name: str
    title: str
    of: type[Result]
    frame: str
    beyond: Tellers = field(default_factory=dict)
    left_out: Mapping[type, tuple[str, ...]] = field(default_factory=dict)

    def data(self, result: Result) -> Json:
        """The result as plain data. Raises ValueError: a size that must be there is not finite."""
        made: Json = encodable({**self._head, **self._object(result)})
        return made

    @property
    def _head(self) -> Json:
        return {"schema": self.name, "frame": self.frame}

    def text(self, result: Result) -> str:
        """The result as JSON text with a final line break. Raises ValueError as `data` does."""
        return "".join(self.pieces(result))

    def pieces(self, result: Result) -> Iterator[str]:
        """The same, piece by piece."""
        return pieces({**self._head, **dict(self._told(result, self._items))})

    def _items(self, value: Any, name: str, kind: Any) -> Any:
        """What is said of a field: lists of objects one at a time, as they are long."""
        if isinstance(value, tuple | list) and value and is_dataclass(value[0]):
            return (encodable(self._plain(item, name)) for item in value)
        return encodable(self._maybe(value, name, kind))

    def read(self, content: str, shown: str, remedy: str = "") -> Result:
        """The result that JSON text holds; `shown` names it in errors. Unknown keys are ignored.

        Raises InputError: not JSON, of another format, or not as the format wants it.
        """
        import msgspec

        try:
            data = content.encode("utf-8", "surrogatepass")
            read: Any = msgspec.json.decode(data, type=self._whole(described=False))
        except msgspec.ValidationError as error:
            problem = _problem(str(error))
            problem = f"not a report of the format {self.name}: {problem}"
        except msgspec.DecodeError as error:
            at = re.search(r"\(byte (\d+)\)", str(error))
            before = data[: int(at[1])] if at else b""
            raise InputError(
                shown,
                f"not JSON: {str(error).split(' (byte')[0].removeprefix('JSON is malformed: ')}",
                remedy=remedy,
                line=before.count(b"\n") + 1,
                column=len(before) - before.rfind(b"\n"),
            ) from None
        except (RecursionError, UnicodeError) as error:
            deep = isinstance(error, RecursionError)
            problem = f"not a report: {'nested too deep' if deep else 'it is not UTF-8 text'}"
        else:
            made: Result = _instance(self.of, read, self.left_out)
            return made
        raise InputError(shown, problem, remedy=remedy)

    def schema(self) -> Json:
        """The JSON Schema (draft 2020-12) of the format."""
        import msgspec

        made = msgspec.json.schema(self._whole(described=True))
        whole = made["$defs"].pop(made.pop("$ref").rpartition("/")[2])
        head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": self.title}
        return {**head, **{key: whole[key] for key in whole if key != "title"}, **made}

    def _object(self, value: Any) -> Json:
        return dict(self._told(value, self._maybe))

    def _told(self, value: Any, tell: Callable[[Any, str, Any], Any]) -> Iterator[tuple[str, Any]]:
        """Each key, with what `tell` makes of its value, its name and its type."""
        for name, kind in self._fields(type(value)).items():
            yield name, tell(getattr(value, name), name, kind)
        for teller in self.beyond.get(type(value), ()):
            name, beyond, kind = _teller(type(value), teller)  # type: ignore[arg-type]
            yield name, tell(beyond(value), name, kind)

    def _maybe(self, value: Any, name: str, kind: Any) -> Any:
        try:
            return dict(value) if kind == _SHARES else self._plain(value, name)
        except NotFiniteError:
            if types.NoneType not in get_args(kind):
                raise
            return None

    def _plain(self, value: Any, name: str) -> Any:
        if is_dataclass(value):
            return self._object(value)
        if isinstance(value, tuple | list):
            return [self._plain(inner, name) for inner in value]
        if isinstance(value, float) and name not in _EXACT:
            if not math.isfinite(value):
                raise NotFiniteError(f"{value} cannot stand in a report")
            return round(value, _FINE_DECIMALS if name in FINE else _DECIMALS) + 0.0
        return value

    def _fields(self, kind: type) -> dict[str, Any]:
        return _fields(kind, self.left_out.get(kind, ()))

    def _whole(self, *, described: bool) -> type:
        head = {"schema": Literal[self.name], "frame": str}
        first = head if described else {"schema": Literal[self.name]}
        return self._struct(self.of, {}, first, described)

    def _struct(
        self, kind: type, known: dict[type, type], first: Mapping[str, Any], described: bool
    ) -> type:
        """A msgspec type with the fields of a dataclass, all of them required."""
        import msgspec

        if kind not in known:
            members = {**first, **self._fields(kind)}
            if described:
                tellers = (_teller(kind, teller) for teller in self.beyond.get(kind, ()))
                members |= {name: hint for name, _, hint in tellers}
            summary, meanings = _documented(kind)
            made = []
            for name, hint in members.items():
                mapped = self._mapped(hint, known, described)
                least = 1 if name in _FILLED else None
                meta = msgspec.Meta(description=meanings.get(name), min_length=least)
                made.append((name, typing.Annotated[mapped, meta]))
            known[kind] = msgspec.defstruct(kind.__name__, made, namespace={"__doc__": summary})
        return known[kind]

    def _mapped(self, hint: Any, known: dict[type, type], described: bool) -> Any:
        if is_dataclass(hint):
            return self._struct(typing.cast(type, hint), known, {}, described)
        if hint == _SHARES:
            return dict[str, float]
        inner = tuple(
            inner if inner is ... else self._mapped(inner, known, described)
            for inner in get_args(hint)
        )
        if get_origin(hint) is tuple:
            return tuple[inner]  # type: ignore[valid-type]
        if get_origin(hint) in (types.UnionType, typing.Union):
            return functools.reduce(operator.or_, inner)
        return hint


class NotFiniteError(ValueError):
    """A number that is not finite stands where the format has no null."""


def _fields(kind: type, left_out: tuple[str, ...]) -> dict[str, Any]:
    """The fields of a dataclass with their types."""
    return {name: hint for name, hint in _hints(kind).items() if name not in left_out}


@functools.cache
def _hints(kind: Any) -> dict[str, Any]:
    # What a module imports for its types alone is left out of every format.
    missing = dict.fromkeys(("Views",), Any)
    hints = typing.get_type_hints(kind, localns=missing)
    return {field.name: hints[field.name] for field in fields(kind)}


@functools.cache
def _teller(kind: Any, teller: str | Callable[[Any], Any]) -> tuple[str, Callable[[Any], Any], Any]:
    """The key of what is told, what tells it, and the type of that."""
    if isinstance(teller, str):
        tell: Callable[[Any], Any] = getattr(kind, teller).fget
        return teller, tell, typing.get_type_hints(tell)["return"]
    return teller.__name__, teller, typing.get_type_hints(teller)["return"]


def _instance(kind: Any, value: Any, left_out: Mapping[type, tuple[str, ...]]) -> Any:
    """What was read, as the dataclass or tuple that `kind` names."""
    if value is None or isinstance(value, str | int | float):
        return value
    if isinstance(value, tuple):
        inner = next(option for option in _flat(kind) if get_origin(option) is tuple)
        kinds = get_args(inner)
        each = kinds[:1] * len(value) if kinds[-1] is ... else kinds
        return tuple(_instance(*pair, left_out) for pair in zip(each, value, strict=True))
    made: Any = next(option for option in _flat(kind) if is_dataclass(option))
    hints = _fields(made, left_out.get(made, ()))
    return made(**{n: _instance(hint, getattr(value, n), left_out) for n, hint in hints.items()})


def _flat(kind: Any) -> tuple[Any, ...]:
    """The members of a union, else the type itself."""
    return get_args(kind) if get_origin(kind) in (types.UnionType, typing.Union) else (kind,)


def _documented(kind: type) -> tuple[str, dict[str, str]]:
    """What a docstring says first, and what it says of each field: lines such as `name  meaning`,
    continued by indented ones."""
    summary, _, rest = (inspect.getdoc(kind) or "").partition("\n\n")
    named = {field.name for field in fields(kind)}
    meanings: dict[str, str] = {}
    current: list[str] = []
    for line in rest.split("\n"):
        match = re.fullmatch(r"(\w+(?:, \w+)*) {1,}(\S.*)", line)
        if match and named.issuperset(match[1].split(", ")):
            current = match[1].split(", ")
            meanings |= dict.fromkeys(current, match[2])
        elif line.startswith(" ") and current:
            meanings |= {field: f"{meanings[field]} {line.strip()}" for field in current}
        else:
            current = []
    return summary.replace("\n", " "), meanings


def _problem(message: str) -> str:
    """What is wrong and where, in our words: `parts[3].findings[0].id: expected text, got null`."""
    what, _, at = message.partition(" - at `$")
    what = re.sub(r"`(\w+)`", lambda match: _WORDS.get(match[1], match[0]), what)
    what = what.replace("Object missing required field ", "missing: ")
    where = at.rstrip("`").lstrip(".") or "the report"
    return f"{where}: {what[:1].lower()}{what[1:]}"
