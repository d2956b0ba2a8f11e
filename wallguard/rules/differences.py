"""What two rule files ask differently, key by key, as the table of keys tells it.

A key of the format says itself what a larger value of it asks (`documents.shape.Field.asks`), so a
new key is compared without new code. Keys for the reader only are not compared.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import inf
from typing import Any, Literal

from wallguard.base.text import limit_text
from wallguard.documents.scalars import Choice, Number
from wallguard.documents.shape import Field, Many, OneOf, Shape, Table
from wallguard.rules.fields import RULE_FILE
from wallguard.rules.model import Rules

_SHOWN = 3
_FREE = "free_wall"


@dataclass(frozen=True)
class Difference:
    """One key that two rule files say otherwise.

    key            "minimum.wall.fail"
    before, after  the values as text, with their unit: "0.80 mm"
    asks           what the new one asks of a part: "less", "more", or "other" where that depends
    """

    key: str
    before: str
    after: str
    asks: Literal["less", "more", "other"]

    @property
    def message(self) -> str:
        """In a few words: "minimum.wall.fail 0.80 to 0.40 mm"."""
        number, _, unit = self.before.rpartition(" ")
        shared = number and self.after.endswith(f" {unit}")
        return f"{self.key} {number if shared else self.before} to {self.after}"


def differences(old: Rules, new: Rules, table: Table = RULE_FILE) -> list[Difference]:
    """What `new` says otherwise than `old`, in the order of the format.

    A lower minimum, a level from fail to warn to ignore, a wider tolerance, a larger build volume
    and what is no longer asked at all ask less; where there is no minimum for walls with a free
    edge that for walls counts as one. Bead settings, bands, the process category and the layer
    height are "other": which parts come out better by them is what `impact` answers.
    """
    before, after = table.plain(old), table.plain(new)
    made = []
    old_asks, new_asks = _standing_in(before, after), _standing_in(after, before)
    for difference in _inside(table, old_asks, new_asks, ""):
        is_free = difference.key.startswith(f"minimum.{_FREE}.")
        lacks = [is_free and _FREE not in rules.get("minimum", {}) for rules in (before, after)]
        texts = [
            f"{text} (as wall)" if stands_in and text != "nothing" else text
            for text, stands_in in zip((difference.before, difference.after), lacks, strict=True)
        ]
        made.append(replace(difference, before=texts[0], after=texts[1]))
    return made


def _standing_in(rules: dict[str, Any], others: dict[str, Any]) -> dict[str, Any]:
    """Rules, where only the others have a minimum for walls with a free edge, with that for walls
    as such a minimum: it is what they answer to."""
    minimum = rules.get("minimum", {})
    if _FREE in minimum or "wall" not in minimum or _FREE not in others.get("minimum", {}):
        return rules
    return {**rules, "minimum": {**minimum, _FREE: minimum["wall"]}}


def _inside(table: Table, old: Any, new: Any, above: str) -> Iterator[Difference]:
    for field in table.fields:
        one, other = old.get(field.key), new.get(field.key)
        if one == other or field.asks == "nothing":
            continue
        if isinstance(field.shape, Table):
            inside = f"{above}{field.key}."
            yield from _inside(field.shape, one or {}, other or {}, inside)
        else:
            before, after = _texts(field.shape, one, other)
            yield Difference(above + field.key, before, after, _asks(field, one, other))


def _asks(field: Field, old: Any, new: Any) -> Literal["less", "more", "other"]:
    if field.asks not in ("more", "less"):
        return "other"
    # What is not said asks nothing: it is the least of what asks more, the most of what asks less.
    nothing = -inf if field.asks == "more" else inf
    pairs = list(zip(*_alike(field.shape, old, new, nothing), strict=True))
    if all(one <= other for one, other in pairs):
        return field.asks
    if all(one >= other for one, other in pairs):
        return "less" if field.asks == "more" else "more"
    return "other"


def _alike(shape: Shape, old: Any, new: Any, nothing: float) -> tuple[list[float], list[float]]:
    """Both values as lists of numbers, equally long."""
    one, other = (_numbers(shape, value) for value in (old, new))
    longest = max(len(one), len(other), 1)
    return one or [nothing] * longest, other or [nothing] * longest


def _numbers(shape: Shape, value: Any) -> list[float]:
    if value is None:
        return []
    if isinstance(shape, Choice):
        return [shape.values.index(value)]
    return value if isinstance(value, list) else [value]


def _texts(shape: Shape, old: Any, new: Any) -> tuple[str, str]:
    if isinstance(shape, Many) and isinstance(shape.item, Table):
        one, other = old or [], new or []
        return _rows(shape.item, one, other), _rows(shape.item, other, one)
    return _text(shape, old), _text(shape, new)


def _rows(table: Table, rows: list[Any], others: list[Any]) -> str:
    """The rows that the others lack."""
    own = [row for row in rows if row not in others]
    fields = {field.key: field.shape for field in table.fields}
    shown = [
        ", ".join(f"{key} {_text(fields[key], value)}" for key, value in row.items())
        for row in own[:_SHOWN]
    ]
    if len(own) > _SHOWN:
        shown.append(f"{len(own) - _SHOWN} more")
    return "; ".join(shown) or "no such row"


def _text(shape: Shape, value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(shape, OneOf):
        return _text(shape.of(value), value)
    if isinstance(shape, Many) and isinstance(shape.item, Number):
        numbers = ", ".join(f"{number:g}" for number in value)
        return f"[{numbers}] {shape.item.unit}".rstrip()
    if isinstance(shape, Number):
        number = limit_text(value) if shape.unit == "mm" else f"{value:g}"
        return f"{number} {shape.unit}".rstrip()
    return "false" if value is False else str(value)
