"""No wall or pin that stands free is too high for its thickness.

Height, along a wall that leans, over thickness. A wall stands free where other material holds it on
fewer than two of its sides, as for `free_wall`; a pin where it stands upright. Passes: 10 mm high
and 1.00 mm thick against a limit of 10. Fails: 10.2 mm high.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from wallguard.base.text import SHOWN, mm
from wallguard.checks.case import Broken, Case, Needs
from wallguard.findings.model import Breach
from wallguard.walls.stretch import Stretch, together

ID: Final = "slender"


def needs(case: Case) -> Needs:
    """Walls and pins that are thick enough for all of the part's height, and no others; in space,
    where each thickness costs far more, walls only where one may be so high."""
    times = case.rules.strictest(ID)
    most = case.geometry.extents[2] / times
    return Needs(walls=most if case.layered else 0.0, rounds=most, slender=times)


def findings(case: Case) -> Iterator[Broken]:
    """Each free wall and pin that is too high."""
    for pin in case.rounds:
        if pin.kind == "pin" and pin.vertical:
            breach = _breach(case, pin.length, pin.diameter)
            if breach:
                yield Broken("pin", pin, breach, least=pin.length / case.rules.strictest(ID))
    walls: dict[int, list[Stretch]] = {}
    for piece in case.judged:
        walls.setdefault(piece.wall, []).append(piece)
    for pieces in walls.values():
        whole = together(pieces)
        height = (whole.high - whole.low) * math.sqrt(1 + whole.slope**2)
        # At its foot it bends most, and there it is as thick as most of it, or thicker.
        thickness = whole.typical / math.sqrt(1 + whole.slope**2)
        breach = _breach(case, height, thickness) if whole.sides < 2 else None
        if breach:
            thinnest = min(pieces, key=lambda piece: (piece.across, piece.point))
            least = height / case.rules.strictest(ID)
            yield Broken("wall", thinnest, breach, "free wall", least=least, weight=(height,))


def _breach(case: Case, height: float, thickness: float) -> Breach | None:
    if thickness < SHOWN:
        return None  # there is no wall
    times = height / thickness

    def says(level: float) -> str:
        return (
            f"stands free and is {times:.1f} times as high ({mm(height)} mm) as thick, more than "
            f"{level:g}: it may sway while it is printed, and break"
        )

    return case.breach(ID, times, says)
