"""Nothing begins in mid-air.

The first layer of a piece that lies on nothing has nothing to hold to. The limit is the area, mm²,
of that layer that is allowed. Passes: nothing larger than the limit. Fails: with a limit of 0,
whatever begins above the build surface, also where it is joined to the rest further up.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from wallguard.base.text import mm
from wallguard.checks.case import Broken, Case, Spot
from wallguard.findings.model import Mark, Spread, Subject

if TYPE_CHECKING:
    from wallguard.shapes.footprints import Island

ID: Final = "island"


def findings(case: Case) -> Iterator[Broken]:
    """Each piece that begins in mid-air."""
    for island in case.geometry.footprints(case.cut)[1]:

        def says(level: float, island: Island = island) -> str:
            joins = "nothing ever joins it to the part"
            if island.hangs is not None:
                joins = f"it hangs alone for {mm(island.hangs)} mm"
            return f"begins {mm(island.above)} mm above the build surface on nothing: {joins}"

        breach = case.breach(ID, island.area, says)
        if breach:
            draw = "let it rise from the part, or turn the part"
            yield Broken("island", _spot(island), breach, draw=draw)


def _spot(island: Island) -> Spot:
    x, y, z = island.point
    below = (x, y, z - island.above)
    return Spot(
        of=island,
        subject=Subject(
            "island",
            Spread(0.0, 0.0, 0.0),
            height=island.hangs or 0.0,
            area=island.area,
            marks=(Mark("length", (below, island.point), f"{mm(island.above)} mm"),),
        ),
        point=island.point,
        box=island.box,
        head="piece",
        tail=f"{island.area:.1f} mm² large in its first layer",
        size=(island.above, island.area**0.5),
    )
