"""Every wall comes out solid, and as thick as drawn within the tolerance.

Passes: a wall whose thickness lies in a solid band with a printed thickness near enough to nominal.
Fails: a wall that comes out hollow, not at all, thicker or thinner than the tolerance allows; what
each of these does to the gate stands under `outcomes` in the rule file. A pin that is not printed.
Noted: a wall of a hollow band that leans so far that its air ends in every layer.
Indeterminate: the band is uncertain, the deviation lies within its uncertainty of the tolerance, or
the facets of a curve take off what is missing.
Of a post that `pin` judges, and of a wall of fewer than three layers that `floor` judges, only that
it is not printed at all is said here: how beads fill a wall holds for neither.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import inf, isfinite

from wallguard.bands.advice import describe
from wallguard.bands.table import Band
from wallguard.base.text import mm, place
from wallguard.checks import stroke
from wallguard.checks.case import Broken, Case, Draft, Needs, severity_of
from wallguard.findings.model import Breach
from wallguard.rules.model import OutcomeName

ID = "fill"


def needs(case: Case) -> Needs:
    """Walls up to the thickest that comes out otherwise than the next, and the thickest pin that is
    too thin to print."""
    bands = case.table.bands
    unprinted = [band.upper for band in bands if _unprinted(band) and isfinite(band.upper)]
    splits = case.table.verdict_edges(case.rules.tolerance)
    return Needs(splits=splits, rounds=max(unprinted, default=0.0))


def findings(case: Case) -> Iterator[Broken | Draft]:
    """Each piece of a wall that comes out otherwise; pieces that come out alike are one."""
    for piece in case.plain:
        verdict, outcome = case.verdict(piece), case.outcome(piece)
        if not case.judges(piece) and verdict != "missing":
            continue
        # Of what may come out in two ways nobody knows what is read.
        read = case.callipers(piece) if outcome.fill != "uncertain" else None
        says = describe(outcome, read.value if read else None)
        if verdict != "solid" == case.verdict(piece, thicker=case.facets(piece)):
            verdict = "indeterminate"
            says += ", unless only the facets of its curve make it so thin: export the mesh finer"
        severity = None if verdict == "solid" else severity_of(case.rules.level(verdict))
        if severity is None:
            continue
        limit = None
        if verdict in ("thickened", "thinned"):
            limit = case.rules.tolerance[verdict == "thickened"]
        breach = Breach(
            check=ID,
            severity=severity,
            measured=piece.typical if limit is None else outcome.deviation,
            limit=limit,
            says=says,
            indeterminate=verdict == "indeterminate",
        )
        yield Broken(
            kind="wall",
            subject=piece,
            breach=breach,
            alike=(verdict, (outcome.band.lower, outcome.fill)),
            weight=(piece.length, piece.point),
        )
    yield from _pins(case)
    yield from stroke.unprinted(case)
    if case.layered:
        yield from _aslant(case)


def _aslant(case: Case) -> Iterator[Draft]:
    """A note on what is as thick as hollow walls between faces that lean too far apart for a wall,
    as a thread's flank and a bore do: it is not judged."""
    if severity_of(case.rules.level("hollow")) is None:
        return
    hollow = [band for band in case.table.bands if band.fill == "hollow" and isfinite(band.upper)]
    ranges = tuple((band.lower, band.upper) for band in hollow if band.lower < case.largest)
    for found in case.geometry.aslant(case.cut, ranges):
        at = case.geometry.location(found.point)
        yield Draft(
            check=ID,
            severity="note",
            message=(
                f"not judged: in {found.layers} layers at least, as at {place(at)}, the part is "
                f"{mm(found.least)} to {mm(found.most)} mm thick between faces that lean more than "
                "40° apart; a wall so thick prints hollow"
            ),
            advice="look at what is laid there (`wallguard toolpath`)",
            unit="",
            location=at,
        )


def _pins(case: Case) -> Iterator[Broken]:
    for pin in case.rounds:
        outcome = case.table.outcome(pin.diameter)
        if pin.kind != "pin" or not _unprinted(outcome.band):
            continue
        verdict: OutcomeName = "missing" if outcome.fill == "missing" else "indeterminate"
        severity = severity_of(case.rules.level(verdict))
        if severity is None:
            continue
        breach = Breach(
            ID,
            severity,
            pin.diameter,
            says=describe(outcome),
            indeterminate=verdict == "indeterminate",
        )
        alike = (verdict, (outcome.band.lower, outcome.fill))
        yield Broken("pin", pin, breach, alike=alike, weight=(inf,))


def _unprinted(band: Band) -> bool:
    """Whether a pin of that band is not printed, or may not be."""
    return band.fill == "missing" or "missing" in band.either
