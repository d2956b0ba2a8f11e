"""Findings on a toolpath: how its walls come out, and whether the rule file still describes it.

A wall that comes out alike on several copies is one finding, which names them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from wallguard.bands.table import Outcome, reading
from wallguard.base.text import mm, place, span
from wallguard.checks.case import Case, Draft, severity_of
from wallguard.findings.model import Finding, Printed, Severity, Spread, Subject, Wall
from wallguard.part.geometry import Geometry
from wallguard.rules.model import (
    OUTCOME_DEFAULTS,
    TOLERANCE_DEFAULT,
    Level,
    OutcomeName,
    Rules,
)
from wallguard.toolpath.across import usual_width
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.comparison import UNCERTAINTY, Comparison, LaidWall
from wallguard.toolpath.outcome import CHANNEL, PORES
from wallguard.toolpath.placement import ENOUGH, NEAR, Placement

FILL, RULES, BEADS = "toolpath_fill", "toolpath_rules", "toolpath_beads"
PLACING, LAYERS = "toolpath_placing", "toolpath_layers"
# Less of an outline that has its edge there is no matter of details any more: it fails.
_DETAILS = 0.75
# Walls of two copies are one where thickness and air agree to this (mm) and so much of the smaller
# one lies where the other does.
_SAME, _SHARED = 0.05, 0.8

Draftings = Iterator[tuple[Draft, LaidWall]]


@dataclass(frozen=True)
class Copies:
    """The copies of a part on a plate, so that messages say which one is meant."""

    places: tuple[Placement, ...]

    def named(self, copies: Sequence[int]) -> str:
        """ " on copy 2 of 3, at X 120 Y 60 of the plate"; empty where there is only one."""
        count = len(self.places)
        if count < 2:
            return ""
        if len(copies) == 1:
            x, y = self.places[copies[0]].middle
            return f" on copy {copies[0] + 1} of {count}, at X {x:.0f} Y {y:.0f} of the plate"
        if len(copies) == count:
            return f" on all {count} copies"
        return f" on copies {', '.join(str(copy + 1) for copy in copies)} of {count}"


def outcome_of(wall: LaidWall, tolerance: tuple[float, float]) -> str:
    """How a laid wall comes out: its fill, or `thickened`, `thinned`, else `solid`."""
    if wall.fill in ("hollow", "missing", "broken"):
        return wall.fill
    deviation = deviation_of(wall)
    if deviation > tolerance[1] + UNCERTAINTY:
        return "thickened"
    if deviation < -tolerance[0] - UNCERTAINTY:
        return "thinned"
    return wall.fill  # solid, sparse, porous


def deviation_of(wall: LaidWall) -> float:
    """Printed less nominal thickness, mm; 0 where nothing is printed."""
    return 0.0 if wall.printed is None else wall.printed - wall.stretch.typical


def tolerance_of(rules: Rules | None) -> tuple[float, float]:
    """How much thinner and thicker a wall may come out, mm."""
    return rules.tolerance if rules else (TOLERANCE_DEFAULT, TOLERANCE_DEFAULT)


def report_walls(geometry: Geometry, walls: Sequence[LaidWall]) -> tuple[Wall, ...]:
    """The walls for a report, in the part file's own frame."""
    return tuple(
        geometry.wall(
            wall.stretch,
            fill=wall.fill,
            printed=_printed(wall),
            source="toolpath",
            air=wall.air,
            bead=wall.bead,
            laid_in=wall.layers,
            copy=wall.copy + 1,
        )
        for wall in walls
    )


def _printed(wall: LaidWall) -> Printed | None:
    return None if wall.printed is None else Printed(wall.printed, UNCERTAINTY)


def _draft(geometry: Geometry, wall: LaidWall, copies: Sequence[int], **said: object) -> Draft:
    """A draft about a wall: where it is and what it is."""
    stretch = wall.stretch
    size = (stretch.length, stretch.high - stretch.low)
    subject = Subject(
        kind="wall",
        thickness=Spread(stretch.minimum, stretch.typical, stretch.maximum),
        length=stretch.length,
        height=size[1],
        sides=stretch.sides,
        fill=wall.fill,
        printed=_printed(wall),
        air=wall.air,
        bead=wall.bead,
        laid_in=wall.layers,
        copies=tuple(copy + 1 for copy in copies),
    )
    return Draft(
        fill=wall.fill,
        location=geometry.location(stretch.point),
        box=geometry.box(stretch.box),
        size=size,
        subject=subject,
        **said,  # type: ignore[arg-type]
    )


