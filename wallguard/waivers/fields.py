"""The format of `waivers.yaml`: every key with its type, bounds, meaning and default."""

from __future__ import annotations

from wallguard.documents.shape import (
    BLANK,
    CONTROLS,
    GOES_UP,
    LEAVES,
    Choice,
    Field,
    JsonSchema,
    Many,
    Number,
    Table,
    Text,
    Version,
)

MOST = 600
# Of a body: area and volume, three for its centre, six for its spread, three for its lean.
NUMBERS = 14
_INSIDE = (*LEAVES, GOES_UP)
_CHECK = Text("the name of a check", 40, (CONTROLS, BLANK), r"^[a-z_]+$")
_MEASURE = Number(-1_000_000_000, 1_000_000_000)

_WAIVER = Table(
    "a waiver",
    (
        Field(
            "finding",
            Text(
                "a finding's id, as reports show it, in quotes",
                40,
                (CONTROLS, BLANK),
                r"^[0-9a-f]{10}(-[0-9]{1,9})?$",
            ),
            "Id of the finding, as reports show it. In quotes, or it may be read as a number.",
        ),
        Field("part", Text("a part relative to the root", 1000, _INSIDE), "Part with the finding."),
        Field(
            "rules",
            Text("a rule file relative to the root", 1000, _INSIDE),
            "Rule file that it breaks; left out: any that the part answers to.",
        ),
        Field(
            "limits",
            Many(_CHECK, 1, 20, "names of checks, as in [fill, wall]"),
            "The checks whose limits are accepted; what else the place breaks, now or later, is "
            "not.",
        ),
        Field("check", _CHECK, "The same for a single one, as older files have it."),
        Field(
            "place",
            Many(Number(-1_000_000, 1_000_000, "mm"), 3, 3, "a place [x, y, z] in mm"),
            "Where it is, in mm, in the part file's own frame.",
        ),
        Field(
            "measures",
            Many(_MEASURE, 1, 20, "a number for each of `limits`"),
            "For each of `limits` what was measured when it was accepted, so that it is seen if it "
            "gets worse. Where something is measured, a waiver without this does not hold.",
        ),
        Field("measured", _MEASURE, "The same for a single one, as older files have it."),
        Field(
            "fill",
            Choice(("solid", "hollow", "missing", "uncertain")),
            "What was inside the printed wall when it was accepted. Where `fill` is among the "
            "limits, a waiver without this does not hold.",
        ),
        Field(
            "size",
            Many(Number(0, 1_000_000, "mm"), 1, 2, "one or two lengths in mm"),
            "Length, and height if any, when it was accepted, so that it is seen if it grows.",
        ),
        Field(
            "certain",
            Choice((False,)),
            "`false` where the finding was indeterminate when it was accepted.",
        ),
        Field(
            "alike",
            Number(2, 1_000_000, whole=True),
            "How many findings of the part were alike but for their place, this one included.",
        ),
        Field(
            "shape",
            Text("a shape as `wallguard waive --alike` writes it", 200),
            "Accepts up to `alike` findings of the part that have this shape, not one more.",
        ),
        Field(
            "body",
            Many(Number(-1e15, 1e15), NUMBERS, NUMBERS, f"{NUMBERS} numbers"),
            "The body of the part with the finding, in numbers by which it is known again when it "
            "is moved in its file, turned, renamed, converted or put into another file: area, "
            "volume, centre, second moments and lean of its surface, in mm.",
        ),
        Field("who", Text("a name", 200), "Who accepted it.", True),
        Field("why", Text("a reason", 1000), "Why it is accepted.", True),
        Field(
            "until",
            Text(
                "a day such as 2031-05-31", 10, (CONTROLS, BLANK), r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
            ),
            "The last day on which the waiver holds, as year-month-day.",
            True,
        ),
        Field(
            "issue",
            Text("a link such as https://...", 1000, (CONTROLS, BLANK), r"^https?://[^\s]+$"),
            "Link to where this is followed up.",
        ),
    ),
    needs=(
        ("place", "part"),
        ("shape", "part"),
        ("shape", "alike"),
        ("body", "part"),
        ("check", "part"),
    ),
)

WAIVERS_FILE = Table(
    "a file of waivers",
    (
        Field("wallguard", Version(), "Version of this format: 1.", always=True),
        Field(
            "waivers",
            Many(_WAIVER, 0, MOST, f"a list of at most {MOST} waivers"),
            "Accepted findings: each named by its id, or by part, limits and place.",
            True,
        ),
    ),
)


def waivers_schema() -> JsonSchema:
    """JSON Schema (draft 7) of `waivers.yaml`."""
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "waivers.yaml",
        "description": "Findings that somebody accepted, for a reason and until a day.",
        **WAIVERS_FILE.schema(),
    }
