"""`wallguard coupon`: its subcommands, a module each."""

from __future__ import annotations

from wallguard.commands.arguments import SUMMARIES, Commands
from wallguard.commands.coupon import drift, fit, make, next


def add(commands: Commands) -> None:
    """Declare the command."""
    coupon = commands.add_parser(
        "coupon",
        help=SUMMARIES["coupon"],
        description="Characterise a process: make a coupon, print and measure it, fit the rules.",
    )
    parts = coupon.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in (make, fit, next, drift):
        module.add(parts)
