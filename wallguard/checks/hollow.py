"""What `trapped`, `escape` and `escape_holes` share: one cavity is one place.

    closed, or no way out as wide as `escape` asks   `trapped`, by its volume
    a way out, but a narrower one                    `escape`, by its width
    ways out that are wide enough, but too few       `escape_holes`, by their number

Resin and powder that stay inside are a hazard to whoever opens the part, and go on curing or fall
out later: the messages say so, and what else holds is for the material's safety data sheet.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from wallguard.base.text import mm
from wallguard.checks.case import Case, Spot
from wallguard.findings.model import Mark, Spread, Subject

# What share of a cavity in its ways out is told.
_NO_LITTLE = 0.001

if TYPE_CHECKING:
    from wallguard.shapes.cavities import Cavities, Cavity


def cavities(case: Case) -> Iterator[tuple[Cavity, Spot]]:
    """The part's cavities, where its surface is closed."""
    if case.geometry.health.watertight:
        for cavity in _measured(case).found:
            yield cavity, _spot(cavity)


def unjudged(case: Case) -> str:
    """Why no cavity could be judged; empty: they were looked for."""
    if case.geometry.health.watertight:
        return ""
    return "a cavity needs a closed surface, and this mesh is open: none was looked for"


def too_much(case: Case) -> str:
    """What of a part is too large for its open cavities to be found; empty: they were."""
    return _measured(case).too_much if case.geometry.health.watertight else ""


def _measured(case: Case) -> Cavities:
    # The ball that has to get out; without one only closed cavities matter.
    return case.geometry.cavities(case.rules.strictest("escape"))


def stuff(case: Case) -> str:
    """What the process fills cavities with."""
    return "resin" if case.rules.category == "vat photopolymerization" else "powder"


def _spot(cavity: Cavity) -> Spot:
    wide = cavity.way_out
    marks = []
    if cavity.openings:
        first = cavity.openings[0]
        marks.append(Mark("way", (cavity.point, first.point), f"Ø {mm(wide)} mm"))
    low, high = cavity.box
    return Spot(
        of=cavity,
        subject=Subject(
            "cavity",
            Spread(wide, wide, wide),
            height=high[2] - low[2],
            volume=cavity.volume,
            marks=tuple(marks),
        ),
        point=cavity.point,
        box=cavity.box,
        head=f"cavity of {_size(cavity)}",
        size=(cavity.volume ** (1 / 3),),
    )


def _size(cavity: Cavity) -> str:
    """How large it is: how uncertain that is, where it was not computed exactly, and what is in its
    ways out, which do not count, where that is no little."""
    if cavity.uncertainty:
        return f"about {volume(cavity.volume)} (to {volume(cavity.uncertainty)})"
    if cavity.ways > _NO_LITTLE * cavity.volume:
        return f"{volume(cavity.volume)} (and {volume(cavity.ways)} in its way out)"
    return volume(cavity.volume)


def volume(value: float) -> str:
    """ "0.52 mm³", "120 mm³", "12.4 cm³"."""
    if value >= 10_000:
        return f"{value / 1000:.1f} cm³"
    return f"{value:.2f} mm³" if value < 10 else f"{value:.0f} mm³"
