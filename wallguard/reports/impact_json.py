"""An impact as JSON, and the JSON Schema of that."""

from __future__ import annotations

from typing import get_args

from wallguard.findings.impact import DIRECTIONS, Change, Gate, Impact, PartImpact, Process, State
from wallguard.findings.model import Printed, Status
from wallguard.reports import impact_order as order
from wallguard.reports.json_report import finding_data
from wallguard.reports.json_text import LENGTH, THICKNESS, Json, dump, encodable, number, numbers
from wallguard.reports.schema import (
    COUNT,
    FRAME,
    SECONDS,
    SIZE,
    TEXT,
    JsonSchema,
    definitions,
    list_of,
    object_of,
    or_null,
    reference,
)

NAME = "wallguard-impact/1"


def text(impact: Impact) -> str:
    """The impact as JSON text of the format `wallguard-impact/1`, with a final line break.

    Lengths are rounded to 0.001 mm, thickness to 0.0001 mm.

    Raises ValueError: a size is not finite.
    """
    kinds = [order.kind(part) for part in impact.parts]
    made: Json = {
        "schema": NAME,
        "frame": FRAME,
        "version": impact.version,
        "started": impact.started,
        "from": _process(impact.before),
        "to": _process(impact.after),
        "notes": list(impact.notes),
        "summary": {
            "parts": len(impact.parts),
            "worse": kinds.count("worse"),
            "better": kinds.count("better"),
            "other": kinds.count("other"),
            "same": kinds.count("same"),
            "errors": kinds.count("error"),
            "starts_failing": sum(part.starts_failing for part in impact.parts),
            "stops_failing": sum(part.stops_failing for part in impact.parts),
            "walls": {one: sum(part.count(one) for part in impact.parts) for one in DIRECTIONS},
            "left_out": len(impact.left_out),
            "troubles": len(impact.troubles),
        },
        "parts": [_part(part) for part in sorted(impact.parts, key=lambda part: part.path)],
        "left_out": sorted(impact.left_out),
        "troubles": [
            {"path": one.path, "message": one.message}
            for one in sorted(impact.troubles, key=lambda one: (one.path, one.message))
        ],
        "seconds": number(impact.seconds, LENGTH),
    }
    return dump(encodable(made))


def _process(process: Process) -> Json:
    return {"rules": process.rules, "name": process.name}


def _part(part: PartImpact) -> Json:
    return {
        "path": part.path,
        "before": part.before,
        "after": part.after,
        "result": order.kind(part),
        "walls": part.walls,
        "changes": [_change(change) for change in part.changes],
        "appeared": [finding_data(finding) for finding in part.appeared],
        "gone": [finding_data(finding) for finding in part.gone],
        "error": part.error,
        "seconds": number(part.seconds, LENGTH),
    }


def _change(change: Change) -> Json:
    spread = change.thickness
    return {
        "direction": change.direction,
        "before": _state(change.before),
        "after": _state(change.after),
        "thickness": {
            "min": number(spread.min, THICKNESS),
            "typical": number(spread.typical, THICKNESS),
            "max": number(spread.max, THICKNESS),
        },
        "length": number(change.length, LENGTH),
        "z": numbers(change.z),
        "location": numbers(change.location),
        "box": [numbers(corner) for corner in change.box],
        "message": change.message,
        "advice": change.advice,
    }


def _state(state: State) -> Json:
    return {
        "verdict": state.verdict,
        "gate": state.gate,
        "printed": _printed(state.printed),
        "air": number(state.air, THICKNESS),
    }


def _printed(printed: Printed | None) -> Json | None:
    if printed is None:
        return None
    return {
        "value": number(printed.value, THICKNESS),
        "uncertainty": number(printed.uncertainty, THICKNESS),
    }


def impact_schema() -> JsonSchema:
    """The JSON Schema (draft 2020-12) of `wallguard impact --json`."""
    process = object_of({"rules": TEXT, "name": TEXT})
    counts = ("parts", *order.KINDS[1:], "errors", "starts_failing", "stops_failing")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "wallguard impact",
        **object_of(
            {
                "schema": {"const": NAME, "description": "Name and version of this format."},
                "frame": {**TEXT, "description": "In which frame and unit coordinates are."},
                "version": {**TEXT, "description": "The version of wallguard that wrote this."},
                "started": {**TEXT, "description": "When the run started, ISO 8601."},
                "from": {**process, "description": "The old process."},
                "to": {**process, "description": "The new process."},
                "notes": list_of(TEXT, "What to know of how the two were compared."),
                "summary": object_of(
                    {
                        **dict.fromkeys(counts, COUNT),
                        "walls": object_of(dict.fromkeys(DIRECTIONS, COUNT)),
                        "left_out": COUNT,
                        "troubles": COUNT,
                    }
                ),
                "parts": list_of(reference("part"), "One entry for each part."),
                "left_out": list_of(TEXT, "Parts that answer to neither: not compared."),
                "troubles": list_of(
                    object_of({"path": TEXT, "message": TEXT}),
                    "Files that could not be used at all, and why.",
                ),
                "seconds": SECONDS,
            },
            FRAME,
        ),
        "$defs": {
            **definitions(),
            "part": _part_schema(),
            "change": _change_schema(),
            "state": _state_schema(),
        },
    }


def _part_schema() -> JsonSchema:
    status = {"enum": list(get_args(Status)), "description": "How it stands in a full check."}
    return object_of(
        {
            "path": TEXT,
            "before": status,
            "after": status,
            "result": {"enum": list(order.KINDS), "description": order.WORSE},
            "walls": {**COUNT, "description": "How many walls were compared."},
            "changes": list_of(reference("change"), "Walls that come out otherwise."),
            "appeared": list_of(reference("finding"), "What else is found now, or as more."),
            "gone": list_of(reference("finding"), "What else is no longer found, or as less."),
            "error": {**TEXT, "description": "Why it could not be compared, or empty."},
            "seconds": SECONDS,
        }
    )


def _change_schema() -> JsonSchema:
    return object_of(
        {
            "direction": {"enum": list(DIRECTIONS), "description": order.WORSE},
            "before": reference("state"),
            "after": reference("state"),
            "thickness": object_of(
                {"min": SIZE, "typical": SIZE, "max": SIZE},
                "Along the wall, mm; typical is the median along its length.",
            ),
            "length": {**SIZE, "description": "Along the wall where it is longest, mm."},
            "z": reference("range"),
            "location": reference("point"),
            "box": reference("box"),
            "message": TEXT,
            "advice": {**TEXT, "description": "What to draw for the new process."},
        }
    )


def _state_schema() -> JsonSchema:
    verdicts = ["solid", "hollow", "missing", "thickened", "thinned", "indeterminate"]
    return object_of(
        {
            "verdict": {"enum": verdicts, "description": "How the wall comes out."},
            "gate": {"enum": list(get_args(Gate)), "description": "What its rules do with that."},
            "printed": or_null(
                object_of({"value": SIZE, "uncertainty": SIZE}),
                "Printed thickness and its expanded uncertainty (k = 2), mm.",
            ),
            "air": {**SIZE, "description": "In a hollow wall, mm; 0 where nobody knows."},
        }
    )
