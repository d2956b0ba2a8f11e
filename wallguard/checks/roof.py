"""No roof, a plate with air below it, has too few layers.

Passes: 3 layers against a minimum of 3. Fails: 2 layers.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.checks.case import Broken, Case, Needs
from wallguard.checks.plate import below_minimum

ID: Final = "roof"


def needs(case: Case) -> Needs:
    """Roofs below the minimum."""
    return Needs(layers=case.rules.strictest(ID))


def findings(case: Case) -> Iterator[Broken]:
    """Each roof below the minimum."""
    yield from below_minimum(case, ID)
