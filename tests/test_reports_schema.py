"""The JSON Schema of the report."""

import copy
import json
from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from report_samples import BRACKET, COMPARED, EMPTY, LID, LOST, ORDINARY, PASSED, hostile, many

from wallguard.findings.model import Report
from wallguard.reports.json_report import data
from wallguard.reports.schema import problem, report_schema

SCHEMA = report_schema()
SMALL = data(Report((BRACKET, LID, LOST)))


def closed(schema: Any) -> Any:
    """The schema with every object closed to keys that it does not name."""
    if isinstance(schema, list):
        return [closed(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: closed(value) for key, value in schema.items()}
    return {**made, "additionalProperties": False} if schema.get("type") == "object" else made


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA


@pytest.mark.parametrize("report", [ORDINARY, EMPTY, PASSED, COMPARED, hostile(), many()])
def test_reports_have_the_schema_and_no_other_keys(report: Report) -> None:
    Draft202012Validator(closed(SCHEMA)).validate(data(report))
    assert problem(data(report), SCHEMA, SCHEMA) == ""


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    if isinstance(value, dict | list):
        pairs = value.items() if isinstance(value, dict) else enumerate(value)
        for key, inner in pairs:
            yield from places(inner, (*path, key))


def broken() -> Iterator[Any]:
    """Reports with one value taken away, or replaced by one of every type."""
    for path in places(SMALL):
        for value in (..., None, True, -1, 0.5, "x", [], {}, [None], [0, 0], [1, 2, 3]):
            made = copy.deepcopy(SMALL)
            target = made
            for key in path[:-1]:
                target = target[key]
            if value is ...:
                del target[path[-1]]
            else:
                target[path[-1]] = value
            yield made


def test_broken_reports_are_noticed_alike_by_the_library_and_the_reader() -> None:
    validator = Draft202012Validator(SCHEMA)
    seen = {True: 0, False: 0}
    for number, made in enumerate(broken()):
        if number % 7:
            continue
        valid = validator.is_valid(made)
        assert valid == (problem(made, SCHEMA, SCHEMA) == ""), made
        seen[valid] += 1
    assert seen[False] > 100
    assert seen[True] > 10
