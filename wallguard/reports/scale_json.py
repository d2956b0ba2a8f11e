"""How a part comes out at each reduction, as JSON, and the JSON Schema of that."""

from __future__ import annotations

from wallguard.findings.model import Spread
from wallguard.findings.scale import Holding, Reduction, Scales, ratio
from wallguard.reports.json_text import LENGTH, THICKNESS, Json, dump, encodable, number, numbers
from wallguard.reports.schema import (
    COUNT,
    NUMBER,
    SIZE,
    TEXT,
    JsonSchema,
    definitions,
    list_of,
    object_of,
    or_null,
    reference,
)

NAME = "wallguard-scale/1"
FRAME = (
    "Places and drawn sizes are at full size in the part file's own frame, in mm; printed sizes "
    "are of the model at its reduction, in mm."
)


def text(scales: Scales) -> str:
    """The reductions as JSON text of the format `wallguard-scale/1`, with a final line break.

    Raises ValueError: a size is not finite.
    """
    best, held = scales.best, scales.held_back
    made: Json = {
        "schema": NAME,
        "frame": FRAME,
        "path": scales.path,
        "rules": scales.rules,
        "rules_name": scales.rules_name,
        "unit": scales.unit,
        "size": numbers(scales.size),
        "best": None if best is None else best.name,
        "wanted": None if scales.wanted is None else ratio(scales.wanted),
        "held_back_at": None if held is None else held.name,
        "remarks": list(scales.remarks),
        "reductions": [_reduction(one) for one in scales.reductions],
    }
    return dump(encodable(made))


def _reduction(one: Reduction) -> Json:
    return {
        "scale": one.name,
        "factor": one.factor,
        "size": numbers(one.size),
        "fits": one.fits,
        "measured": one.measured,
        "layer_height": number(one.layer_height, THICKNESS),
        "up_to": number(one.up_to, THICKNESS),
        "walls": one.walls,
        "thinnest": None if one.thinnest is None else number(one.thinnest, THICKNESS),
        "shares": {verdict: number(share, THICKNESS) for verdict, share in one.shares},
        "all_as_asked": one.good,
        "holding": [_holding(wall) for wall in one.holding],
        "note": one.note,
    }


def _holding(one: Holding) -> Json:
    return {
        "kind": one.kind,
        "verdict": one.verdict,
        "drawn": _spread(one.drawn),
        "printed": _spread(one.printed),
        "length": number(one.length, LENGTH),
        "least": number(one.least, THICKNESS),
        "location": numbers(one.location),
        "box": [numbers(corner) for corner in one.box],
        "draw": {
            "at_most": None if one.thinner is None else number(one.thinner, THICKNESS),
            "at_least": None if one.thicker is None else number(one.thicker, THICKNESS),
        },
    }


def _spread(spread: Spread) -> Json:
    values = {"min": spread.min, "typical": spread.typical, "max": spread.max}
    return {name: number(value, THICKNESS) for name, value in values.items()}


def scale_schema() -> JsonSchema:
    """The JSON Schema (draft 2020-12) of `wallguard scale --json`."""
    spread = object_of({"min": SIZE, "typical": SIZE, "max": SIZE}, "Thickness along it, mm.")
    shared = definitions()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "wallguard scale",
        **object_of(
            {
                "schema": {"const": NAME, "description": "Name and version of this format."},
                "frame": {**TEXT, "description": "In which frame and unit sizes are."},
                "path": TEXT,
                "rules": TEXT,
                "rules_name": TEXT,
                "unit": {**TEXT, "description": "The unit that the part is drawn in."},
                "size": {**reference("point"), "description": "At full size, mm."},
                "best": or_null(TEXT, "The largest reduction at which all walls come out."),
                "wanted": or_null(TEXT, "The reduction that was asked for."),
                "held_back_at": or_null(TEXT, "The reduction whose walls hold the model back."),
                "remarks": list_of(TEXT, "What to know of the part."),
                "reductions": list_of(reference("reduction"), "The largest model first."),
            },
            FRAME,
        ),
        "$defs": {
            **{name: shared[name] for name in ("point", "box")},
            "reduction": _reduction_schema(),
            "holding": object_of(
                {
                    "kind": {"enum": ["wall", "pin"]},
                    "verdict": {**TEXT, "description": "What becomes of it; thin: below `least`."},
                    "drawn": spread,
                    "printed": spread,
                    "length": {**SIZE, "description": "At full size, mm."},
                    "least": {**SIZE, "description": "The minimum asked, printed, mm; 0: none."},
                    "location": reference("point"),
                    "box": reference("box"),
                    "draw": object_of(
                        {
                            "at_most": or_null(SIZE, "The nearest thinner, at full size, mm."),
                            "at_least": or_null(SIZE, "The nearest thicker, at full size, mm."),
                        }
                    ),
                }
            ),
        },
    }


def _reduction_schema() -> JsonSchema:
    truth: JsonSchema = {"type": "boolean"}
    return object_of(
        {
            "scale": {**TEXT, "description": 'As on drawings: "1:200".'},
            "factor": NUMBER,
            "size": {**reference("point"), "description": "Of the model, mm."},
            "fits": or_null(truth, "The build volume; null where the rules name none."),
            "measured": truth,
            "layer_height": {**SIZE, "description": "That it was measured in, mm."},
            "up_to": {**SIZE, "description": "The thickest wall that is counted, printed, mm."},
            "walls": COUNT,
            "thinnest": or_null(SIZE, "Wall, printed, mm."),
            "shares": {
                "type": "object",
                "additionalProperties": SIZE,
                "description": "Of the length of its walls, by what becomes of them.",
            },
            "all_as_asked": {**truth, "description": "Whether all walls come out as asked."},
            "holding": list_of(reference("holding"), "What does not, thinnest first."),
            "note": {**TEXT, "description": "Why it was not measured, or empty."},
        }
    )
