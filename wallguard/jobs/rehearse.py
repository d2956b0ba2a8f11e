"""Rehearse an update of slicing software from the toolpath that it makes of a coupon, before
anything is printed: what of the rules that toolpath contradicts, and what that does to parts; of
one rule file, or of all whose toolpaths changed."""

from __future__ import annotations

import os
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
from wallguard.findings.rehearsal import (
    Before,
    Otherwise,
    Printer,
    Rehearsal,
    Rehearsed,
    Unlike,
)
from wallguard.fitting.drift import Compared, drift
from wallguard.fitting.evidence import Evidence, evidence
from wallguard.fitting.moved import edges, otherwise, settings, standing
from wallguard.fitting.next_steps import next_steps
from wallguard.jobs.caching import Caching
from wallguard.jobs.characterise import Fitted, Toolpaths, fit
from wallguard.jobs.choose import How
from wallguard.jobs.design import Design
from wallguard.jobs.impact import Processes, impact
from wallguard.jobs.limits import Allowed
from wallguard.jobs.source import commit, work_tree
from wallguard.jobs.watch import Watch
from wallguard.repository import changes
from wallguard.repository.changes import merge_base, relative
from wallguard.repository.config import FILE_NAME
from wallguard.repository.nearest import names
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
    with _Run(paths, everything, False, how or How(), watch) as run:
        printer = run.printer(update)
    return Rehearsal(
        (printer,), version=__version__, started=started, seconds=time.perf_counter() - begun
    )


def rehearse_changed(
    rules: Sequence[Path] = (),
    paths: Sequence[Path] = (),
    *,
    base: str | None = None,
    everything: bool = False,
    how: How | None = None,
    watch: Watch | None = None,
) -> Rehearsal:
    """Rehearse each rule file of which `coupons` in `wallguard.yaml` names a toolpath that is not
    what it was at `base`; for each the parts that answer to it, of `paths` where there are any.

    rules  only these, changed or not
    base   a git revision, of which that counts where this branch left it; None: HEAD

    What cannot be used is told in the result, and the others are rehearsed. Raises InputError: no
    toolpath is named anywhere, a `wallguard.yaml` that cannot be used, or git cannot tell.
    """
    begun = time.perf_counter()
    started = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    updates, unchanged = _changed(rules, base or "HEAD")
    with _Run(paths, everything, True, how or How(), watch) as run:
        printers = tuple(run.printer_or_trouble(update) for update in updates)
    return Rehearsal(
        printers,
        unchanged,
        version=__version__,
        started=started,
        seconds=time.perf_counter() - begun,
    )


def _changed(rules: Sequence[Path], revision: str) -> tuple[list[Update], tuple[str, ...]]:
    """What to rehearse, and the toolpaths that are as they were."""
    design = Design(work_tree(Path.cwd()))
    root = design.source.root
    coupons = [each for repository in design.repositories.all() for each in repository.coupons]
    for trouble in design.troubles.values():
        raise InputError(trouble.path, trouble.message.removeprefix(f"{trouble.path}: "))
    if not coupons:
        raise InputError(
            FILE_NAME,
            "it names no toolpath of a coupon",
            remedy="Name them under `coupons`, or name RULES and --toolpath",
        )
    asked = {path: set(names([path], root)) for path in rules}
    for path, said in asked.items():
        if said.isdisjoint(each.rules for each in coupons):
            raise InputError(
                path,
                f"no toolpath of a coupon is named for it in {FILE_NAME}",
                remedy="Name it under `coupons`, or name it here: --toolpath",
            )
    wanted = {name for said in asked.values() for name in said}
    new = set(changes.between(root, merge_base(root, revision)).present)
    updates, unchanged = [], []
    for coupon in coupons:
        if wanted and coupon.rules not in wanted:
            continue
        # One that is not there is rehearsed, too: the report says so.
        files = [
            name
            for name in coupon.toolpaths
            if wanted or name in new or not (root / name).is_file()
        ]
        unchanged += [_here(root, name) for name in coupon.toolpaths if name not in files]
        if files:
            toolpaths = tuple(Path(_here(root, name)) for name in files)
            folder = Path(_here(root, coupon.coupon)) if coupon.coupon else None
            here = Path(_here(root, coupon.rules))
            updates.append(Update(here, toolpaths, folder, base=revision))
    return updates, tuple(unchanged)


def _here(root: Path, name: str) -> str:
    """A name below the root as it is called where the run began."""
    return Path(os.path.relpath(root / name)).as_posix()


class _Run:
    """Rehearses rule files over one choice of parts. Parts are measured once, whatever is kept."""

    def __init__(
        self,
        paths: Sequence[Path],
        everything: bool,
        only_answering: bool,
        how: How,
        watch: Watch | None,
    ) -> None:
        self.paths, self.everything, self.only_answering = paths, everything, only_answering
        self.how, self.watch = how, watch

    def __enter__(self) -> _Run:
        self._stack = ExitStack()
        if self.how.cache is None:
            self.how = replace(self.how, cache=Caching(self._new_folder()))
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def printer_or_trouble(self, update: Update) -> Printer:
        """The same, and where nothing can be done, that."""
        try:
            return self.printer(update)
        except InputError as error:
            trouble = Trouble(error.path, str(error))
            return Printer(Process(str(update.rules), ""), "", (), (trouble,))

    def printer(self, update: Update) -> Printer:
        """One rule file with its toolpaths. Raises InputError as `rehearse` does."""
        base, coupon = _rules(update), _coupon(update)
        reader, folder = _Reader(base, coupon, self.how.allowed), self._new_folder()
        read, troubles = reader.all(update.toolpaths, _before(update, self._stack))
        rehearsed = (
            replace(each.result, impact=self._impact(each.processes(update.rules, folder)))
            for each in read
        )
        return Printer(Process(base.path, base.name), str(coupon), tuple(rehearsed), troubles)

    def _new_folder(self) -> Path:
        return Path(self._stack.enter_context(tempfile.TemporaryDirectory())).resolve()

    def _impact(self, processes: Processes) -> Impact:
        return impact(
            processes,
            self.paths,
            everything=self.everything,
            only_answering=self.only_answering,
            how=self.how,
            watch=self.watch,
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
