"""What `overhang`, `ledge` and `bridge` share: one underside is one place.

    ends free           judged by its angle (`overhang`) and by how far it reaches (`ledge`)
    lies between two    judged by its span (`bridge`); where the rules set no limit to that, nothing
                        is known of spans, and it is judged by its angle

An underside counts where it reaches beyond a free length from what carries it: what `ledge` allows
or, without it, the width of two beads (common practice, no published source). One that nothing
carries begins in mid-air and is told by `island`, where that is asked.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from wallguard.base.text import mm
from wallguard.checks.case import Case, Spot
from wallguard.findings.model import Mark, Point, Spread, Subject

if TYPE_CHECKING:
    from wallguard.shapes.undersides import Underside

# What is steeper carries itself where the rules do not say: common practice, no published source.
_ANGLE = 45.0
# Beads beside a carried rim that need nothing below them: common practice, no published source.
_BEADS = 2


def undersides(case: Case) -> Iterator[tuple[Underside, Spot]]:
    """The undersides that the three checks judge."""
    from wallguard.shapes.undersides import Ask

    flatter = case.rules.strictest("overhang") or _ANGLE
    free = case.rules.strictest("ledge") or _BEADS * case.bead
    bridged = case.rules.strictest("bridge") if "bridge" in case.rules.minimum else None
    ask = Ask(flatter, free, case.bead, case.rules.layer_height, bridged)
    for underside in case.geometry.undersides(ask):
        if underside.carried or "island" not in case.rules.minimum:
            yield underside, spot_of(underside)


def spans(case: Case, underside: Underside) -> bool:
    """Whether all of it lies between what carries it, so that only its span counts."""
    return underside.span > 0 and not underside.reach and "bridge" in case.rules.minimum


def spot_of(underside: Underside) -> Spot:
    """An underside as a place."""
    # The longest is told; the other has limits of its own.
    both = (underside.span, underside.across), (underside.reach, underside.out)
    lines = sorted(both, key=lambda pair: -pair[0])
    long, line = lines[0]
    lengths = [Mark("length", _level(ends), f"{mm(size)} mm") for size, ends in lines if size]
    low, high = underside.box
    return Spot(
        of=underside,
        subject=Subject(
            "underside",
            Spread(long, long, long),
            length=long,
            height=high[2] - low[2],
            area=underside.area,
            angle=underside.angle,
            marks=(*lengths, *_angle(underside, line)),
        ),
        point=underside.point,
        box=underside.box,
        head=_head(underside),
        tail=f"{underside.area:.0f} mm² large",
        size=(long,),
    )


def _head(underside: Underside) -> str:
    if underside.angle < 0.5:
        return "level underside"
    return f"underside {underside.angle:.0f}° from level"


def _level(ends: tuple[Point, Point]) -> tuple[Point, Point]:
    """Lengths are measured from above, so they are shown level, at the lower end."""
    (x, y, z), (far_x, far_y, far_z) = ends
    low = min(z, far_z)
    return (x, y, low), (far_x, far_y, low)


def _angle(underside: Underside, line: Sequence[tuple[float, float, float]]) -> tuple[Mark, ...]:
    """The angle of one that rises from what carries it."""
    (x, y, z), (tip_x, tip_y, tip_z) = line
    if underside.span or tip_z - z < 0.01:
        return ()
    points = ((x, y, z), (tip_x, tip_y, z), (tip_x, tip_y, tip_z))
    return (Mark("angle", points, f"{underside.angle:.0f}°"),)
