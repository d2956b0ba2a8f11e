"""`wallguard toolpath --parts`: plates with several different parts, and folders of toolpaths."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.base.errors import InputError
from wallguard.base.formats import PART_SUFFIXES
from wallguard.commands import laid, publish
from wallguard.commands.arguments import allowed
from wallguard.commands.laid import Drawn
from wallguard.findings.model import LeftOut, Report, Trouble
from wallguard.reports.formats import Setting
from wallguard.repository.nearest import assignment_of
from wallguard.rules.load import load_rules
from wallguard.toolpath.container import PACKAGES, SUFFIXES, toolpaths_in

if TYPE_CHECKING:
    from wallguard.commands.publish import Outputs
    from wallguard.jobs.plate import Plate
    from wallguard.jobs.toolpath import Task
    from wallguard.jobs.verify import Reading
    from wallguard.rules.model import Rules

# What reading a plate takes beside a check of each part.
_WAYS = 3.0
_MOST = 2000


@dataclass(frozen=True)
class Asked:
    """The parts that may be on a plate, their rules, how to read, and which pictures to draw."""

    parts: tuple[Path, ...]
    rules: Rules | None
    reading: Reading
    pictures: bool
    customer: bool


def expanded(named: Sequence[Path]) -> list[Path]:
    """Toolpaths in files, packages and folders, in the order they are named, each once.

    Raises InputError where there is none in a folder.
    """
    made: list[Path] = []
    for path in named:
        if not path.is_dir():
            made += toolpaths_in(path)
            continue
        inside = [file for file in _files(path) if _is_toolpath(file)]
        if not inside:
            raise InputError(path, "there is no toolpath in this folder", remedy="Name files")
        for file in inside:
            try:
                made += toolpaths_in(file)
            except InputError:
                if file.suffix.lower() not in PACKAGES:  # most of these hold parts
                    made.append(file)
    return list(dict.fromkeys(made))


def _is_toolpath(file: Path) -> bool:
    name = file.name.lower().removesuffix(".gz")
    return name.endswith(SUFFIXES) or file.suffix.lower() in PACKAGES


def _files(folder: Path) -> Iterator[Path]:
    """All files below a folder, sorted, but for those whose names begin with a dot."""
    found = sorted(
        path
        for path in folder.rglob("*")
        if path.is_file()
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    )
    if len(found) > _MOST:
        raise InputError(folder, f"holds more than {_MOST} files", remedy="Name fewer")
    yield from found


def judge(arguments: argparse.Namespace, outputs: Outputs, files: Sequence[Path]) -> int:
    """Judge plates; returns the exit code.

    Raises InputError where the parts or the rules cannot be used, or a report not be written.
    """
    begun = laid.Begun()
    with publish.undone_is_reported("toolpath", outputs, Setting(Path())):
        asked = _asked(arguments)
        done = [_judged(asked, file, arguments) for file in files]
    plates = [plate for plate, _ in done]
    there = {report.path for plate in plates for report in plate.reports}
    report = Report(
        parts=tuple(report for plate in plates for report in plate.reports),
        troubles=tuple(plate.trouble for plate in plates if plate.trouble),
        left_out=tuple(_absent(plates, there)),
        remarks=tuple(trouble for plate in plates for trouble in plate.rest),
    )
    drawn = [pair for _, pairs in done for pair in pairs]
    return laid.published(begun, report, asked.rules, drawn, arguments.pictures, outputs)


def _absent(plates: Sequence[Plate], there: set[str]) -> Iterator[LeftOut]:
    """Parts that are on none of the plates; of one plate with why."""
    told: set[str] = set()
    for plate in plates:
        for each in plate.absent:
            if each.path not in there | told:
                told.add(each.path)
                yield each if len(plates) == 1 else LeftOut(each.path, "on none of the plates")


def _asked(arguments: argparse.Namespace) -> Asked:
    from wallguard.jobs.verify import Reading

    folder: Path = arguments.parts
    if not folder.is_dir():
        raise InputError(folder, "there is no such folder", remedy="Name the folder of the parts")
    parts = [file for file in _files(folder) if file.suffix.lower() in PART_SUFFIXES]
    if not parts:
        raise InputError(folder, "there is no part in this folder", remedy="Name another")
    rules = load_rules(arguments.rules) if arguments.rules else None
    reading = Reading(arguments.filament or 0.0, arguments.flow or 0.0, None)
    customer = arguments.reader == "customer"
    pictures = customer or arguments.pictures is not None
    return Asked(tuple(parts), rules, reading, pictures, customer)


def _judged(asked: Asked, file: Path, arguments: argparse.Namespace) -> tuple[Plate, Drawn]:
    from wallguard.jobs.limits import most_for
    from wallguard.jobs.plate import Plate
    from wallguard.jobs.watched import TooMuchError, Watch, watched

    ways = _WAYS * len(asked.parts)
    watch = Watch(str(file), most_for([*asked.parts, file], allowed(arguments), ways), _never)
    try:
        return watched(partial(_one, asked, file), watch)
    except TooMuchError as error:
        return Plate(trouble=Trouble(str(file), str(error))), []


def _never() -> bool:
    return False


def _one(asked: Asked, file: Path) -> tuple[Plate, Drawn]:
    """One plate with its pictures, in a process of its own."""
    from wallguard.jobs.check import failed
    from wallguard.jobs.plate import judge_plate
    from wallguard.jobs.toolpath import Judged, task_for
    from wallguard.part.part import Part

    tasks: list[Task] = []
    broken: list[Judged] = []
    for path in asked.parts:
        try:
            placed = assignment_of(path, Path(asked.rules.path) if asked.rules else None)
            tasks.append(task_for(Part.load(path, placed), asked.rules, asked.reading))
        except InputError as error:
            if asked.rules is not None and error.path == asked.rules.path:
                raise
            broken.append(Judged(failed(str(path), str(file), "", str(error))))
    drawn: Drawn = []
    with laid.Progress() as progress:
        if not tasks:
            raise InputError(asked.parts[0].parent, "none of its parts can be read")
        plate = judge_plate(file, tasks, progress.step)
        if asked.pictures:
            by_path = {task.part.path: task for task in tasks}
            for each in plate.judged:
                if each.verified is not None:
                    drawn += laid.drawn_of(each, by_path[each.report.path], asked.customer)
    # What was measured does not leave this process.
    judged = tuple(Judged(each.report) for each in (*plate.judged, *broken))
    return replace(plate, judged=judged), drawn
