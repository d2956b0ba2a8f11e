"""No floor, a plate that lies on the build surface with air above it, has too few layers.

Passes: 3 layers against a minimum of 3. Fails: 2 layers.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.checks.case import Broken, Case, Needs
from wallguard.checks.plate import below_minimum

ID: Final = "floor"


def needs(case: Case) -> Needs:
    """Floors below the minimum."""
    return Needs(layers=case.rules.strictest(ID))


def findings(case: Case) -> Iterator[Broken]:
    """Each floor below the minimum."""
    yield from below_minimum(case, ID)
