"""`wallguard impact`: its arguments."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.cli.shared import Commands, command, jobs


def add(commands: Commands) -> None:
    """Declare the command."""
    impact = command(
        commands,
        "impact",
        "show which walls change outcome between two processes, before an update is rolled out",
        "wallguard impact --from rules/petg.yaml --to rules/petg-after-update.yaml",
        _impact,
    )
    impact.add_argument("paths", nargs="*", type=Path, metavar="PATH", help="parts and folders")
    impact.add_argument(
        "--from", dest="old", type=Path, required=True, metavar="RULES", help="the process as it is"
    )
    impact.add_argument(
        "--to", dest="new", type=Path, required=True, metavar="RULES", help="as it would become"
    )
    impact.add_argument(
        "--all", action="store_true", help="every part, whatever rules it answers to"
    )
    impact.add_argument("--junit", type=Path, metavar="FILE", help="write JUnit XML")
    impact.add_argument("--markdown", type=Path, metavar="FILE", help="write a Markdown summary")
    impact.add_argument("--json", type=Path, metavar="FILE", help="write all changes as JSON")
    impact.add_argument(
        "--jobs", type=jobs, default=1, metavar="N", help="parts compared at a time (default 1)"
    )


def _impact(arguments: argparse.Namespace) -> int:
    from wallguard.commands import impact
    from wallguard.commands.publish import Outputs

    return impact.run(
        arguments.old,
        arguments.new,
        arguments.paths,
        everything=arguments.all,
        outputs=Outputs(arguments.junit, arguments.markdown, arguments.json),
        jobs=arguments.jobs,
    )
