"""`wallguard library`: its subcommands, a module each in `libraries`."""

from __future__ import annotations

from wallguard.commands.arguments import SUMMARIES, Commands
from wallguard.commands.libraries import catalogue, new, update


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "library",
        help=SUMMARIES["library"],
        description="Rule files that many repositories share.",
    )
    parts = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in (update, new, catalogue):
        module.add(parts)
