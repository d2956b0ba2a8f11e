"""A run against a base revision: which findings are new, and whether the drawing or the rules
brought them; which are gone, and whether only because less is asked.

What is compared is the part as it is under the rules of now with the part as it was under the rules
of then. Where both the drawing and what is asked of it changed, each is also taken by itself:

                  rules then                 rules now
    part then     then: what was             what the rules alone bring
    part now      what the drawing brings    now: what is

A finding of now that was not there then is the rules' if they bring it by themselves, else the
drawing's. One that the rules of then would find on the part of now, and those of now do not, is
lost. Where the drawing is the same a column is one check, and where the rules and the placement are
the same a row is, so that nothing is checked that cannot differ.
"""

from __future__ import annotations

import filecmp
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.base.plain import plain
from wallguard.findings.model import Cause, Finding, PartReport
from wallguard.jobs.check import Task
from wallguard.jobs.choose import Asked, Chosen, answered
from wallguard.jobs.design import Design, Said
from wallguard.jobs.source import Source, commit, is_document
from wallguard.repository import changes
from wallguard.repository.config import is_part
from wallguard.repository.coupons import is_manifest
from wallguard.repository.entry import Assignment
from wallguard.rules.model import Rules

# New parts times parts that are gone, up to which they are held against each other.
_MOST_PAIRS = 400
_NOT_COMPARED = "not compared with {}, so that all its findings count as new: "

# Makes the file of a part as its code was in the base; None: there was no such part.
MadeThen = Callable[[str], Path | None]
CheckAll = Callable[[Sequence[Task]], list[list[PartReport]]]


@dataclass(frozen=True)
class Base:
    """A revision, as it was named, and the commit where this branch left it."""

    revision: str
    commit: str

    @property
    def name(self) -> str:
        """How the base is called in messages."""
        return self.revision[:12] if self.revision == self.commit else self.revision


def find_base(root: Path, asked: Asked, head: str) -> Base | None:
    """What this run is held against: `--base`, else `--changed-since`, else HEAD, the commit named
    `head`; None before the first commit and outside git, where that is empty.

    Raises InputError: no such revision.
    """
    if asked.base is not None:
        return Base(asked.base, changes.merge_base(root, asked.base))
    if not head:
        return None
    if not asked.changed_since:
        return Base("HEAD", head)
    commit = changes.merge_base(root, asked.changed_since, "--changed-since")
    return Base(asked.changed_since, commit)


@dataclass(frozen=True)
class Pair:
    """What a part answers to now, and what it answered to then in its place; None: to nothing."""

    now: Said | None
    then: Said | None

    @property
    def changed(self) -> bool:
        """Whether anything is asked otherwise."""
        return _asks(self.now) != _asks(self.then)


def _asks(said: Said | None) -> object:
    """What counts of an assignment: how the part lies, and what the rules ask of it."""
    if said is None:
        return None
    assignment, rules = said
    lies = assignment.rotation, assignment.scale, assignment.unit, assignment.chord
    return lies, asked_by(rules)


def asked_by(rules: Rules) -> Rules:
    """Rules without what asks nothing of a part: see `Rules.asking`."""
    return replace(rules.asking(), path="")


def paired(now: Sequence[Said], then: Sequence[Said]) -> list[Pair]:
    """Each rule file of now with the same of then; those left over by their order, since one that
    came where another went stands in its place. What only then had comes last."""
    before = {said[0].rules: said for said in then}
    ours = {said[0].rules for said in now}
    spare = [said for said in then if said[0].rules not in ours]
    pairs = []
    for said in now:
        match = before.get(said[0].rules)
        pairs.append(Pair(said, match or (spare.pop(0) if spare else None)))
    return pairs + [Pair(None, said) for said in spare]


