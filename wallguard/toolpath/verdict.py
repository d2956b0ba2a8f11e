"""Findings on a toolpath: how its walls come out, and whether the rule file still describes it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from wallguard.bands.table import Outcome, reading
from wallguard.base.text import mm, place, span
from wallguard.checks.case import Case, Draft, severity_of
from wallguard.findings.model import Finding, Printed, Severity, Spread, Wall
from wallguard.part.geometry import Geometry
from wallguard.rules.model import (
    OUTCOME_DEFAULTS,
    TOLERANCE_DEFAULT,
    Level,
    OutcomeName,
    Rules,
)
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.comparison import LaidWall
from wallguard.toolpath.placing import Placement

FILL, RULES, BEADS = "toolpath_fill", "toolpath_rules", "toolpath_beads"
# What is read from a toolpath is right to this (k = 2): a wall's printed thickness, its air, mm.
UNCERTAINTY = 0.03


@dataclass(frozen=True)
class Copies:
    """The copies of a part on a plate, so that messages say which one is meant."""

    places: tuple[Placement, ...]

    def named(self, copy: int) -> str:
        """ " on copy 2, at X 120 Y 60"; empty where there is only one."""
        if len(self.places) < 2:
            return ""
        x, y = self.places[copy].middle
        return f" on copy {copy + 1} of {len(self.places)}, at X {x:.0f} Y {y:.0f} of the plate"


def outcome_of(wall: LaidWall, tolerance: tuple[float, float]) -> str:
    """How a laid wall comes out: its fill, or `thickened`, `thinned`, else `solid`."""
    if wall.fill in ("hollow", "missing", "broken"):
        return wall.fill
    deviation = deviation_of(wall)
    if deviation > tolerance[1] + UNCERTAINTY:
        return "thickened"
    if deviation < -tolerance[0] - UNCERTAINTY:
        return "thinned"
    return wall.fill


def deviation_of(wall: LaidWall) -> float:
    """Printed less nominal thickness, mm; 0 where nothing is printed."""
    return 0.0 if wall.printed is None else wall.printed - wall.stretch.typical


def report_walls(geometry: Geometry, walls: Sequence[LaidWall]) -> tuple[Wall, ...]:
    """The walls for a report, in the part file's own frame."""
    found = []
    for wall in walls:
        stretch = wall.stretch
        box = geometry.box(stretch.box)
        found.append(
            Wall(
                thickness=Spread(stretch.minimum, stretch.typical, stretch.maximum),
                length=stretch.length,
                z=(box[0][2], box[1][2]),
                location=geometry.location(stretch.point),
                box=box,
                sides=stretch.sides,
                fill=wall.fill,
                printed=None if wall.printed is None else Printed(wall.printed, UNCERTAINTY),
                source="toolpath",
            )
        )
    return tuple(found)


def fill_drafts(
    geometry: Geometry, walls: Sequence[LaidWall], copies: Copies, case: Case | None
) -> Iterator[tuple[Draft, LaidWall]]:
    """One finding for each wall that this toolpath lays otherwise than it was drawn.

    case  the part against the rules, whose levels and tolerance hold; None: the defaults
    """
    rules = case.rules if case else None
    tolerance = rules.tolerance if rules else (TOLERANCE_DEFAULT, TOLERANCE_DEFAULT)
    for wall in walls:
        outcome = outcome_of(wall, tolerance)
        if outcome in ("solid", "sparse"):
            continue
        severity = severity_of(level_of(outcome, rules))
        if severity is None:
            continue
        stretch = wall.stretch
        point, box = geometry.location(stretch.point), geometry.box(stretch.box)
        limit = tolerance[outcome == "thickened"] if outcome in ("thickened", "thinned") else None
        draft = Draft(
            check=FILL,
            severity=severity,
            message=(
                f"wall {span(stretch.minimum, stretch.typical, stretch.maximum)} thick at "
                f"{place(point)}, {mm(stretch.length)} mm long, {_laid(wall, outcome)}"
                f"{copies.named(wall.copy)}"
            ),
            advice=_advice(wall, outcome, case, geometry.scale),
            measured=stretch.typical if limit is None else deviation_of(wall),
            limit=limit,
            fill=wall.fill,
            location=point,
            box=box,
            size=(stretch.length, stretch.high - stretch.low),
        )
        yield draft, wall


def level_of(outcome: str, rules: Rules | None) -> Level:
    """What an outcome does to the gate; a broken wall is as bad as a missing one."""
    levels: Mapping[OutcomeName, Level] = rules.outcomes if rules else OUTCOME_DEFAULTS
    name: OutcomeName = "missing"
    if outcome == "hollow":
        name = "hollow"
    elif outcome == "thickened":
        name = "thickened"
    elif outcome == "thinned":
        name = "thinned"
    return levels.get(name, OUTCOME_DEFAULTS[name])


def _laid(wall: LaidWall, outcome: str) -> str:
    if outcome == "missing":
        return "is not laid at all"
    if outcome == "broken":
        return f"is laid with {_gaps(wall)} along its length"
    if outcome == "hollow":
        return f"is laid hollow, with {mm(wall.air)} mm of air"
    return f"is laid {mm(wall.printed or 0.0)} mm thick (drawn {mm(wall.stretch.typical)})"


