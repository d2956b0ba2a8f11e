"""The JSON Schema of the JSON report, and a check against it that needs no library.

The reader of reports uses the same schema, so the two cannot drift apart. Keys that it does not
name are allowed: a later version may add some.
"""

from __future__ import annotations

import sys
from typing import Any, TypeAlias, get_args

from wallguard.findings.model import CheckStatus, Gate, Severity, State, Status

JsonSchema: TypeAlias = dict[str, Any]

NAME = "wallguard-report/1"
FRAME = "Coordinates and heights are in the part file's own frame, in mm."

_LARGEST = sys.float_info.max
TEXT: JsonSchema = {"type": "string"}
NUMBER: JsonSchema = {"type": "number"}
SIZE: JsonSchema = {"type": "number", "minimum": 0}
COUNT: JsonSchema = {"type": "integer", "minimum": 0}
SECONDS: JsonSchema = {**SIZE, "description": "Time taken, s."}


def report_schema() -> JsonSchema:
    """The JSON Schema (draft 2020-12) of `wallguard check --json`."""
    schema = object_of(
        {
            "schema": {"const": NAME, "description": "Name and version of this format."},
            "frame": {**TEXT, "description": "In which frame and unit coordinates are."},
            "version": {**TEXT, "description": "The version of wallguard that wrote this."},
            "started": {**TEXT, "description": "When the run started, ISO 8601; may be empty."},
            "base": {
                **TEXT,
                "description": "The revision that parts were compared with, as it was named; empty "
                "if none. Both were checked against the same rules: those that are there now.",
            },
            "base_commit": {**TEXT, "description": "The commit that stands for it, or empty."},
            "gate": {
                "enum": list(get_args(Gate)),
                "description": "`new`: only findings that the base did not have fail.",
            },
            "summary": _summary(),
            "parts": list_of(reference("part"), "One entry for each part and rule file."),
            "not_covered": list_of(TEXT, "Parts that no rule file answers for: not checked."),
            "troubles": list_of(
                object_of({"path": TEXT, "message": TEXT}),
                "Files that could not be used at all, and why.",
            ),
            "remarks": list_of(
                object_of({"path": TEXT, "message": TEXT}),
                "What does not stop the gate but should be mended.",
            ),
            "removed": list_of(TEXT, "Parts that are gone."),
            "seconds": SECONDS,
        },
        FRAME,
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "wallguard report",
        **schema,
        "$defs": {
            **definitions(),
            "part": _part(),
            "check": _check(),
            "wall": _wall(),
        },
    }


def definitions() -> JsonSchema:
    """What schemas of reports share: a point, a range, a box, a finding."""
    return {
        "point": {"type": "array", "items": NUMBER, "minItems": 3, "maxItems": 3},
        "range": {"type": "array", "items": NUMBER, "minItems": 2, "maxItems": 2},
        "box": {
            "type": "array",
            "items": reference("point"),
            "minItems": 2,
            "maxItems": 2,
            "description": "The lowest and the highest corner, mm.",
        },
        "finding": _finding(),
    }


def problem(value: object, schema: JsonSchema, root: JsonSchema, at: str = "") -> str:
    """What is wrong with `value`, and where; empty if it has the schema.

    Knows only the keywords that `report_schema` uses. `root` holds what `$ref` points to.
    """
    where = at or "the report"
    if "$ref" in schema:
        schema = root["$defs"][schema["$ref"].rpartition("/")[2]]
    if "anyOf" in schema:
        # Always one schema or null.
        return "" if value is None else problem(value, schema["anyOf"][0], root, at)
    if "const" in schema and value != schema["const"]:
        return f"{where}: expected {schema['const']!r}"
    if "enum" in schema and value not in schema["enum"]:
        return f"{where}: expected one of {', '.join(schema['enum'])}"
    if "type" in schema and not _has_type(value, schema["type"]):
        return f"{where}: expected {_TYPES[schema['type']]}"
    if isinstance(value, dict):
        return _object_problem(value, schema, root, at)
    if isinstance(value, list):
        return _list_problem(value, schema, root, at)
    if isinstance(value, int | float) and value < schema.get("minimum", value):
        return f"{where}: expected {schema['minimum']} or more"
    return ""


_TYPES = {
    "string": "text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "array": "a list",
    "object": "an object",
}


def _has_type(value: object, kind: str) -> bool:
    if isinstance(value, bool):
        return kind == "boolean"
    if isinstance(value, int | float):
        whole = isinstance(value, int) or value.is_integer()
        return abs(value) <= _LARGEST and (kind == "number" or (kind == "integer" and whole))
    kinds: dict[type, str] = {str: "string", list: "array", dict: "object"}
    return kinds.get(type(value)) == kind


def _object_problem(value: JsonSchema, schema: JsonSchema, root: JsonSchema, at: str) -> str:
    for key in schema["required"]:
        if key not in value:
            return f"{at or 'the report'}: `{key}` is missing"
    for key, inner in schema["properties"].items():
        found = problem(value[key], inner, root, f"{at}.{key}" if at else key)
        if found:
            return found
    return ""


def _list_problem(value: list[object], schema: JsonSchema, root: JsonSchema, at: str) -> str:
    if not schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", len(value)):
        return f"{at}: expected {schema['minItems']} items"
    for index, item in enumerate(value):
        found = problem(item, schema["items"], root, f"{at}[{index}]")
        if found:
            return found
    return ""


