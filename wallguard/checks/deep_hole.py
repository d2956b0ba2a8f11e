"""No round hole is too deep for its diameter.

Depth along the axis over diameter. Passes: 20 mm deep and 2.00 mm wide against a limit of 10.
Fails: 21 mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.base.text import mm
from wallguard.checks.case import Broken, Case, Needs

ID: Final = "deep_hole"


def needs(case: Case) -> Needs:
    """Holes that are wide enough for all of the part, and no wider ones."""
    return Needs(rounds=max(case.geometry.extents) / case.rules.strictest(ID))


def findings(case: Case) -> Iterator[Broken]:
    """Each hole that is too deep."""
    for hole in case.rounds:
        times = hole.length / hole.diameter

        def says(level: float, depth: float = hole.length, times: float = times) -> str:
            return (
                f"is {mm(depth)} mm deep, {times:.1f} times its diameter, more than {level:g}: "
                "what is in it does not come out, or it closes on its way"
            )

        breach = case.breach(ID, times, says) if hole.kind == "hole" else None
        if breach:
            least = hole.length / case.rules.strictest(ID)
            yield Broken("hole", hole, breach, least=least)
