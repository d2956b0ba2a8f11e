"""What the commands' parsers share: how a command is declared, and kinds of argument."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from typing import NoReturn, TypeAlias


class Parser(argparse.ArgumentParser):
    """A parser that says in one line what is wrong with the words, and ends with 2."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"wallguard: {message}\nTry: {self.prog} --help\n")


Commands: TypeAlias = "argparse._SubParsersAction[Parser]"


def command(
    commands: Commands,
    name: str,
    summary: str,
    example: str,
    run: Callable[[argparse.Namespace], int],
) -> Parser:
    """Declare a command: what it does in one line, an example, and what runs it."""
    added = commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=f"example:\n  {example}\n",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    added.set_defaults(run=run)
    return added


def jobs(text: str) -> int:
    """A number of processes; 0 is one for each processor."""
    try:
        count = int(text)
    except ValueError:
        count = -1
    if count < 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of jobs: 0, 1, 2, ...")
    return count or os.cpu_count() or 1


def length(text: str) -> float:
    """A length in mm above zero."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e6:
        raise argparse.ArgumentTypeError(f"{text!r} is not a length in mm above zero")
    return value
