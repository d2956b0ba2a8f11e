"""The JSON Schema of rule files and their validation agree, whatever is fed to both."""

import copy
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from wallguard.base.errors import InputError
from wallguard.documents.reading import (
    DocumentError,
    Entry,
    Mapping,
    Node,
    Place,
    Scalar,
    Sequence,
)
from wallguard.repository import config
from wallguard.repository.config import repository_schema
from wallguard.rules import load
from wallguard.rules.fields import rules_schema

FULL: dict[str, Any] = {
    "wallguard": 1,
    "name": "PETG, 0.4 mm nozzle",
    "process": {"category": "material extrusion", "printer": "left one", "material": "PETG"},
    "build_volume": [250, 210, 200],
    "layer_height": 0.2,
    "beads": {
        "nozzle": 0.4,
        "width": 0.45,
        "width_varies": [0.3, 0.7],
        "contours": 2,
        "smallest_wall": 0.3,
        "between_one_and_two": "two beads",
        "squeeze": 0.1,
        "smallest_fill": 0.3,
        "uncertainty": 0.05,
        "edge_uncertainty": 0,
    },
    "bands": [
        {"from": 0, "to": 0.3, "fill": "missing"},
        {"from": 0.3, "to": 1, "fill": "solid", "printed": 0.1, "slope": 1, "uncertainty": 0.05},
        {"from": 1, "fill": "hollow", "printed": 1.1, "solid_width": 0.9, "source": "measured"},
    ],
    "axes": {"y": [{"from": 0, "to": 0.5, "fill": "missing", "source": "calculated"}]},
    "minimum": {
        "wall": {"fail": 0.8, "warn": 1.2},
        "hole": {},
        "floor": {"fail": 3},
    },
    "tolerance": {"thinner": 0.1, "thicker": 0.2},
    "outcomes": {"hollow": "fail", "missing": "warn", "indeterminate": "ignore"},
    "notes": "two\nlines",
    "made_with": {
        "software": "the usual one, 2.7",
        "settings": "../profiles/a.ini",
        "hash": f"sha256:{'0a' * 32}",
        "firmware": "4.1",
    },
    "measured_on": "2027-03-01",
    "measured_by": "Ada",
    "coupon": [
        {"readings": "../coupon/a.csv", "hash": f"sha256:{'0a' * 32}"},
        {"toolpath": "a.gcode"},
    ],
    "stale_after": "180 days",
}
MINIMAL: dict[str, Any] = {
    "wallguard": 1,
    "name": "resin",
    "process": {"category": "vat photopolymerization"},
    "layer_height": 0.05,
    "growth": 0.05,
    "growth_uncertainty": 0.02,
}
REPOSITORY: dict[str, Any] = {
    "wallguard": 1,
    "unit": "mm",
    "parts": [
        {"files": "a/**/*.stl", "rules": "rules/a.yaml", "up": "+z", "scale": "1:200"},
        {
            "files": ["b.stl"],
            "rules": ["rules/a.yaml"],
            "up": [0, 1, 1],
            "scale": 2,
            "unit": "inch",
        },
        {"files": "c.stl", "rules": "rules/a.yaml", "rotate": [90, 0, -45.5]},
    ],
    "exclude": ["old/**"],
    "waivers": {"longest": "365 days"},
}
ODD_VALUES: list[Any] = [
    None, True, False, 0, 1, 1.0, 2, -1, 0.5, 2.5, 1e-4, 150, 1e6, 1e300, "", " ", "x", "+x",
    "solid", "fail", "mm", "rules/a.yaml", "../a.yaml", "a/../b", "..", "a/..b", "/a", "C:/a",
    "~/a", "a\\b",
    "a\nb", "a\u0085b", "\u001b[31m", "a//b", "a/**", "**a", "a**/b", "***", "1:200", "1:0",
    "2:1", "1 day", "0 days", "100000 days", "365", "365 days\n",
    "x" * 300, "x" * 30_000, "0.4", "1:200\n", [], [1], [1, 2], [2, 1], [1, 2, 3],
    [1, 2, 3, 4],
    ["a"], ["a", 1], [[]], [{}], {}, {"x": 1}, {"fail": 1}, {"fail": 2, "warn": 1}, {"thinner": 1},
    {"category": "powder bed fusion"}, {"category": "x"}, {"width": 1},
]  # fmt: skip


