"""The findings of a page as cards: by part, and what is of one kind together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wallguard.base.plain import counted
from wallguard.base.text import mm, place
from wallguard.findings.groups import Group, gathered
from wallguard.findings.model import Finding, PartReport, Report, in_force
from wallguard.findings.outcomes import doubtful, is_cause
from wallguard.reports import order
from wallguard.reports.first import by_rules, waived_now
from wallguard.reports.sentence import mark
from wallguard.views.model import View

# So many cards of one kind are all seen at once, and of a page all parts.
_FEW, _ALL_OPEN = 3, 12


@dataclass(frozen=True)
class Item:
    """A group of findings in the list.

    at      its place in the list, from 0
    anchor  of its element, the same in every run
    state   against the base, or that it is waived
    quiet   whether it does not count, or means nothing before another
    bare    why there is no view
    """

    at: int
    part: PartReport
    group: Group
    anchor: str
    state: str
    quiet: bool
    view: View | None
    bare: str
    alike: str
    notes: tuple[str, ...]

    @property
    def finding(self) -> Finding:
        """The one that is told."""
        return self.group.first


@dataclass(frozen=True)
class Kind:
    """Cards of one part that one limit brings: the worst, and the others under what they are."""

    items: Sequence[Item]

    @property
    def shown(self) -> Sequence[Item]:
        """What is seen at once."""
        return self.items if len(self.items) <= _FEW else self.items[:1]

    @property
    def folded(self) -> Sequence[Item]:
        """What the reader opens."""
        return self.items[len(self.shown) :]

    @property
    def title(self) -> str:
        """What is folded: "12 more of the kind: fill, hollow, 0.90 to 1.50 mm"."""
        first = self.items[0].finding
        said = [first.check, *([first.fill] if first.fill else [])]
        subjects = [item.finding.subject for item in self.folded]
        sizes = [subject.thickness for subject in subjects if subject and subject.thickness.max]
        if sizes:
            least, most = min(size.min for size in sizes), max(size.min for size in sizes)
            said.append(
                f"{mm(least)} mm" if mm(least) == mm(most) else f"{mm(least)} to {mm(most)} mm"
            )
        return f"{len(self.folded)} more of this kind: {', '.join(said)}"


@dataclass(frozen=True)
class Block:
    """The cards of one part against one rule file."""

    part: PartReport
    kinds: Sequence[Kind]
    open: bool

    @property
    def summary(self) -> str:
        """How many there are: "3 fail, 1 note"."""
        return order.kinds([item.finding for kind in self.kinds for item in kind.items])

    @property
    def places(self) -> str:
        """In how many places that is, where it is more."""
        items = [item for kind in self.kinds for item in kind.items]
        number = sum(len(item.group.findings) for item in items)
        return f", in {counted(number, 'place')}" if number > len(items) else ""


def blocks(report: Report, pairs: Sequence[order.Pair]) -> list[Block]:
    """Cards in the order of the page: the part with the worst first, and in it the worst first."""
    by_part = gathered(pairs, lambda pair: id(pair[0]))
    made: list[Block] = []
    at = 0
    for own in by_part:
        kinds = []
        for alike in gathered(own, lambda pair: _kind(pair, report)):
            items = [_item(at + number, *pair, report) for number, pair in enumerate(alike)]
            at += len(items)
            kinds.append(Kind(items))
        made.append(Block(own[0][0], kinds, not made or len(pairs) <= _ALL_OPEN))
    return made


def _kind(pair: order.Pair, report: Report) -> tuple[object, ...]:
    """Equal for cards that tell of one thing in other sizes and places."""
    finding = pair[1].first
    counts = in_force(finding, report.gate)
    return finding.check, finding.severity, finding.fill, _state(finding), counts


def pairs(report: Report) -> list[order.Pair]:
    """What is for all to see, then what this change itself accepts, then the rest; by part."""
    held = order.by_part(report, lambda finding: in_force(finding, report.gate))
    now = order.by_part(report, waived_now)
    rest = order.by_part(
        report, lambda finding: not in_force(finding, report.gate) and not waived_now(finding)
    )
    loud, quiet = order.split(held)
    return loud + now + quiet + rest


def _item(at: int, part: PartReport, group: Group, report: Report) -> Item:
    finding = group.first
    pictures = part.views.pictures if part.views else ()
    view = next((picture for picture in pictures if picture.finding == finding.id), None)
    notes = [finding.remark]
    if by_rules(finding):
        notes.append("The drawing is as it was: the rules alone bring it.")
    if finding.waived:
        notes.append(f"Waived: {finding.waived}")
    if finding.location:
        notes.append(f"At {place(finding.location)} in the file's own frame.")
    follows = doubtful(part.findings) and not is_cause(finding)
    if follows:
        notes.append("It means nothing before the part's unit is settled.")
    return Item(
        at=at,
        part=part,
        group=group,
        anchor=f"wall-{mark(part, finding)}",
        state=_state(finding),
        quiet=follows or not in_force(finding, report.gate),
        view=view,
        bare=_bare(finding, part),
        alike=order.alike(group),
        notes=tuple(filter(None, notes)),
    )


def _state(finding: Finding) -> str:
    if waived_now(finding):
        return "waived by this change"
    if finding.waived:
        return "waived"
    if by_rules(finding):
        return "new, by the rules"
    return "worse" if finding.worse else finding.state


def _bare(finding: Finding, part: PartReport) -> str:
    if finding.location is None:
        return "It concerns the part as a whole, so no section is drawn."
    if part.views and part.views.left_out:
        return "The part has so many findings that not each got a section."
    return "No section could be drawn there."
