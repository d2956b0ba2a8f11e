"""`wallguard check`: choose parts, check them against their rules, and write the reports."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.base.rotation import rotation_from_up
from wallguard.base.units import MILLIMETRES
from wallguard.commands import publish
from wallguard.commands.arguments import Commands, add_how, command, how
from wallguard.commands.publish import Outputs
from wallguard.jobs.choose import Asked, How
from wallguard.jobs.design import Lying
from wallguard.jobs.review import review
from wallguard.reports.console import Progress
from wallguard.reports.formats import Setting
from wallguard.repository.entry import DIRECTIONS


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "check",
        "wallguard check --changed-since origin/main --junit walls.xml --markdown walls.md",
        _command,
    )
    parser.add_argument(
        "paths",
        nargs="*",
        type=Path,
        metavar="PATH",
        help="parts, rule files or folders; without any: what changed, else all",
    )
    parser.add_argument(
        "--rules",
        action="append",
        type=Path,
        default=[],
        metavar="FILE",
        help="check against this rule file, whatever wallguard.yaml says (may be repeated)",
    )
    parser.add_argument(
        "--unit",
        choices=tuple(MILLIMETRES),
        help="with --rules: what parts are drawn in whose format carries no unit",
    )
    parser.add_argument(
        "--up",
        choices=tuple(DIRECTIONS),
        help="with --rules: the parts' own direction that is up on the printer, as in --up=-z",
    )
    which = parser.add_mutually_exclusive_group()
    which.add_argument(
        "--changed-since", metavar="REV", help="parts that changed since this git revision"
    )
    which.add_argument(
        "--staged", action="store_true", help="parts staged for the next commit, as staged"
    )
    which.add_argument("--all", action="store_true", help="every part of the repository")
    parser.add_argument(
        "--base",
        metavar="REV",
        help="tell what is new, fixed and unchanged against the place where this branch left this "
        "git revision, each checked against its own rules",
    )
    parser.add_argument(
        "--gate",
        choices=("new", "all"),
        help="which findings fail: those that are new, or worse, against the base, or all "
        "(default: what wallguard.yaml says, else all)",
    )
    publish.declare(parser, "check")
    parser.add_argument(
        "--brief",
        action="store_true",
        help="print a few lines at most, however many findings there are",
    )
    add_how(parser, "parts checked")


def _command(arguments: argparse.Namespace) -> int:
    if (arguments.unit or arguments.up) and not arguments.rules:
        raise InputError(
            "--unit" if arguments.unit else "--up",
            "how a part lies is said in wallguard.yaml, but for rules that are named",
            remedy="Write it there, beside the part's pattern, or name a rule file with --rules",
        )
    asked = Asked(
        tuple(arguments.paths),
        rules=tuple(arguments.rules),
        changed_since=arguments.changed_since,
        staged=arguments.staged,
        everything=arguments.all,
        base=arguments.base,
        gate=arguments.gate,
        lying=Lying(
            arguments.unit, rotation_from_up(DIRECTIONS[arguments.up]) if arguments.up else None
        ),
    )
    outputs = publish.outputs(arguments, "check")
    return run(asked, how(arguments), outputs, brief=arguments.brief)


def run(
    asked: Asked, way: How | None = None, outputs: Outputs | None = None, *, brief: bool = False
) -> int:
    """Check and report; returns the exit code: 0 passed, 1 findings that fail, 2 could not.

    brief  print a few lines at most

    Raises InputError where nothing can be checked at all, or where a report cannot be written.
    """
    outputs = outputs or Outputs()
    with publish.undone_is_reported("check", outputs, Setting(Path())):
        done = review(asked, replace(way or How(), views=outputs.views), Progress)
    setting = Setting(Path(), folder=done.folder, rules=done.rules)
    publish.publish("check", done.report, outputs, setting, brief=brief)
    return done.report.exit_code
