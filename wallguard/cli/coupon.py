"""`wallguard coupon`: its subcommands and their arguments."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.cli.shared import Commands, Parser, command, length


def add(commands: Commands) -> None:
    """Declare the command."""
    coupon = commands.add_parser(
        "coupon",
        help="make a test part, and a rule file from what callipers read on it",
        description="Characterise a process: make a coupon, print and measure it, fit the rules.",
    )
    parts = coupon.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_make(parts)


def _add_make(commands: argparse._SubParsersAction[Parser]) -> None:
    make = command(
        commands,
        "make",
        "write a printable test part with walls, gaps, holes and pins in steps",
        "wallguard coupon make rules/petg.yaml -o coupon",
        _make,
    )
    make.add_argument("rules", type=Path, metavar="RULES")
    make.add_argument("-o", "--output", type=Path, required=True, metavar="FOLDER")
    make.add_argument(
        "--steps", type=length, nargs="+", metavar="MM", help="thicknesses of the walls"
    )
    make.add_argument("--height", type=length, metavar="MM", help="of the walls (default 12 mm)")
    make.add_argument(
        "--features",
        nargs="+",
        choices=("wall", "gap", "hole", "pin"),
        help="which to put on it (default all)",
    )


def _make(arguments: argparse.Namespace) -> int:
    from wallguard.commands import coupon_make

    lines = coupon_make.run(
        arguments.rules,
        arguments.output,
        steps=arguments.steps,
        height=arguments.height,
        features=arguments.features,
    )
    print("\n".join(lines))
    return 0
