"""No edge is sharper than the rules allow.

The angle of material between the two faces (`shapes.knives`). Passes: 30° against a minimum of 30°;
an edge of less than 0.5 mm; a rounded edge. Fails: 29°.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from wallguard.base.text import mm
from wallguard.checks.case import Broken, Case, Spot
from wallguard.findings.model import Mark, Spread, Subject

if TYPE_CHECKING:
    from wallguard.shapes.knives import Knife

ID: Final = "edge"


def findings(case: Case) -> Iterator[Broken]:
    """Each edge that is too sharp."""
    from wallguard.shapes.knives import ball

    least = case.rules.strictest(ID)
    for knife in case.geometry.knives(least):
        before = ""
        if case.layered:
            lost = ball(case.bead / 2, knife.angle)
            before = f"a bead {mm(case.bead)} mm wide ends {mm(lost)} mm before it, so "

        def says(level: float, before: str = before) -> str:
            return f"is sharper than {level:g}°: {before}it comes out blunt or frayed"

        breach = case.breach(ID, knife.angle, says)
        if breach:
            draw = f"draw ≥ {least:g}°, or cut or round it off"
            yield Broken("edge", _spot(knife), breach, draw=draw)


def _spot(knife: Knife) -> Spot:
    low, high = knife.box
    first, second = knife.sides
    return Spot(
        of=knife,
        subject=Subject(
            "edge",
            Spread(0.0, 0.0, 0.0),
            length=knife.length,
            height=high[2] - low[2],
            angle=knife.angle,
            marks=(Mark("angle", (knife.point, first, second), f"{knife.angle:.0f}°"),),
        ),
        point=knife.point,
        box=knife.box,
        line=knife.line,
        head=f"edge of {knife.angle:.0f}°",
        tail=f"{mm(knife.length)} mm long",
        size=(knife.length,),
    )