def fill_drafts(
    geometry: Geometry, walls: Sequence[LaidWall], copies: Copies, case: Case | None
) -> Draftings:
    """One finding for each wall that this toolpath lays otherwise than it was drawn.

    case  the part against the rules, whose levels and tolerance hold; None: the defaults
    """
    rules = case.rules if case else None
    tolerance = tolerance_of(rules)
    for group in _on_copies(walls, tolerance):
        wall = group[0]
        outcome = outcome_of(wall, tolerance)
        severity = severity_of(level_of(outcome, rules)) if _tells(outcome) else None
        if severity is None:
            continue
        stretch = wall.stretch
        limit = tolerance[outcome == "thickened"] if outcome in ("thickened", "thinned") else None
        on = [wall.copy for wall in group]
        point = geometry.location(stretch.point)
        says = f"{_laid(wall, outcome)}{_in_layers(wall)}{copies.named(on)}"
        draft = _draft(
            geometry,
            wall,
            on,
            check=FILL,
            severity=severity,
            message=(
                f"wall {span(stretch.minimum, stretch.typical, stretch.maximum)} thick at "
                f"{place(point)}, {mm(stretch.length)} mm long {_along(geometry, wall)}, {says}"
            ),
            advice=_advice(wall, outcome, case, geometry.scale),
            measured=stretch.typical if limit is None else deviation_of(wall),
            limit=limit,
            says=says,
        )
        yield draft, wall


def _tells(outcome: str) -> bool:
    return outcome not in ("solid", "sparse")


def _on_copies(walls: Sequence[LaidWall], tolerance: tuple[float, float]) -> list[list[LaidWall]]:
    """Walls that come out alike at one place of the part on several copies, together."""
    groups: list[list[LaidWall]] = []
    for wall in walls:
        outcome = outcome_of(wall, tolerance)
        for group in groups:
            first = group[0]
            if wall.copy not in {other.copy for other in group} and (
                outcome_of(first, tolerance) == outcome
                and abs(first.air - wall.air) < _SAME
                and same_place(first, wall) >= _SHARED
            ):
                group.append(wall)
                break
        else:
            groups.append([wall])
    return groups


def same_place(one: LaidWall, other: LaidWall) -> float:
    """Which share of the smaller of two walls lies where the other does; 0 where they are not as
    thick."""
    if abs(one.stretch.typical - other.stretch.typical) > _SAME:
        return 0.0
    shared = np.intersect1d(one.cells, other.cells, assume_unique=True)
    return len(shared) / max(min(len(one.cells), len(other.cells)), 1)


def _in_layers(wall: LaidWall) -> str:
    first, last = wall.layers
    return f", in layer {first}" if first == last else f", in layers {first} to {last}"


def _along(geometry: Geometry, wall: LaidWall) -> str:
    """From where to where a wall reaches: "(x 1.00 to 30.00)"; on two axes where it is bent."""
    low, high = geometry.box(wall.stretch.box)
    reach = [high[axis] - low[axis] for axis in range(3)]
    longest = max(reach)
    said = [
        f"{name} {mm(low[axis])} to {mm(high[axis])}"
        for axis, name in enumerate("xyz")
        if reach[axis] > max(0.5 * longest, 1.5 * wall.stretch.typical) or reach[axis] == longest
    ]
    return f"({', '.join(said)})"


def level_of(outcome: str, rules: Rules | None) -> Level:
    """What an outcome does to the gate; a broken wall is as bad as a missing one."""
    name: OutcomeName = next((one for one in OUTCOME_DEFAULTS if one == outcome), "missing")
    return rules.level(name) if rules else OUTCOME_DEFAULTS[name]


def _laid(wall: LaidWall, outcome: str) -> str:
    if outcome == "missing":
        return "is not laid at all"
    if outcome == "broken":
        return f"is laid with {_gaps(wall)} along its length"
    if outcome == "hollow":
        return f"is laid hollow, with {mm(wall.air)} mm of air"
    if outcome == "porous":
        return f"leans so far that it is laid with pores, of {mm(wall.air)} mm of air in each layer"
    return f"is laid {mm(wall.printed or 0.0)} mm thick (drawn {mm(wall.stretch.typical)})"


def _gaps(wall: LaidWall) -> str:
    return "short gaps" if wall.laid > 0.99 else f"gaps (beads on {wall.laid:.0%} of it)"


