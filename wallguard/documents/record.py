"""A format told once: a dataclass whose fields say their keys.

`key` stands in the metadata of a field; `fields_of` and `table_of` make the format of it, from
which validation, schema, the value itself, what is written and what differs follow (see `shape`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from functools import partial
from typing import Any

from wallguard.documents.shape import Asks, Field, Shape, Table


@dataclasses.dataclass(frozen=True)
class _Key:
    shape: Shape
    help: str
    name: str
    within: str
    asks: Asks
    required: bool


def key(
    shape: Shape,
    help: str,
    *,
    name: str = "",
    within: str = "",
    asks: Asks = "other",
    required: bool = False,
) -> dict[str, _Key]:
    """What a field of a dataclass is in a file, for its metadata.

    name      of the key, where it is not that of the field
    within    the key that this one stands under, though the field does not
    asks      see `shape.Field`
    required  in a file, though the field has a default
    """
    return {"key": _Key(shape, help, name, within, asks, required)}


def fields_of(cls: type, within: Mapping[str, tuple[str, str]] | None = None) -> tuple[Field, ...]:
    """The keys of a dataclass, in its order; fields without `key` stand in no file.

    within  for each key that others stand under: what that is, and its meaning
    """
    made: dict[str, Field | list[Field]] = {}
    for field in dataclasses.fields(cls):
        said: _Key | None = field.metadata.get("key")
        if said is not None:
            described = _field(field, said)
            if said.within:
                inner = made.setdefault(said.within, [])
                assert isinstance(inner, list)
                inner.append(described)
            else:
                made[described.key] = described
    groups = within or {}
    return tuple(
        content if isinstance(content, Field) else _group(name, *groups[name], tuple(content))
        for name, content in made.items()
    )


def table_of(cls: type, what: str, **more: Any) -> Table:
    """A dataclass as a mapping with known keys; `more` that a `Table` says."""
    return Table(what, fields_of(cls), make=maker(cls), **more)


def maker(cls: type) -> partial[Any]:
    """Makes the dataclass of what is given; a field that may be None and has no default is None."""
    none = {
        field.name: None
        for field in dataclasses.fields(cls)
        if field.metadata and _without_default(field) and _may_be_none(field)
    }
    return partial(cls, **none)


def _group(name: str, what: str, help: str, inner: tuple[Field, ...]) -> Field:
    required = any(field.required for field in inner)
    return Field(name, Table(what, inner), help, required, inline=True)


def _field(field: dataclasses.Field[Any], said: _Key) -> Field:
    default = None
    if field.default is not dataclasses.MISSING and field.default not in ("", ()):
        default = said.shape.plain(field.default)
    if isinstance(said.shape, Table):
        default = said.shape.shortest(default or {}) or None
    return Field(
        said.name or field.name,
        said.shape,
        said.help,
        required=said.required or (_without_default(field) and not _may_be_none(field)),
        default=default,
        attribute=field.name,
        asks=said.asks,
    )


def _without_default(field: dataclasses.Field[Any]) -> bool:
    missing = dataclasses.MISSING
    return field.default is missing and field.default_factory is missing


def _may_be_none(field: dataclasses.Field[Any]) -> bool:
    # Modules here postpone annotations, so the type is text.
    return str(field.type).endswith("| None")
