"""The rule file's format: every key with its type, bounds, unit, meaning and default.

Validation and the JSON Schema both follow from `RULE_FILE`. The bounds are wide; they are there to
notice a length typed in metres or micrometres (common practice, no published source).
"""

from __future__ import annotations

from wallguard.documents.shape import (
    BLANK,
    CONTROLS_BUT_LINES,
    LEAVES,
    Choice,
    Field,
    JsonSchema,
    Many,
    Number,
    OneOf,
    Table,
    Text,
    Version,
)
from wallguard.rules.features import CATEGORIES, FEATURES, Asked, Feature
from wallguard.rules.model import Level, OutcomeName

OUTCOME_DEFAULTS: dict[OutcomeName, Level] = {
    "hollow": "fail",
    "missing": "fail",
    "thickened": "warn",
    "thinned": "warn",
    "indeterminate": "warn",
}
TOLERANCE_DEFAULT = 0.15
UNCERTAINTY_DEFAULT = 0.05

_LENGTH = Number(0, 100, "mm")
_BEAD = Number(0.05, 20, "mm")
_NARROW = Number(0, 20, "mm")
_UNCERTAINTY = Number(0, 5, "mm")

_PROCESS = Table(
    "the process",
    (
        Field(
            "category", Choice(CATEGORIES), "Process category, as ISO/ASTM 52900 names it.", True
        ),
        Field("printer", Text("the printer's name"), "The printer, in your own words."),
        Field("material", Text("the material's name"), "The material, in your own words."),
        Field(
            "filament",
            Number(0.1, 20, "mm"),
            "Diameter in mm of the filament that toolpaths feed; left out: 1.75.",
        ),
        Field(
            "flow",
            Number(0.05, 20),
            "Factor between the filament that toolpaths feed and the material laid; left out: 1.",
        ),
    ),
)

_BEADS = Table(
    "bead settings",
    (
        Field(
            "nozzle",
            Number(0.05, 20, "mm"),
            "Nozzle diameter in mm; for the reader, no outcome follows from it.",
        ),
        Field("width", _BEAD, "Width in mm of a bead that is free to choose its width.", True),
        Field(
            "width_varies",
            OneOf((Choice((False,)), Many(_BEAD, 2, 2, "the narrowest and the widest bead in mm"))),
            "Narrowest and widest bead in mm where the width suits the wall; "
            "false where it is fixed.",
            default=False,
        ),
        Field(
            "contours",
            Number(1, 50, whole=True),
            "Beads that follow the outline, on each side of a wall.",
            True,
        ),
        Field("smallest_wall", _NARROW, "Walls thinner than this, in mm, are not printed.", True),
        Field(
            "between_one_and_two",
            Choice(("two beads", "one bead", "dropped")),
            "What becomes of a wall too thick for one bead and too thin for two.",
            default="two beads",
        ),
        Field(
            "squeeze", _NARROW, "The largest left-over, in mm, that is closed by squeezing.", True
        ),
        Field(
            "smallest_fill",
            _NARROW,
            "The smallest left-over, in mm, that gets a filling bead; not below `squeeze`.",
            True,
        ),
        Field(
            "uncertainty",
            _UNCERTAINTY,
            "Expanded uncertainty (k = 2), in mm, of every calculated printed thickness.",
            default=UNCERTAINTY_DEFAULT,
        ),
    ),
)

_BAND = Table(
    "a band",
    (
        Field("from", Number(0, 1000, "mm"), "The band begins at this nominal thickness.", True),
        Field("to", Number(0, 1000, "mm"), "The band ends below it; left out in the last band."),
        Field(
            "fill",
            Choice(("solid", "hollow", "missing", "uncertain")),
            "What is inside the printed wall; `uncertain` where that was never found out.",
            True,
        ),
        Field(
            "printed",
            Number(-20, 1000, "mm"),
            "Printed thickness in mm; left out: as drawn. With `slope`: the part that does not "
            "grow with the nominal thickness.",
        ),
        Field(
            "slope",
            Number(0, 2),
            "Printed thickness = `printed` + `slope` x nominal thickness.",
            default=0,
        ),
        Field(
            "uncertainty",
            _UNCERTAINTY,
            "Expanded uncertainty (k = 2) of the printed thickness, in mm.",
            default=0,
        ),
        Field(
            "solid_width",
            _LENGTH,
            "In a hollow wall: both skins together, in mm; the rest of the printed thickness "
            "is air.",
        ),
        Field(
            "source",
            Choice(("declared", "measured", "calculated")),
            "`measured` where the band was fitted to a printed coupon; `calculated` where it says "
            "how far bead settings fitted to a coupon can be trusted.",
            default="declared",
        ),
    ),
    needs=(("slope", "printed"),),
)
_BANDS = Many(_BAND, 0, 500, "a list of bands")


def _minimum(features: tuple[Feature, ...]) -> Table:
    """One key for each feature that has a limit."""
    return Table(
        "minimum features",
        tuple(_asked(feature, feature.limit) for feature in features if feature.limit is not None),
    )


