"""Choose what to check: the parts, and what there is to know of those that are not."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.base.errors import InputError
from wallguard.base.plain import counted, plain
from wallguard.findings.model import Gate, LeftOut, PartReport, Trouble
from wallguard.jobs.check import Task, failed
from wallguard.jobs.design import Design, Lying, Said
from wallguard.jobs.source import is_document
from wallguard.repository import changes, git
from wallguard.repository.config import FILE_NAME, is_part
from wallguard.repository.entry import Assignment
from wallguard.waivers.load import FILE_NAME as WAIVERS
from wallguard.waivers.load import parse_waivers

if TYPE_CHECKING:
    from wallguard.jobs.caching import Caching
    from wallguard.jobs.limits import Allowed
    from wallguard.views.model import What

# So many names are told at most where files are missing.
_TOLD = 5


@dataclass(frozen=True)
class Asked:
    """What a check is asked for.

    paths  parts, rule files and folders; without any: what changed, else all
    rules  rule files to check against, whatever `wallguard.yaml` says
    changed_since  what changed since this git revision
    staged      what the next commit will hold
    everything  every part
    base   a git revision: findings are sorted into what is new against it, unchanged and fixed;
           without anything else that says what to check, what changed since is
    gate   which findings fail; None: as `wallguard.yaml` says
    lying  how parts lie that answer to `rules`; None: as `wallguard.yaml` says
    """

    paths: tuple[Path, ...] = ()
    rules: tuple[Path, ...] = ()
    changed_since: str | None = None
    staged: bool = False
    everything: bool = False
    base: str | None = None
    gate: Gate | None = None
    lying: Lying | None = None

    @property
    def since(self) -> tuple[str, str] | None:
        """The revision since which changes count, and the option that names it."""
        if self.changed_since:
            return self.changed_since, "--changed-since"
        alone = not (self.paths or self.staged or self.everything)
        return (self.base, "--base") if self.base is not None and alone else None


@dataclass(frozen=True)
class How:
    """How a check is done, whatever is checked.

    jobs   how many parts at a time
    views  what is to be shown of parts, None: nothing
    today  the day on which waivers must still hold; None: today
    cache  where to look for what was found out before; None: nowhere
    cluster  address of a Dask scheduler on whose workers parts are checked; None: here
    allowed  what one part may take, in a process of its own; None: as much as it takes. Python
             programs that ask for it must be guarded as `multiprocessing` wants
    """

    jobs: int = 1
    views: What | None = None
    today: date | None = None
    cache: Caching | None = None
    cluster: str | None = None
    allowed: Allowed | None = None


@dataclass
class Chosen:
    """What is to be checked, and what could not be.

    tasks     parts with the rules they answer to; those outside the repository have no root
    reports   on parts that cannot be checked
    unseen    parts that are there and were not looked at, see `Report.unseen`
    complete  whether every part was asked for
    left_out  see `Report.left_out`
    asked     files that are asked for, parts or not
    scope     the parts that were named; None: none were, or a `wallguard.yaml`
    generated  parts that code makes and that were named
    """

    tasks: list[Task] = field(default_factory=list)
    reports: list[PartReport] = field(default_factory=list)
    not_covered: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    unseen: list[str] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    complete: bool = False
    scope: set[str] | None = None
    generated: list[str] = field(default_factory=list)

    def is_in_scope(self, path: str) -> bool:
        """Whether a part may be told of."""
        return self.scope is None or path in self.scope


def choose(design: Design, asked: Asked) -> Chosen:
    """The parts to check, each with its rules.

    Raises InputError where there is nothing to check against, and where git cannot tell.
    """
    chosen = Chosen()
    near = [changes.relative(path, design.source.root) for path in asked.paths]
    if not design.given and not design.says_something(filter(None, near)):
        raise InputError(
            FILE_NAME,
            f"there is none in {design.source.root}, and no --rules are given",
            remedy="Run `wallguard init` there, or name a rule file with --rules",
        )
    named, outside = _named(design, asked.paths, chosen) if asked.paths else (None, [])
    if not any(path.name == FILE_NAME for path in asked.paths):
        chosen.scope = named
    paths = _paths(design, asked, chosen, named)
    files = design.source.files(paths)
    for path in paths:
        if not design.is_left_out(path):
            file = files.get(path, design.source.root / path)
            _add(chosen, design, Task(path, file, (), design.source.content))
    for other in outside:
        _add(chosen, design, Task(str(other), other, ()))
    _look_for_the_rest(design, asked, chosen)
    _leave_out(design, asked, chosen)
    return chosen


def unseen(design: Design, paths: Iterable[str]) -> list[str]:
    """The parts that are to be checked, but for `paths`, sorted."""
    return sorted({*design.covered(design.source.every)}.difference(paths))


def gone(design: Design, path: str) -> bool:
    """Whether there is no such part."""
    if design.generated(path):
        return False
    if design.source.staged:
        return not design.source.holds(path)
    return not os.path.lexists(design.source.root / path)


def touches_nothing(changed: changes.Changes) -> bool:
    """Whether none of the files that changed is a part, nor can say anything about one."""
    names = (*changed.present, *changed.removed)
    return not any(is_part(name) or is_document(name) for name in names)


def _named(design: Design, paths: Sequence[Path], chosen: Chosen) -> tuple[set[str], list[Path]]:
    """Parts that the paths on the command line stand for, and those outside the root."""
    inside: set[str] = set()
    outside: list[Path] = []
    source = design.source
    for path in paths:
        name = changes.relative(path, source.root)
        if name is None and design.given and is_part(path.name):
            outside.append(path)
        elif name is None:
            _refuse(design, str(path), "this lies outside the repository: name rules with --rules")
        elif "::" in name and not os.path.lexists(path):
            _name_generated(design, name, chosen)
        elif not source.staged and not os.path.lexists(path):
            _refuse(design, name, "there is no such file or folder")
        elif is_part(name) and not path.is_dir():
            inside.add(name)
            chosen.asked.append(name)
        elif path.is_dir():
            within = design.below(name)
            inside.update(design.repositories.part_files(within))
            chosen.asked += within
            _miss(design, f"{name}/" if name != "." else "")
        elif is_document(name):
            # A commit hook names documents: what git does not track is not in the commit.
            known = changes.tracked(source.root)
            selected = _select(design, changes.Changes(present=(name,)), "HEAD")
            inside.update(part for part in selected if known is None or part in known)
        elif design.generated_from([name]):
            chosen.asked.append(name)
        else:
            _refuse(design, name, "this is neither a mesh file, a rule file nor a folder")
    return inside, outside


def _name_generated(design: Design, name: str, chosen: Chosen) -> None:
    if design.generated(name):
        chosen.generated.append(name)
    elif FILE_NAME not in design.troubles:
        from wallguard.jobs.generated import unknown

        design.troubles[name] = Trouble(name, str(unknown(design, name)))


def _refuse(design: Design, name: str, problem: str) -> None:
    design.troubles[name] = Trouble(name, str(InputError(name, problem)))


def _paths(design: Design, asked: Asked, chosen: Chosen, named: set[str] | None) -> list[str]:
    """The parts inside the repository to check, sorted; of those that are `named`, if any are."""
    since = asked.since
    if asked.everything or (named is not None and not since and not asked.staged):
        return _all(design, chosen) if named is None else sorted(named)
    root = design.source.root
    commit = "HEAD"
    if since:
        commit = changes.merge_base(root, *since)
        changed = changes.changed_since(root, *since)
    elif asked.staged:
        changed = changes.staged(root)
    else:
        changed = changes.working(root) if git.in_repository(root) else changes.Changes()
        if not changed.present and not changed.removed:
            return _all(design, chosen)
    chosen.removed = design.repositories.part_files(changed.removed)
    if named is None:
        # A document that changed asks for any part.
        said = any(map(is_document, (*changed.present, *changed.removed)))
        chosen.asked += design.source.every if said else changed.present
    selected = _select(design, changed, commit)
    return [path for path in selected if named is None or path in named]


def _all(design: Design, chosen: Chosen) -> list[str]:
    chosen.complete = True
    chosen.asked += design.source.every
    return design.repositories.part_files(design.source.every)


def _select(design: Design, changed: changes.Changes, commit: str) -> list[str]:
    """The parts that changes ask to check: see `changes.select`; and where waivers changed, those
    that they are for, as they are and as they were in `commit`."""

    def files_of(rules: str) -> Iterable[str]:
        return design.load(rules).files if not design.given else ()

    source = design.source
    selected = set(changes.select(design.repositories, changed, lambda: source.every, files_of))
    for name in (*changed.present, *changed.removed):
        if f"/{name}".endswith(f"/{WAIVERS}"):
            selected |= _waived(design, name.removesuffix(WAIVERS), commit)
    return sorted(selected)


def _waived(design: Design, folder: str, commit: str) -> set[str]:
    """The parts that are there and that the waivers in `folder` are or were for."""
    was = git.run(design.source.root, "show", f"{commit}:./{folder}{WAIVERS}")
    try:
        before = parse_waivers(was.stdout.decode("utf-8", "replace"))
    except InputError:  # there were none, or none that could be used
        before = ()
    named = {waiver.part for waiver in design.waivers(folder)}
    named |= {folder + waiver.part for waiver in before if waiver.part}
    return set(design.repositories.part_files(filter(design.source.holds, named)))


def _add(chosen: Chosen, design: Design, task: Task) -> None:
    """Put a part among what is checked, with the rules that can be used."""
    path = task.path
    if task.root is None:
        assignments = design.assignments_outside(task.file)
    else:
        assignments = design.assignments(path)
    if not assignments:
        lost = task.root is not None and design.is_unreadable(path)
        (chosen.unseen if lost else chosen.not_covered).append(path)
        return
    usable, unusable = answered(design, assignments)
    for assignment in unusable:
        message = f"{path}: not checked, because {plain(assignment.rules)} cannot be used."
        chosen.reports.append(failed(path, assignment.rules, "", message))
    if usable:
        folder = "" if task.root is None or design.given else design.repository(path).folder
        chosen.tasks.append(Task(path, task.file, usable, task.root, folder))


def answered(
    design: Design, assignments: Iterable[Assignment]
) -> tuple[tuple[Said, ...], list[Assignment]]:
    """Assignments with their rules, and those whose rules cannot be used."""
    usable: list[Said] = []
    unusable = []
    for assignment in assignments:
        rules = design.rules(assignment.rules)
        if rules is None:
            unusable.append(assignment)
        else:
            usable.append((assignment, rules))
    return tuple(usable), unusable


def _look_for_the_rest(design: Design, asked: Asked, chosen: Chosen) -> None:
    """Say which parts were not looked at; that all were asked for and some are not here is
    trouble."""
    if asked.paths:
        return
    if not chosen.complete:
        chosen.unseen += unseen(design, (task.path for task in chosen.tasks))
        return
    chosen.unseen += _miss(design, "")
    if chosen.tasks or chosen.reports or design.troubles or design.given:
        return
    ignored = design.covered(filter(is_part, changes.unlisted(design.source.root)))
    if ignored:
        problem = f"git ignores all {counted(len(ignored), 'part')} that it covers: {_few(ignored)}"
        remedy = "Name them to check them, or take them out of .gitignore"
        error = InputError(FILE_NAME, problem, remedy=remedy)
        design.troubles[FILE_NAME] = Trouble(FILE_NAME, str(error))
        chosen.unseen = ignored


def _leave_out(design: Design, asked: Asked, chosen: Chosen) -> None:
    """Say why parts are left out that were named, or, where nothing is left to check, that were
    asked for: what is excluded would else be told in every run."""
    checked = {task.path for task in chosen.tasks} | {report.path for report in chosen.reports}
    if checked and not asked.paths:
        return
    for path in sorted({*filter(is_part, chosen.asked)} - checked):
        why = design.repository(path).exclusion(path)
        if why:
            chosen.left_out.append(LeftOut(path, why))


def _miss(design: Design, folder: str) -> list[str]:
    """The parts to check in `folder` (ended by /, or empty) that git tracks and the work tree
    lacks, which is trouble."""
    source = design.source
    if source.staged:
        return []
    lacking = [name for name in changes.missing(source.root) if name.startswith(folder)]
    for name in lacking:
        if name.rpartition("/")[2] == FILE_NAME:
            _refuse(design, name, "git tracks it, but it is not here")
    parts = design.covered(lacking)
    if parts:
        what = f"{counted(len(parts), 'part')} that git tracks, but not here: {_few(parts)}"
        remedy = (
            "Let git check out all of the work tree (`git sparse-checkout disable`), or `git rm` "
            "what is to go"
        )
        where = folder or "the work tree"
        design.troubles[where] = Trouble(where, str(InputError(where, what, remedy=remedy)))
    return parts


def _few(names: Sequence[str]) -> str:
    more = f" and {len(names) - _TOLD} more" if len(names) > _TOLD else ""
    return ", ".join(names[:_TOLD]) + more
