"""No piece stands on less than the rules allow.

The area, mm², of a piece's first layer. Passes: 25 mm² against a minimum of 25 mm². Fails: 24 mm².
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.checks.case import Broken, Case
from wallguard.checks.footing import footings

ID: Final = "contact_area"


def findings(case: Case) -> Iterator[Broken]:
    """Each piece that stands on too little."""
    for footprint, spot in footings(case):

        def says(level: float) -> str:
            return f"is smaller than {level:g} mm²: the part may come loose"

        breach = case.breach(ID, footprint.area, says)
        if breach:
            least = f"{case.rules.strictest(ID):g}"
            yield Broken("footing", spot, breach, draw=f"stand it on ≥ {least} mm²")
