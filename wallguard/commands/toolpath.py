"""`wallguard toolpath`: what a toolpath really lays, against the part and against the rule file."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.commands import laid, plates, publish
from wallguard.commands.arguments import Commands, Parser, add_limits, allowed, command, length
from wallguard.commands.laid import Drawn
from wallguard.findings.model import PartReport, Report, Trouble
from wallguard.reports.formats import Setting
from wallguard.repository.nearest import assignment_of
from wallguard.rules.load import load_rules

if TYPE_CHECKING:
    from wallguard.commands.publish import Outputs
    from wallguard.jobs.limits import Allowed
    from wallguard.jobs.toolpath import Task
    from wallguard.jobs.verify import Reading
    from wallguard.jobs.watched import Watch
    from wallguard.repository.entry import Assignment
    from wallguard.rules.model import Rules
    from wallguard.toolpath.against import Against

# What reading a toolpath takes beside a check of the part, and the layers (mm) in which it is
# estimated how much that is where no rules say.
_WAYS, _LAYER = 2.0, 0.2


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "toolpath",
        "wallguard toolpath bracket.gcode --part bracket.stl --rules rules/petg.yaml",
        _command,
    )
    parser.add_argument(
        "files",
        nargs="+",
        type=Path,
        metavar="FILE",
        help="toolpaths (RS-274, plain, gzip, in a zip or 3MF package), or folders of them",
    )
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--part", type=Path, metavar="PART", help="the part they make")
    which.add_argument(
        "--parts",
        type=Path,
        metavar="FOLDER",
        help="parts that may be on the plate: each is found, and what belongs to none is told",
    )
    parser.add_argument(
        "--rules",
        type=Path,
        metavar="FILE",
        help="compare with what these rules say, and use their levels and tolerance",
    )
    parser.add_argument(
        "--against",
        type=Path,
        metavar="OTHER",
        help="the toolpath as it was before: tell only what changes, and fail if a wall gets worse",
    )
    _declare_reading(parser)
    publish.declare(parser, "toolpath")
    parser.add_argument(
        "--pictures",
        type=Path,
        metavar="FOLDER",
        help="write pictures (SVG) of the plate and of each finding; with --against of each change",
    )
    add_limits(parser, "a toolpath with its part", ", twice that")


def _declare_reading(parser: Parser) -> None:
    """How toolpaths are read."""
    parser.add_argument(
        "--place",
        type=place,
        default=None,
        metavar="auto|X,Y",
        help="near which place of the plate the middle of the part's box lies (default: search)",
    )
    parser.add_argument(
        "--filament",
        type=length,
        metavar="MM",
        help="its diameter (default: as the rules say, else 1.75 mm)",
    )
    parser.add_argument(
        "--flow",
        type=length,
        metavar="FACTOR",
        help="between filament fed and material laid (default: as the rules say, else 1)",
    )


def place(text: str) -> tuple[float, float] | None:
    """`auto`, or a place on the plate."""
    if text == "auto":
        return None
    try:
        x, y = map(float, text.split(","))
    except ValueError:
        x = y = math.nan
    if not (abs(x) < 1e5 and abs(y) < 1e5):
        raise argparse.ArgumentTypeError(f"{text!r} is neither auto nor a place such as 110,90")
    return x, y


def _command(arguments: argparse.Namespace) -> int:
    """Verify toolpaths against the part they make; returns the exit code: 0 all walls come out, 1
    some fail (with `--against`: some get worse), 2 a toolpath could not be used.

    Raises InputError where the part or the rules cannot be used, where files are named that do not
    go together, or where a report cannot be written.
    """
    files: Sequence[Path] = arguments.files
    against: Path | None = arguments.against
    outputs = publish.outputs(arguments, "toolpath")
    if arguments.pictures is not None:
        publish.made(arguments.pictures)
    if not files:
        raise InputError("toolpath", "no toolpath is named", remedy="Name one or more")
    if arguments.parts is not None:
        return _plates(arguments, outputs)
    if against is None:
        return _judge(arguments, outputs)
    publish.ready(outputs, "against")  # which fewer formats can show
    with publish.undone_is_reported(
        "against", outputs, Setting(Path()), partial(_not_compared, arguments)
    ):
        if len(files) != 1:
            raise InputError(
                against,
                "two toolpaths are compared with each other",
                remedy="Name one toolpath besides --against",
            )
        compared, drawn = _compare(arguments)
    publish.publish("against", compared, outputs)
    laid.draw(arguments.pictures, drawn)
    return compared.exit_code


def _plates(arguments: argparse.Namespace, outputs: Outputs) -> int:
    for option in ("against", "place"):
        if getattr(arguments, option) is not None:
            raise InputError(
                f"--{option}", "this is for one part", remedy="Name it with --part, not --parts"
            )
    return plates.judge(arguments, outputs, plates.expanded(arguments.files))


@dataclass(frozen=True)
class _Asked:
    """The part and its rules, how to read, and whether pictures are wanted."""

    part: Path
    placed: Assignment
    rules: Rules | None
    reading: Reading
    pictures: bool
    customer: bool = False

    @classmethod
    def by(cls, arguments: argparse.Namespace) -> _Asked:
        from wallguard.jobs.verify import Reading

        rules = load_rules(arguments.rules) if arguments.rules else None
        placed = assignment_of(arguments.part, arguments.rules)
        # 0: as the rules say.
        reading = Reading(arguments.filament or 0.0, arguments.flow or 0.0, arguments.place)
        customer = arguments.reader == "customer"
        pictures = customer or arguments.pictures is not None
        return cls(arguments.part, placed, rules, reading, pictures, customer)

    @cached_property
    def task(self) -> Task:
        """The part, loaded once for all of its toolpaths, and its rules."""
        from wallguard.jobs.toolpath import task_for
        from wallguard.part.part import Part

        return task_for(Part.load(self.part, self.placed), self.rules, self.reading)

    def watch(self, files: Sequence[Path], allowed: Allowed) -> Watch:
        """What reading these toolpaths may take, all together."""
        from wallguard.jobs.limits import is_short, is_small, most_for
        from wallguard.jobs.watched import Watch

        def plain() -> bool:
            height = self.rules.layer_height if self.rules else _LAYER
            return is_short(files) and is_small(self.part, [(self.placed, height)])

        most = most_for([self.part, *files], allowed, _WAYS)
        return Watch(", ".join(map(str, files)), most, plain)


def _judge(arguments: argparse.Namespace, outputs: Outputs) -> int:
    from wallguard.jobs.toolpath import unusable
    from wallguard.jobs.watched import TooMuchError, watched

    begun = laid.Begun()
    with publish.undone_is_reported("toolpath", outputs, Setting(Path())):
        asked, most = _Asked.by(arguments), allowed(arguments)
        done = []
        for file in plates.expanded(arguments.files):
            watch = asked.watch([file], most)
            try:
                done.append(watched(partial(_judged, asked, file), watch))
            except TooMuchError as error:
                done.append((unusable(file, str(asked.part), asked.rules, str(error)), []))
    pairs = [drawing for _, drawn in done for drawing in drawn]
    report = Report(parts=tuple(report for report, _ in done))
    return laid.published(begun, report, asked.rules, pairs, arguments.pictures, outputs)


def _compare(arguments: argparse.Namespace) -> tuple[Against, Drawn]:
    from wallguard.jobs.watched import watched

    asked, both = _Asked.by(arguments), (arguments.against, arguments.files[0])
    return watched(partial(_compared, asked, *both), asked.watch(both, allowed(arguments)))


def _not_compared(arguments: argparse.Namespace, trouble: Trouble) -> Against:
    """What is reported where two toolpaths could not be compared."""
    from wallguard.toolpath.against import Against, Side

    before, after = (
        Side(str(path), volume=0.0, width=0.0, layers=0, height=0.0, copies=0)
        for path in (arguments.against, arguments.files[0])
    )
    return Against(str(arguments.part), before, after, (), troubles=(trouble,), version=__version__)


def _judged(asked: _Asked, file: Path) -> tuple[PartReport, Drawn]:
    """The report on one toolpath, and the pictures that are wanted of it."""
    from wallguard.jobs.toolpath import judge_toolpath

    with laid.Progress() as progress:
        task = asked.task
        judged = judge_toolpath(file, task, progress.step)
        return judged.report, laid.drawn_of(judged, task, asked.customer) if asked.pictures else []


def _compared(asked: _Asked, before: Path, after: Path) -> tuple[Against, Drawn]:
    """The same of two toolpaths held against each other."""
    from wallguard.jobs.toolpath import compare_toolpaths

    with laid.Progress() as progress:
        task = asked.task
        compared = compare_toolpaths(before, after, task, progress.step)
        return compared.against, laid.changes_drawn(compared, task) if asked.pictures else []
