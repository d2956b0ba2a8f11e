"""`wallguard check`: its arguments."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.cli.shared import Commands, command, jobs


def add(commands: Commands) -> None:
    """Declare the command."""
    check = command(
        commands,
        "check",
        "check parts against the rule files they answer to",
        "wallguard check --changed-since origin/main --junit walls.xml --markdown walls.md",
        _check,
    )
    check.add_argument(
        "paths",
        nargs="*",
        type=Path,
        metavar="PATH",
        help="parts, rule files or folders; without any: what changed, else all",
    )
    check.add_argument(
        "--rules",
        action="append",
        type=Path,
        default=[],
        metavar="FILE",
        help="check against this rule file, whatever wallguard.yaml says (may be repeated)",
    )
    which = check.add_mutually_exclusive_group()
    which.add_argument(
        "--changed-since", metavar="REV", help="parts that changed since this git revision"
    )
    which.add_argument(
        "--staged", action="store_true", help="parts staged for the next commit, as staged"
    )
    which.add_argument("--all", action="store_true", help="every part of the repository")
    check.add_argument(
        "--base",
        metavar="REV",
        help="tell what is new, fixed and unchanged against the place where this branch left this "
        "git revision; both are checked against the rules as they are now",
    )
    check.add_argument(
        "--gate",
        choices=("new", "all"),
        help="which findings fail: those that are new, or worse, against the base, or all "
        "(default: what wallguard.yaml says, else all)",
    )
    check.add_argument("--junit", type=Path, metavar="FILE", help="write JUnit XML")
    check.add_argument("--markdown", type=Path, metavar="FILE", help="write a Markdown summary")
    check.add_argument("--json", type=Path, metavar="FILE", help="write the full report as JSON")
    check.add_argument(
        "--sarif", type=Path, metavar="FILE", help="write SARIF, for code-scanning services"
    )
    check.add_argument(
        "--code-quality", type=Path, metavar="FILE", help="write code-quality JSON, for merges"
    )
    check.add_argument(
        "--annotations",
        action="store_true",
        help="also print workflow commands, which CI services show beside the files",
    )
    check.add_argument(
        "--html", type=Path, metavar="FILE", help="write one page for a browser, parts in space"
    )
    check.add_argument(
        "--pictures",
        type=Path,
        metavar="DIR",
        help="write the section around each finding, as SVG and PNG",
    )
    check.add_argument(
        "--jobs",
        type=jobs,
        default=1,
        metavar="N",
        help="parts checked at a time (0: one for each processor; default 1)",
    )


def _check(arguments: argparse.Namespace) -> int:
    from wallguard.commands import check

    return check.run(
        arguments.paths,
        rules=arguments.rules,
        changed_since=arguments.changed_since,
        staged=arguments.staged,
        everything=arguments.all,
        base=arguments.base,
        gate=arguments.gate,
        outputs=check.CheckOutputs(
            junit=arguments.junit,
            markdown=arguments.markdown,
            json=arguments.json,
            sarif=arguments.sarif,
            code_quality=arguments.code_quality,
            annotations=arguments.annotations,
            pictures=arguments.pictures,
            html=arguments.html,
        ),
        jobs=arguments.jobs,
    )