@dataclass
class Held:
    """One part of this run, held against the base.

    pairs  in the order of what the part answers to now, those that only then had last
    was    its path then; empty: it was not there
    then   the file with its content of then, and the folder that must not be left; None: it was not
           there, or nothing is compared
    same   whether both files hold the same
    note   why it cannot be compared
    known  reports on the part of now that were made already
    """

    task: Task
    pairs: list[Pair]
    was: str = ""
    then: tuple[Path, Path] | None = None
    same: bool = False
    note: str = ""
    known: tuple[PartReport, ...] = ()

    @classmethod
    def alone(cls, task: Task) -> Held:
        """A part with nothing to hold it against."""
        return cls(task, [Pair(said, None) for said in task.assignments])

    def tasks(self) -> Iterator[Task]:
        """What is to be checked: the part of now, and where it differs the part of then."""
        ours = tuple(pair.then for pair in self.pairs if pair.then and pair.changed)
        wanted = () if self.known else self.task.assignments
        yield replace(self.task, assignments=wanted, also=ours)
        if self.then is None or self.same or self.note:
            return
        theirs = tuple(pair.then for pair in self.pairs if pair.now and pair.then)
        alone = tuple(pair.now for pair in self.pairs if pair.now and pair.changed)
        file, root = self.then
        if theirs or alone:
            yield Task(self.was, file, theirs, root, self.task.folder, also=alone)

    def sorted(self, results: Iterator[list[PartReport]], base: Base | None) -> Sorted:
        """The reports on the part, from the results of `tasks`, one after the other.

        base  None: nothing is compared, only what is lost is told
        """
        tasks = list(self.tasks())
        ours = iter((*self.known, *next(results)))
        theirs = iter(next(results) if len(tasks) > 1 else ())
        now = [next(ours) if pair.now else None for pair in self.pairs]
        less = [next(ours) if pair.then and pair.changed else None for pair in self.pairs]
        then = [next(theirs, None) if pair.now and pair.then else None for pair in self.pairs]
        alone = [next(theirs, None) if pair.now and pair.changed else None for pair in self.pairs]
        made = Sorted()
        for at, pair in enumerate(self.pairs):
            here, before = now[at], less[at]
            if here is None:
                if before is not None:
                    was = self.was if self.was != before.path else ""
                    made.dropped.append(_dropped(before, was))
                continue
            if self.same:
                then[at], alone[at] = before if pair.changed else here, here
            cell = Cell(here, before, then[at], alone[at])
            made.parts.append(self._finished(cell, pair, base))
            if cell.then is not None and not self.same:
                made.before.append(replace(cell.then, findings=made.parts[-1].fixed))
        return made

    def _finished(self, cell: Cell, pair: Pair, base: Base | None) -> PartReport:
        report = cell.now
        if base is not None:
            report = self._stated(cell, pair, base)
            if self.was not in ("", report.path):
                report = replace(report, was=self.was)
        return replace(report, lost=cell.lost) if pair.changed else report

    def _stated(self, cell: Cell, pair: Pair, base: Base) -> PartReport:
        """The report with the state of each finding, what brought it, and what is fixed."""
        if self.same and not pair.changed and not self.note and self.then is not None:
            same = tuple(replace(finding, state="unchanged") for finding in cell.now.findings)
            return replace(cell.now, findings=same)
        from wallguard.findings.identity import all_new, compared

        if self.note:
            return replace(all_new(cell.now), base_note=self.note)
        if self.then is None:
            return _caused(all_new(cell.now), frozenset())
        report = compared(cell.then, cell.now, base.name) if cell.then else all_new(cell.now)
        if not pair.changed:
            return _caused(report, frozenset()) if not report.base_note else report
        if cell.alone is None or cell.alone.status == "error":
            return report
        by_rules = compared(cell.alone, cell.now).findings
        known = frozenset(at for at, finding in enumerate(by_rules) if finding.state == "unchanged")
        return replace(_caused(report, known), fixed=cell.fixed(report))


@dataclass(frozen=True)
class Cell:
    """One part under one pair, each of drawing and rules as now and as then; see the drawing at the
    top of this page. None: not checked.

    now    both of now;  less: rules of then;  then: both of then;  alone: drawing of then
    """

    now: PartReport
    less: PartReport | None
    then: PartReport | None
    alone: PartReport | None

    @property
    def lost(self) -> tuple[Finding, ...]:
        """What the rules of then find on the drawing of now, and those of now do not."""
        if self.less is None or "error" in (self.less.status, self.now.status):
            return ()
        from wallguard.findings.identity import unbroken

        return unbroken(self.less, self.now)

    def fixed(self, report: PartReport) -> tuple[Finding, ...]:
        """Of what `report` says is fixed, that which would be gone under the rules of then too."""
        if self.less is None or self.then is None or "error" in (self.less.status, self.now.status):
            return report.fixed
        from wallguard.findings.identity import compared

        gone = {id(finding) for finding in compared(self.then, self.less).fixed}
        return tuple(finding for finding in report.fixed if id(finding) in gone)


