"""The format of `wallguard.yaml`: every key with its type, bounds, meaning and default."""

from __future__ import annotations

from wallguard.base.units import MILLIMETRES
from wallguard.documents.shape import (
    BLANK,
    CONTROLS,
    GOES_UP,
    LEAVES,
    Choice,
    Days,
    Field,
    Forbidden,
    JsonSchema,
    Many,
    Number,
    OneOf,
    Shape,
    Table,
    Text,
    Version,
)

UNITS = tuple(MILLIMETRES)
DIRECTIONS: dict[str, tuple[float, float, float]] = {
    "+x": (1.0, 0.0, 0.0),
    "-x": (-1.0, 0.0, 0.0),
    "+y": (0.0, 1.0, 0.0),
    "-y": (0.0, -1.0, 0.0),
    "+z": (0.0, 0.0, 1.0),
    "-z": (0.0, 0.0, -1.0),
}

_INSIDE = (*LEAVES, GOES_UP)
_STARS = Forbidden(
    r"[^/]\*\*|\*\*[^/]",
    "`**` beside other characters",
    "Let `**` stand alone between slashes, as in `**/*.stl`",
)
_EMPTY = Forbidden(r"//", "an empty folder name", "Write a single /")
_GLOB = Text('a pattern such as "brackets/**/*.stl"', 1000, (*_INSIDE, _STARS, _EMPTY))
_RULES = Text("a rule file relative to the root", 1000, _INSIDE)
_UNIT = Choice(UNITS)


def _one_or_more(shape: Shape, what: str) -> OneOf:
    return OneOf((shape, Many(shape, 1, 500, what)))


_PART = Table(
    "parts and the rules they answer to",
    (
        Field(
            "files",
            _one_or_more(_GLOB, "a list of patterns"),
            "Pattern, or list of patterns, relative to this file's folder. * is any text within "
            "a name, ? one character, ** any folders; a pattern that ends in / is all below that "
            "folder. Upper and lower case differ, save in the suffix.",
            True,
        ),
        Field(
            "rules",
            _one_or_more(_RULES, "a list of rule files"),
            "Rule file, or list of rule files, relative to this file's folder.",
            True,
        ),
        Field(
            "up",
            OneOf(
                (
                    Choice(tuple(DIRECTIONS)),
                    Many(Number(-1000, 1000), 3, 3, "a direction [x, y, z]"),
                )
            ),
            "The direction of the file that points up on the printer.",
            default="+z",
        ),
        Field(
            "rotate",
            Many(Number(-360, 360, "degrees"), 3, 3, "three angles in degrees: [x, y, z]"),
            "Turns the part as it is printed: in degrees about x, then y, then z, the axes "
            "standing still.",
        ),
        Field(
            "scale",
            OneOf(
                (
                    Number(0.00001, 100_000),
                    Text(
                        'a scale such as "1:200"',
                        40,
                        (CONTROLS, BLANK),
                        r"^[0-9]{1,6}(\.[0-9]{1,6})?:[0-9]{1,6}(\.[0-9]{1,6})?$",
                    ),
                )
            ),
            'Printed size over the size in the file: a number, or a scale such as "1:200".',
            default=1,
        ),
        Field("unit", _UNIT, "Unit of these files where their format carries none."),
    ),
    exclusive=(("up", "rotate"),),
)

REPOSITORY_FILE = Table(
    "a repository file",
    (
        Field("wallguard", Version(), "Version of this format: 1.", always=True),
        Field("unit", _UNIT, "Unit of a file whose format carries none.", default="mm"),
        Field(
            "parts",
            Many(_PART, 1, 1000, "a list of entries with `files` and `rules`"),
            "Which parts answer to which rule files, and how they are printed. Entries add up: a "
            "part is checked against the rules of every entry that it matches. Where two entries "
            "name the same rules for it, the later one says how it is printed.",
            True,
        ),
        Field(
            "waivers",
            Table(
                "bounds for waivers",
                (
                    Field(
                        "longest",
                        Days(),
                        "How far from today a waiver may run at most; left out: 365 days.",
                    ),
                ),
            ),
            "What a waiver may be in this repository.",
        ),
        Field(
            "gate",
            Choice(("all", "new")),
            "Which findings stop the gate: `all`, or only those that are `new`, or worse, against "
            "the base revision, which is that of `--base`, else of `--changed-since`, else HEAD. "
            "Where a run asks several of these files and they differ, `all` holds.",
            default="all",
        ),
        Field(
            "exclude",
            Many(_GLOB, 0, 500, "a list of patterns"),
            "Files that are no parts to check; patterns as in `files`. They hold in folders with a "
            "`wallguard.yaml` of their own too.",
        ),
    ),
)


def repository_schema() -> JsonSchema:
    """JSON Schema (draft 7) of `wallguard.yaml`."""
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "wallguard.yaml",
        "description": "Which parts of a design repository answer to which rule files.",
        **REPOSITORY_FILE.schema(),
    }