def _advice(wall: LaidWall, outcome: str, case: Case | None, scale: float) -> str:
    """What to draw instead: what the checks advise, where there are rules."""
    thickness = wall.stretch.typical
    if case is not None:
        advice = case.advice(thickness, case.least(wall.stretch), wall.stretch.square)
        if case.verdict(wall.stretch) == "solid":
            return f"by the rules {advice}: restore the settings, or fit the rule file anew"
        return advice
    if outcome == "hollow" and wall.printed is not None:
        drawn = f"{(wall.printed - wall.air) / scale:.2f} mm"
        return f"draw {drawn}, which these beads fill, or change the settings"
    if outcome in ("missing", "broken"):
        return "draw the wall thicker, or change the settings so that it is laid"
    return "change the settings, or draw what comes out"


def rule_drafts(geometry: Geometry, walls: Sequence[LaidWall], case: Case) -> Draftings:
    """Where the toolpath does not do what the rules say: one finding for each thickness."""
    seen: dict[tuple[float, str, str], list[LaidWall]] = {}
    for group in _on_copies(walls, case.rules.tolerance):
        wall = group[0]
        outcome = case.outcome(wall.stretch)
        differs = _differs(wall, outcome)
        if differs:
            key = (reading(wall.stretch.typical), outcome.fill, differs)
            seen.setdefault(key, []).append(wall)
    for (thickness, _, differs), alike in sorted(seen.items(), key=lambda item: item[0]):
        wall = max(alike, key=lambda wall: (wall.stretch.length, wall.stretch.point))
        outcome = case.outcome(wall.stretch)
        severity: Severity = "warn"
        if differs == "fill" and outcome.fill == "solid":
            severity = "fail"
        point = geometry.location(wall.stretch.point)
        others = len(alike) - 1
        more = f", as on {others} more wall{'s' if others > 1 else ''}" if others else ""
        draft = _draft(
            geometry,
            wall,
            [wall.copy],
            check=RULES,
            severity=severity,
            message=(
                f"the rules say {_said(outcome)} at {mm(thickness)} mm, this toolpath "
                f"{_does(wall)}, at {place(point)}{more}: the rule file no longer describes this "
                "process"
            ),
            advice="fit the rule file anew, from a coupon or its toolpath, or restore the settings",
            measured=wall.stretch.typical,
        )
        yield draft, wall


def _differs(wall: LaidWall, outcome: Outcome) -> str:
    """In what a wall differs from what the rules say; empty where it does not."""
    if outcome.fill == "uncertain" or wall.fill == "sparse":
        return ""
    if _beads(wall.fill) != _beads(outcome.fill):
        return "fill"
    if wall.printed is None or outcome.printed is None:
        return ""
    allowed = outcome.uncertainty + UNCERTAINTY
    if abs(deviation_of(wall) - (outcome.deviation or 0.0)) > allowed:
        return "thickness"
    if _beads(wall.fill) == "hollow" and outcome.air > 0 and abs(wall.air - outcome.air) > allowed:
        return "air"
    return ""


def _beads(fill: str) -> str:
    """What beads leave, whether the wall leans or not."""
    return "hollow" if fill == "porous" else fill


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
    if wall.fill in ("hollow", "porous"):
        return f"leaves {mm(wall.air)} mm of air"
    return f"lays it solid, {mm(wall.printed or 0.0)} mm thick"


def placing_drafts(copies: Copies) -> Iterator[Draft]:
    """One finding where what is laid lies otherwise than the part's outline."""
    bad = [k for k, place in enumerate(copies.places) if place.outline < ENOUGH]
    if not bad:
        return
    worst = min((copies.places[k] for k in bad), key=lambda place: place.outline)
    evenly = worst.agrees >= ENOUGH
    how = (
        f"all edges lie about {abs(worst.grown):.2f} mm "
        f"{'outside' if worst.grown > 0 else 'inside'} of it"
        if evenly
        else "walls are left out, or it is another version of the part"
    )
    yield Draft(
        check=PLACING,
        severity="fail" if evenly or worst.outline < _DETAILS else "warn",
        message=(
            f"only {worst.outline:.0%} of the part's outline has a bead's edge within {NEAR:g} mm"
            f"{copies.named(bad)}: {how}"
        ),
        advice="check the filament's diameter, the flow factor and the version of the part",
        measured=worst.outline,
        limit=ENOUGH,
        unit="",
    )


def layer_drafts(comparisons: Sequence[Comparison], copies: Copies) -> Iterator[Draft]:
    """One finding for each height at which nothing is laid although the part goes on."""
    where: dict[tuple[float, float], list[int]] = {}
    for copy, comparison in enumerate(comparisons):
        for low, high in comparison.skipped:
            where.setdefault((round(low, 3), round(high, 3)), []).append(copy)
    for (low, high), on in sorted(where.items()):
        yield Draft(
            check=LAYERS,
            severity="fail",
            message=(
                f"from {mm(low)} to {mm(high)} mm above the plate nothing is laid, though the part "
                f"has material there and more is laid above{copies.named(on)}"
            ),
            advice="make the toolpath again; layers are missing from it",
            measured=high - low,
        )


