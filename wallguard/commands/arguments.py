"""What the commands' parsers share: how a command is declared, and kinds of argument."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, TypeAlias

from wallguard.base.plain import capital, nearest, plain
from wallguard.base.text import number
from wallguard.jobs import limits
from wallguard.jobs.machine import processors

if TYPE_CHECKING:
    from wallguard.jobs.choose import How


class Parser(argparse.ArgumentParser):
    """A parser that says in one line what is wrong with the words, and ends with 2."""

    # Whether names may stand between options and behind them, too.
    mixed = False

    def parse_known_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        if not self.mixed:
            return super().parse_known_args(args, namespace)
        self.mixed = False  # what is called here calls this again
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self.mixed = True

    def error(self, message: str) -> NoReturn:
        # Words may be names of somebody's files.
        self.exit(2, f"wallguard: {plain(message)}{_meant(message)}\nTry: {self.prog} --help\n")


# How argparse says that a word is none of those that there are, which it quotes up to 3.11.
_NO_CHOICE = re.compile(r"invalid choice: '(.*)' \(choose from (.*)\)$", re.DOTALL)


def _meant(message: str) -> str:
    """Which word may have been meant by one that there is not; of a letter or two nobody knows."""
    said = _NO_CHOICE.search(message)
    if said is None or len(said[1]) < 3:
        return ""
    near = nearest(said[1], tuple(word.strip(" '") for word in said[2].split(",")))
    return f". The nearest is {near}" if near else ""


Commands: TypeAlias = "argparse._SubParsersAction[Parser]"


# Every command is the module of its name, in the order of the help, and what it does in one line.
SUMMARIES = {
    "check": "check parts against the rule files they answer to",
    "waive": "accept a finding, for a reason and until a day, in waivers.yaml",
    "walls": "list every distinct wall of a part: thickness, length, height, place, outcome",
    "scale": "show at which reduction a model drawn at full size comes out, and what holds it back",
    "chart": "show how walls of each thickness come out, and which are good to draw",
    "init": "write a commented wallguard.yaml, a first rule file and the hook's configuration",
    "coupon": "make a test part, and a rule file from what callipers read on it",
    "impact": "show which walls a change of process changes, before an update is rolled out",
    "rehearse": "show what a slicing-software update does to parts, from its toolpath of a coupon",
    "library": "share rule files between repositories: fetch a library, or make one",
    "toolpath": "verify a toolpath against its part: what becomes of every wall",
    "comment": "put a report on its pull request, in one comment that later runs update",
    "schema": "print a JSON Schema, so that editors complete and check files",
}


def command(
    commands: Commands,
    name: str,
    example: str,
    run: Callable[[argparse.Namespace], int],
    *,
    summary: str = "",
) -> Parser:
    """Declare a command: an example, what runs it, and what it does if not in `SUMMARIES`."""
    summary = summary or SUMMARIES[name]
    added = commands.add_parser(
        name,
        help=summary,
        description=f"{capital(summary)}.",
        epilog=f"example:\n  {example}\n",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    # Hidden: it is of use to whoever mends wallguard.
    added.add_argument("--debug", action="store_true", help=argparse.SUPPRESS)
    added.set_defaults(run=run, refuse=added.error)
    return added


def add_jobs(parser: Parser, what: str) -> None:
    """Give a command the option that says how many of `what` are done at a time."""
    parser.add_argument(
        "--jobs",
        type=jobs,
        default="0",
        metavar="N",
        help=f"{what} at a time (default 0: one for each processor)",
    )


def add_how(parser: Parser, what: str) -> None:
    """Give a command the options that say how parts are checked; `how` reads them."""
    add_jobs(parser, what)
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="on the workers of this Dask scheduler, such as tcp://host:8786, not on this machine",
    )
    add_limits(parser, "one part", ", for each rule file")
    which = parser.add_mutually_exclusive_group()
    which.add_argument(
        "--cache",
        type=Path,
        metavar="DIR",
        help="where what was found out is kept, so that it is not worked out again (default: a "
        "folder among the user's own)",
    )
    which.add_argument(
        "--no-cache", action="store_true", help="work everything out anew, and keep nothing"
    )


def add_limits(parser: Parser, what: str, times: str = "") -> None:
    """Give a command the options that say what one of `what` may take; `allowed` reads them."""
    parser.add_argument(
        "--part-timeout",
        type=above_zero,
        metavar="S",
        help=f"seconds of the processor's time that {what} may take, or it is an error (default: "
        f"{limits.SECONDS:g} and {limits.SECONDS_PER_MB:g} for each MB of its file{times})",
    )
    parser.add_argument(
        "--part-memory",
        type=above_zero,
        metavar="MB",
        help=f"memory that {what} may take (default: {limits.MEMORY} MB and "
        f"{limits.MEMORY_PER_MB} for each MB of its file)",
    )


def allowed(arguments: argparse.Namespace) -> limits.Allowed:
    """What the options of `add_limits` say."""
    memory = arguments.part_memory
    return limits.Allowed(arguments.part_timeout, memory and int(memory * 1e6))


def how(arguments: argparse.Namespace) -> How:
    """What the options of `add_how` say."""
    from wallguard.jobs.caching import Caching
    from wallguard.jobs.choose import How

    cache = None if arguments.no_cache else Caching(arguments.cache)
    return How(arguments.jobs, cache=cache, cluster=arguments.cluster, allowed=allowed(arguments))


def jobs(text: str) -> int:
    """A number of processes; 0 is one for each processor."""
    try:
        count = int(text)
    except ValueError:
        count = -1
    if count < 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of jobs: 0, 1, 2, ...")
    return count or processors()


def above_zero(text: str) -> float:
    """A number above zero."""
    return _above_zero(text, 1e9, "a number above zero")


def length(text: str) -> float:
    """A length in mm above zero."""
    return _above_zero(text, 1e6, "a length in mm above zero")


def _above_zero(text: str, most: float, what: str) -> float:
    try:
        value = number(text)
    except ValueError:
        value = 0.0
    if not 0 < value < most:
        raise argparse.ArgumentTypeError(f"{text!r} is not {what}")
    return value
