"""What `hole` and `pin` share: diameters against a minimum."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from wallguard.base.text import limit_text, mm, place
from wallguard.checks.case import Case, Draft
from wallguard.rules.model import Limit


def below_minimum(
    case: Case, kind: Literal["hole", "pin"], limit: Limit | None, why: str
) -> Iterator[Draft]:
    """Findings for round holes or pins with a diameter below `limit`."""
    for found in case.rounds:
        broken = case.severity(found.diameter, limit) if found.kind == kind else None
        if broken is None:
            continue
        point, box = case.place(found.centre, found.box)
        yield Draft(
            check=kind,
            severity=broken[0],
            message=(
                f"{'upright' if found.vertical else 'lying'} {kind} of diameter "
                f"{mm(found.diameter)} mm at {place(point)}, {mm(found.length)} mm long, is below "
                f"the minimum of {limit_text(broken[1])} mm: {why}"
            ),
            advice=f"draw a diameter ≥ {limit_text(broken[1])} mm",
            measured=found.diameter,
            limit=broken[1],
            location=point,
            box=box,
            size=(found.length,),
        )
