"""What `floor` and `roof` share: vertical thickness in layers against a minimum."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Literal

from wallguard.base.text import mm, place
from wallguard.checks.case import Case, Draft
from wallguard.rules.model import Limit


def below_minimum(
    case: Case, kind: Literal["floor", "roof"], limit: Limit | None
) -> Iterator[Draft]:
    """Findings for floors or roofs of fewer layers than `limit`."""
    for plate in case.plates:
        broken = case.severity(plate.layers, limit) if plate.kind == kind else None
        if broken is None:
            continue
        point, box = case.place(plate.point, plate.box)
        height = case.rules.layer_height
        least = round(broken[1])
        yield Draft(
            check=kind,
            severity=broken[0],
            message=(
                f"{kind} {plate.layers} layer{'s' if plate.layers > 1 else ''} "
                f"({mm(plate.layers * height)} mm) thick at {place(point)}, {plate.area:.0f} mm² "
                f"wide, is below the minimum of {least} layers"
            ),
            advice=f"draw ≥ {mm(least * height)} mm ({least} layers)",
            measured=plate.layers,
            limit=least,
            unit="layers",
            location=point,
            box=box,
            size=(math.sqrt(plate.area),),
        )
