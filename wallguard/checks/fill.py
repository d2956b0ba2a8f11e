"""Every wall comes out solid, and as thick as drawn within the tolerance.

Passes: a wall whose thickness lies in a solid band with a printed thickness near enough to nominal.
Fails: a wall that comes out hollow, not at all, thicker or thinner than the tolerance allows; what
each of these does to the gate stands under `outcomes` in the rule file.
Indeterminate: the band is uncertain, or the deviation lies within its uncertainty of the tolerance.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.bands.advice import describe
from wallguard.base.text import mm, place, span
from wallguard.checks.case import Case, Draft, extent, severity_of

ID = "fill"


def applies(case: Case) -> str:
    """An empty string, or why the check has nothing to do."""
    return ""


def findings(case: Case) -> Iterator[Draft]:
    """One finding for each wall, and each range of its thickness, that comes out otherwise."""
    for wall in case.walls:
        verdict = case.table.classify(wall.typical, case.rules.tolerance)
        if verdict == "solid":
            continue
        severity = severity_of(case.rules.outcomes[verdict])
        if severity is None:
            continue
        outcome = case.table.outcome(wall.typical)
        point, box = case.place(wall.point, wall.box)
        limit = None
        if verdict in ("thickened", "thinned"):
            limit = case.rules.tolerance[verdict == "thickened"]
        yield Draft(
            check=ID,
            severity=severity,
            message=(
                f"wall {span(wall.minimum, wall.typical, wall.maximum)} thick at {place(point)}, "
                f"{extent(wall)}, {describe(outcome)}"
            ),
            advice=case.advice(wall.typical, case.least(wall)),
            measured=wall.typical if limit is None else outcome.deviation,
            limit=limit,
            fill=outcome.fill,
            location=point,
            box=box,
            size=(wall.length, wall.high - wall.low),
            indeterminate=verdict == "indeterminate",
        )
    severity = severity_of(case.rules.outcomes["missing"])
    for pin in case.rounds if severity else ():
        outcome = case.table.outcome(pin.diameter)
        if pin.kind != "pin" or outcome.fill != "missing":
            continue
        point, box = case.place(pin.centre, pin.box)
        yield Draft(
            check=ID,
            severity=severity or "warn",
            message=f"pin of diameter {mm(pin.diameter)} mm at {place(point)} will not be printed",
            advice=case.advice(pin.diameter),
            measured=pin.diameter,
            fill="missing",
            location=point,
            box=box,
            size=(pin.length,),
        )
