"""No wall is thinner than the rules allow.

Passes: 0.80 mm against a minimum of 0.80 mm. Fails: 0.79 mm. Indeterminate: 0.79 mm where the
facets of a curve make it that much thinner than what was drawn.
Where a minimum for walls with a free edge is given, it stands in for this one on walls that other
material holds on fewer than two sides.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base.text import SHOWN, limit_text
from wallguard.checks.case import Broken, Case, Needs, severity_of
from wallguard.findings.model import Breach, Severity
from wallguard.findings.outcomes import SEVERITIES
from wallguard.rules.model import Limit
from wallguard.walls.stretch import Stretch

ID = "wall"
# In its layers a wall that leans by up to 60 degrees is so many times as thick as it is drawn.
_LEANS = 2.0


def needs(case: Case) -> Needs:
    """Walls below the minimum, divided at both its levels."""
    return needs_of_minimum(case, ID)


def findings(case: Case) -> Iterator[Broken]:
    """Each piece of a wall below the minimum."""
    yield from below_minimum(case, ID, "wall", "a wall")


def needs_of_minimum(case: Case, check: str) -> Needs:
    """What a check of a minimum of thickness needs."""
    limit = case.rules.minimum.get(check, Limit())
    levels = [level for level in (limit.fail, limit.warn) if level]
    most = case.rules.strictest(check) * (_LEANS if case.layered else 1.0)
    return Needs(walls=most, splits=tuple(at - SHOWN for at in levels))


def below_minimum(case: Case, check: str, name: str, what: str) -> Iterator[Broken]:
    """The pieces that answer to a check's minimum and are below it; where several lie at one
    place, the thinnest counts.

    name  how such a wall is called, and what its minimum is a minimum for
    """
    for piece in case.judged:
        if case.asked(piece.sides) != check:
            continue
        broken = _broken(case, check, piece)
        if broken is None:
            continue
        severity, limit, doubtful = broken
        says = f"is below the minimum of {limit_text(limit)} mm for {what}"
        yield Broken(
            kind="wall",
            subject=piece,
            breach=Breach(check, severity, piece.across, limit, says=says, indeterminate=doubtful),
            name=name,
            minimum=what,
            weight=(-round(piece.across, 4),),
        )


def _broken(case: Case, check: str, piece: Stretch) -> tuple[Severity, float, bool] | None:
    """What a piece that is too thin does to the gate, the level of the limit that it breaks, and
    whether it may do so only because a curve was exported as facets.

    What is doubtful does what the rules say of what is indeterminate, but never more than if it
    were certain, and never less than what is certain: a lower level of the limit.
    """
    broken = case.severity(check, piece.across)
    certain = case.severity(check, piece.across + case.facets(piece))
    if broken is None or broken == certain:
        return None if broken is None else (*broken, False)
    level = severity_of(case.rules.level("indeterminate"))
    if level is not None:
        mildest: Severity = max(level, broken[0], key=SEVERITIES.index)
        if certain is None or SEVERITIES.index(mildest) < SEVERITIES.index(certain[0]):
            return mildest, broken[1], True
    return None if certain is None else (*certain, False)
