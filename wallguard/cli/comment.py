"""`wallguard comment`: its arguments."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from wallguard.cli.shared import Commands, command


def add(commands: Commands) -> None:
    """Declare the command."""
    comment = command(
        commands,
        "comment",
        "put a report on its pull request, in one comment that later runs update",
        "wallguard comment walls.json --artifacts https://ci.example.org/runs/7",
        _comment,
    )
    comment.add_argument(
        "report", type=Path, metavar="REPORT", help="what `wallguard check --json` wrote"
    )
    comment.add_argument(
        "--forge",
        choices=("github", "gitlab"),
        default="",
        help="whose REST API it is; github also for forges that speak its dialect",
    )
    comment.add_argument("--base-url", default="", metavar="URL", help="where the REST API is")
    comment.add_argument(
        "--repository", default="", metavar="NAME", help="OWNER/NAME, or a project's number or path"
    )
    comment.add_argument(
        "--pull-request", type=_pull_request, default=0, metavar="N", help="its number"
    )
    comment.add_argument(
        "--artifacts", default="", metavar="URL", help="where the files of this run are"
    )
    comment.add_argument(
        "--name",
        default="walls",
        help="tells several comments on one pull request apart (default walls)",
    )
    comment.add_argument("--dry-run", action="store_true", help="print the comment, send nothing")
    comment.add_argument("--output", type=Path, metavar="FILE", help="write the comment to a file")
    comment.epilog = (
        f"{comment.epilog}\n"
        "What is not given is taken from the CI service's environment variables. The token comes\n"
        "from GITHUB_TOKEN or GITLAB_TOKEN and is never shown.\n"
    )


def _comment(arguments: argparse.Namespace) -> int:
    from wallguard.commands import comment

    target = comment.Target(
        forge=arguments.forge,
        base=arguments.base_url,
        repository=arguments.repository,
        number=arguments.pull_request,
        artifacts=arguments.artifacts,
        name=arguments.name,
    )
    return comment.run(
        arguments.report,
        target,
        dry_run=arguments.dry_run,
        output=arguments.output,
        environment=os.environ,
    )


def _pull_request(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 0 < int(text) < 10**15):
        raise argparse.ArgumentTypeError(f"{text!r} is not the number of a pull request")
    return int(text)
