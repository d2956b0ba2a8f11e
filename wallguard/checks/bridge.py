"""No underside that lies between two supports spans more than the rules allow.

The span is the shortest straight line across (see `shapes.undersides`). Counts what is flatter
than `overhang` allows or, where the rules do not say, than 45°: so of a lying round hole the top.
Passes: 10.00 mm against a limit of 10.00 mm. Fails: 10.01 mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.base.text import limit_text, mm
from wallguard.checks.case import Broken, Case
from wallguard.checks.underside import undersides

ID: Final = "bridge"


def findings(case: Case) -> Iterator[Broken]:
    """Each underside that spans too much."""
    for underside, spot in undersides(case):
        if not underside.span:
            continue
        span = underside.span

        def says(level: float, span: float = span) -> str:
            return (
                f"spans {mm(span)} mm between what carries it, more than the "
                f"{limit_text(level)} mm that can be laid across air: it sags or needs supports, "
                "and the surface will show it"
            )

        breach = case.breach(ID, span, says)
        if breach:
            most = limit_text(case.rules.strictest(ID))
            draw = f"span ≤ {most} mm, or draw an arch or a rib below"
            yield Broken("underside", spot, breach, draw=draw)
