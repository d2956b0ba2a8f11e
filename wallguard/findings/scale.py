"""How a model drawn at full size comes out at each reduction.

Sizes called *drawn* and all places are in the part file's own frame, at full size, in mm; sizes
called *printed* are nominal sizes of the model at its reduction, in mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from wallguard.base.units import Unit
from wallguard.findings.model import Point, Spread


@dataclass(frozen=True)
class Holding:
    """A wall (or a round pin) that does not come out as asked at a reduction.

    verdict   what becomes of it; `thin` where it comes out but is below the minimum
    drawn     its thickness at full size; of a wall that leans square to it, as callipers read it
    printed   the same as the model has it, before anything is printed
    lean      from upright, degrees; 0 where it leans too little for its layers to read otherwise
    length    along it, at full size
    least     the minimum that the rules ask of it, printed; 0: none
    thinner, thicker  the nearest to draw at full size instead, measured as `drawn` is; None: there
              is none
    thinner_from, thicker_to  where these good ranges begin and end: beyond that it comes out
              otherwise; None: there is no such range, or no such end
    """

    kind: Literal["wall", "pin"]
    verdict: str
    drawn: Spread
    printed: Spread
    lean: float
    length: float
    least: float
    location: Point
    box: tuple[Point, Point]
    thinner: float | None
    thicker: float | None
    thinner_from: float | None = None
    thicker_to: float | None = None


@dataclass(frozen=True)
class Reduction:
    """The model at one reduction 1:`factor`.

    size       of the model, mm
    fits       the build volume; None where the rules name none
    measured   False where the model is too large or too small to be looked at; `note` says so
    beyond     whether it is too large: then nobody knows whether it is good
    layer_height  that it was measured in, mm
    walls      how many walls up to `up_to` mm thick, printed, it has
    thinnest   wall, printed, square to it as callipers read it; None where it has none
    shares     of the length of those walls by verdict, the good one first; their sum is 1
    good       whether all walls come out as asked
    holding    the walls that do not, thinnest first
    """

    factor: float
    size: Point
    fits: bool | None
    measured: bool
    layer_height: float
    up_to: float
    walls: int = 0
    thinnest: float | None = None
    shares: tuple[tuple[str, float], ...] = ()
    good: bool = False
    holding: tuple[Holding, ...] = ()
    beyond: bool = False
    note: str = ""

    @property
    def name(self) -> str:
        """As it is written on drawings: "1:200"."""
        return ratio(self.factor)


@dataclass(frozen=True)
class Scales:
    """A part at a row of reductions, the largest model first.

    unit    that the part is drawn in
    size    at full size, mm
    wanted  the reduction that was asked for, None: none
    remarks what a reader has to know of the part
    unseen  limits of the rules, by their check, that were not looked at: only walls and pins were
    """

    path: str
    rules: str
    rules_name: str
    unit: Unit
    size: Point
    reductions: tuple[Reduction, ...]
    wanted: float | None = None
    remarks: tuple[str, ...] = ()
    unseen: tuple[str, ...] = ()

    @property
    def best(self) -> Reduction | None:
        """The smallest model of which all walls come out as asked."""
        good = [reduction for reduction in self.reductions if reduction.good]
        return good[-1] if good else None

    @property
    def held_back(self) -> Reduction | None:
        """The reduction at which to look for what holds the model back: the wanted one, else the
        first one measured beyond the best. None where nothing does."""
        if self.wanted is not None:
            (wanted,) = (
                reduction for reduction in self.reductions if reduction.factor == self.wanted
            )
            return None if wanted.good else wanted
        best = self.best
        beyond = [
            reduction
            for reduction in self.reductions
            if reduction.measured
            and not reduction.good
            and (best is None or reduction.factor > best.factor)
        ]
        return beyond[0] if beyond else None

    @property
    def exit_code(self) -> int:
        """1 where a reduction was wanted at which not all walls come out as asked."""
        return int(self.wanted is not None and self.held_back is not None)


def ratio(factor: float) -> str:
    """A reduction as it is written on drawings: 200 -> "1:200"."""
    return f"1:{factor:.10g}"
