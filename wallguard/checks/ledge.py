"""No underside reaches further from what carries it than the rules allow.

Counts what is flatter than `overhang` allows or, where the rules do not say, than 45°, and has
nothing to carry it on the far side. Passes: 1.00 mm against a limit of 1.00 mm. Fails: 1.01 mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.base.text import limit_text, mm
from wallguard.checks.case import Broken, Case
from wallguard.checks.underside import undersides

ID: Final = "ledge"


def findings(case: Case) -> Iterator[Broken]:
    """Each underside that reaches too far."""
    for underside, spot in undersides(case):
        if not underside.reach:
            continue
        reach = underside.reach

        def says(level: float, reach: float = reach) -> str:
            return (
                f"reaches {mm(reach)} mm beyond what carries it, more than the "
                f"{limit_text(level)} mm that hold themselves"
            )

        breach = case.breach(ID, reach, says)
        if breach:
            least = limit_text(case.rules.strictest(ID))
            yield Broken("underside", spot, breach, draw=f"let it reach ≤ {least} mm")
