"""`wallguard walls`: its arguments."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.cli.shared import Commands, command, length


def add(commands: Commands) -> None:
    """Declare the command."""
    walls = command(
        commands,
        "walls",
        "list every distinct wall of a part: thickness, length, height, place, outcome",
        "wallguard walls bracket.stl --rules rules/petg.yaml",
        _walls,
    )
    walls.add_argument("part", type=Path, metavar="PART")
    walls.add_argument("--rules", type=Path, metavar="FILE", help="say how each wall comes out")
    walls.add_argument("--json", action="store_true", help="print JSON instead of a table")
    walls.add_argument(
        "--up-to",
        type=length,
        default=20.0,
        metavar="MM",
        help="the thickest wall to list (default 20 mm)",
    )
    walls.add_argument(
        "--layer-height",
        type=length,
        default=0.2,
        metavar="MM",
        help="where no rules give one (default 0.2 mm)",
    )


def _walls(arguments: argparse.Namespace) -> int:
    from wallguard.commands import walls

    print(
        walls.run(
            arguments.part,
            rules=arguments.rules,
            as_json=arguments.json,
            up_to=arguments.up_to,
            layer_height=arguments.layer_height,
        ),
        end="",
    )
    return 0
