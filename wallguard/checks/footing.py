"""What `contact` and `contact_area` share: one footprint is one place."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from wallguard.base.text import mm
from wallguard.checks.case import Case, Spot
from wallguard.findings.model import Mark, Spread, Subject

if TYPE_CHECKING:
    from wallguard.shapes.footprints import Footprint


def footings(case: Case) -> Iterator[tuple[Footprint, Spot]]:
    """What each piece stands on."""
    for footprint in case.geometry.footprints(case.cut)[0]:
        width = footprint.width
        yield (
            footprint,
            Spot(
                of=footprint,
                subject=Subject(
                    "footing",
                    Spread(width, width, width),
                    length=width,
                    height=footprint.height,
                    area=footprint.area,
                    marks=(Mark("length", footprint.across, f"{mm(width)} mm"),),
                ),
                point=footprint.point,
                box=footprint.box,
                head=f"footprint {mm(width)} mm wide",
                tail=f"{footprint.area:.1f} mm² large, under {mm(footprint.height)} mm of height",
                size=(width, footprint.height),
            ),
        )