@dataclass
class Sorted:
    """Reports on one part; `dropped`: for rules that it does not answer to any more; `before`: on
    what it was, with what is fixed since."""

    parts: list[PartReport] = field(default_factory=list)
    dropped: list[PartReport] = field(default_factory=list)
    before: list[PartReport] = field(default_factory=list)


def fixed_once(reports: Sequence[PartReport]) -> list[PartReport]:
    """The reports, where one part became several: a finding of it is fixed only where none of them
    has it any more, and is told once."""
    families: dict[tuple[str, str], list[int]] = {}
    for at, report in enumerate(reports):
        if report.was:
            families.setdefault((report.was, report.rules), []).append(at)
    made = list(reports)
    for first, *others in (ours for ours in families.values() if len(ours) > 1):
        left = [{finding.id for finding in made[at].fixed} for at in (first, *others)]
        gone = set.intersection(*left)
        fixed = tuple(finding for finding in made[first].fixed if finding.id in gone)
        made[first] = replace(made[first], fixed=fixed)
        for at in others:
            made[at] = replace(made[at], fixed=())
    return made


def _caused(report: PartReport, by_rules: frozenset[int]) -> PartReport:
    """The report with what brought each new finding; `by_rules`: the numbers of those that the
    rules bring by themselves."""

    def cause(at: int) -> Cause:
        return "rules" if at in by_rules else "drawing"

    return replace(
        report,
        findings=tuple(
            replace(finding, cause=cause(at)) if finding.state == "new" else finding
            for at, finding in enumerate(report.findings)
        ),
    )


def _dropped(report: PartReport, was: str) -> PartReport:
    """A part that answers to these rules no more: what they would find is lost."""
    lost = tuple(finding for finding in report.findings if finding.severity != "note")
    return replace(report, status="passed", checks=(), walls=(), findings=(), lost=lost, was=was)


