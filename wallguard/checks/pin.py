"""No round pin is thinner than the rules allow, whatever way its axis points.

Passes: a diameter of 1.50 mm against a minimum of 1.50 mm. Fails: 1.40 mm; a post, a wall that
stands free and is shorter than two beads, that is thinner; a column, a wall that no end holds and
that is hardly longer than thick.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.base.text import limit_text
from wallguard.checks.case import Broken, Case, Needs
from wallguard.checks.round import below_minimum
from wallguard.findings.model import Breach

ID: Final = "pin"


def needs(case: Case) -> Needs:
    """Pins below the minimum."""
    return Needs(rounds=case.rules.strictest(ID))


def findings(case: Case) -> Iterator[Broken]:
    """Each pin below the minimum diameter."""
    why = "it may break or not be printed"
    yield from below_minimum(case, ID, why)
    for post in case.posts:
        broken = case.severity(ID, post.across)
        if broken:
            says = f"is below the minimum of {limit_text(broken[1])} mm for a pin: {why}"
            breach = Breach(ID, broken[0], post.across, broken[1], says=says)
            yield Broken(ID, post, breach)
    for column in case.columns:
        broken = case.severity(ID, column.across)
        if broken:
            says = f"is below the minimum of {limit_text(broken[1])} mm for a pin: {why}"
            breach = Breach(ID, broken[0], column.across, broken[1], says=says)
            least = case.rules.strictest(ID)
            yield Broken("wall", column, breach, "column", minimum="a pin", least=least)
