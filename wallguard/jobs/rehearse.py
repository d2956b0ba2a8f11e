"""Rehearse an update of slicing software from the toolpath that it makes of a coupon, before
anything is printed: what of the rules that toolpath contradicts, and what that does to parts."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from math import inf
from pathlib import Path

from wallguard import __version__
from wallguard.bands.declared import believed
from wallguard.base.coupon import MANIFEST
from wallguard.base.errors import InputError
from wallguard.base.plain import counted
from wallguard.findings.impact import Impact, Process
from wallguard.findings.model import Trouble
from wallguard.findings.rehearsal import Before, Otherwise, Rehearsal, Rehearsed, Unlike
from wallguard.fitting.drift import Compared, drift
from wallguard.fitting.evidence import Evidence, evidence
from wallguard.fitting.moved import edges, otherwise, settings, standing
from wallguard.fitting.next_steps import next_steps
from wallguard.jobs.characterise import Fitted, Toolpaths, fit
from wallguard.jobs.choose import How
from wallguard.jobs.impact import Processes, impact
from wallguard.jobs.limits import Allowed
from wallguard.jobs.source import commit, work_tree
from wallguard.jobs.watch import Watch
from wallguard.repository.changes import merge_base, relative
from wallguard.rules import write
from wallguard.rules.load import load_rules
from wallguard.rules.model import Rules

# Walls that are named as telling more, at most about so many.
_MORE_WALLS = 6
# In the place of an impact that is yet to come.
_NONE = Impact(Process("", ""), Process("", ""), ())


@dataclass(frozen=True)
class Update:
    """What is to be rehearsed.

    rules      of the process as it is
    toolpaths  of the coupon, as the new release makes them: one for each printer or profile
    coupon     its folder; None: where the first toolpath lies, or `coupon` here or at the top
    before     of the coupon, as it is made now: none, one, or one for each of `toolpaths`
    base       a git revision: where none of `before` is named, `toolpaths` as they were where this
               branch left it
    """

    rules: Path
    toolpaths: tuple[Path, ...]
    coupon: Path | None = None
    before: tuple[Path, ...] = ()
    base: str | None = None


def rehearse(
    update: Update,
    paths: Sequence[Path] = (),
    *,
    everything: bool = False,
    how: How | None = None,
    watch: Watch | None = None,
) -> Rehearsal:
    """Compare parts of the repository that the current folder is in: those of `paths`, else those
    that answer to the rules; the arguments are those of `jobs.impact.impact`.

    A toolpath that cannot be used is told in the result. Raises InputError: rules, a coupon or a
    `wallguard.yaml` that cannot be used, or numbers of toolpaths that do not go together.
    """
    begun = time.perf_counter()
    started = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    base, coupon = _rules(update), _coupon(update)
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        reader = _Reader(base, coupon, how.allowed if how else None)
        read, troubles = reader.all(update.toolpaths, _before(update, stack))
        rehearsed = tuple(
            replace(
                each.result,
                impact=impact(
                    each.processes(update.rules, Path(folder)),
                    paths,
                    everything=everything,
                    how=how,
                    watch=watch,
                ),
            )
            for each in read
        )
    return Rehearsal(
        rules=Process(base.path, base.name),
        coupon=str(coupon),
        toolpaths=rehearsed,
        troubles=troubles,
        version=__version__,
        started=started,
        seconds=time.perf_counter() - begun,
    )


def _rules(update: Update) -> Rules:
    """The rules as they are. Raises InputError where no toolpath can be held against them."""
    # What a toolpath lays is held against where the rules calculate their edges.
    base = believed(load_rules(update.rules))
    if base.category != "material extrusion":
        raise InputError(
            base.path,
            f"these rules are for {base.category}, which lays no beads",
            remedy="Name rules for material extrusion",
        )
    if not update.toolpaths:
        raise InputError("--toolpath", "no toolpath is named", remedy="Name one or more")
    if len(update.before) not in (0, 1, len(update.toolpaths)):
        raise InputError(
            "--before",
            f"{counted(len(update.before), 'toolpath')} of before, but {len(update.toolpaths)} of "
            "after",
            remedy="Name one for all of them, or one for each, in the same order",
        )
    return base


def _coupon(update: Update) -> Path:
    """The folder of the coupon. Raises InputError where none is found."""
    if update.coupon is not None:
        return update.coupon
    near = (update.toolpaths[0].parent, Path("coupon"), work_tree(Path.cwd()).root / "coupon")
    coupon = next((folder for folder in near if (folder / MANIFEST).is_file()), None)
    if coupon is None:
        raise InputError(
            update.toolpaths[0],
            "nothing says which coupon it makes: there is none beside it, and none in `coupon`",
            remedy="Name the folder of the coupon: --coupon",
        )
    return coupon


@dataclass(frozen=True)
class _Then:
    """A toolpath of before: its file, and what it is called."""

    file: Path
    shown: str


def _before(update: Update, stack: ExitStack) -> list[_Then | None]:
    """For each toolpath that of before, if there is one; files are kept until `stack` is closed.

    Raises InputError where git does not know the revision.
    """
    count = len(update.toolpaths)
    if update.before or update.base is None:
        files = update.before * (count if len(update.before) == 1 else 1)
        return [_Then(file, str(file)) for file in files] or [None] * count
    root = work_tree(Path.cwd()).root
    base = commit(root, merge_base(root, update.base), stack, documents=False)
    wanted = [relative(file, root) for file in update.toolpaths]
    held = base.files([name for name in wanted if name is not None and base.holds(name)])
    return [
        _Then(held[name], f"{name} at {update.base}") if name in held else None for name in wanted
    ]


@dataclass(frozen=True)
class _Read:
    """One toolpath, read: the result without its impact, and the rules on both sides.

    standing  the rules as a toolpath of before has them, where that contradicts them
    """

    number: int
    result: Rehearsed
    after: Rules
    standing: Rules

    def processes(self, rules: Path, folder: Path) -> Processes:
        """Both sides for an impact; their files are written into `folder`."""
        after = self._written(self.after, folder, "after")
        standing = self._written(self.standing, folder, "standing")
        return Processes(rules, after, standing, self.result.toolpath)

    def _written(self, rules: Rules, folder: Path, name: str) -> Path:
        path = folder / f"{name}-{self.number}.yaml"
        path.write_text(write.text(rules), encoding="utf-8")
        return path


@dataclass
class _Reader:
    """Reads toolpaths of one coupon, each once."""

    base: Rules
    coupon: Path
    allowed: Allowed | None = None
    known: dict[Path, Fitted] = field(default_factory=dict)

    def all(
        self, files: Sequence[Path], before: Sequence[_Then | None]
    ) -> tuple[list[_Read], tuple[Trouble, ...]]:
        """The toolpaths, each with that of before, and those that cannot be used."""
        read, troubles = [], []
        for number, (file, then) in enumerate(zip(files, before, strict=True)):
            try:
                read.append(self._one(number, file, then))
            except InputError as error:
                troubles.append(Trouble(error.path, str(error)))
        return read, tuple(troubles)

    def _one(self, number: int, file: Path, then: _Then | None) -> _Read:
        base = self.base
        held: Before | None = None
        rules: Rules | None = None
        if then is not None:
            fitted = self._fitted(then.file)
            held = Before(then.shown, _walls(fitted), tuple(_unlike(fitted, base)))
            facts = evidence(fitted.fit, fitted.rules, base)
            rules = facts.rules if any(facts.stretches()) else None
        fitted = self._fitted(file)
        facts = evidence(fitted.fit, fitted.rules, rules or base)
        changed = tuple(otherwise(facts))
        result = Rehearsed(
            toolpath=str(file),
            walls=_walls(fitted),
            before=held,
            otherwise=changed,
            edges=tuple(edges(facts)),
            stand=tuple(standing(facts)),
            settings=tuple(settings(fitted.fit, base)),
            next_walls=_next_walls(facts, changed),
            notes=tuple(_notes(fitted, facts, changed)),
            impact=_NONE,
        )
        name = f"{base.name}, as {file.name} lays it"
        return _Read(number, result, replace(facts.rules, name=name), rules or base)

    def _fitted(self, file: Path) -> Fitted:
        if file not in self.known:
            laid = Toolpaths((file,), self.coupon, allowed=self.allowed)
            self.known[file] = fit([], Path(self.base.path), toolpaths=laid, shown=str(file))
        return self.known[file]


def _walls(fitted: Fitted) -> int:
    return sum(row.feature == "wall" for file in fitted.fit.files for row in file.rows)


def _unlike(fitted: Fitted, base: Rules) -> Iterator[Unlike]:
    """The walls of the coupon that a toolpath lays otherwise than the rules say."""
    for wall in drift(fitted.fit.files, base).walls:
        if wall.changed or wall.outside:
            yield _told(wall)


def _told(wall: Compared) -> Unlike:
    step, outcome = wall.step, wall.outcome
    laid = step.mean if step.readings else None
    return Unlike(step.nominal, wall.axis, outcome.fill, step.fill, outcome.printed, laid)


def _next_walls(facts: Evidence, changed: Sequence[Otherwise]) -> tuple[float, ...]:
    """Walls in what has become uncertain."""
    doubted = [(each.lower, each.upper or inf) for each in changed if each.after == "uncertain"]
    steps = (step.thickness for step in next_steps(facts.rules, _MORE_WALLS))
    return tuple(step for step in steps if any(low <= step <= high for low, high in doubted))


def _notes(fitted: Fitted, facts: Evidence, changed: Sequence[Otherwise]) -> Iterable[str]:
    """What a reader has to know of how the toolpath was read."""
    missed = sum(file.unmeasured for file in fitted.fit.files)
    if missed:
        yield f"{counted(missed, 'wall')} of the coupon could not be found in it."
    measured = any(band.source == "measured" for band in facts.before.bands)
    if measured and any(each.before == each.after for each in changed):
        yield (
            "The rules have measured bands: a printed thickness that differs from theirs may be "
            "what no toolpath knows. With --before only what changed is told."
        )
    yield from (f"{text}." for text in fitted.fit.odd)
