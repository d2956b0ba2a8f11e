"""What a change asks less of parts than its base did: in rule files, and in what `wallguard.yaml`
says of which parts answer to them and how they are printed.

None of it fails by itself: a rule may have been too strict. But whoever reviews the change has to
know, since a finding can be made to go away by asking less.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date

from wallguard.base.plain import counted
from wallguard.findings.model import Finding, PartReport, Weakening
from wallguard.jobs.base import Against, Pair, asked_by, paired
from wallguard.jobs.choose import answered
from wallguard.jobs.design import Said
from wallguard.repository.config import FILE_NAME, is_part
from wallguard.rules.differences import differences
from wallguard.rules.model import Rules
from wallguard.waivers.apply import LONGEST, apply
from wallguard.waivers.changes import strengthened
from wallguard.waivers.load import FILE_NAME as WAIVERS


@dataclass
class Asks:
    """What is asked otherwise.

    rules  names of rule files that ask otherwise than before, sorted
    less   what is asked less
    """

    rules: tuple[str, ...] = ()
    less: tuple[Weakening, ...] = ()


def asked_less(
    against: Against, parts: Sequence[PartReport], dropped: Sequence[PartReport], today: date
) -> Asks:
    """What the change asks otherwise of the repository as a whole, whatever parts were checked.

    parts, dropped  of this run, before anything is waived: where findings are lost, whatever rule
                    files changed is told, also where nobody can say whether it asks less
    """
    if against.now.given or against.is_first:
        return Asks()
    moved = list(_moved(against, dropped))
    if not against.documents:
        return Asks(less=tuple(moved))
    reports = [*parts, *dropped]
    lost = {report.rules for report in reports if report.lost}
    pairs = _pairs(against)
    changed, less = [], []
    for name, (old, new) in sorted(_rules(against, pairs).items()):
        if asked_by(old) != asked_by(new):
            if old.path == new.path:
                changed.append(name)
            less += list(_of_rules(name, old, new, name in lost))
    less += [*_of_parts(against, pairs, reports), *moved, *_of_repositories(against)]
    less += _of_waivers(against, parts, today)
    return Asks(tuple(changed), tuple(less))


def _moved(against: Against, dropped: Sequence[PartReport]) -> Iterator[Weakening]:
    """Parts that were moved to where they answer to no rules."""
    for report in dropped:
        if report.was:
            lost = f": {counted(len(report.lost), 'finding')} lost" if report.lost else ""
            what = f"{report.was} is now {report.path}, which answers to no rules"
            yield Weakening(against.now.repository(report.path).name, what + lost, (report.path,))


def _pairs(against: Against) -> dict[str, list[Pair]]:
    """What each part that is there answers to now and answered to then, where any `wallguard.yaml`
    changed; else nothing differs but what rule files say."""
    now, then = against.now, against.then
    names = (*against.changed.present, *against.changed.removed)
    if not any(name.rpartition("/")[2] == FILE_NAME for name in names):
        return {}
    pairs = {}
    for path in filter(is_part, now.source.every):
        if now.is_unreadable(path):
            continue
        before, after = (answered(design, design.assignments(path))[0] for design in (then, now))
        pairs[path] = paired(after, before)
    return pairs


def _rules(against: Against, pairs: dict[str, list[Pair]]) -> dict[str, tuple[Rules, Rules]]:
    """By the name of a rule file: what it said, or the one in whose place it stands, and says."""
    changed: dict[str, tuple[Rules, Rules]] = {}
    then = {*against.then.repositories.rule_files()}
    for name in against.now.repositories.rule_files():
        old = against.then.rules(name) if name in then else None
        new = against.now.rules(name)
        if old is not None and new is not None:
            changed[name] = old, new
    for pair in (pair for part in pairs.values() for pair in part):
        if pair.now and pair.then and pair.now[0].rules != pair.then[0].rules:
            changed.setdefault(pair.now[0].rules, (pair.then[1], pair.now[1]))
    return changed


def _of_rules(name: str, old: Rules, new: Rules, has_lost: bool) -> Iterator[Weakening]:
    before = "" if old.path == new.path else f" (before: {old.path})"
    for difference in differences(old, new):
        if difference.asks == "less" or (has_lost and difference.asks == "other"):
            yield Weakening(name, difference.message + before)


@dataclass
class _Parts:
    """Parts of which something is asked less, by the file that says so and in what words."""

    known: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    def add(self, path: str, what: str, part: str) -> None:
        parts = self.known.setdefault((path, what), [])
        if part not in parts:
            parts.append(part)


def _of_parts(
    against: Against, pairs: dict[str, list[Pair]], reports: Sequence[PartReport]
) -> Iterator[Weakening]:
    """Parts that are left out, answer to other rules, or are printed otherwise."""
    groups = _Parts()
    for path, ours in pairs.items():
        name = against.now.repository(path).name
        for pair in ours:
            if pair.then is None:
                continue
            if pair.now is None:
                groups.add(name, _left_out(against, path, pair.then), path)
                continue
            if pair.now[0].rules != pair.then[0].rules:
                instead = f"{pair.now[0].rules} in the place of {pair.then[0].rules} for {{}}"
                groups.add(name, instead, path)
            for what in _placed(pair.then, pair.now):
                groups.add(name, f"{what} for {{}}", path)
    for (name, what), parts in sorted(groups.known.items()):
        lost = sum(len(report.lost) for report in reports if report.path in parts)
        lost_findings = f": {counted(lost, 'finding')} lost" if lost else ""
        yield Weakening(
            name, what.format(counted(len(parts), "part")) + lost_findings, tuple(sorted(parts))
        )


def _left_out(against: Against, path: str, then: Said) -> str:
    repository = against.now.repository(path)
    if repository.excluded(path):
        return "excludes {}"
    if repository.assignments(path):
        return f"{{}} no longer held to {then[0].rules}"
    return "{} no longer held to any rules"


def _placed(then: Said, now: Said) -> Iterable[str]:
    """How a part is printed otherwise, in a few words each."""
    old, new = then[0], now[0]
    if old.scale != new.scale:
        yield f"scale {old.scale:g} to {new.scale:g}"
    if old.unit != new.unit:
        yield f"unit {old.unit or 'mm'} to {new.unit or 'mm'}"
    if old.rotation != new.rotation:
        yield "printed another way up"


def _of_waivers(against: Against, parts: Sequence[PartReport], today: date) -> Iterator[Weakening]:
    """Waivers that the change adds, prolongs or widens, and how many findings they accept."""
    changed = (*against.changed.present, *against.changed.removed)
    for name in sorted(name for name in changed if name.rpartition("/")[2] == WAIVERS):
        folder = name.removesuffix(WAIVERS)
        stronger = strengthened(against.then.waivers(folder), against.now.waivers(folder))
        if not stronger:
            continue
        ours = [part for part in parts if against.now.repository(part.path).folder == folder]
        longest = against.now.longest(folder)
        applied, _ = apply(ours, [change.waiver for change in stronger], today, longest=longest)
        accepted = [
            finding for part in applied for finding in part.findings if _is_accepted(finding)
        ]
        own = sum(finding.state == "new" for finding in accepted)
        last = max(change.waiver.until for change in stronger)
        said = [
            f"{own} of its own findings" if own else "",
            counted(len(accepted) - own, "finding") if len(accepted) > own else "",
        ]
        waives = " and ".join(filter(None, said))
        added = counted(len(stronger), "waiver")
        what = f"waives {waives}" if waives else f"adds or widens {added}"
        yield Weakening(name, f"{what} until {last}")


def _is_accepted(finding: Finding) -> bool:
    return any(breach.waived for breach in finding.breaches)


def _of_repositories(against: Against) -> Iterator[Weakening]:
    """What a `wallguard.yaml` says of all its parts."""
    then = {repository.folder: repository for repository in against.then.repositories.all()}
    for new in against.now.repositories.all():
        old = then.get(new.folder)
        if old is None:
            continue
        if (old.gate, new.gate) == ("all", "new"):
            yield Weakening(new.name, "gate all to new")
        if new.chord > old.chord:
            yield Weakening(new.name, f"chord_error {old.chord:g} mm to {new.chord:g} mm")
        before, after = (repository.longest or LONGEST for repository in (old, new))
        if after > before:
            yield Weakening(new.name, f"waivers.longest {before} days to {after} days")
