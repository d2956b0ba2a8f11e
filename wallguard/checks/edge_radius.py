"""No convex edge is rounded less than the rules allow.

Where the surface turns by 60° or more (`shapes.rounded`): at once, which is a radius of 0 as far as
the mesh tells, or over facets. All sharp edges of a part are one place, and so are all of one
radius; those that `edge` tells are left out. Passes: 0.50 mm against a minimum of 0.50 mm; an edge
that is cut off; an inner corner; a pin. Fails: 0.49 mm; the edges of a box.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from wallguard.base.text import limit_text, mm
from wallguard.checks.case import Broken, Case, Spot
from wallguard.findings.model import Mark, Spread, Subject

if TYPE_CHECKING:
    from wallguard.shapes.rounded import Rounded

ID: Final = "edge_radius"


def findings(case: Case) -> Iterator[Broken]:
    """The sharp edges, and each that is rounded too little."""
    least = case.rules.strictest(ID)
    for edge in case.geometry.rounded(least, case.rules.strictest("edge")):

        def says(level: float, edge: Rounded = edge) -> str:
            short = f"is less than {limit_text(level)} mm" if edge.radius else "is not rounded"
            asked = "" if edge.radius else f", by {limit_text(level)} mm at least"
            return f"{short}{asked}: it may come out ragged, and chip"

        breach = case.breach(ID, edge.radius, says)
        if breach:
            draw = f"draw a radius ≥ {limit_text(least)} mm, or cut it off"
            yield Broken("edge", _spot(edge), breach, draw=draw)


def _spot(edge: Rounded) -> Spot:
    low, high = edge.box
    radius = mm(edge.radius)
    first, second = edge.sides
    marks = [Mark("angle", (edge.point, first, second), "" if edge.radius else "R 0")]
    if edge.radius:
        marks.append(Mark("way", (edge.centre, edge.point), f"R {radius} mm"))
    return Spot(
        of=edge,
        subject=Subject(
            "edge",
            Spread(edge.radius, edge.radius, edge.radius),
            length=edge.length,
            height=high[2] - low[2],
            marks=tuple(marks),
        ),
        point=edge.point,
        box=edge.box,
        head=f"edge of a radius of {radius} mm" if edge.radius else "sharp edge",
        tail=f"{mm(edge.length)} mm of such in all",
        size=(edge.length,),
    )
