"""`wallguard waive`: its arguments."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.cli.shared import Commands, command


def add(commands: Commands) -> None:
    """Declare the command."""
    waive = command(
        commands,
        "waive",
        "accept a finding, for a reason and until a day, in waivers.yaml",
        'wallguard waive 0a1b2c3d4e --why "glued in, carries nothing" --until 2031-05-31',
        _waive,
    )
    waive.add_argument("finding", metavar="ID", help="the finding's id, as reports show it")
    waive.add_argument("--why", required=True, metavar="TEXT", help="why it is accepted")
    waive.add_argument(
        "--until", required=True, metavar="YYYY-MM-DD", help="the last day on which this holds"
    )
    waive.add_argument(
        "--who", metavar="NAME", help="who accepts it (default: the name git commits under)"
    )
    waive.add_argument("--issue", default="", metavar="URL", help="where it is followed up")
    waive.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="JSON report with the finding (default: parts are checked until it is found)",
    )


def _waive(arguments: argparse.Namespace) -> int:
    from wallguard.commands import waive

    print(
        waive.run(
            arguments.finding,
            why=arguments.why,
            until=arguments.until,
            who=arguments.who,
            issue=arguments.issue,
            report=arguments.report,
        ),
        end="",
    )
    return 0
