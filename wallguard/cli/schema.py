"""`wallguard schema`: its arguments."""

from __future__ import annotations

import argparse

from wallguard.cli.shared import Commands, command


def add(commands: Commands) -> None:
    """Declare the command."""
    schema = command(
        commands,
        "schema",
        "print a JSON Schema, so that editors complete and check files",
        "wallguard schema rules > wallguard-rules.schema.json",
        _schema,
    )
    schema.add_argument(
        "which",
        nargs="?",
        default="rules",
        choices=("rules", "repository", "waivers", "report", "impact", "scale"),
    )


def _schema(arguments: argparse.Namespace) -> int:
    from wallguard.commands import schema

    print(schema.run(arguments.which), end="")
    return 0
