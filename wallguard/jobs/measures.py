"""What a part measures, in numbers: for a designer who asserts what matters."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from wallguard.base.text import mm, place
from wallguard.walls.stretch import is_notch, is_speck

if TYPE_CHECKING:
    from wallguard.part.part import Part
    from wallguard.rules.model import Rules
    from wallguard.walls.stretch import Stretch

Point = tuple[float, float, float]


@dataclass(frozen=True, order=True)
class Size:
    """A size in mm to two decimals, as messages have it, and where: in the part's own frame."""

    mm: float
    at: Point

    def __repr__(self) -> str:
        return f"{mm(self.mm)} mm at {place(self.at)}"


class Measures:
    """The walls, gaps, holes and pins of a part as it is printed, each measured when it is asked
    for, smallest first.

    rules   of the process whose layers it is cut in, or that it is measured for in space; None:
            layers of `layer_height` mm
    up_to   what is thicker or wider, mm, is not looked for

    Of a wall that leans, the size is that square to it. Floors and roofs are no walls. Asking
    raises InputError where a part is of absurd size.
    """

    def __init__(
        self,
        part: Part,
        rules: Rules | None = None,
        *,
        layer_height: float = 0.2,
        up_to: float = 20.0,
    ) -> None:
        self.name = part.path
        self._geometry, self._up_to = part.geometry, up_to
        self._height = rules.layer_height if rules else layer_height
        self._layered = rules is None or rules.category == "material extrusion"

    @cached_property
    def walls(self) -> tuple[Size, ...]:
        """How thick each wall is where it is thinnest."""
        if self._layered:
            walls = self._geometry.walls(self._height, self._up_to, ())
        else:
            walls = self._geometry.walls_in_space(self._up_to, ())
        return self._sizes((wall.across, wall.point) for wall in walls if not is_speck(wall))

    @cached_property
    def gaps(self) -> tuple[Size, ...]:
        """How wide each gap is where it is narrowest."""
        gaps: list[Stretch]
        if self._layered:
            gaps = self._geometry.gaps(self._height, self._up_to)
        else:
            gaps = self._geometry.gaps_in_space(self._up_to)
        real = (gap for gap in gaps if not (is_speck(gap) or is_notch(gap)))
        return self._sizes((gap.minimum, gap.point) for gap in real)

    @cached_property
    def holes(self) -> tuple[Size, ...]:
        """The diameter of each round hole."""
        return self._round("hole")

    @cached_property
    def pins(self) -> tuple[Size, ...]:
        """The diameter of each round pin."""
        return self._round("pin")

    @property
    def thinnest(self) -> float:
        """The thinnest wall, mm; infinite where there is none."""
        return _least(self.walls)

    @property
    def narrowest(self) -> float:
        """The narrowest gap, mm; infinite where there is none."""
        return _least(self.gaps)

    @property
    def smallest_hole(self) -> float:
        """The least diameter of a round hole, mm; infinite where there is none."""
        return _least(self.holes)

    @property
    def smallest_pin(self) -> float:
        """The least diameter of a round pin, mm; infinite where there is none."""
        return _least(self.pins)

    def __repr__(self) -> str:
        """What is known by now, for a message that says what was compared."""
        known = vars(self)
        kinds = {
            "walls": "thinnest wall",
            "gaps": "narrowest gap",
            "holes": "smallest hole",
            "pins": "smallest pin",
        }
        said = [
            f"{words} {known[kind][0]}" if known[kind] else f"no {kind}"
            for kind, words in kinds.items()
            if kind in known
        ]
        return f"<{self.name}: {', '.join(said) or 'nothing measured yet'}>"

    def _round(self, kind: str) -> tuple[Size, ...]:
        rounds = self._geometry.rounds(self._up_to)
        return self._sizes((each.diameter, each.centre) for each in rounds if each.kind == kind)

    def _sizes(self, found: Iterable[tuple[float, Point]]) -> tuple[Size, ...]:
        location = self._geometry.location
        return tuple(sorted(Size(round(value, 2), location(point)) for value, point in found))


def _least(sizes: tuple[Size, ...]) -> float:
    return sizes[0].mm if sizes else math.inf
