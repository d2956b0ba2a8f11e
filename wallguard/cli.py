"""The command line: parses, calls a command, prints what it returns, and chooses the exit code.

Nothing heavy is imported before a command needs it, so that `--version`, help and a commit that
touches no part cost no more than starting Python.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn, TypeAlias

from wallguard import __version__
from wallguard.errors import InputError

DESCRIPTION = """\
Check the walls of 3D-printed parts before they are printed.

A rule file describes one printer, material and settings: how thick its beads are, how walls of
each thickness come out, and what a part must not fall below. wallguard cuts a part into layers,
measures every wall and gap in them, and says which will come out hollow, too thick, too thin or
not at all, where, and what to draw instead.
"""

EPILOG = """\
exit codes: 0 passed, 1 findings that fail, 2 could not do the job (for some file)

A pass says something about a part's geometry. It never says that a part is safe to use.
"""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        self.exit(2, f"wallguard: {message}\nTry: {self.prog} --help\n")


_Commands: TypeAlias = "argparse._SubParsersAction[_Parser]"


def _parser() -> _Parser:
    parser = _Parser(
        prog="wallguard",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"wallguard {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_check(commands)
    _add_walls(commands)
    _add_chart(commands)
    _add_init(commands)
    _add_schema(commands)
    _add_comment(commands)
    return parser


def _command(
    commands: _Commands,
    name: str,
    summary: str,
    example: str,
    run: Callable[[argparse.Namespace], int],
) -> _Parser:
    command = commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=f"example:\n  {example}\n",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.set_defaults(run=run)
    return command


def _add_check(commands: _Commands) -> None:
    check = _command(
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
        "--jobs",
        type=_jobs,
        default=1,
        metavar="N",
        help="parts checked at a time (0: one for each processor; default 1)",
    )


def _add_walls(commands: _Commands) -> None:
    walls = _command(
        commands,
        "walls",
        "list every distinct wall of a part: thickness, length, height, place, outcome",
        "wallguard walls bracket.stl --rules rules/petg.yaml",
        _walls,
    )
    walls.add_argument("part", type=Path, metavar="PART")
    walls.add_argument("--rules", type=Path, metavar="FILE", help="say how each wall comes out")
    walls.add_argument("--json", action="store_true", help="print JSON instead of a table")
    walls.add_argument(
        "--up-to",
        type=_positive,
        default=20.0,
        metavar="MM",
        help="the thickest wall to list (default 20 mm)",
    )
    walls.add_argument(
        "--layer-height",
        type=_positive,
        default=0.2,
        metavar="MM",
        help="where no rules give one (default 0.2 mm)",
    )


def _add_chart(commands: _Commands) -> None:
    chart = _command(
        commands,
        "chart",
        "show how walls of each thickness come out, and which are good to draw",
        "wallguard chart rules/petg.yaml",
        _chart,
    )
    chart.add_argument("rules", type=Path, metavar="RULES")


def _add_init(commands: _Commands) -> None:
    init = _command(
        commands,
        "init",
        "write a commented wallguard.yaml, a first rule file and the hook's configuration",
        "wallguard init --nozzle 0.4 --layer-height 0.2",
        _init,
    )
    init.add_argument("folder", nargs="?", type=Path, default=Path(), metavar="FOLDER")
    init.add_argument("--nozzle", type=_positive, metavar="MM", help="nozzle diameter")
    init.add_argument("--layer-height", type=_positive, metavar="MM", help="layer height")
    init.add_argument(
        "--category",
        metavar="CATEGORY",
        help="'material extrusion', 'vat photopolymerization' or 'powder bed fusion'",
    )


def _add_schema(commands: _Commands) -> None:
    schema = _command(
        commands,
        "schema",
        "print a JSON Schema, so that editors complete and check files",
        "wallguard schema rules > wallguard-rules.schema.json",
        _schema,
    )
    schema.add_argument(
        "which", nargs="?", default="rules", choices=("rules", "repository", "report")
    )


def _add_comment(commands: _Commands) -> None:
    comment = _command(
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


def _pull_request(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 0 < int(text) < 10**15):
        raise argparse.ArgumentTypeError(f"{text!r} is not the number of a pull request")
    return int(text)


def _jobs(text: str) -> int:
    try:
        jobs = int(text)
    except ValueError:
        jobs = -1
    if jobs < 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of jobs: 0, 1, 2, ...")
    return jobs or os.cpu_count() or 1


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e6:
        raise argparse.ArgumentTypeError(f"{text!r} is not a length in mm above zero")
    return value


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
        ),
        jobs=arguments.jobs,
    )


def _walls(arguments: argparse.Namespace) -> int:
    from wallguard.commands import walls

    print(
        walls.run(
            arguments.part,
            rules=arguments.rules,
            as_json=arguments.json,
            up_to=arguments.up_to,
            layer_height=arguments.layer_height,
        ),
        end="",
    )
    return 0


def _chart(arguments: argparse.Namespace) -> int:
    from wallguard.commands import chart

    print(chart.run(arguments.rules), end="")
    return 0


def _init(arguments: argparse.Namespace) -> int:
    from wallguard.commands import init

    ask = _ask if sys.stdin.isatty() and sys.stdout.isatty() else None
    lines = init.run(
        arguments.folder,
        nozzle=arguments.nozzle,
        layer_height=arguments.layer_height,
        category=arguments.category,
        ask=ask,
    )
    print("\n".join(lines))
    return 0


def _ask(question: str, default: str) -> str:
    return input(f"{question} [{default}]: ").strip() or default


def _schema(arguments: argparse.Namespace) -> int:
    from wallguard.commands import schema

    print(schema.run(arguments.which), end="")
    return 0


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


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    for stream in (sys.stdout, sys.stderr):
        # File names may hold what the terminal cannot show.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    arguments = _parser().parse_args(argv)
    run: Callable[[argparse.Namespace], int] = arguments.run
    try:
        return run(arguments)
    except InputError as error:
        print(f"wallguard: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("wallguard: interrupted; no report was written", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # Whoever read our output has closed it; Python must not complain at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 2


if __name__ == "__main__":
    sys.exit(main())