def _asked(feature: Feature, limit: Asked) -> Field:
    number = Number(limit.low, limit.high, limit.unit, limit.whole)
    side, extreme = ("Below", "Smallest") if limit.smaller_is_worse else ("Above", "Largest")
    levels = Table(
        f"levels for {limit.what}",
        (
            Field("fail", number, f"{side} this the part fails. 0 asks nothing."),
            Field("warn", number, f"{side} this the reviewer is told. 0 asks nothing."),
        ),
    )
    unit = f", in {limit.unit}" if limit.unit else ""
    help = f"{extreme} allowed {limit.what}{unit}."
    return Field(feature.id, levels, help, formerly=feature.formerly)


_TOLERANCE = Number(0, 5, "mm")
_LEVEL = Choice(("fail", "warn", "ignore"))
_OUTCOME_MEANINGS: dict[OutcomeName, str] = {
    "hollow": "A wall with a void along its middle.",
    "missing": "A wall of which nothing is printed.",
    "thickened": "A wall printed thicker than drawn by more than the tolerance.",
    "thinned": "A wall printed thinner than drawn by more than the tolerance.",
    "indeterminate": "A limit that is met or missed only within the uncertainty.",
}

EXTENDS = Text("a rule file relative to this one", 1000, LEAVES)

RULE_FILE = Table(
    "a rule file",
    (
        Field("wallguard", Version(), "Version of this format: 1.", always=True),
        Field(
            "extends",
            EXTENDS,
            "A rule file whose values hold where this one says nothing, relative to this file. "
            "Keys are taken over one by one, lists as a whole.",
        ),
        Field("name", Text("a short name"), "Short name of the process.", True),
        Field("process", _PROCESS, "The process this file describes.", True),
        Field(
            "build_volume",
            Many(Number(10, 10_000, "mm"), 3, 3, "three sizes in mm: [x, y, z]"),
            "Size in mm of what the printer can print: [x, y, z].",
        ),
        Field("layer_height", Number(0.005, 5, "mm"), "Height of one layer in mm.", True),
        Field("beads", _BEADS, "Bead settings, from which outcomes are calculated."),
        Field(
            "bands",
            _BANDS,
            "Declared or measured outcomes by nominal thickness. Where bead settings stand beside "
            "them, these bands go first and the rest is calculated.",
        ),
        Field(
            "axes",
            Table(
                "bands for each machine axis",
                tuple(
                    Field(axis, _BANDS, f"Bands of walls that run along the machine's {axis} axis.")
                    for axis in ("x", "y")
                ),
            ),
            "Bands by the direction a wall runs in, where a coupon showed that the axes differ. "
            "`bands` holds for walls in any direction, and parts are checked by it.",
        ),
        Field("minimum", _minimum(FEATURES), "Minimum features. What is left out is not asked."),
        Field(
            "tolerance",
            OneOf(
                (
                    _TOLERANCE,
                    Table(
                        "one tolerance each way",
                        (
                            Field(
                                "thinner",
                                _TOLERANCE,
                                "How far printed may lie below nominal, in mm.",
                                default=TOLERANCE_DEFAULT,
                            ),
                            Field(
                                "thicker",
                                _TOLERANCE,
                                "How far printed may lie above nominal, in mm.",
                                default=TOLERANCE_DEFAULT,
                            ),
                        ),
                    ),
                )
            ),
            "How far the printed thickness may lie from the nominal, in mm.",
            default=TOLERANCE_DEFAULT,
        ),
        Field(
            "outcomes",
            Table(
                "what each outcome does to the gate",
                tuple(
                    Field(key, _LEVEL, _OUTCOME_MEANINGS[key], default=default)
                    for key, default in OUTCOME_DEFAULTS.items()
                ),
            ),
            "What each outcome does to the gate: fail, warn or ignore.",
        ),
        Field(
            "notes",
            Text("text", 20_000, (CONTROLS_BUT_LINES, BLANK)),
            "Anything a reader of this file should know, in plain words.",
        ),
    ),
)


def rules_schema() -> JsonSchema:
    """JSON Schema (draft 7) of a rule file.

    A file that the schema refuses is refused by `load_rules` too. What compares one number with
    another (`fail` with `warn`, one band with the next) is beyond a schema: `relations` has it.
    """
    inherits = {"required": ["extends"]}
    made = RULE_FILE.schema(complete=False)
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "wallguard rule file",
        "description": "One printer, material and settings, and what they ask of a part. "
        "Lengths are in mm.",
        **made,
        "allOf": [
            {"if": {"not": inherits}, "then": RULE_FILE.completeness()},
            {
                "if": {"not": inherits, **_in_category("material extrusion")},
                "then": {
                    "anyOf": [
                        {"required": ["beads"]},
                        {"required": ["bands"], "properties": {"bands": {"minItems": 1}}},
                    ]
                },
            },
            {
                "if": _in_category("vat photopolymerization", "powder bed fusion"),
                "then": {"not": {"required": ["beads"]}},
            },
            *(_only_for(feature) for feature in FEATURES if feature.categories != CATEGORIES),
        ],
    }


def _only_for(feature: Feature) -> JsonSchema:
    others = [name for name in CATEGORIES if name not in feature.categories]
    without = {"not": {"required": [feature.id]}}
    return {"if": _in_category(*others), "then": {"properties": {"minimum": without}}}


def _in_category(*categories: str) -> JsonSchema:
    process = {"required": ["category"], "properties": {"category": {"enum": list(categories)}}}
    return {"required": ["process"], "properties": {"process": process}}