def bead_drafts(laid: Beads, boxes: Sequence[np.ndarray]) -> Iterator[Draft]:
    """Where strands have a width that no machine lays, priming aside; and where beads are mostly
    narrower than the layer is high.

    boxes  lower and upper corner of each copy on the plate, (2, 2) mm
    """
    odd = laid.odd & ~_priming(laid, boxes)
    chosen = np.flatnonzero(odd)
    if len(chosen):
        named = "; ".join(
            f"line {bead.line}: {bead.problem}"
            + ("" if bead.problem == "no height" else f", {bead.width:.2f} mm wide")
            for bead in laid.odd_beads(3, chosen)
        )
        yield Draft(
            check=BEADS,
            severity="warn",
            message=(
                f"{len(chosen)} strand{'s' if len(chosen) > 1 else ''} of a width that cannot be "
                f"laid, left out of the comparison ({named})"
            ),
            advice="check the filament's diameter and the flow factor",
        )
    width, height = usual_width(laid), float(np.median(laid.layer_height))
    if width < height:
        yield Draft(
            check=BEADS,
            severity="warn",
            message=(
                f"beads are usually {mm(width)} mm wide in layers {mm(height)} mm high: narrower "
                "than high, they hardly touch each other"
            ),
            advice="check the filament's diameter, the flow factor and the layer height",
            measured=width,
            limit=height,
        )


def _priming(laid: Beads, boxes: Sequence[np.ndarray]) -> np.ndarray:
    """Which strands (n,) come before any of the part, to prime the nozzle."""
    middle = (laid.start + laid.end) / 2
    inside = np.zeros(len(laid), bool)
    for low, high in boxes:
        inside |= ((middle >= low) & (middle <= high)).all(axis=1)
    inside &= ~laid.odd
    first = int(np.argmax(inside)) if inside.any() else len(laid)
    return np.arange(len(laid)) < first


def facts(laid: Beads, filament: float, copies: Copies) -> list[str]:
    """What is laid, in a few words, and where the part lies."""
    heights = laid.layer_height
    usual, least, most = float(np.median(heights)), float(heights.min()), float(heights.max())
    varies = f" ({least:.3g} to {most:.3g})" if most - least > 0.005 else ""
    low = np.minimum(laid.start, laid.end)[~laid.odd].min(axis=0)
    high = np.maximum(laid.start, laid.end)[~laid.odd].max(axis=0)
    facts = [
        f"beads usually {mm(usual_width(laid))} mm wide, {len(heights)} layers of {usual:.3g} mm"
        f"{varies}, filament of {filament:g} mm",
        f"laid on X {low[0]:.0f} to {high[0]:.0f}, Y {low[1]:.0f} to {high[1]:.0f} of the plate, "
        f"up to {laid.z[~laid.odd].max():.2f} mm",
    ]
    count = len(copies.places)
    alike = count > 1 and all(place.outline >= ENOUGH for place in copies.places)
    if alike:
        where = "; ".join(
            f"X {x:.2f} Y {y:.2f}" for x, y in (place.middle for place in copies.places)
        )
        least_outline = min(place.outline for place in copies.places)
        facts.append(
            f"{count} copies, with their middles at {where}; at least {least_outline:.0%} of each "
            f"outline has a bead's edge within {NEAR:g} mm"
        )
    else:
        several = f"{count} copies: " if count > 1 else ""
        facts.append(several + "; ".join(place.words() for place in copies.places))
    return facts


def small_voids(walls: Sequence[LaidWall]) -> str:
    """What is said of voids that are no findings; empty where there are none."""
    some = [wall.pores for wall in walls if wall.pores >= 0.01]
    if not some:
        return ""
    return (
        f"{len(some)} solid wall{'s have' if len(some) > 1 else ' has'} pores, up to "
        f"{max(some):.0%} of a wall; up to {PORES:.0%}, and shorter than {CHANNEL[0]:g} mm or "
        f"{CHANNEL[1]:g} thicknesses, they are no finding"
    )


def with_walls(
    pairs: Sequence[tuple[Draft, LaidWall]], findings: Sequence[Finding]
) -> dict[str, LaidWall]:
    """The wall that each finding is about, by the finding's id."""
    of = {(draft.check, draft.subject, draft.location): wall for draft, wall in pairs}
    walls = {}
    for finding in findings:
        wall = of.get((finding.check, finding.subject, finding.location))
        if wall is not None:
            walls[finding.id] = wall
    return walls
