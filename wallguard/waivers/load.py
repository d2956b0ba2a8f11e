"""`waivers.yaml`: read and checked."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from wallguard.documents.reading import (
    DocumentError,
    Mapping,
    Problem,
    Sequence,
    parse_document,
    read_text,
)
from wallguard.findings.model import Body, Point
from wallguard.waivers.fields import WAIVERS_FILE

FILE_NAME = "waivers.yaml"


@dataclass(frozen=True)
class Waiver:
    """One accepted finding, or alike ones: by id, or by part, limits and place, or by all of them.

    limits    the checks whose limits it accepts; what else the place breaks is not accepted
    measures  for each of them what was measured when it was accepted; empty: nothing, or not said
    fill, size, certain  as they were then; None or empty: not said
    alike  how many findings of the part were alike but for their place
    shape  of what it accepts, up to `alike` findings of this shape; empty: one finding
    body   the body that has it, as it was then, without its box; None: not said
    until  the last day on which it holds
    line   of `waivers.yaml`, where it begins
    """

    who: str
    why: str
    until: date
    finding: str = ""
    part: str = ""
    rules: str = ""
    limits: tuple[str, ...] = ()
    place: Point | None = None
    measures: tuple[float, ...] = ()
    fill: str | None = None
    size: tuple[float, ...] = ()
    certain: bool = True
    alike: int = 1
    shape: str = ""
    body: Body | None = None
    issue: str = ""
    line: int = 0


def load_waivers(root: Path) -> tuple[Waiver, ...]:
    """The waivers in the folder `root`, in the order of the file; none where there is no file.

    Raises InputError: a file that leads out of `root`, is not YAML (see `documents.reading`), has
    keys or values that the format does not have, or says a thing twice.
    """
    path = root / FILE_NAME
    if not os.path.lexists(path):
        return ()
    return parse_waivers(read_text(path, FILE_NAME, root=root))


def parse_waivers(text: str) -> tuple[Waiver, ...]:
    """The waivers in the text of a `waivers.yaml`. Raises InputError as `load_waivers` does."""
    document = parse_document(text, FILE_NAME)
    problems = list(WAIVERS_FILE.problems(document)) or list(_relations(document))
    if problems:
        raise DocumentError(tuple(problems))
    rows = document.entries["waivers"].value
    assert isinstance(rows, Sequence)
    return tuple(_waiver(row.plain(), row.place.line) for row in rows.items)


def _relations(document: Mapping) -> Iterator[Problem]:
    """What the shapes of the values do not say."""
    rows = document.entries["waivers"].value
    assert isinstance(rows, Sequence)
    seen: dict[tuple[str, ...], int] = {}
    for row in rows.items:
        assert isinstance(row, Mapping)
        values = row.plain()
        if not {"finding", "place", "shape"} & {*values}:
            yield Problem(
                row.place,
                "this waiver does not say which finding it accepts",
                "Give `finding`, or `part`, `limits` and `place`",
            )
        yield from _limits(row, values)
        name = tuple(str(values.get(key, "")) for key in ("finding", "part", "rules"))
        if name[0] and name in seen:
            yield Problem(
                row.entries["finding"].place,
                f"a second waiver of {name[0]}, the first is in line {seen[name]}",
                "Keep one of them",
            )
        elif name[0]:
            seen[name] = row.place.line
        try:
            date.fromisoformat(values["until"])
        except ValueError:
            yield Problem(
                row.entries["until"].value.place,
                f"`until`: there is no day {values['until']}",
                "Write year-month-day, as in 2031-05-31",
            )


def _limits(row: Mapping, values: dict[str, Any]) -> Iterator[Problem]:
    """What is wrong with how a waiver says which limits it accepts."""
    for old, new in (("check", "limits"), ("measured", "measures")):
        if old in values and new in values:
            yield Problem(
                row.entries[old].place,
                f"`{old}` and `{new}` say the same",
                f"Keep `{new}` alone",
            )
    if {"place", "shape"} & {*values} and not {"check", "limits"} & {*values}:
        yield Problem(
            row.place,
            "this waiver does not say which limits it accepts",
            "Give `limits`, such as [fill, wall]",
        )
    if "measures" in values and len(values["measures"]) != len(values.get("limits", ())):
        yield Problem(
            row.entries["measures"].place,
            "there are not as many `measures` as `limits`",
            "Give one for each",
        )


def _waiver(values: dict[str, Any], line: int) -> Waiver:
    place = values.get("place")
    limits = values.get("limits", [values["check"]] if "check" in values else [])
    measures = values.get("measures", [values["measured"]] if "measured" in values else [])
    return Waiver(
        who=values["who"],
        why=values["why"],
        until=date.fromisoformat(values["until"]),
        finding=values.get("finding", ""),
        part=values.get("part", ""),
        rules=values.get("rules", ""),
        limits=tuple(limits),
        place=(float(place[0]), float(place[1]), float(place[2])) if place else None,
        measures=tuple(float(one) for one in measures),
        fill=values.get("fill"),
        size=tuple(float(side) for side in values.get("size", ())),
        certain=values.get("certain", True),
        alike=int(values.get("alike", 1)),
        shape=values.get("shape", ""),
        body=_body(values.get("body")),
        issue=values.get("issue", ""),
        line=line,
    )


def _body(numbers: list[float] | None) -> Body | None:
    if numbers is None:
        return None
    area, volume, *rest = map(float, numbers)
    x, y, z = rest[:3]
    lean = rest[9:]
    nowhere = (0.0, 0.0, 0.0)
    return Body(
        area, volume, (x, y, z), tuple(rest[3:9]), (lean[0], lean[1], lean[2]), (nowhere, nowhere)
    )
