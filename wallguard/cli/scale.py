"""`wallguard scale`: its arguments."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.base.units import MILLIMETRES
from wallguard.cli.shared import Commands, command


def add(commands: Commands) -> None:
    """Declare the command."""
    scale = command(
        commands,
        "scale",
        "show at which reduction a model drawn at full size comes out, and what holds it back",
        "wallguard scale hall.stl --rules rules/pla.yaml --unit m --wanted 1:200",
        _scale,
    )
    scale.add_argument("part", type=Path, metavar="PART")
    scale.add_argument("--rules", type=Path, required=True, metavar="FILE")
    scale.add_argument("--unit", choices=tuple(MILLIMETRES), help="that the part is drawn in")
    scale.add_argument(
        "--wanted", metavar="1:N", help="say how thick its walls must be drawn for this reduction"
    )
    scale.add_argument("--json", action="store_true", help="print JSON instead of a table")


def _scale(arguments: argparse.Namespace) -> int:
    from wallguard.commands import scale

    text, code = scale.run(
        arguments.part,
        arguments.rules,
        unit=arguments.unit,
        wanted=arguments.wanted,
        as_json=arguments.json,
    )
    print(text, end="")
    return code
