"""The command line: parses, calls a command, prints what it returns, and chooses the exit code.

The first word chooses the one module that is imported, so that `--version` and help cost little
more than starting Python. Commands import what is heavy inside functions, so that their help and a
commit that touches no part cost little too.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from importlib import import_module

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.commands.arguments import SUMMARIES, Parser

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


def _parser(first: str) -> Parser:
    """The parser of the command named `first`; of all commands where it names none."""
    parser = Parser(
        prog="wallguard",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"wallguard {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    if first in SUMMARIES:
        import_module(f"wallguard.commands.{first}").add(commands)
        return parser
    for name, summary in SUMMARIES.items():
        commands.add_parser(name, help=summary)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    for stream in (sys.stdout, sys.stderr):
        # File names may hold what the terminal cannot show.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    words = sys.argv[1:] if argv is None else argv
    arguments = _parser(words[0] if words else "").parse_args(words)
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
