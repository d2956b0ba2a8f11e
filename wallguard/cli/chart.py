"""`wallguard chart`: its arguments."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.cli.shared import Commands, command


def add(commands: Commands) -> None:
    """Declare the command."""
    chart = command(
        commands,
        "chart",
        "show how walls of each thickness come out, and which are good to draw",
        "wallguard chart rules/petg.yaml",
        _chart,
    )
    chart.add_argument("rules", type=Path, metavar="RULES")
    chart.add_argument("--svg", type=Path, metavar="FILE", help="draw it, to pin to the wall")
    chart.add_argument("--png", type=Path, metavar="FILE", help="the same as PNG")
    chart.add_argument("--markdown", type=Path, metavar="FILE", help="write it as Markdown")


def _chart(arguments: argparse.Namespace) -> int:
    from wallguard.commands import chart

    text = chart.run(
        arguments.rules, svg=arguments.svg, png=arguments.png, markdown=arguments.markdown
    )
    print(text, end="")
    return 0
