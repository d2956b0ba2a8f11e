"""`wallguard check`: choose parts, check them against their rules, and write the reports."""

from __future__ import annotations

import argparse
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from wallguard.commands.arguments import Commands, command, jobs
from wallguard.commands.publish import Text, publish
from wallguard.commands.show import ShownOutputs, links, page, pictures, ready
from wallguard.jobs.choose import Asked, How
from wallguard.jobs.review import Review, review
from wallguard.reports import console


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
    parser.add_argument("--junit", type=Path, metavar="FILE", help="write JUnit XML")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write a Markdown summary")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the full report as JSON")
    parser.add_argument(
        "--sarif", type=Path, metavar="FILE", help="write SARIF, for code-scanning services"
    )
    parser.add_argument(
        "--code-quality", type=Path, metavar="FILE", help="write code-quality JSON, for merges"
    )
    parser.add_argument(
        "--annotations",
        action="store_true",
        help="also print workflow commands, which CI services show beside the files",
    )
    parser.add_argument(
        "--html", type=Path, metavar="FILE", help="write one page for a browser, parts in space"
    )
    parser.add_argument(
        "--pictures",
        type=Path,
        metavar="DIR",
        help="write the section around each finding, as SVG and PNG",
    )
    parser.add_argument(
        "--jobs",
        type=jobs,
        default=1,
        metavar="N",
        help="parts checked at a time (0: one for each processor; default 1)",
    )


def _command(arguments: argparse.Namespace) -> int:
    asked = Asked(
        tuple(arguments.paths),
        rules=tuple(arguments.rules),
        changed_since=arguments.changed_since,
        staged=arguments.staged,
        everything=arguments.all,
        base=arguments.base,
        gate=arguments.gate,
    )
    outputs = CheckOutputs(
        junit=arguments.junit,
        markdown=arguments.markdown,
        json=arguments.json,
        sarif=arguments.sarif,
        code_quality=arguments.code_quality,
        annotations=arguments.annotations,
        pictures=arguments.pictures,
        html=arguments.html,
    )
    return run(asked, How(arguments.jobs), outputs)


@dataclass(frozen=True)
class CheckOutputs(ShownOutputs):
    """Also for services that show findings beside the files; `annotations` go to the terminal."""

    sarif: Path | None = None
    code_quality: Path | None = None
    annotations: bool = False


def run(asked: Asked, how: How | None = None, outputs: CheckOutputs | None = None) -> int:
    """Check and report; returns the exit code: 0 passed, 1 findings that fail, 2 could not.

    Raises InputError where nothing can be checked at all, or where a report cannot be written.
    """
    outputs = outputs or CheckOutputs()
    ready(outputs)
    how = replace(how or How(), views=outputs.views)
    done = review(asked, how, console.Progress)
    shown: Text = partial(console.text, done.report)
    if outputs.annotations:
        shown = partial(_annotated, done)
    publish(shown, _files(done, outputs))
    return done.report.exit_code


def _annotated(done: Review, *, width: int, colour: bool) -> str:
    from wallguard.reports import annotations

    shown = console.text(done.report, width=width, colour=colour)
    return annotations.fenced(shown, secrets.token_hex(16)) + annotations.text(
        done.report, folder=done.folder
    )


def _files(done: Review, outputs: CheckOutputs) -> Iterable[tuple[Path, str | bytes]]:
    report, folder = done.report, done.folder
    if outputs.junit:
        from wallguard.reports import junit

        yield outputs.junit, junit.xml(report)
    if outputs.markdown:
        from wallguard.reports import markdown

        where = links(report, outputs.pictures, outputs.markdown) if outputs.pictures else {}
        yield outputs.markdown, markdown.markdown(report, pictures=where)
    if outputs.json:
        from wallguard.reports import json_report

        yield outputs.json, json_report.text(report)
    if outputs.sarif:
        from wallguard.reports import sarif

        yield outputs.sarif, sarif.text(report, folder=folder)
    if outputs.code_quality:
        from wallguard.reports import code_quality

        yield outputs.code_quality, code_quality.text(report, folder=folder)
    if outputs.pictures:
        yield from pictures(report, outputs.pictures)
    if outputs.html:
        yield outputs.html, page(report, done.rules)
