"""What a change of process does to the parts of a repository: choose them, and compare each under
the rules it answers to with those it would answer to."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.base.plain import counted
from wallguard.findings.impact import Impact, Process
from wallguard.findings.model import Trouble
from wallguard.jobs.check import Task, cost_of, do_somewhere
from wallguard.jobs.choose import How
from wallguard.jobs.design import Design
from wallguard.jobs.source import work_tree
from wallguard.jobs.watch import Watch, silent
from wallguard.repository import changes
from wallguard.repository.config import FILE_NAME, is_part
from wallguard.repository.nearest import assignment_of, by_code, names
from wallguard.rules.load import load_rules
from wallguard.rules.model import Rules


@dataclass(frozen=True)
class Processes:
    """The process as it is, and as it would become.

    standing  what is compared in the place of `old`, which parts answer to; None: that itself
    called    what the new one is called in reports, where nobody keeps its file; else empty
    """

    old: Path
    new: Path
    standing: Path | None = None
    called: str = ""


def impact(
    processes: Processes,
    paths: Sequence[Path] = (),
    *,
    everything: bool = False,
    only_answering: bool = False,
    how: How | None = None,
    watch: Watch | None = None,
) -> Impact:
    """Compare two processes over parts of the repository that the current folder is in.

    paths       parts and folders; without any, the parts that answer to either rule file or to one
                that extends the old one, or all parts where there is none of these
    everything  all parts, whatever they answer to; coupons are none
    only_answering  of all these the parts that answer to the rules, and where there are none, none
    how         how it is done; `views` and `today` mean nothing here

    A part whose rules extend the old rule file is compared under its own rules, with the new file
    in the place of the old one.

    Raises InputError where a rule file or `wallguard.yaml` cannot be used.
    """
    begun = time.perf_counter()
    started = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    run = _Run(processes)
    run.choose(paths, everything, only_answering)
    how = how or How()
    store = how.cache.store(run.root) if how.cache else None
    tasks = [replace(task, store=store, allowed=how.allowed) for task in run.tasks]
    # Heavy, and not needed to refuse what is asked.
    from wallguard.jobs.compare import compare_part, lost_part, notes
    from wallguard.jobs.limits import is_plain, most_of
    from wallguard.jobs.workers import Work

    with (watch or silent)(len(run.tasks)) as progress:
        work = Work(compare_part, cost_of, lost_part, most_of, is_plain)
        done = do_somewhere(work, tasks, how.jobs, how.cluster, progress)
    parts = [replace(part, rules=rules) for part, rules in zip(done, run.rules, strict=True)]
    return Impact(
        before=Process(run.before.path, run.before.name),
        after=Process(run.after.path, run.after.name),
        parts=tuple(parts),
        notes=(*notes(run.before, run.after), *run.remarks()),
        left_out=tuple(run.left_out),
        troubles=tuple(run.troubles),
        version=__version__,
        started=started,
        seconds=time.perf_counter() - begun,
    )


@dataclass
class _Pair:
    """Rules as they are and as they would become; `own`: of a part whose rules extend the old."""

    before: Rules
    after: Rules
    own: str = ""


class _Run:
    """Parts to compare, each with both its rules.

    tasks, rules  what to compare; and for each the rule file of its own, or nothing
    """

    def __init__(self, processes: Processes) -> None:
        self.processes = processes
        self.before = self._load(processes.standing or processes.old, str(processes.old))
        self.after = self._load(processes.new, processes.called or str(processes.new))
        self.design = Design(work_tree(Path.cwd()))
        self.root = self.design.source.root
        self.tasks: list[Task] = []
        self.rules: list[str] = []
        self.left_out: list[str] = []
        self.troubles: list[Trouble] = []
        self._named = tuple(names([processes.old, processes.new], self.root))
        self._own: dict[str, _Pair | None] = {}

    @staticmethod
    def _load(path: Path, shown: str) -> Rules:
        return replace(load_rules(path), path=Path(shown).as_posix())

    def choose(self, paths: Sequence[Path], everything: bool, only_answering: bool) -> None:
        """Fill `tasks`. Raises InputError where a `wallguard.yaml` cannot be used."""
        outside: list[Path] = []
        if paths:
            inside, outside = self._paths(paths)
        else:
            inside = self.design.repositories.part_files(self.design.source.every)
        answering = {path: list(self._pairs(path)) for path in inside}
        usual = not paths and not everything and any(answering.values())
        if usual or (only_answering and not everything):
            self.left_out = [path for path in inside if not answering[path]]
            inside = [path for path in inside if answering[path]]
        for path in inside:
            for pair in answering[path] or [_Pair(self.before, self.after)]:
                self._add(path, pair)
        for file in outside:
            placed = assignment_of(file, self.processes.old, self.processes.new)
            self.tasks.append(Task(str(file), file, ((placed, self.before), (placed, self.after))))
            self.rules.append("")
        for trouble in self.design.troubles.values():
            if trouble.path.rpartition("/")[2] == FILE_NAME:
                raise InputError(trouble.path, trouble.message.removeprefix(f"{trouble.path}: "))
            self.troubles.append(trouble)

    def remarks(self) -> Iterator[str]:
        """What a reader has to know of parts that were compared under rules of their own."""
        own = sorted({name for name in self.rules if name})
        if own:
            number = counted(len({task.path for task, name in self._each() if name}), "part")
            yield (
                f"{number} compared under rules of the part's own ({', '.join(own)}), which extend "
                f"{self.before.path}: with {self.after.path} in its place."
            )

    def _each(self) -> Iterator[tuple[Task, str]]:
        return zip(self.tasks, self.rules, strict=True)

    def _add(self, path: str, pair: _Pair) -> None:
        wanted = (pair.own,) if pair.own else self._named
        placed = self.design.repository(path).assignment(path, *wanted)
        both = ((placed, pair.before), (placed, pair.after))
        self.tasks.append(Task(path, self.root / path, both, self.root))
        self.rules.append(pair.own)

    def _pairs(self, path: str) -> Iterator[_Pair]:
        """What to compare a part under: nothing where it answers to neither process."""
        assignments = self.design.assignments(path)
        if any(assignment.rules in self._named for assignment in assignments):
            yield _Pair(self.before, self.after)
        for assignment in assignments:
            pair = self._of_its_own(assignment.rules)
            if pair is not None:
                yield pair

    def _of_its_own(self, name: str) -> _Pair | None:
        """Rules that extend the old ones, as they are and with the new ones in their place."""
        if name in self._named:
            return None
        if name not in self._own:
            self._own[name] = None
            rules = self.design.rules(name)
            old = tuple(names([self.processes.old], self.root))
            if rules is not None and not set(old).isdisjoint(rules.files):
                standing = self.processes.standing
                before = self._with(name, standing) if standing else rules
                after = self._with(name, self.processes.new)
                self._own[name] = _Pair(before, after, name) if before and after else None
        return self._own[name]

    def _with(self, name: str, new: Path) -> Rules | None:
        """The rule file with another in the place of the old one; None where it then makes no
        sense, which is trouble."""
        root = self.root if changes.relative(new, self.root) is not None else None
        try:
            rules = load_rules(self.root / name, root, (self.processes.old, new))
        except InputError as error:
            problem = f"with {self.after.path} in the place of {self.before.path}: {error}"
            self.troubles.append(Trouble(name, f"{name}: {problem}"))
            return None
        return replace(rules, path=name)

    def _paths(self, paths: Sequence[Path]) -> tuple[list[str], list[Path]]:
        """The parts that the paths stand for: those in the repository, and files outside it."""
        inside: set[str] = set()
        outside: set[Path] = set()
        for path in paths:
            name = changes.relative(path, self.root)
            if path.is_dir() and name is not None:
                inside.update(self.design.repositories.part_files(self.design.below(name)))
            elif name is not None and self.design.generated(name):
                self.troubles.append(Trouble(name, str(by_code(name))))
            elif not is_part(str(path)) or path.is_dir():
                what = "a folder outside the repository" if path.is_dir() else "not a mesh file"
                self._refuse(path, f"this is {what}", "Name parts, or folders with parts")
            elif not path.exists():
                self._refuse(path, "there is no such file", "Check its spelling")
            elif name is None:
                outside.add(path)
            else:
                inside.add(name)
        return sorted(inside), sorted(outside)

    def _refuse(self, path: Path, problem: str, remedy: str) -> None:
        error = InputError(path, problem, remedy=remedy)
        self.troubles.append(Trouble(str(path), str(error)))
