"""`wallguard library`: its subcommands, a module each."""

from __future__ import annotations

from wallguard.commands.arguments import SUMMARIES, Commands
from wallguard.commands.library import catalogue, new, update


def add(commands: Commands) -> None:
    """Declare the command."""
    library = commands.add_parser(
        "library",
        help=SUMMARIES["library"],
        description="Rule files that many repositories share.",
    )
    parts = library.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in (update, new, catalogue):
        module.add(parts)
