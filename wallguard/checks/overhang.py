"""No underside that ends free is flatter than the rules allow.

The limit is the angle from level: 0° is a ceiling, 90° an upright face. Passes: 45° against a limit
of 45°; 30° that reaches no further than the free length (see `underside`); a ceiling between two
walls, where `bridge` has a limit. Fails: 44°.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.checks.case import Broken, Case
from wallguard.checks.underside import spans, undersides

ID: Final = "overhang"


def findings(case: Case) -> Iterator[Broken]:
    """Each underside that is too flat."""
    for underside, spot in undersides(case):
        if spans(case, underside):
            continue

        def says(level: float) -> str:
            return (
                f"is flatter than {level:g}° with nothing below it: it sags or needs "
                "supports, and the surface will show it"
            )

        # As exactly as undersides are found.
        breach = case.breach(ID, round(underside.angle, 1), says)
        if breach:
            steeper = f"{case.rules.strictest(ID):g}"
            draw = f"draw it ≥ {steeper}° from level, turn the part, or put something below"
            yield Broken("underside", spot, breach, draw=draw)
