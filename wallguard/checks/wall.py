"""No wall is thinner than the rules allow.

Passes: 0.80 mm against a minimum of 0.80 mm. Fails: 0.79 mm. Indeterminate: 0.79 mm where the
facets of a curve make it that much thinner than what was drawn.
Where a minimum for walls with a free edge is given, it stands in for this one on walls that other
material holds on fewer than two sides.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base.text import limit_text
from wallguard.checks.case import Broken, Case, severity_of
from wallguard.findings.model import Breach, Severity

ID = "wall"


def applies(case: Case) -> str:
    """An empty string, or why the check has nothing to do."""
    return "" if ID in case.rules.minimum else "the rules ask for no minimum wall"


def findings(case: Case) -> Iterator[Broken]:
    """Each piece of a wall below the minimum."""
    yield from below_minimum(case, ID, "wall", "a wall")


def below_minimum(case: Case, check: str, name: str, what: str) -> Iterator[Broken]:
    """The pieces that answer to a check's minimum and are below it; where several lie at one
    place, the thinnest counts.

    name  how such a wall is called, and what its minimum is a minimum for
    """
    for piece in case.pieces:
        broken = case.severity(check, piece.minimum)
        if broken is None or case.asked(piece.sides) != check:
            continue
        says = f"is below the minimum of {limit_text(broken[1])} mm for {what}"
        drawn = case.severity(check, piece.minimum + piece.facets)
        level: Severity | None = broken[0]
        if drawn != broken:
            # Perhaps only because a curve was exported as facets.
            level = severity_of(case.rules.outcomes["indeterminate"])
        if level is None:
            continue
        yield Broken(
            kind="wall",
            subject=piece,
            breach=Breach(
                check,
                level,
                piece.minimum,
                broken[1],
                says=says,
                indeterminate=drawn != broken,
            ),
            name=name,
            minimum=what,
            weight=(-round(piece.minimum, 4),),
        )
