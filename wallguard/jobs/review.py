"""One run over a design repository: choose parts, check them, hold them against a base, apply
waivers, and say what the change asks less."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.findings.model import Gate, PartReport, Report, Trouble, Weakening
from wallguard.jobs.choose import Asked, Chosen, How, choose, gone, touches_nothing, unseen
from wallguard.jobs.design import Design
from wallguard.jobs.source import index, work_tree
from wallguard.jobs.watch import Watch, silent
from wallguard.repository import changes, git
from wallguard.repository.config import FILE_NAME

if TYPE_CHECKING:
    from wallguard.jobs.base import Against, MadeThen
    from wallguard.jobs.check import Task
    from wallguard.rules.model import Rules


@dataclass(frozen=True)
class Review:
    """What a run gives.

    folder  the top of the run as seen from the top of the git work tree; `.` where it is that
    rules   the rule files that were asked for, None where one could not be used
    """

    report: Report
    folder: str
    rules: Mapping[str, Rules | None]


def review(
    asked: Asked, how: How | None = None, watch: Watch | None = None, here: Path | None = None
) -> Review:
    """Check what is asked for in the repository that the folder `here` is in (None: the current).

    Raises InputError where nothing can be checked at all.
    """
    begun = time.perf_counter()
    started = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    with ExitStack() as stack:
        run = _Run(asked, how or How(), here or Path.cwd(), stack)
        report = run.quiet() if run.is_quiet else run.report(watch)
    report = replace(
        report,
        version=__version__,
        started=started,
        seconds=time.perf_counter() - begun,
    )
    root = run.now.source.root
    return Review(report, git.below_top(root), run.now.known)


class _Run:
    """One run: what is asked, what the repository says, what it is held against."""

    def __init__(self, asked: Asked, how: How, here: Path, stack: ExitStack) -> None:
        self.asked, self.how, self._stack = asked, how, stack
        top = changes.find_root(here)
        if git.in_repository(top):
            git.refuse_nonsense(top, FILE_NAME)
        # A commit of something else must cost next to nothing.
        self.is_quiet = asked.staged and touches_nothing(changes.staged(top))
        source = index(here, stack, self.is_quiet) if asked.staged else work_tree(here)
        self.root = source.root
        self.now = Design(source, asked.rules, asked.lying)

    @property
    def _today(self) -> date:
        return self.how.today or date.today()

    def quiet(self) -> Report:
        """The report on a commit that touches nothing that is checked."""
        return Report(
            parts=(),
            unseen=tuple(unseen(self.now, ())),
            troubles=tuple(self.now.troubles.values()),
            head_commit=self._head,
        )

    def report(self, watch: Watch | None) -> Report:
        """Choose, check, compare, and apply what was accepted."""
        # Not for a commit that touches nothing: see `quiet`.
        from wallguard.jobs.base import Against, Held, find_base, fixed_once
        from wallguard.jobs.check import settled

        chosen = choose(self.now, self.asked)
        gate, remarks = self._gate(chosen)
        base = find_base(self.root, self.asked, self._head)
        compared = base is not None and (self.asked.base is not None or gate == "new")
        against = Against.of(self.now, base, self._stack) if base else None
        if against and compared and chosen.tasks:
            remarks += self._about(against, gate)
        made_then = self._make(chosen, against)
        if self.how.views:
            chosen.tasks = [replace(task, views=self.how.views) for task in chosen.tasks]
        if against:
            held = against.hold(chosen, compared, made_then)
        else:
            held = [Held.alone(task) for task in chosen.tasks]
        check = partial(self._check, watch=watch)
        if against and compared:
            against.look_for_origins(held, check)
        results = iter(check([task for each in held for task in each.tasks()]))
        results_of = [each.sorted(results, base if compared else None) for each in held]
        parts = fixed_once([report for each in results_of for report in each.parts])
        if against and compared and parts:
            from wallguard.findings.carried import carried

            before = [report for each in results_of for report in each.before]
            parts = carried(parts, [*before, *against.unclaimed], against.base.name)
        dropped = sorted((report for each in results_of for report in each.dropped), key=_by_name)
        less: tuple[Weakening, ...] = ()
        changed_rules: tuple[str, ...] = ()
        if against and (against.documents or dropped):
            from wallguard.jobs.asks_less import asked_less

            asks = asked_less(against, parts, dropped, self._today)
            less, changed_rules = asks.less, asks.rules
        parts, more = self._waived([*parts, *chosen.reports], chosen)
        gate = gate if compared else "all"
        parts = [settled(part, gate) for part in parts]
        return Report(
            parts=tuple(sorted(parts, key=_by_name)),
            not_covered=tuple(sorted(chosen.not_covered)),
            troubles=tuple(self.now.troubles.values()),
            removed=tuple(sorted(chosen.removed)),
            unseen=tuple(chosen.unseen),
            left_out=tuple(chosen.left_out),
            base=base.revision if base and compared else "",
            base_commit=base.commit if base and compared else "",
            head_commit=self._head,
            dropped=tuple(dropped),
            asks_less=less,
            changed_rules=changed_rules,
            gate=gate,
            remarks=(*remarks, *more, *self._of_rules(chosen)),
            versioned=git.in_repository(self.root),
        )

    def _make(self, chosen: Chosen, against: Against | None) -> MadeThen:
        """Make the parts that code makes; returns what makes them as they were in the base."""
        entries = self.now.generated_from(chosen.asked)
        if not (chosen.generated or entries):
            return lambda part: None
        from wallguard.jobs.generated import Maker, add, kept_back, made_then

        stack = self._stack
        into = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="wallguard-"))).resolve()
        store = self.how.cache.store(self.root) if self.how.cache else None
        add(
            chosen, self.now, entries, kept_back(self.asked, against), Maker(self.root, into, store)
        )
        if against is None:
            return lambda part: None
        (into / "then").mkdir()
        return made_then(against, into / "then", store)

    @cached_property
    def _head(self) -> str:
        """The full name of the commit that is checked out; empty: none."""
        return (git.in_repository(self.root) and changes.commit_of(self.root, "HEAD")) or ""

    def _gate(self, chosen: Chosen) -> tuple[Gate, list[Trouble]]:
        """Which findings fail. Raises InputError where new ones are asked for by an option, and
        there is nothing that they could be new against."""
        if self.asked.gate is None:
            return self.now.gate(task.path for task in chosen.tasks if task.root is not None)
        if self.asked.gate == "new" and self.asked.base is None and not self._head:
            raise InputError(
                "--gate new",
                "there is no revision here to compare with",
                remedy="Commit first, or name a revision with --base",
            )
        return self.asked.gate, []

    def _about(self, against: Against, gate: Gate) -> list[Trouble]:
        """What to say of the base. Raises InputError where new findings are asked for by an option
        and none can be: no revision is named, and nothing differs from HEAD."""
        base = against.base
        if against.is_first:
            return [
                Trouble(
                    FILE_NAME,
                    f"{FILE_NAME}: {base.name} has none yet, so that its parts were held to the "
                    "rules of now.",
                )
            ]
        if against.changed != changes.Changes() or base.commit != self._head:
            return []
        problem = f"what is checked is {base.name} itself, so that nothing can be new"
        remedy = "Name the revision to compare with (--base), or let all findings fail (--gate all)"
        if self.asked.gate == "new" and self.asked.base is None and not self.asked.changed_since:
            raise InputError("--gate new", problem, remedy=remedy)
        if gate == "new":
            problem += ": findings are told, and none of them fails"
        return [Trouble(FILE_NAME, f"{FILE_NAME}: {problem}. {remedy}.")]

    def _check(self, tasks: Sequence[Task], watch: Watch | None) -> list[list[PartReport]]:
        from wallguard.jobs.check import check_all

        store = self.how.cache.store(self.root) if self.how.cache else None
        tasks = [replace(task, store=store, allowed=self.how.allowed) for task in tasks]
        with (watch or silent)(len(tasks)) as progress:
            return check_all(tasks, self.how.jobs, progress, self.how.cluster)

    def _waived(
        self, parts: Sequence[PartReport], chosen: Chosen
    ) -> tuple[list[PartReport], list[Trouble]]:
        """The reports with what was accepted, each by the waivers beside its `wallguard.yaml`; and
        what to mend in those."""
        outside = {task.path for task in chosen.tasks if task.root is None}
        sorted_in: dict[str, list[PartReport]] = {"": []}
        for path in chosen.removed:
            sorted_in.setdefault(self.now.repository(path).folder, [])
        for repository in self.now.repositories.all() if chosen.complete else ():
            sorted_in.setdefault(repository.folder, [])
        for part in parts:
            folder = "" if part.path in outside else self.now.repository(part.path).folder
            sorted_in.setdefault(folder, []).append(part)
        waived, remarks = [], []
        for folder, ours in sorted_in.items():
            waivers = self.now.waivers(folder)
            if not waivers:
                waived += ours
                continue
            from wallguard.waivers.apply import apply

            applied, more = apply(
                ours,
                waivers,
                self._today,
                gone=partial(gone, self.now),
                complete=chosen.complete,
                longest=self.now.longest(folder),
            )
            waived += applied
            remarks += [Trouble(folder + remark.path, folder + remark.message) for remark in more]
        return waived, remarks

    def _of_rules(self, chosen: Chosen) -> list[Trouble]:
        """What to mend in rule files: how beads lie is not said, or what they rest on is old."""
        used = {rules.path: rules for task in chosen.tasks for _, rules in task.assignments}
        if not used:
            return []
        from wallguard.bands.chart import spacing_remark
        from wallguard.jobs.provenance import remarks

        return [
            Trouble(path, f"{path}: {remark}.")
            for path, rules in sorted(used.items())
            for remark in (spacing_remark(rules), *remarks(rules, self.root, self._today))
            if remark
        ]


def _by_name(report: PartReport) -> tuple[str, str]:
    return report.path, report.rules