def _gaps(wall: LaidWall) -> str:
    return "short gaps" if wall.laid > 0.99 else f"gaps (beads on {wall.laid:.0%} of it)"


def _advice(wall: LaidWall, outcome: str, case: Case | None, scale: float) -> str:
    thickness = wall.stretch.typical
    if case is not None:
        predicted = case.table.classify(thickness, case.rules.tolerance)
        if predicted == outcome or (outcome == "broken" and predicted == "missing"):
            return case.advice(thickness, case.least(wall.stretch))
    if outcome == "hollow" and wall.printed is not None:
        drawn = f"{(wall.printed - wall.air) / scale:.2f} mm"
        return f"draw {drawn}, which these beads fill, or change the settings"
    if outcome in ("missing", "broken"):
        return "draw the wall thicker, or change the settings so that it is laid"
    return "change the settings, or draw what comes out"


def rule_drafts(
    geometry: Geometry, walls: Sequence[LaidWall], case: Case
) -> Iterator[tuple[Draft, LaidWall]]:
    """Where the toolpath does not do what the rules say: one finding for each thickness."""
    seen: dict[tuple[float, str, str], list[LaidWall]] = {}
    for wall in walls:
        outcome = case.table.outcome(wall.stretch.typical)
        differs = _differs(wall, outcome)
        if differs:
            key = (reading(wall.stretch.typical), outcome.fill, differs)
            seen.setdefault(key, []).append(wall)
    for (thickness, _, differs), group in sorted(seen.items(), key=lambda item: item[0]):
        wall = max(group, key=lambda one: (one.stretch.length, one.stretch.point))
        outcome = case.table.outcome(wall.stretch.typical)
        severity: Severity = "warn"
        if differs == "fill" and outcome.fill == "solid":
            severity = "fail"
        point = geometry.location(wall.stretch.point)
        others = len(group) - 1
        more = f", as on {others} more wall{'s' if others > 1 else ''}" if others else ""
        draft = Draft(
            check=RULES,
            severity=severity,
            message=(
                f"the rules say {_said(outcome)} at {mm(thickness)} mm, this toolpath "
                f"{_does(wall)}, at {place(point)}{more}: the rule file no longer describes this "
                "process"
            ),
            advice="fit the rule file anew, from a coupon or its toolpath, or restore the settings",
            measured=wall.stretch.typical,
            fill=wall.fill,
            location=point,
            box=geometry.box(wall.stretch.box),
            size=(wall.stretch.length, wall.stretch.high - wall.stretch.low),
        )
        yield draft, wall


def _differs(wall: LaidWall, outcome: Outcome) -> str:
    """In what a wall differs from what the rules say; empty where it does not."""
    if outcome.fill == "uncertain" or wall.fill == "sparse":
        return ""
    if wall.fill != outcome.fill:
        return "fill"
    if wall.printed is None or outcome.printed is None:
        return ""
    allowed = outcome.uncertainty + UNCERTAINTY
    if abs(deviation_of(wall) - (outcome.deviation or 0.0)) > allowed:
        return "thickness"
    if wall.fill == "hollow" and outcome.air > 0 and abs(wall.air - outcome.air) > allowed:
        return "air"
    return ""


def _said(outcome: Outcome) -> str:
    if outcome.fill == "missing":
        return "nothing is printed"
    air = f" with {mm(outcome.air)} mm of air" if outcome.air >= 0.005 else ""
    printed = "" if outcome.printed is None else f", printed {mm(outcome.printed)} mm thick,"
    deviation = outcome.deviation or 0.0
    return f"{outcome.fill}{air}{printed if abs(deviation) >= 0.005 else ''}"


def _does(wall: LaidWall) -> str:
    if wall.fill == "missing":
        return "lays nothing"
    if wall.fill == "broken":
        return f"leaves {_gaps(wall)} along it"
    if wall.fill == "hollow":
        return f"leaves {mm(wall.air)} mm of air"
    return f"lays it solid, {mm(wall.printed or 0.0)} mm thick"


def bead_drafts(laid: Beads) -> Iterator[Draft]:
    """One finding where strands have a width that no machine lays."""
    odd = laid.odd_beads(3)
    if not odd:
        return
    count = int(laid.odd.sum())
    named = "; ".join(
        f"line {one.line}: {one.problem}"
        + ("" if one.problem == "no height" else f", {one.width:.2f} mm wide")
        for one in odd
    )
    yield Draft(
        check=BEADS,
        severity="warn",
        message=(
            f"{count} strand{'s' if count > 1 else ''} of a width that cannot be laid, left out of "
            f"the comparison ({named})"
        ),
        advice="check the filament's diameter and the flow factor",
    )


def with_walls(
    pairs: Sequence[tuple[Draft, LaidWall]], findings: Sequence[Finding]
) -> dict[str, LaidWall]:
    """The wall that each finding is about, by the finding's id."""
    of = {(draft.check, draft.message, draft.location): wall for draft, wall in pairs}
    found = {}
    for finding in findings:
        wall = of.get((finding.check, finding.message, finding.location))
        if wall is not None:
            found[finding.id] = wall
    return found
