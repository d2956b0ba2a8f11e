"""`wallguard impact`: what a change of process does to the parts of a repository."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.commands import publish
from wallguard.commands.arguments import Commands, command, jobs
from wallguard.commands.publish import Outputs
from wallguard.findings.impact import Impact, Process
from wallguard.findings.model import Trouble
from wallguard.jobs.check import Task, in_order
from wallguard.reports.console import Progress
from wallguard.repository import changes
from wallguard.repository.config import Assignment, Repository, is_part, load_repository
from wallguard.rules.load import load_rules
from wallguard.rules.model import Rules


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "impact",
        "wallguard impact --from rules/petg.yaml --to rules/petg-after-update.yaml",
        _command,
    )
    parser.add_argument("paths", nargs="*", type=Path, metavar="PATH", help="parts and folders")
    parser.add_argument(
        "--from", dest="old", type=Path, required=True, metavar="RULES", help="the process as it is"
    )
    parser.add_argument(
        "--to", dest="new", type=Path, required=True, metavar="RULES", help="as it would become"
    )
    parser.add_argument(
        "--all", action="store_true", help="every part, whatever rules it answers to"
    )
    publish.declare(parser, "impact")
    parser.add_argument(
        "--jobs", type=jobs, default=1, metavar="N", help="parts compared at a time (default 1)"
    )


def _command(arguments: argparse.Namespace) -> int:
    return run(
        arguments.old,
        arguments.new,
        arguments.paths,
        everything=arguments.all,
        outputs=publish.outputs(arguments, "impact"),
        jobs=arguments.jobs,
    )


def run(
    old: Path,
    new: Path,
    paths: Sequence[Path] = (),
    *,
    everything: bool = False,
    outputs: Outputs | None = None,
    jobs: int = 1,
) -> int:
    """Compare two processes and report; returns the exit code: 0 nothing gets worse, 1 something
    does, 2 some part could not be compared.

    paths       parts and folders; without any, the parts that answer to either rule file by
                `wallguard.yaml`, or all parts where it names neither
    everything  all parts, whatever they answer to

    Raises InputError where a rule file or `wallguard.yaml` cannot be used, where no path names a
    part, or where a report cannot be written.
    """
    from wallguard.jobs.compare import compare_part, notes

    begun = time.perf_counter()
    started = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    before, after = load_rules(old), load_rules(new)
    chosen = _choose(paths, (old, new), everything)
    tasks = [
        Task(one.path, one.file, ((one.lies, before), (one.lies, after)), one.root)
        for one in chosen.parts
    ]
    parts = []
    with Progress(len(tasks)) as progress:
        for part in in_order(compare_part, tasks, jobs):
            parts.append(part)
            progress.step(part.path)
    impact = Impact(
        before=_process(before),
        after=_process(after),
        parts=tuple(parts),
        notes=notes(before, after),
        left_out=tuple(chosen.left_out),
        troubles=tuple(chosen.troubles),
        version=__version__,
        started=started,
        seconds=time.perf_counter() - begun,
    )
    publish.publish("impact", impact, outputs or Outputs())
    return impact.exit_code


def _process(rules: Rules) -> Process:
    return Process(rules.path, rules.name)


@dataclass(frozen=True)
class _Part:
    """A part to compare: its name, its file, how it lies, and the folder it must not leave."""

    path: str
    file: Path
    lies: Assignment
    root: Path | None


@dataclass
class _Chosen:
    parts: list[_Part] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)


def _choose(paths: Sequence[Path], rules: Sequence[Path], everything: bool) -> _Chosen:
    root = changes.find_root(Path.cwd())
    repository = load_repository(root)
    named = [changes.relative(path, root) for path in rules]
    chosen = _Chosen()
    outside: list[Path] = []
    if paths:
        inside, outside = _named(paths, repository, chosen.troubles)
    else:
        inside = repository.part_files(changes.all_files(root))
        ours = [one for one in inside if _answers(repository, one, named)]
        if ours and not everything:
            chosen.left_out = sorted({*inside} - {*ours})
            inside = ours
    for path in inside:
        chosen.parts.append(_Part(path, root / path, _lies(repository, path, named), root))
    for file in outside:
        chosen.parts.append(_Part(str(file), file, Assignment(rules=""), None))
    return chosen


def _named(
    paths: Sequence[Path], repository: Repository, troubles: list[Trouble]
) -> tuple[list[str], list[Path]]:
    """The parts that the paths stand for: those in the repository, and files outside it."""
    root = repository.root
    inside: set[str] = set()
    outside: list[Path] = []
    for path in paths:
        name = changes.relative(path, root)
        if path.is_dir() and name is not None:
            every = changes.all_files(root)
            within = [one for one in every if name == "." or one.startswith(f"{name}/")]
            inside.update(repository.part_files(within))
        elif not is_part(str(path)) or path.is_dir():
            what = "a folder outside the repository" if path.is_dir() else "not a mesh file"
            troubles.append(_trouble(path, f"this is {what}", "Name parts, or folders with parts"))
        elif not path.exists():
            troubles.append(_trouble(path, "there is no such file", "Check its spelling"))
        elif name is None:
            outside.append(path)
        else:
            inside.add(name)
    return sorted(inside), sorted(set(outside))


def _trouble(path: Path, problem: str, remedy: str) -> Trouble:
    return Trouble(str(path), str(InputError(path, problem, remedy=remedy)))


def _answers(repository: Repository, path: str, rules: Sequence[str | None]) -> bool:
    return any(assignment.rules in rules for assignment in repository.assignments(path))


def _lies(repository: Repository, path: str, rules: Sequence[str | None]) -> Assignment:
    """How a part is printed: as for the old rules, else for the new, else as is said first."""
    found = repository.assignments(path)
    for name in rules:
        for assignment in found:
            if assignment.rules == name:
                return assignment
    return found[0] if found else Assignment(rules="", unit=repository.unit)
