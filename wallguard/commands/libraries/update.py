"""`wallguard library update`: fetch libraries of rule files, and show what that changes."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from wallguard.base.plain import plain
from wallguard.commands.arguments import Commands, add_how, command, how

if TYPE_CHECKING:
    from wallguard.jobs.libraries import Change, Update, Updated

# Files that were left out, and that are named.
_LEFT = 8


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "update",
        "wallguard library update",
        _command,
        summary="fetch libraries with git, show what changes in rules, and which parts get worse",
    )
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help="libraries (default: all in wallguard.yaml)"
    )
    add_how(parser, "parts compared")


def _command(arguments: argparse.Namespace) -> int:
    from wallguard.jobs.libraries import update
    from wallguard.reports.console import Progress
    from wallguard.reports.impact_console import text

    done = update(arguments.names, how=how(arguments), watch=Progress)
    print("\n".join(report(done)))
    for impact in done.impacts:
        print()
        print(text(impact), end="")
    return done.exit_code


def report(done: Update) -> Iterator[str]:
    """What became of each library, in lines."""
    for library in done.libraries:
        yield from _library(library)
    for change in done.own:
        yield f"{plain(change.path)} asks otherwise by that"
        yield from (f"    {plain(said)}" for said in change.said)
    for trouble in done.troubles:
        yield f"trouble: {plain(trouble.message)}"
    if any(library.changes or library.before != library.after for library in done.libraries):
        yield "Commit wallguard.lock and wallguard-libraries together: a review sees what changed."


def _library(library: Updated) -> Iterator[str]:
    if not library.after:
        yield f"{library.name}: taken out, since wallguard.yaml names it no more"
        return
    if not library.before:
        became = f"{library.after}, new"
    elif library.before != library.after:
        became = f"{library.before} -> {library.after}"
    else:
        how = "called as before, and changed" if library.changes else "as it was"
        became = f"{library.after}, {how}"
    yield f"{library.name}: {became}"
    for change in library.changes:
        yield from _change(change)
    for said in library.left[:_LEFT]:
        yield f"  not taken: {plain(said)}"
    if len(library.left) > _LEFT:
        yield f"  not taken: {len(library.left) - _LEFT} more"


def _change(change: Change) -> Iterator[str]:
    yield f"  {plain(change.path)} {change.what}"
    yield from (f"    {plain(said)}" for said in change.said)