def object_of(properties: JsonSchema, description: str = "") -> JsonSchema:
    """An object that has all of the properties."""
    made = {"type": "object", "properties": properties, "required": list(properties)}
    return {**made, "description": description} if description else made


def list_of(items: JsonSchema, description: str) -> JsonSchema:
    """A list of any length."""
    return {"type": "array", "items": items, "description": description}


def reference(name: str) -> JsonSchema:
    """What stands under `$defs` by that name."""
    return {"$ref": f"#/$defs/{name}"}


def or_null(schema: JsonSchema, description: str) -> JsonSchema:
    """The schema, or null."""
    return {"anyOf": [schema, {"type": "null"}], "description": description}


def _summary() -> JsonSchema:
    counts = ("parts", "passed", "failed", "indeterminate", "errors", "not_covered", "troubles")
    severities = object_of(dict.fromkeys(get_args(Severity), COUNT))
    return object_of(
        {
            **dict.fromkeys(counts, COUNT),
            "findings": {
                **severities,
                "description": "Those in force: not waived and, where only new ones fail, new.",
            },
            "new": COUNT,
            "unchanged": COUNT,
            "fixed": COUNT,
            "waived": COUNT,
        },
        "Counts. `parts` counts every part once for each of its rule files; `new` and `unchanged` "
        "leave out what is waived.",
    )


def _part() -> JsonSchema:
    mesh = object_of(
        {
            "triangles": COUNT,
            "watertight": {"type": "boolean"},
            "extents": {**reference("point"), "description": "Size along x, y and z, mm."},
            "unit": {**TEXT, "description": "The unit of the file; all lengths here are in mm."},
        }
    )
    return object_of(
        {
            "path": TEXT,
            "rules": {**TEXT, "description": "The rule file."},
            "rules_name": {**TEXT, "description": "The name of the process."},
            "status": {"enum": list(get_args(Status))},
            "mesh": or_null(mesh, "What the file holds; null if it could not be read."),
            "walls": list_of(reference("wall"), "Walls, thinnest first."),
            "findings": list_of(reference("finding"), "Findings, worst first."),
            "fixed": list_of(reference("finding"), "Findings that only the base has."),
            "base_note": {
                **TEXT,
                "description": "Why it was not compared with the base, or empty.",
            },
            "checks": list_of(reference("check"), "Checks, in the order in which they ran."),
            "error": {**TEXT, "description": "Why the part could not be checked, or empty."},
            "seconds": SECONDS,
        }
    )


def _check() -> JsonSchema:
    note = {**TEXT, "description": "Why it was skipped or did not do all of its job, or empty."}
    return object_of({"name": TEXT, "status": {"enum": list(get_args(CheckStatus))}, "note": note})


def _wall() -> JsonSchema:
    thickness = object_of(
        {"min": SIZE, "typical": SIZE, "max": SIZE},
        "Along the wall, mm; typical is the median along its length.",
    )
    printed = object_of({"value": SIZE, "uncertainty": SIZE})
    return object_of(
        {
            "thickness": thickness,
            "length": {**SIZE, "description": "Along the wall where it is longest, mm."},
            "z": {**reference("range"), "description": "Lowest and highest z, mm."},
            "location": {**reference("point"), "description": "A point on the wall, mm."},
            "fill": or_null(TEXT, "What is inside the printed wall; null without rules."),
            "printed": or_null(
                printed,
                "Printed thickness and its expanded uncertainty (k = 2), mm; null if nothing is "
                "printed or no rules were given.",
            ),
            "box": reference("box"),
            "sides": {**COUNT, "description": "On how many sides other material holds it."},
            "source": {**TEXT, "description": "What the wall was measured in."},
        }
    )


def _finding() -> JsonSchema:
    return object_of(
        {
            "id": {**TEXT, "description": "The same in every run on the same part and rules."},
            "check": TEXT,
            "severity": {"enum": list(get_args(Severity))},
            "measured": or_null(NUMBER, "What was found, in `unit`."),
            "limit": or_null(NUMBER, "What was asked, in `unit`."),
            "unit": TEXT,
            "fill": or_null(TEXT, "What is inside the printed wall."),
            "location": or_null(reference("point"), "A point of the place, mm."),
            "box": or_null(reference("box"), "What the place extends over."),
            "z": or_null(reference("range"), "Lowest and highest z, mm."),
            "message": TEXT,
            "advice": {**TEXT, "description": "What to draw instead."},
            "indeterminate": {
                "type": "boolean",
                "description": "Whether the limit is met or missed only within the uncertainty.",
            },
            "size": list_of(
                SIZE, "Length and height as printed, or what there is of that, mm; may be empty."
            ),
            "state": {
                "enum": list(get_args(State)),
                "description": "Against the base; empty where there is none.",
            },
            "worse": {
                "type": "boolean",
                "description": "Whether the base has it too, but less bad; it is `new` then.",
            },
            "waived": {**TEXT, "description": "Who accepted it, until when and why, or empty."},
            "remark": {
                **TEXT,
                "description": "How it got worse, why a waiver of it does not hold, or empty.",
            },
        }
    )
