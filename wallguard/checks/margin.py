"""Good walls lie far enough from thicknesses that come out worse.

Passes: 1.25 mm where 1.20 to 1.30 mm come out solid and the margin is 0.05 mm. Warned of: 1.28 mm,
0.03 mm from a hollow wall, which a small change of the process makes hollow.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base.text import below, mm
from wallguard.checks.case import Broken, Case, Needs, severity_of
from wallguard.findings.model import Breach

ID = "margin"


def applies(case: Case) -> str:
    """An empty string, or why the check has nothing to do."""
    return "" if case.rules.margin else "the rules ask for no margin"


def needs(case: Case) -> Needs:
    """Walls up to the margin beyond the last change of what comes out."""
    changes = case.table.verdict_edges(case.rules.tolerance)
    return Needs(walls=changes[-1] + case.rules.margin) if changes else Needs()


def findings(case: Case) -> Iterator[Broken]:
    """Each good piece of a wall that is too near to another outcome that matters."""
    for piece in case.judged if case.rules.margin else ():
        if case.verdict(piece) != "solid":
            continue
        nearest = case.nearest_other(piece)
        if nearest is None or not below(nearest[0], case.rules.margin):
            continue
        away, verdict = nearest
        if verdict == "solid" or severity_of(case.rules.level(verdict)) is None:
            continue
        yield Broken(
            kind="wall",
            subject=piece,
            breach=Breach(
                check=ID,
                severity="warn",
                measured=away,
                limit=case.rules.margin,
                says=f"comes out solid, but is only {mm(away)} mm from {verdict}",
            ),
            alike=(verdict, case.outcome(piece).band.lower),
            weight=(-away, piece.length, piece.point),
        )
