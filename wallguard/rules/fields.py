"""The rule file's format: the keys that its model tells of, and their JSON Schema."""

from __future__ import annotations

from wallguard.documents.record import fields_of, maker
from wallguard.documents.scalars import LEAVES, JsonSchema, Text, Version
from wallguard.documents.shape import Field, Table
from wallguard.rules.features import CATEGORIES, FEATURES, Feature
from wallguard.rules.model import Rules

EXTENDS = Text("a rule file relative to this one", 1000, LEAVES)


def format_of(model: type[Rules] = Rules) -> Table:
    """The format of the rule files that `model` holds."""
    return Table(
        "a rule file",
        (
            Field("wallguard", Version(), "Version of this format: 1.", always=True),
            Field(
                "extends",
                EXTENDS,
                "A rule file whose values hold where this one says nothing, relative to this file, "
                "or NAME/FILE@REVISION of a library. Keys are taken over one by one, lists as a "
                "whole.",
            ),
            *fields_of(model, {"process": ("the process", "The process this file describes.")}),
        ),
        make=maker(model),
    )


RULE_FILE = format_of()


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
            {
                "if": _in_category("material extrusion"),
                "then": {"properties": {"growth": False, "growth_uncertainty": False}},
            },
            {
                "if": {"not": inherits, "required": ["growth_uncertainty"]},
                "then": {"required": ["growth"]},
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
