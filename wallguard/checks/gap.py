"""No gap is so narrow that its sides fuse: within a part, and between its bodies.

Passes: 0.40 mm of air against a minimum of 0.40 mm. Fails: 0.30 mm.
Round holes are not gaps; `hole` speaks of them.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base.text import limit_text, mm, place
from wallguard.checks.case import Case, Draft, extent

ID = "gap"


def applies(case: Case) -> str:
    """An empty string, or why the check has nothing to do."""
    return "" if "gap" in case.rules.minimum else "the rules ask for no minimum gap"


def findings(case: Case) -> Iterator[Draft]:
    """One finding for each gap below the minimum."""
    for gap in case.gaps:
        broken = case.severity(gap.minimum, case.rules.minimum.get("gap"))
        if broken is None:
            continue
        point, box = case.place(gap.point, gap.box)
        yield Draft(
            check=ID,
            severity=broken[0],
            message=(
                f"gap {mm(gap.minimum)} mm wide at {place(point)}, {extent(gap)}, is "
                f"below the minimum of {limit_text(broken[1])} mm: its sides may fuse"
            ),
            advice=f"leave ≥ {limit_text(broken[1])} mm of air, or close the gap",
            measured=gap.minimum,
            limit=broken[1],
            location=point,
            box=box,
            size=(gap.length, gap.high - gap.low),
        )
