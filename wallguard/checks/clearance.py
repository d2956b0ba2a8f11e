"""No gap between two bodies is narrower than what lets them move.

Bodies are what is not connected in the design. Where there is a limit to them, such gaps answer to
it and not to `gap`. Passes: 0.40 mm against a minimum of 0.40 mm. Fails: 0.39 mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.base.text import limit_text
from wallguard.checks.case import Broken, Case, Needs

ID: Final = "clearance"


def needs(case: Case) -> Needs:
    """Gaps below the minimum."""
    return Needs(gaps=case.rules.strictest(ID))


def findings(case: Case) -> Iterator[Broken]:
    """Each gap between bodies below the minimum width."""
    for gap in case.clearances:

        def says(level: float) -> str:
            least = limit_text(level)
            return f"between two bodies is below the minimum of {least} mm: they may fuse"

        breach = case.breach(ID, gap.minimum, says)
        if breach:
            yield Broken("gap", gap, breach, least=case.rules.strictest(ID))
