"""`wallguard schema`: the JSON Schema of a file format, so that editors complete and check it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from importlib import import_module
from typing import Any

from wallguard.base.errors import InputError
from wallguard.commands.arguments import Commands, command

# What people write in an editor, and where `init` puts the schema of each: beside the files, so
# that an editor needs no network, and completes what this release knows.
EDITED = ("repository", "rules", "waivers")
_FOLDER = ".wallguard"


def schema_file(which: str) -> str:
    """Where in a design repository the schema of a format lies."""
    return f"{_FOLDER}/{which}.schema.json"


def modeline(which: str, up: str = "") -> str:
    """The comment by which an editor finds the schema of a YAML file; `up` leads from its folder
    to the root. It is one of the YAML language server, which most editors use (its documentation,
    from memory)."""
    return f"# yaml-language-server: $schema={up}{schema_file(which)}\n"


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "schema",
        "wallguard schema rules > wallguard-rules.schema.json",
        _command,
    )
    parser.add_argument(
        "which",
        nargs="?",
        default="rules",
        choices=tuple(SCHEMAS),
    )


def _command(arguments: argparse.Namespace) -> int:
    print(run(arguments.which), end="")
    return 0


def _rules() -> dict[str, Any]:
    from wallguard.rules.fields import rules_schema

    return rules_schema()


def _repository() -> dict[str, Any]:
    from wallguard.repository.config import repository_schema

    return repository_schema()


def _waivers() -> dict[str, Any]:
    from wallguard.waivers.load import waivers_schema

    return waivers_schema()


def _json(module: str, name: str) -> Callable[[], dict[str, Any]]:
    """The schema of a JSON output."""

    def schema() -> dict[str, Any]:
        made: dict[str, Any] = getattr(import_module(module), name).schema()
        return made

    return schema


# Every format with a published schema, by the name it has on the command line. What `toolpath`
# writes is a report.
SCHEMAS: dict[str, Callable[[], dict[str, Any]]] = {
    "rules": _rules,
    "repository": _repository,
    "waivers": _waivers,
    "report": _json("wallguard.reports.json_report", "REPORT"),
    "toolpath": _json("wallguard.reports.json_report", "REPORT"),
    "toolpath-against": _json("wallguard.reports.against", "AGAINST"),
    "impact": _json("wallguard.reports.json_report", "IMPACT"),
    "rehearsal": _json("wallguard.reports.json_report", "REHEARSAL"),
    "scale": _json("wallguard.reports.scale_json", "SCALE"),
    "coupon": _json("wallguard.reports.coupon_manifest", "MANIFEST"),
    "walls": _json("wallguard.reports.json_report", "WALLS"),
}


def run(which: str) -> str:
    """The schema of the format named `which`, one of SCHEMAS, as JSON text with a final newline.

    Raises InputError: no such format.
    """
    if which not in SCHEMAS:
        raise InputError(which, "no such schema", remedy=f"There are: {', '.join(SCHEMAS)}")
    return json.dumps(SCHEMAS[which](), indent=2, ensure_ascii=False) + "\n"
