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
from contextlib import suppress
from importlib import import_module

from wallguard import __version__
from wallguard.base.errors import InputError, unforeseen
from wallguard.base.plain import lines, one_line, plain
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
    parser.set_defaults(debug=False)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    if first in SUMMARIES:
        import_module(f"wallguard.commands.{first}").add(commands)
        return parser
    for name, summary in SUMMARIES.items():
        commands.add_parser(name, help=summary)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    _open_streams()
    words = sys.argv[1:] if argv is None else argv
    arguments, unknown = _parser(words[0] if words else "").parse_known_args(words)
    if unknown:
        # By the command's own parser, so that its help is named and not the program's.
        arguments.refuse(f"unrecognized arguments: {' '.join(unknown)}")
    run: Callable[[argparse.Namespace], int] = arguments.run
    try:
        code = run(arguments)
        # What is still held back would be written when Python ends, where nobody hears of it.
        sys.stdout.flush()
        return code
    except InputError as error:
        _complain(_cleaned(error))
        return 2
    except KeyboardInterrupt:
        _complain("interrupted; no report was written")
        return 130
    except BrokenPipeError:
        # Whoever read our output has closed it; Python must not complain at exit.
        _discard_output()
        return 2
    except Exception as error:  # whatever it is: 1 would say that there are findings
        if isinstance(error, OSError) and error.filename is None:
            _discard_output()  # it may be full
        if arguments.debug:
            _trace()
        else:
            _complain(_unexpected(error))
        return 2


def _open_streams() -> None:
    """Standard output and error that take what is written, even where the caller closed them."""
    for number, name in ((1, "stdout"), (2, "stderr")):
        if getattr(sys, name) is None:
            # Also for programs that are started, and so that no file gets this number.
            with suppress(OSError):
                os.fstat(number)
                continue
            closed = os.open(os.devnull, os.O_WRONLY)
            if closed != number:
                os.dup2(closed, number)
                os.close(closed)
            setattr(sys, name, os.fdopen(number, "w", encoding="utf-8"))
    for stream in (sys.stdout, sys.stderr):
        # File names may hold what the terminal cannot show.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def _complain(message: str) -> None:
    """A last word on standard error, where that takes one."""
    with suppress(OSError, ValueError):
        print(f"wallguard: {message}", file=sys.stderr, flush=True)


def _cleaned(error: InputError) -> str:
    """The message, of which no line can pass for a line of another kind: names in it are those of
    somebody's files, and a service may read each line for commands."""
    first, *more = lines(str(error).replace(error.path, plain(error.path)))
    odd = ("::", "##[")
    return "\n".join(
        [first, *(f"wallguard: {line}" if line.lstrip().startswith(odd) else line for line in more)]
    )


def _unexpected(error: Exception) -> str:
    """One line for what nobody foresaw, or for output that cannot be written."""
    if isinstance(error, OSError) and error.filename is None:
        return f"output cannot be written: {one_line(str(error))[:300]}"
    return f"{unforeseen(error)}. --debug shows all of it; please report it"


def _discard_output() -> None:
    """Let what could not be written go, so that Python does not try once more at its end."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _trace() -> None:
    import traceback

    with suppress(OSError, ValueError):
        traceback.print_exc()
