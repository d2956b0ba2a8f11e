"""No round hole that lies or leans is narrower than its own minimum.

Its axis is more than 5° from upright: its top sags, so that it comes out narrower. Passes: 2.00 mm
against a minimum of 2.00 mm. Fails: 1.90 mm. `hole` sets a minimum to all of them besides.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.checks.case import Broken, Case, Needs
from wallguard.checks.round import narrow_holes

ID: Final = "lying_hole"


def needs(case: Case) -> Needs:
    """Holes below the minimum."""
    return Needs(rounds=case.rules.strictest(ID))


def findings(case: Case) -> Iterator[Broken]:
    """Each such hole below the minimum diameter."""
    yield from narrow_holes(case, ID, vertical=False)
