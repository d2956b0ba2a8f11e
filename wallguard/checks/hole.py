"""No round hole is narrower than the rules allow, whatever way its axis points.

Passes: a diameter of 1.50 mm against a minimum of 1.50 mm. Fails: 1.40 mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.checks.case import Broken, Case, Needs
from wallguard.checks.round import below_minimum

ID: Final = "hole"


def needs(case: Case) -> Needs:
    """Holes below the minimum."""
    return Needs(rounds=case.rules.strictest(ID))


def findings(case: Case) -> Iterator[Broken]:
    """Each hole below the minimum diameter."""
    yield from below_minimum(case, ID, "it may close")
