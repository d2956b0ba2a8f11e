"""`wallguard rehearse`: what an update of slicing software does to parts, before anybody prints."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.commands import publish
from wallguard.commands.arguments import Commands, add_how, command, how
from wallguard.findings.model import Trouble
from wallguard.findings.rehearsal import Rehearsal
from wallguard.jobs.source import YAML
from wallguard.reports.console import Progress


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "rehearse",
        "wallguard rehearse rules/petg.yaml --toolpath coupon/after.gcode "
        "--before coupon/before.gcode",
        _command,
    )
    parser.mixed = True
    parser.add_argument(
        "names",
        nargs="*",
        type=Path,
        metavar="RULES_OR_PART",
        help="rule files of processes as they are (.yaml), then parts and folders; without rules "
        "those under `coupons` in wallguard.yaml whose toolpath changed, each with its own parts",
    )
    parser.add_argument(
        "--toolpath",
        action="append",
        type=Path,
        default=[],
        metavar="AFTER",
        help="of the coupon of one rule file, as the new release makes it; again for another "
        "profile (default: as wallguard.yaml says)",
    )
    then = parser.add_mutually_exclusive_group()
    then.add_argument(
        "--base",
        metavar="REV",
        help="take each toolpath as it was where this branch left that revision for the one of "
        "before (default, where wallguard.yaml names them: HEAD)",
    )
    then.add_argument(
        "--before",
        action="append",
        type=Path,
        default=[],
        metavar="BEFORE",
        help="of the coupon, as it is made now: whether the rules describe that is told first (one "
        "for all, or one for each --toolpath)",
    )
    parser.add_argument(
        "--coupon",
        type=Path,
        metavar="FOLDER",
        help="the coupon that they make (default: the toolpath's folder, or `coupon`)",
    )
    parser.add_argument(
        "--all", action="store_true", help="every part, whatever rules it answers to"
    )
    publish.declare(parser, "rehearsal")
    add_how(parser, "parts compared")


def _command(arguments: argparse.Namespace) -> int:
    outputs = publish.outputs(arguments, "rehearsal")
    try:
        done = _rehearsed(arguments)
    except InputError as error:
        # The files say so too: a report of an earlier run must not stand for this one.
        trouble = Trouble(error.path, str(error))
        done = Rehearsal((), troubles=(trouble,), version=__version__)
    publish.publish("rehearsal", done, outputs)
    return done.exit_code


def _rehearsed(arguments: argparse.Namespace) -> Rehearsal:
    """Raises InputError where it cannot be done at all."""
    from wallguard.jobs.rehearse import Update, rehearse, rehearse_changed

    rules = [name for name in arguments.names if name.suffix.lower() in YAML]
    paths = [name for name in arguments.names if name not in rules]
    more = {"everything": arguments.all, "how": how(arguments), "watch": Progress}
    if not arguments.toolpath:
        for option, given in (("--before", arguments.before), ("--coupon", arguments.coupon)):
            if given:
                problem = "given, but no --toolpath"
                raise InputError(option, problem, remedy="Name RULES and --toolpath, too")
        return rehearse_changed(rules, paths, base=arguments.base, **more)
    if len(rules) != 1:
        raise InputError(
            "--toolpath",
            f"given for {len(rules)} rule files",
            remedy="Name one rule file, or several under `coupons` in wallguard.yaml, and no "
            "--toolpath",
        )
    update = Update(
        rules[0],
        tuple(arguments.toolpath),
        arguments.coupon,
        tuple(arguments.before),
        arguments.base,
    )
    return rehearse(update, paths, **more)
