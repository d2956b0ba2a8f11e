"""`wallguard impact`: what a change of process does to the parts of a repository."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from functools import partial
from pathlib import Path

from wallguard.commands.arguments import Commands, command, jobs
from wallguard.commands.publish import Outputs, publish
from wallguard.findings.impact import Impact
from wallguard.jobs.impact import Processes, impact
from wallguard.reports import impact_console
from wallguard.reports.console import Progress


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
    parser.add_argument("--junit", type=Path, metavar="FILE", help="write JUnit XML")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write a Markdown summary")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write all changes as JSON")
    parser.add_argument(
        "--jobs", type=jobs, default=1, metavar="N", help="parts compared at a time (default 1)"
    )


def _command(arguments: argparse.Namespace) -> int:
    done = impact(
        Processes(arguments.old, arguments.new),
        arguments.paths,
        everything=arguments.all,
        jobs=arguments.jobs,
        watch=Progress,
    )
    return show(done, Outputs(arguments.junit, arguments.markdown, arguments.json))


def show(done: Impact, outputs: Outputs) -> int:
    """Print and write what was compared; returns the exit code: 0 nothing gets worse, 1 something
    does, 2 some part could not be compared.

    Raises InputError where a report cannot be written.
    """
    publish(partial(impact_console.text, done), _texts(done, outputs))
    return done.exit_code


def _texts(impact: Impact, outputs: Outputs) -> Iterable[tuple[Path, str]]:
    if outputs.junit:
        from wallguard.reports import impact_junit

        yield outputs.junit, impact_junit.xml(impact)
    if outputs.markdown:
        from wallguard.reports import impact_markdown

        yield outputs.markdown, impact_markdown.markdown(impact)
    if outputs.json:
        from wallguard.reports import impact_json

        yield outputs.json, impact_json.text(impact)
