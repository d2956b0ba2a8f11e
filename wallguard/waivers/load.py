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
from wallguard.findings.model import Point
from wallguard.waivers.fields import WAIVERS_FILE

FILE_NAME = "waivers.yaml"


@dataclass(frozen=True)
class Waiver:
    """One accepted finding: by its id, or by part, check and place, or by all of them.

    measured, fill, size, certain  as they were when it was accepted; None or empty: not said
    alike  how many findings of the part were alike but for their place
    until  the last day on which it holds
    line   of `waivers.yaml`, where it begins
    """

    who: str
    why: str
    until: date
    finding: str = ""
    part: str = ""
    rules: str = ""
    check: str = ""
    place: Point | None = None
    measured: float | None = None
    fill: str | None = None
    size: tuple[float, ...] = ()
    certain: bool = True
    alike: int = 1
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
    seen: dict[str, int] = {}
    for row in rows.items:
        assert isinstance(row, Mapping)
        values = row.plain()
        if "finding" not in values and "place" not in values:
            yield Problem(
                row.place,
                "this waiver does not say which finding it accepts",
                "Give `finding`, or `part`, `check` and `place`",
            )
        name = values.get("finding")
        if name in seen:
            yield Problem(
                row.entries["finding"].place,
                f"a second waiver of {name}, the first is in line {seen[name]}",
                "Keep one of them",
            )
        elif name:
            seen[name] = row.place.line
        try:
            date.fromisoformat(values["until"])
        except ValueError:
            yield Problem(
                row.entries["until"].value.place,
                f"`until`: there is no day {values['until']}",
                "Write year-month-day, as in 2031-05-31",
            )


def _waiver(values: dict[str, Any], line: int) -> Waiver:
    place = values.get("place")
    measured = values.get("measured")
    return Waiver(
        who=values["who"],
        why=values["why"],
        until=date.fromisoformat(values["until"]),
        finding=values.get("finding", ""),
        part=values.get("part", ""),
        rules=values.get("rules", ""),
        check=values.get("check", ""),
        place=(float(place[0]), float(place[1]), float(place[2])) if place else None,
        measured=None if measured is None else float(measured),
        fill=values.get("fill"),
        size=tuple(float(side) for side in values.get("size", ())),
        certain=values.get("certain", True),
        alike=int(values.get("alike", 1)),
        issue=values.get("issue", ""),
        line=line,
    )
