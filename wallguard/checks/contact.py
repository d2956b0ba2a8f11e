"""No piece is too high for the width it stands on.

Height over the least width of the footprint (the first layer, with what lies between its parts).
Passes: 100 mm high on 10 mm against a limit of 10. Fails: 101 mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.base.text import mm
from wallguard.checks.case import Broken, Case
from wallguard.checks.footing import footings

ID: Final = "contact"


def findings(case: Case) -> Iterator[Broken]:
    """Each piece that is too high for its footprint."""
    for footprint, spot in footings(case):
        times = footprint.slenderness

        def says(level: float, times: float = times) -> str:
            return (
                f"carries {times:.1f} times its width, more than {level:g}: the part may "
                "come loose or sway"
            )

        breach = case.breach(ID, times, says)
        if breach:
            wide = footprint.height / case.rules.strictest(ID)
            yield Broken(
                "footing", spot, breach, draw=f"stand it on ≥ {mm(wide)} mm, or lay it down"
            )
