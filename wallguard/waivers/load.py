"""`waivers.yaml`: read and checked."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, get_args

from wallguard.bands.porous import Inside
from wallguard.documents.reading import (
    DocumentError,
    Mapping,
    Problem,
    Sequence,
    parse_document,
    read_text,
)
from wallguard.documents.record import fields_of, key
from wallguard.documents.scalars import (
    BLANK,
    CONTROLS,
    GOES_UP,
    LEAVES,
    Choice,
    JsonSchema,
    Number,
    Text,
    Version,
)
from wallguard.documents.shape import DAY, Field, Kept, Many, Table
from wallguard.findings.model import Body, Point

FILE_NAME = "waivers.yaml"


# More waivers than this are refused.
_MOST = 600
# Of a body: area and volume, three for its centre, six for its spread, three for its lean.
_NUMBERS = 14
_INSIDE = (*LEAVES, GOES_UP)
_CHECK = Text("the name of a check", 40, (CONTROLS, BLANK), r"^[a-z_]+$", bare=True)
_MEASURE = Number(-1_000_000_000, 1_000_000_000)


def _body(numbers: tuple[float, ...]) -> Body:
    area, volume, x, y, z, xx, yy, zz, yz, xz, xy, *lean = numbers
    nowhere = (0.0, 0.0, 0.0)
    moments = (xx, yy, zz, yz, xz, xy)
    return Body(area, volume, (x, y, z), moments, (lean[0], lean[1], lean[2]), (nowhere, nowhere))


def _numbers(body: Body) -> tuple[float, ...]:
    return body.area, body.volume, *body.centre, *body.spread, *body.lean


# One, and what is certain, are not written.
_ALIKE = Kept(
    Number(2, 1_000_000, whole=True), int, show=lambda alike: alike if alike > 1 else None
)
_CERTAIN = Kept(Choice((False,)), bool, show=lambda certain: None if certain else False)
_BODY = Kept(
    Many(Number(-1e15, 1e15), _NUMBERS, _NUMBERS, f"{_NUMBERS} numbers"), _body, show=_numbers
)


@dataclass(frozen=True, kw_only=True)
class Waiver:
    """One accepted finding, or alike ones: by id, or by part, limits and place, or by all of them.

    What is empty or None is not said. The body has no box. `line` of `waivers.yaml` is where the
    waiver begins.
    """

    finding: str = field(
        default="",
        metadata=key(
            Text(
                "a finding's id, as reports show it, in quotes",
                40,
                (CONTROLS, BLANK),
                r"^[0-9a-f]{10}(-[0-9]{1,9})?$",
            ),
            "Id of the finding, as reports show it. In quotes, or it may be read as a number.",
        ),
    )
    part: str = field(
        default="",
        metadata=key(Text("a part relative to the root", 1000, _INSIDE), "Part with the finding."),
    )
    rules: str = field(
        default="",
        metadata=key(
            Text("a rule file relative to the root", 1000, _INSIDE),
            "Rule file that it breaks; left out: any that the part answers to.",
        ),
    )
    limits: tuple[str, ...] = field(
        default=(),
        metadata=key(
            Many(_CHECK, 1, 20, "names of checks, as in [fill, wall]"),
            "The checks whose limits are accepted; what else the place breaks, now or later, is "
            "not.",
        ),
    )
    place: Point | None = field(
        default=None,
        metadata=key(
            Many(Number(-1_000_000, 1_000_000, "mm"), 3, 3, "a place [x, y, z] in mm"),
            "Where it is, in mm, in the part file's own frame.",
        ),
    )
    measures: tuple[float, ...] = field(
        default=(),
        metadata=key(
            Many(_MEASURE, 1, 20, "a number for each of `limits`"),
            "For each of `limits` what was measured when it was accepted, so that it is seen if it "
            "gets worse. Where something is measured, a waiver without this does not hold.",
        ),
    )
    fill: str | None = field(
        default=None,
        metadata=key(
            Choice(get_args(Inside)),
            "What was inside the printed wall when it was accepted. Where `fill` is among the "
            "limits, a waiver without this does not hold.",
        ),
    )
    size: tuple[float, ...] = field(
        default=(),
        metadata=key(
            Many(Number(0, 1_000_000, "mm"), 1, 2, "one or two lengths in mm"),
            "Length, and height if any, when it was accepted, so that it is seen if it grows.",
        ),
    )
    certain: bool = field(
        default=True,
        metadata=key(_CERTAIN, "`false` where the finding was indeterminate when it was accepted."),
    )
    alike: int = field(
        default=1,
        metadata=key(
            _ALIKE,
            "How many findings of the part were alike but for their place, this one included.",
        ),
    )
    shape: str = field(
        default="",
        metadata=key(
            Text("a shape as `wallguard waive --alike` writes it", 200),
            "Accepts up to `alike` findings of the part that have this shape, not one more.",
        ),
    )
    body: Body | None = field(
        default=None,
        metadata=key(
            _BODY,
            "The body of the part with the finding, in numbers by which it is known again when it "
            "is moved in its file, turned, renamed, converted or put into another file: area, "
            "volume, centre, second moments and lean of its surface, in mm.",
        ),
    )
    who: str = field(metadata=key(Text("a name", 200), "Who accepted it."))
    why: str = field(metadata=key(Text("a reason", 1000), "Why it is accepted."))
    until: date = field(
        metadata=key(DAY, "The last day on which the waiver holds, as year-month-day.")
    )
    issue: str = field(
        default="",
        metadata=key(
            Text("a link such as https://...", 1000, (CONTROLS, BLANK), r"^https?://[^\s]+$"),
            "Link to where this is followed up.",
        ),
    )
    line: int = 0


def _waiver(check: str = "", measured: float | None = None, **said: Any) -> Waiver:
    if check:
        said["limits"] = (check,)
    if measured is not None:
        said["measures"] = (measured,)
    return Waiver(**said)


WAIVER = Table(
    "a waiver",
    (
        *fields_of(Waiver),
        Field(
            "check",
            _CHECK,
            "`limits` with a single name, as older files have it.",
            attribute="check",
        ),
        Field(
            "measured",
            _MEASURE,
            "`measures` with a single number, as older files have it.",
            attribute="measured",
        ),
    ),
    needs=(
        ("place", "part"),
        ("shape", "part"),
        ("shape", "alike"),
        ("body", "part"),
        ("check", "part"),
    ),
    make=_waiver,
    line="line",
)
WAIVERS_FILE = Table(
    "a file of waivers",
    (
        Field("wallguard", Version(), "Version of this format: 1.", always=True),
        Field(
            "waivers",
            Many(WAIVER, 0, _MOST, f"a list of at most {_MOST} waivers"),
            "Accepted findings: each named by its id, or by part, limits and place.",
            True,
            attribute="waivers",
        ),
    ),
    make=lambda waivers: waivers,
)


def waivers_schema() -> JsonSchema:
    """JSON Schema (draft 7) of `waivers.yaml`."""
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "waivers.yaml",
        "description": "Findings that somebody accepted, for a reason and until a day.",
        **WAIVERS_FILE.schema(),
    }


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
    waivers: tuple[Waiver, ...] = WAIVERS_FILE.value(document)
    return waivers


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
