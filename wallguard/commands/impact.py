"""`wallguard impact`: what a change of process does to the parts of a repository."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.commands import publish
from wallguard.commands.arguments import Commands, add_how, command, how
from wallguard.commands.publish import Outputs
from wallguard.findings.impact import Impact, Process
from wallguard.findings.model import Trouble
from wallguard.jobs.impact import Processes, impact
from wallguard.reports.console import Progress
from wallguard.reports.formats import Setting


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "impact",
        "wallguard impact --from rules/petg.yaml --to rules/petg-after-update.yaml",
        _command,
    )
    parser.add_argument("paths", nargs="*", type=Path, metavar="PATH", help="parts and folders")
    parser.add_argument(
        "--from", dest="old", type=Path, required=True, metavar="RULES", help="the process as it is"
    )
    parser.add_argument(
        "--to", dest="new", type=Path, required=True, metavar="RULES", help="as it would become"
    )
    parser.add_argument(
        "--all", action="store_true", help="every part, whatever rules it answers to"
    )
    publish.declare(parser, "impact")
    add_how(parser, "parts compared")


def _command(arguments: argparse.Namespace) -> int:
    outputs = publish.outputs(arguments, "impact")
    processes, way = Processes(arguments.old, arguments.new), how(arguments)
    setting = Setting(Path())
    try:
        done = impact(processes, arguments.paths, everything=arguments.all, how=way, watch=Progress)
        if outputs.path("customer"):
            from wallguard.jobs.impact_views import views_of

            views, rules = views_of(done, processes, way)
            setting = Setting(Path(), views=views, rules=rules)
    except InputError as error:
        # The files say so too: a report of an earlier run must not stand for this one.
        before, after = Process(str(arguments.old), ""), Process(str(arguments.new), "")
        troubles = (Trouble(error.path, str(error)),)
        done = Impact(before, after, (), troubles=troubles, version=__version__)
    return show(done, outputs, setting)


def show(done: Impact, outputs: Outputs, setting: Setting | None = None) -> int:
    """Print and write what was compared; returns the exit code: 0 nothing gets worse, 1 something
    does, 2 some part could not be compared.

    Raises InputError where a report cannot be written.
    """
    publish.publish("impact", done, outputs, setting)
    return done.exit_code
