"""No cavity has fewer ways out that are wide enough than the rules ask.

Counts ways as wide as `escape` asks; one that is more than half as wide as the cavity is enough,
for that is no cavity (a bound of our own). Passes: two holes of 4 mm against two of 3.5 mm. Fails:
one.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.base.plain import counted
from wallguard.base.text import limit_text
from wallguard.checks import hollow
from wallguard.checks.case import Broken, Case

ID: Final = "escape_holes"


def findings(case: Case) -> Iterator[Broken]:
    """Each cavity with a way out that is wide enough, but too few of them."""
    what, wide = hollow.stuff(case), case.rules.strictest("escape")
    for cavity, spot in hollow.cavities(case):
        ways = sum(each.width + each.uncertainty >= wide for each in cavity.openings)
        if not ways:
            continue  # which is told, and says more

        def says(level: float, ways: int = ways) -> str:
            return (
                f"has {counted(ways, 'way')} out of at least {limit_text(wide)} mm, fewer than "
                f"{level:g}: without a second one {what} does not flow"
            )

        breach = case.breach(ID, ways, says)
        if breach:
            number = round(case.rules.strictest(ID))
            draw = f"draw {number} holes of a diameter ≥ {limit_text(wide)} mm, at opposite ends"
            yield Broken("cavity", spot, breach, draw=draw)