def places(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path of every value in a document, itself included."""
    yield path
    if isinstance(node, dict | list):
        for key, value in node.items() if isinstance(node, dict) else enumerate(node):
            yield from places(value, (*path, key))


def changed(document: Any, path: tuple[Any, ...], value: Any = ...) -> Any:
    """The document with another value at `path`, or without that one."""
    made = copy.deepcopy(document)
    inside = made
    for key in path[:-1]:
        inside = inside[key]
    if value is ...:
        del inside[path[-1]]
    else:
        inside[path[-1]] = value
    return made


def variants(document: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield document
    every = list(places(document))
    step = 3 if len(every) > 20 else 1  # alike keys of a large one meet all values between them
    for at, path in enumerate(every):
        if path:
            yield changed(document, path)
            for value in ODD_VALUES[at % step :: step]:
                yield changed(document, path, value)
        inside = document
        for key in path:
            inside = inside[key]
        if isinstance(inside, dict):
            for extra in ("x", "extends", "up", "rotate", "slope", "solid_width", "warn"):
                if extra not in inside:
                    for value in ([1, 2, 3], "a.yaml", 1):
                        yield changed(document, (*path, extra), value)


def node(data: Any, line: int = 1) -> Node:
    """Plain data as it would be read: thousands of documents without thousands of files."""
    place = Place("document.yaml", line, 1)
    if isinstance(data, dict):
        return Mapping({key: Entry(place, node(value)) for key, value in data.items()}, place)
    if isinstance(data, list):
        return Sequence(tuple(map(node, data)), place)
    return Scalar(data, place, str(data))


# Comparing two numbers is beyond a schema: these refusals are ours alone.
BEYOND_A_SCHEMA = (
    "is not below", "outside `width_varies`", "above the narrowest bead", "below `squeeze`",
    "below `fail`", "overlaps", "nothing says how walls", "is not above `from`",
    "says nothing about a", "below zero", "has no length", "is not between",
    "there is no such file",
)  # fmt: skip


def agreements(
    schema: dict[str, Any],
    documents: Iterator[dict[str, Any]],
    problems_of_ours: Callable[[dict[str, Any]], list[str]],
) -> dict[bool, int]:
    """How many documents both accept and both refuse, after asserting that there is no third."""
    validator = jsonschema.Draft7Validator(schema)
    counts = {True: 0, False: 0}
    for document in documents:
        ours = [
            problem
            for problem in problems_of_ours(document)
            if not any(phrase in problem for phrase in BEYOND_A_SCHEMA)
        ]
        assert validator.is_valid(document) == (not ours), (document, ours)
        counts[not ours] += 1
    return counts


def texts(error: InputError) -> list[str]:
    return [p.text for p in error.problems] if isinstance(error, DocumentError) else [str(error)]


@pytest.mark.parametrize("start", [FULL, MINIMAL], ids=["full", "minimal"])
def test_schema_and_validation_of_rule_files_agree(
    start: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def problems(document: dict[str, Any]) -> list[str]:
        def read(path: Path, shown: str, root: Path | None) -> Node:
            known = {"document.yaml": document, "a.yaml": start}
            if shown not in known:
                raise InputError(shown, "there is no such file")
            return node(known[shown])

        monkeypatch.setattr(load, "read_document", read)
        try:
            load.load_rules(Path("document.yaml"))
        except InputError as error:
            return texts(error)
        return []

    counts = agreements(rules_schema(), variants(start), problems)
    assert counts[True] > 20
    assert counts[False] > 200


def test_schema_and_validation_of_the_repository_file_agree(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def problems(document: dict[str, Any]) -> list[str]:
        monkeypatch.setattr(config, "read_document", lambda path, shown, root: node(document))
        try:
            config.load_repository(tmp_path)
        except InputError as error:
            return texts(error)
        return []

    (tmp_path / "wallguard.yaml").touch()
    counts = agreements(repository_schema(), variants(REPOSITORY), problems)
    assert counts[True] > 50
    assert counts[False] > 300


@pytest.mark.parametrize("schema", [rules_schema(), repository_schema()])
def test_the_schemas_are_schemas_and_describe_every_key(schema: dict[str, Any]) -> None:
    jsonschema.Draft7Validator.check_schema(schema)

    def described(node: Any) -> Iterator[tuple[str, Any]]:
        if isinstance(node, dict):
            if node.get("type") == "object":
                yield from node["properties"].items()
            for value in node.values():
                yield from described(value)
        elif isinstance(node, list):
            for value in node:
                yield from described(value)

    fields = list(described(schema))
    assert len(fields) >= 10
    for key, field in fields:
        assert field["description"].endswith("."), key


def test_defaults_are_said_where_they_hold() -> None:
    made = rules_schema()["properties"]
    assert made["tolerance"]["default"] == 0.15
    assert made["beads"]["properties"]["width_varies"]["default"] is False
    assert made["beads"]["properties"]["uncertainty"]["default"] == 0.05
    assert made["bands"]["items"]["properties"]["slope"]["default"] == 0
    assert made["outcomes"]["properties"]["hollow"]["default"] == "fail"
    assert "default" not in made["notes"]
    assert "default" not in made["minimum"]
