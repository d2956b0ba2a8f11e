"""Compare two processes on one part: which walls come out otherwise, and what the checks say.

The part is measured once for both where both measure alike (same layer height, or neither lays
beads): its walls are divided wherever either process changes its mind, each piece is looked up in
both band tables, and pieces with the same pair of answers at one place are one wall again. Where
the two measure differently the part is measured for each, and walls are compared as the new one
finds them.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from wallguard.bands.advice import describe
from wallguard.bands.declared import band_table
from wallguard.bands.table import BandTable
from wallguard.base.text import SHOWN, mm, place, span
from wallguard.checks.case import Case
from wallguard.findings.impact import DIRECTIONS, Change, Direction, Judged, PartImpact, direction
from wallguard.findings.model import Breach, Finding, Printed, Spread
from wallguard.findings.outcomes import severity_rank
from wallguard.findings.places import Boxes
from wallguard.jobs.check import Task, explain, lost_message, part_file, run_checks, status_of
from wallguard.rules.model import Rules
from wallguard.walls.stretch import Stretch, is_speck, joined

if TYPE_CHECKING:
    from wallguard.part.geometry import Geometry


def compare_part(task: Task) -> PartImpact:
    """The part of a task under the first of its rules, and under the second. Never raises for bad
    input. The part lies as for the first."""
    (assignment, old), (_, new) = task.assignments
    begun = time.perf_counter()
    try:
        part = part_file(task)[0].lying(assignment)
        result = compare(part.geometry, old, new, task.path)
    except Exception as error:  # of this part alone
        result = PartImpact(task.path, "error", "error", error=explain(task.path, error))
    return replace(result, seconds=time.perf_counter() - begun)


def lost_part(task: Task, why: str) -> PartImpact:
    """What is told of a part whose process was killed."""
    return PartImpact(task.path, "error", "error", error=lost_message(task.path, why))


def compare(geometry: Geometry, old: Rules, new: Rules, path: str) -> PartImpact:
    """One part, known as `path`, under the rules of two processes.

    Raises InputError where no band table follows from rules, or for a part of absurd size.
    """
    before = Case(geometry, old, band_table(old))
    after = Case(geometry, new, band_table(new))
    pieces = _measure(before, after)
    # What both judge as a pin or a floor changes as a wall only where it goes missing.
    others = before.others(pieces).keys() & after.others(pieces).keys()
    pieces = [
        piece for piece in pieces if piece.wall not in others or _missing(piece, before, after)
    ]
    walls = joined(pieces, lambda piece: _answers(piece, before, after))
    changes = [change for wall in walls for change in _changes(wall, before, after)]
    changes.sort(key=_worst_first)
    findings = [run_checks(case)[1] for case in (before, after)]
    return PartImpact(
        path=path,
        before=status_of(findings[0]),
        after=status_of(findings[1]),
        walls=len(walls),
        changes=tuple(changes),
        appeared=tuple(_more(findings[1], findings[0], changes, "worse")),
        gone=tuple(_more(findings[0], findings[1], changes, "better")),
    )


def _missing(wall: Stretch, *cases: Case) -> bool:
    return any(case.table.outcome(wall.typical).fill == "missing" for case in cases)


def notes(old: Rules, new: Rules) -> tuple[str, ...]:
    """What a reader has to know of how the two are compared."""
    if _alike(old, new):
        return ()
    if _layered(old) and _layered(new):
        how = f"layers of {old.layer_height:g} mm before and {new.layer_height:g} mm after"
    else:
        how = f"{old.category} before and {new.category} after"
    return (
        f"The two processes measure differently ({how}), so each part was measured twice. Walls "
        "are compared as the new process finds them.",
    )


def _layered(rules: Rules) -> bool:
    return rules.category == "material extrusion"


def _alike(old: Rules, new: Rules) -> bool:
    """Whether one measure serves both."""
    if _layered(old) != _layered(new):
        return False
    return not _layered(old) or old.layer_height == new.layer_height


def _measure(before: Case, after: Case) -> list[Stretch]:
    """The walls in pieces on which both processes have one answer each; what both cases measure
    is measured once."""
    both = sorted({*before.splits, *after.splits, *_parting(before.table, after.table)})
    cases = (before, after) if _alike(before.rules, after.rules) else (after,)
    largest = max(before.largest, after.largest)
    for case in cases:
        case.largest = largest
        case.largest_gap = max(before.largest_gap, after.largest_gap)
        case.largest_round = max(before.largest_round, after.largest_round)
    closings = tuple(dict.fromkeys((*before.closings, *after.closings)))
    ways = [*((case.splits, case.closings) for case in cases), (tuple(both), closings)]
    if after.layered:
        apart = tuple(dict.fromkeys(ways))
        walls = after.geometry.walls_divided(after.rules.layer_height, largest, apart)
        measured = [walls[apart.index(way)] for way in ways]
    else:
        searched = max(largest, *(case.searched for case in cases))
        measured = [after.geometry.walls_in_space(searched, tuple(both))] * len(ways)
    *own, common = ([wall for wall in walls if not is_speck(wall)] for walls in measured)
    for case, pieces in zip(cases, own, strict=True):
        case.pieces = pieces
    return common


@dataclass(frozen=True)
class _Answers:
    """What both processes say of one thickness; walls of equal answers are joined."""

    verdicts: tuple[str, str]
    levels: tuple[str, str]
    apart: bool
    band: float  # where the new band begins: what is said of a wall holds for all of it


def _answers(wall: Stretch, before: Case, after: Case) -> _Answers:
    states = [_state(wall, case) for case in (before, after)]
    return _Answers(
        verdicts=(states[0].verdict, states[1].verdict),
        levels=(states[0].level, states[1].level),
        apart=_apart(states[0].printed, states[1].printed),
        band=after.outcome(wall).band.lower,
    )


def _state(wall: Stretch, case: Case) -> Judged:
    verdict, outcome = case.verdict(wall), case.outcome(wall)
    printed = None if outcome.printed is None else Printed(outcome.printed, outcome.uncertainty)
    return Judged(
        verdict=verdict,
        level="good" if verdict == "solid" else case.rules.level(verdict),
        printed=printed,
        air=outcome.air,
    )


def _apart(one: Printed | None, other: Printed | None) -> bool:
    """Whether two printed thicknesses differ by more than both their uncertainties explain: more
    than sqrt(U1^2 + U2^2), the E_n number of ISO 13528 above 1 (from memory)."""
    if one is None or other is None:
        return False
    return abs(one.value - other.value) > _explained(one.uncertainty, other.uncertainty)


def _explained(one: float, other: float) -> float:
    return max(math.hypot(one, other), SHOWN)


def _parting(one: BandTable, other: BandTable) -> Iterator[float]:
    """The thicknesses at which two printed thicknesses begin or cease to be apart."""
    for first in one.bands:
        for second in other.bands:
            low, high = max(first.lower, second.lower), min(first.upper, second.upper)
            growth = second.slope - first.slope
            if low >= high or "missing" in (first.fill, second.fill) or abs(growth) < 1e-9:
                continue
            limit = _explained(first.uncertainty, second.uncertainty)
            for difference in (limit, -limit):
                at = (difference - (second.offset - first.offset)) / growth
                if low < at < high:
                    # Thickness is looked up in hundredths: the change lies between two of them.
                    yield round((math.floor(at * 100) + 0.5) / 100, 6)


def _changes(wall: Stretch, before: Case, after: Case) -> Iterator[Change]:
    """The change of one wall, if its outcome changes."""
    old, new = _state(wall, before), _state(wall, after)
    same = (old.verdict, old.level) == (new.verdict, new.level)
    if same and not _apart(old.printed, new.printed):
        return
    point, box = after.place(wall.point, wall.box)
    what = (
        f"wall {span(wall.minimum, wall.typical, wall.maximum)} thick at {place(point)}, "
        f"{mm(wall.length)} mm long, {_what(wall, old, new, after)}"
    )
    good = new.verdict == "solid"
    yield Change(
        before=old,
        after=new,
        direction=direction(old, new),
        thickness=Spread(wall.minimum, wall.typical, wall.maximum),
        length=wall.length,
        z=(box[0][2], box[1][2]),
        location=point,
        box=box,
        message=what,
        advice="" if good else after.advice(wall.typical, after.least(wall), wall.square),
    )


def _what(wall: Stretch, old: Judged, new: Judged, after: Case) -> str:
    """What changes, as the end of a sentence that begins with the wall."""
    if old.verdict != new.verdict:
        future = describe(after.outcome(wall))
        return f"goes from {old.verdict} to {new.verdict}: it {future}"
    if old.level != new.level:
        return f"stays {new.verdict}, which is now a matter to {new.level} (before: {old.level})"
    if old.printed is None or new.printed is None:  # never: then they are not apart
        return f"stays {new.verdict}"
    return (
        f"stays {new.verdict}, but prints about {mm(new.printed.value)} mm thick instead of "
        f"{mm(old.printed.value)}"
    )


def _worst_first(change: Change) -> tuple[object, ...]:
    lost, gained = change.after.badness, change.before.badness
    return (
        DIRECTIONS.index(change.direction),
        tuple(-value for value in lost),
        tuple(-value for value in gained),
        round(change.thickness.min, 4),
        change.location,
        change.box,
    )


def _more(
    ours: Sequence[Finding],
    theirs: Sequence[Finding],
    changes: Sequence[Change],
    direction: Direction,
) -> Iterator[Finding]:
    """Those of our findings that break a limit which `theirs` do not break at the same place, or
    only as less, and that no change of a wall in the direction `told` tells of already."""
    told_of = Boxes([change.box for change in changes if change.direction == direction])
    known: dict[tuple[str, int], Boxes] = {}

    def is_more(finding: Finding, breach: Breach) -> bool:
        rank = severity_rank(breach.severity)
        if breach.severity == "note" or (breach.check == "fill" and told_of.meet(finding.box)):
            return False
        if (breach.check, rank) not in known:
            known[breach.check, rank] = Boxes(
                [
                    rival.box
                    for rival in theirs
                    for other in rival.breaches
                    if other.check == breach.check and severity_rank(other.severity) >= rank
                ]
            )
        return not known[breach.check, rank].meet(finding.box)

    for finding in ours:
        if any(is_more(finding, breach) for breach in finding.breaches):
            yield finding
