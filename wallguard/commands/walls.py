"""`wallguard walls`: every distinct wall of a part, for a designer who asks what is in a file.

The part lies as `wallguard.yaml` says, where one covers it; coordinates are the file's own.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.commands.arguments import Commands, add_limits, allowed, command, length
from wallguard.reports.json_report import walls_text
from wallguard.reports.walls_table import table
from wallguard.repository.nearest import assignment_of
from wallguard.rules.load import load_rules


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "walls",
        "wallguard walls bracket.stl --rules rules/petg.yaml",
        _command,
    )
    parser.add_argument("part", type=Path, metavar="PART")
    parser.add_argument("--rules", type=Path, metavar="FILE", help="say how each wall comes out")
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    parser.add_argument(
        "--up-to",
        type=length,
        default=20.0,
        metavar="MM",
        help="the thickest wall to list (default 20 mm)",
    )
    parser.add_argument(
        "--layer-height",
        type=length,
        default=0.2,
        metavar="MM",
        help="where no rules give one (default 0.2 mm)",
    )
    add_limits(parser, "the part", ", twice that, and more in finer layers")


def _command(arguments: argparse.Namespace) -> int:
    # Heavy, and not needed for help.
    from wallguard.jobs.walls import walls_of

    rules = load_rules(arguments.rules) if arguments.rules else None
    placed = assignment_of(arguments.part, arguments.rules)
    walls = walls_of(
        arguments.part,
        placed,
        rules,
        allowed(arguments),
        arguments.layer_height,
        arguments.up_to,
    )
    print(walls_text(walls) if arguments.json else table(walls), end="")
    return 0
