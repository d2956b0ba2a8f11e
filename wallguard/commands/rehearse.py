"""`wallguard rehearse`: what an update of slicing software does to parts, before anybody prints."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.commands import publish
from wallguard.commands.arguments import Commands, add_how, command, how
from wallguard.findings.impact import Process
from wallguard.findings.model import Trouble
from wallguard.findings.rehearsal import Rehearsal
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
    parser.add_argument("rules", type=Path, metavar="RULES", help="of the process as it is")
    parser.add_argument("paths", nargs="*", type=Path, metavar="PATH", help="parts and folders")
    parser.add_argument(
        "--toolpath",
        action="append",
        type=Path,
        required=True,
        metavar="AFTER",
        help="of the coupon, as the new release makes it; again for another printer or profile",
    )
    then = parser.add_mutually_exclusive_group()
    then.add_argument(
        "--base",
        metavar="REV",
        help="take each toolpath as it was where this branch left that revision for the one of "
        "before",
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
    from wallguard.jobs.rehearse import Update, rehearse

    outputs = publish.outputs(arguments, "rehearsal")
    update = Update(
        arguments.rules,
        tuple(arguments.toolpath),
        arguments.coupon,
        tuple(arguments.before),
        arguments.base,
    )
    try:
        done = rehearse(
            update,
            arguments.paths,
            everything=arguments.all,
            how=how(arguments),
            watch=Progress,
        )
    except InputError as error:
        # The files say so too: a report of an earlier run must not stand for this one.
        done = undone(arguments.rules, error)
    publish.publish("rehearsal", done, outputs)
    return done.exit_code


def undone(rules: Path, error: InputError) -> Rehearsal:
    """A rehearsal that could not be done at all."""
    trouble = Trouble(error.path, str(error))
    return Rehearsal(Process(str(rules), ""), "", (), (trouble,), version=__version__)
