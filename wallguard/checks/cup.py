"""No hollow seals against the film while it is printed.

The limit is the area, mm², that a layer encloses of a hollow which its own floor or the build plate
shuts, and which has no vent: pulled off the film it holds like a suction cup, the more the larger
it is (`shapes.cups`). Passes: a hollow with a hole whose lower rim lies no more than 2 mm above its
floor, or above the plate; a tube, which is open at its first layer and its last; 100 mm² against a
limit of 100 mm². Fails: a bowl of 101 mm² that stands on its foot, a bell so wide on the plate.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.base.text import mm
from wallguard.checks import hollow
from wallguard.checks.case import Broken, Case, Spot
from wallguard.findings.model import Mark, Point, Spread, Subject

ID: Final = "cup"
# So near to the floor, mm, a vent opens before much is sealed: a bound of our own.
_NEAR = 2.0


def findings(case: Case) -> Iterator[Broken]:
    """Each hollow that seals over too much, but for those that `trapped` tells: one place."""
    told = []
    if "trapped" in case.rules.minimum:
        told = [cavity.box for cavity, _ in hollow.cavities(case) if not cavity.openings]
    for cup in case.geometry.cups(case.cut):
        if any(_within(cup.box, box, case.rules.layer_height) for box in told):
            continue
        low = cup.high - cup.low <= _NEAR + case.rules.layer_height / 2
        if low and (cup.vented or cup.plate):
            continue

        def says(level: float, plate: bool = cup.plate) -> str:
            more = f", over more than {level:g} mm²" if level else ""
            with_plate = "with the build plate " if plate else ""
            return (
                f"seals {with_plate}against the film while it is printed{more}: it may be torn "
                "off, or its walls bulge"
            )

        breach = case.breach(ID, cup.area, says)
        if breach:
            width = mm(cup.across[1][0] - cup.across[0][0])
            spot = Spot(
                of=cup,
                subject=Subject(
                    "cavity",
                    Spread(0.0, 0.0, 0.0),
                    height=cup.high - cup.low,
                    area=cup.area,
                    marks=(Mark("length", cup.across, f"{width} mm"),),
                ),
                point=cup.point,
                box=cup.box,
                head="hollow",
                tail=f"{cup.area:.0f} mm² wide and sealed for {mm(cup.high - cup.low)} mm",
                size=(cup.area**0.5, cup.high - cup.low),
            )
            floor, other = "its floor", "turn the part so that it opens to a side"
            if cup.plate:
                floor, other = "the plate", "print the part on supports, clear of the plate"
            draw = f"draw a vent that begins no more than {_NEAR:g} mm above {floor}, or {other}"
            yield Broken("cavity", spot, breach, draw=draw)


def _within(box: tuple[Point, Point], other: tuple[Point, Point], layer: float) -> bool:
    """Whether a box lies within another, to the layer in which either begins."""
    low, high = tuple(zip(box, other, strict=True))
    return all(a >= b - layer for a, b in zip(*low, strict=True)) and all(
        a <= b + layer for a, b in zip(*high, strict=True)
    )
