"""The JSON Schema of the JSON report, and a check against it that needs no library.

The reader of reports uses the same schema, so the two cannot drift apart. Keys that it does not
name are allowed: a later version may add some.
"""

from __future__ import annotations

import sys
from typing import Any, TypeAlias, get_args

from wallguard.findings import CheckStatus, Severity, Status

JsonSchema: TypeAlias = dict[str, Any]

NAME = "wallguard-report/1"
FRAME = "Coordinates and heights are in the part file's own frame, in mm."

_LARGEST = sys.float_info.max
_TEXT: JsonSchema = {"type": "string"}
_NUMBER: JsonSchema = {"type": "number"}
_SIZE: JsonSchema = {"type": "number", "minimum": 0}
_COUNT: JsonSchema = {"type": "integer", "minimum": 0}
_SECONDS: JsonSchema = {**_SIZE, "description": "Time taken, s."}


def report_schema() -> JsonSchema:
    """The JSON Schema (draft 2020-12) of `wallguard check --json`."""
    schema = _object(
        {
            "schema": {"const": NAME, "description": "Name and version of this format."},
            "frame": {**_TEXT, "description": "In which frame and unit coordinates are."},
            "version": {**_TEXT, "description": "The version of wallguard that wrote this."},
            "started": {**_TEXT, "description": "When the run started, ISO 8601; may be empty."},
            "summary": _summary(),
            "parts": _list(_ref("part"), "One entry for each part and rule file."),
            "not_covered": _list(_TEXT, "Parts that no rule file answers for: not checked."),
            "troubles": _list(
                _object({"path": _TEXT, "message": _TEXT}),
                "Files that could not be used at all, and why.",
            ),
            "removed": _list(_TEXT, "Parts that are gone."),
            "seconds": _SECONDS,
        },
        FRAME,
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "wallguard report",
        **schema,
        "$defs": {
            "point": {"type": "array", "items": _NUMBER, "minItems": 3, "maxItems": 3},
            "range": {"type": "array", "items": _NUMBER, "minItems": 2, "maxItems": 2},
            "box": {
                "type": "array",
                "items": _ref("point"),
                "minItems": 2,
                "maxItems": 2,
                "description": "The lowest and the highest corner, mm.",
            },
            "part": _part(),
            "check": _check(),
            "wall": _wall(),
            "finding": _finding(),
        },
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


def _object(properties: JsonSchema, description: str = "") -> JsonSchema:
    """An object that has all of the properties."""
    made = {"type": "object", "properties": properties, "required": list(properties)}
    return {**made, "description": description} if description else made


def _list(items: JsonSchema, description: str) -> JsonSchema:
    return {"type": "array", "items": items, "description": description}


def _ref(name: str) -> JsonSchema:
    return {"$ref": f"#/$defs/{name}"}


def _or_null(schema: JsonSchema, description: str) -> JsonSchema:
    return {"anyOf": [schema, {"type": "null"}], "description": description}


def _summary() -> JsonSchema:
    counts = ("parts", "passed", "failed", "indeterminate", "errors", "not_covered", "troubles")
    severities = _object(dict.fromkeys(get_args(Severity), _COUNT))
    return _object(
        {**dict.fromkeys(counts, _COUNT), "findings": severities},
        "Counts. `parts` counts every part once for each of its rule files.",
    )


def _part() -> JsonSchema:
    mesh = _object(
        {
            "triangles": _COUNT,
            "watertight": {"type": "boolean"},
            "extents": {**_ref("point"), "description": "Size along x, y and z, mm."},
            "unit": {**_TEXT, "description": "The unit of the file; all lengths here are in mm."},
        }
    )
    return _object(
        {
            "path": _TEXT,
            "rules": {**_TEXT, "description": "The rule file."},
            "rules_name": {**_TEXT, "description": "The name of the process."},
            "status": {"enum": list(get_args(Status))},
            "mesh": _or_null(mesh, "What the file holds; null if it could not be read."),
            "walls": _list(_ref("wall"), "Walls, thinnest first."),
            "findings": _list(_ref("finding"), "Findings, worst first."),
            "checks": _list(_ref("check"), "Checks, in the order in which they ran."),
            "error": {**_TEXT, "description": "Why the part could not be checked, or empty."},
            "seconds": _SECONDS,
        }
    )


def _check() -> JsonSchema:
    note = {**_TEXT, "description": "Why it was skipped or did not do all of its job, or empty."}
    return _object({"name": _TEXT, "status": {"enum": list(get_args(CheckStatus))}, "note": note})


def _wall() -> JsonSchema:
    thickness = _object(
        {"min": _SIZE, "typical": _SIZE, "max": _SIZE},
        "Along the wall, mm; typical is the median along its length.",
    )
    printed = _object({"value": _SIZE, "uncertainty": _SIZE})
    return _object(
        {
            "thickness": thickness,
            "length": {**_SIZE, "description": "Along the wall where it is longest, mm."},
            "z": {**_ref("range"), "description": "Lowest and highest z, mm."},
            "location": {**_ref("point"), "description": "A point on the wall, mm."},
            "fill": _or_null(_TEXT, "What is inside the printed wall; null without rules."),
            "printed": _or_null(
                printed,
                "Printed thickness and its expanded uncertainty (k = 2), mm; null if nothing is "
                "printed or no rules were given.",
            ),
            "box": _ref("box"),
            "sides": {**_COUNT, "description": "On how many sides other material holds it."},
            "source": {**_TEXT, "description": "What the wall was measured in."},
        }
    )


def _finding() -> JsonSchema:
    return _object(
        {
            "id": {**_TEXT, "description": "The same in every run on the same part and rules."},
            "check": _TEXT,
            "severity": {"enum": list(get_args(Severity))},
            "measured": _or_null(_NUMBER, "What was found, in `unit`."),
            "limit": _or_null(_NUMBER, "What was asked, in `unit`."),
            "unit": _TEXT,
            "fill": _or_null(_TEXT, "What is inside the printed wall."),
            "location": _or_null(_ref("point"), "A point of the place, mm."),
            "box": _or_null(_ref("box"), "What the place extends over."),
            "z": _or_null(_ref("range"), "Lowest and highest z, mm."),
            "message": _TEXT,
            "advice": {**_TEXT, "description": "What to draw instead."},
            "indeterminate": {
                "type": "boolean",
                "description": "Whether the limit is met or missed only within the uncertainty.",
            },
        }
    )
