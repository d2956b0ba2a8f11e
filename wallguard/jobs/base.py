"""Parts as they are at a base revision, and the findings sorted into new, fixed and unchanged.

Both revisions are checked against the rules and the `wallguard.yaml` that are there now, so that
only what changed in the part counts. A part whose file is the same is not checked twice.
"""

from __future__ import annotations

import filecmp
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from wallguard.base.errors import InputError
from wallguard.findings.model import PartReport
from wallguard.jobs.check import Task, failed
from wallguard.jobs.choose import Job, Place
from wallguard.repository import changes, git
from wallguard.repository.staged import committed_content, is_pointer

Gate = Literal["all", "new"]


@dataclass(frozen=True)
class Base:
    """A revision, as it was named, and the commit where this branch left it."""

    revision: str
    commit: str


def find_base(
    job: Job, revision: str | None, gate: Gate | None, changed_since: str | None
) -> Base | None:
    """What the chosen parts are compared with; None: with nothing.

    That is `revision`; where only new findings gate and none is given, `changed_since`, else HEAD.
    Before the first commit, and outside git, everything is new.

    Raises InputError: no such revision, or none for a `gate` that was asked for by an option.
    """
    root = job.place.root
    if job.place.idle:
        return None
    if revision is not None:
        return Base(revision, changes.merge_base(root, revision))
    if (gate or job.gate) != "new" or not (job.tasks or gate):
        return None
    if git.in_repository(root) and changes.commit_of(root, "HEAD"):
        revision = changed_since or "HEAD"
        return Base(revision, changes.merge_base(root, revision, "--changed-since"))
    if gate:
        raise InputError(
            "--gate new",
            "there is no revision here to compare with",
            remedy="Commit first, or name a revision with --base",
        )
    return None


@dataclass
class Comparison:
    """Chosen parts against a base.

    tasks    to check besides the parts themselves
    same     parts whose file is the same at the base
    reports  of parts that are at the base, and cannot be checked there
    """

    base: Base
    tasks: list[Task] = field(default_factory=list)
    same: set[str] = field(default_factory=set)
    reports: list[PartReport] = field(default_factory=list)

    @property
    def name(self) -> str:
        """How the base is called in messages."""
        revision = self.base.revision
        return revision[:12] if revision == self.base.commit else revision

    def sort(self, head: Sequence[PartReport], base: Sequence[PartReport]) -> list[PartReport]:
        """The reports on the head with what is new, unchanged and fixed; `base` are those on
        `tasks`."""
        from wallguard.findings.identity import all_new, compared

        known = {(report.path, report.rules): report for report in (*base, *self.reports)}
        found = []
        for report in head:
            was = known.get((report.path, report.rules))
            if report.path in self.same:
                same = tuple(replace(one, state="unchanged") for one in report.findings)
                found.append(replace(report, findings=same))
            elif was is not None:
                found.append(compared(was, report, self.name))
            else:
                found.append(all_new(report))
        return found


def compare(place: Place, tasks: Sequence[Task], base: Base, stack: ExitStack) -> Comparison:
    """Lay out the chosen parts as they are at the base, until `stack` is closed.

    Raises InputError where git fails.
    """
    made = Comparison(base)
    inside = [task for task in tasks if task.root is not None]
    if not inside:
        return made
    folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="wallguard-"))
    into = Path(folder).resolve()
    files = committed_content(place.root, base.commit, [task.path for task in inside], into)
    if any(task.path not in files for task in inside):
        renamed = changes.renamed(place.root, base.commit, place.is_staged)
        old = {task.path: renamed.get(task.path, "") for task in inside if task.path not in files}
        found = committed_content(place.root, base.commit, filter(None, old.values()), into)
        files |= {path: found[name] for path, name in old.items() if name in found}
    for task in inside:
        file = files.get(task.path)
        if file is None:
            continue
        if is_pointer(file):
            message = (
                f"the mesh of {task.path} at {made.name} is in Git LFS and has not been fetched. "
                f"Run `git lfs fetch origin {base.commit}`."
            )
            made.reports += [
                failed(task.path, rules.path, rules.name, message) for _, rules in task.assignments
            ]
        elif _same(file, task.file):
            made.same.add(task.path)
        else:
            made.tasks.append(Task(task.path, file, task.assignments, into))
    return made


def _same(one: Path, other: Path) -> bool:
    try:
        return other.is_file() and filecmp.cmp(one, other, shallow=False)
    except OSError:  # then checking it will say why it cannot be read
        return False
