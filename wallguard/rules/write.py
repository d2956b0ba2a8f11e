"""Rules as the text of a rule file: every key that the format has, so that none is forgotten."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from wallguard.documents.shape import Field, Table
from wallguard.documents.write import Comments, document, value_text
from wallguard.rules.features import FEATURES
from wallguard.rules.fields import RULE_FILE
from wallguard.rules.model import Limit, Rules

NOTHING_SAID = Comments()
# What only speaks of processes that lay beads.
_OF_BEADS = ("beads", "process.filament", "process.flow")
_OF_FACES = ("growth", "growth_uncertainty")


def text(
    rules: Rules,
    comments: Comments = NOTHING_SAID,
    *,
    head: Sequence[str] = (),
    table: Table = RULE_FILE,
) -> str:
    """The rule file (YAML) that loads as `rules`; it extends nothing.

    comments  by path: "beads.width", "bands[0]"
    head      the first lines, comments all
    """
    return "\n".join([*head, document(table, table.plain(rules), comments)])


def described(rules: Rules, comments: Comments, table: Table = RULE_FILE) -> Comments:
    """The comments, with the meaning of every key above it, and the keys that `rules` leave out
    offered, as far as they suit the process."""
    unfit = {f"minimum.{row.id}" for row in FEATURES if rules.category not in row.categories}
    unfit |= {"extends", *(_OF_FACES if rules.category == "material extrusion" else _OF_BEADS)}
    keys = dict(_keys(table, table.plain(rules), ""))
    above = {path: [field.help] for path, (field, _) in keys.items() if path not in unfit}
    offered = {
        path: f"<{field.shape.expected()}>"
        for path, (field, said) in keys.items()
        if not said and path not in unfit
    }
    return replace(
        comments, above={**above, **comments.above}, offered={**offered, **comments.offered}
    )


def limit_text(feature: str, limit: Limit) -> str:
    """A limit as a rule file says it: "{fail: 0.8, warn: 1.2}"."""
    shape = next(field.shape for field in RULE_FILE.fields if field.key == "minimum")
    assert isinstance(shape, Table)
    levels = next(field.shape for field in shape.fields if field.key == feature)
    return value_text(levels, levels.plain(limit))


def _keys(
    table: Table, plain: Mapping[str, Any], above: str
) -> Iterator[tuple[str, tuple[Field, bool]]]:
    for field in table.fields:
        said = field.key in plain
        yield above + field.key, (field, said)
        if said and isinstance(field.shape, Table) and not above:
            yield from _keys(field.shape, plain[field.key], f"{field.key}.")