@dataclass
class Against:
    """The base of a run: what its files say, and what differs from it.

    now, then   what is said now and then; the same where no document changed
    changed     what differs, in the work tree or in the index
    documents   whether rule files, `wallguard.yaml` or waivers are among that
    is_first    whether there was no `wallguard.yaml` at all then: parts of then are held to the
                rules of now
    unclaimed   reports on parts that are gone and that no part of now was, where that was asked
    """

    base: Base
    now: Design
    then: Design
    changed: changes.Changes
    documents: bool
    is_first: bool
    source: Source
    unclaimed: list[PartReport] = field(default_factory=list)

    @classmethod
    def of(cls, now: Design, base: Base, stack: ExitStack) -> Against:
        """Raises InputError where git fails."""
        root = now.source.root
        changed = changes.between(root, base.commit, now.source.staged)
        names = {*changed.present, *changed.removed}
        documents = any(is_document(name) or is_manifest(name) for name in names)
        documents = documents or not names.isdisjoint(now.repositories.rule_files())
        source = commit(root, base.commit, stack, documents)
        then = Design(source, now.given, now.lying) if documents else now
        is_first = documents and not then.given and not then.says_something()
        return cls(base, now, now if is_first else then, changed, documents, is_first, source)

    def hold(self, chosen: Chosen, compared: bool, made_then: MadeThen) -> list[Held]:
        """The chosen parts, each with what it was and answered to then, and parts that answer to
        nothing any more. Without `compared`, what they were is left out.

        made_then  see `generated.made_then`

        Raises InputError where git fails.
        """
        held = [Held.alone(task) for task in chosen.tasks]
        for each in held:
            if each.task.made:
                self._hold_made(each, made_then if compared else None)
        inside = [each for each in held if each.task.root is not None and not each.task.made]
        paths = [each.task.path for each in inside]
        was, files = self._origins(paths) if compared else ({}, {})
        for each in inside:
            path = each.task.path
            self._hold(each, was.get(path, path), files.get(path))
        return held + list(self._dropped(chosen))

    def look_for_origins(self, held: Sequence[Held], check: CheckAll) -> None:
        """Find parts that are gone in parts that are new, by their walls: parts that were
        converted, or split, or renamed and changed, or put into a part that was there. What is new
        is checked for that at once."""
        from wallguard.findings.origins import origins

        new = [each for each in held if each.task.root is not None and each.then is None]
        new = [each for each in new if not each.task.made]
        new = [each for each in new if each.task.assignments]
        used = {each.was for each in held if each.was}
        gone = [path for path in self.then.covered(self.changed.removed) if path not in used]
        edited = [each for each in held if each.then is not None and not each.same]
        if not gone or not (new or edited) or max(len(new), 1) * len(gone) > _MOST_PAIRS:
            return
        files = self.source.files(gone)
        tasks = []
        for path in gone:
            before, _ = answered(self.then, self.then.assignments(path))
            if path in files and before:
                folder = self.then.repository(path).folder
                tasks.append(Task(path, files[path], before[:1], self.source.content, folder))
        results = check([*tasks, *(each.task for each in new)])
        old = {task.path: reports[0] for task, reports in zip(tasks, results, strict=False)}
        for each, reports in zip(new, results[len(tasks) :], strict=True):
            each.known = tuple(reports)
        was_of = origins({each.task.path: each.known[0] for each in new}, old)
        for each in new:
            if was := was_of.get(each.task.path):
                self._hold(each, was, files[was])
        self.unclaimed = [old[path] for path in old if path not in was_of.values()]

    def _hold(self, held: Held, was: str, file: Path | None) -> None:
        """Hold a part against what it was: the part at `was`, whose content of then is in `file`
        (None: it was not there, or is not wanted)."""
        before, unusable = answered(self.then, self.then.assignments(was))
        held.pairs = paired(held.task.assignments, before)
        if file is not None:
            held.was, held.then = was, (file, self.source.content)
            held.same = _same(file, held.task.file)
            held.note = self._note(was, file, unusable)

    def _hold_made(self, held: Held, made_then: MadeThen | None) -> None:
        """Hold a part that code makes against what the code of then makes; None: nothing is."""
        part = held.task.path
        try:
            file = made_then(part) if made_then else None
        except InputError as error:
            self._hold(held, part, None)
            held.note = f"{_NOT_COMPARED.format(self.base.name)}its code of then gave none: {error}"
            return
        self._hold(held, part, file)
        if file is not None:
            held.then = file, file.parent

    def _note(self, path: str, file: Path, unusable: Sequence[Assignment]) -> str:
        """Why what was then cannot be compared; empty where it can."""
        name = self.base.name
        without = _NOT_COMPARED.format(name)
        from wallguard.repository.staged import is_pointer

        if is_pointer(file):
            return (
                f"{without}the mesh of {path} there is in Git LFS and has not been fetched. "
                f"Run `git lfs fetch origin {self.base.commit}`."
            )
        if unusable:
            return f"{without}{plain(unusable[0].rules)} cannot be used there."
        return ""

    def _origins(self, paths: Sequence[str]) -> tuple[dict[str, str], dict[str, Path]]:
        """Of each part that was there under another name, that name; and where the content of then
        of each part lies."""
        files = self.source.files(paths)
        missing = [path for path in paths if path not in files]
        if not missing:
            return {}, files
        renamed = self._renamed()
        was = {path: renamed[path] for path in missing if path in renamed}
        contents = self.source.files(was.values())
        return was, files | {path: contents[name] for path, name in was.items() if name in contents}

    def _renamed(self) -> dict[str, str]:
        source = self.now.source
        return changes.renamed(source.root, self.base.commit, source.staged)

    def _dropped(self, chosen: Chosen) -> Iterator[Held]:
        """Parts that are there and answered to rules then, and answer to none now."""
        if self.now.given:
            return
        now, then = self.now, self.then
        candidates: dict[str, str] = {}
        if self.documents:
            candidates = {path: path for path in filter(is_part, now.source.every)}
        if then.covered(self.changed.removed):
            candidates |= self._renamed()
        dropped = {
            path: was
            for path, was in candidates.items()
            if chosen.is_in_scope(path) and not now.assignments(path) and then.assignments(was)
            if not now.is_unreadable(path)
        }
        files = now.source.files(dropped)
        for path, was in sorted(dropped.items()):
            if path in files:
                before, _ = answered(then, then.assignments(was))
                task = Task(path, files[path], (), now.source.content, now.repository(path).folder)
                yield Held(task, [Pair(None, said) for said in before], was)


def _same(one: Path, other: Path) -> bool:
    try:
        return other.is_file() and filecmp.cmp(one, other, shallow=False)
    except OSError:  # then checking it will say why it cannot be read
        return False
