"""Cavities: hollows that powder or resin leaves by narrow ways or not at all.

closed    a surface of its own that faces inward: what it encloses, less the solids that lie in it,
          exactly (divergence theorem)
open      air where a ball of some size fits that can leave only through a narrower way
          (`openings.py`, which says how narrow)

A bowl or a slot is no cavity: whatever fits in comes out again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct
from wallguard.base.errors import TooLargeError
from wallguard.mesh.mesh import Mesh
from wallguard.shapes.shells import Shells, shells_of

Point = tuple[float, float, float]
Box = tuple[Point, Point]
_Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Opening:
    """A way out of a cavity. Lengths in mm, in the print frame.

    width  the diameter of the largest ball that passes
    uncertainty  of that
    point  the middle of that ball where it passes the narrowest place
    """

    width: float
    uncertainty: float
    point: Point


@dataclass(frozen=True)
class Cavity:
    """A hollow. Lengths in mm, in the print frame.

    volume    of the air in it, mm³; of an open one up to where its ways out begin
              (`enclosed.py`), without the air in these
    uncertainty  of that: 0 but where it was counted in cells
    ways      the air in its ways out, mm³, as far as they are as narrow as at their narrowest
    inside    the diameter of the largest ball in it; 0: not measured
    openings  the ways out, the widest first; none: it is closed, or they are narrower than `blind`
    blind     ways narrower than this were not looked for; 0: all were
    point     within it; box: around it
    """

    volume: float
    uncertainty: float
    ways: float
    inside: float
    openings: tuple[Opening, ...]
    blind: float
    point: Point
    box: Box

    @property
    def way_out(self) -> float:
        """The diameter of the largest ball that leaves; 0: none does."""
        return self.openings[0].width if self.openings else 0.0


@dataclass(frozen=True)
class Cavities:
    """The cavities of a part, the largest first.

    too_much  what of it is too much to look for open ones, so that only closed ones were; else
              empty
    """

    found: list[Cavity]
    too_much: str = ""


def find_cavities(mesh: Mesh, passes: float) -> Cavities:
    """The cavities of a part.

    passes  the diameter of a ball, mm: open cavities are those where it fits and cannot leave, and
            those that have ways out for it, the widest of which is half as wide as the cavity at
            most; 0: closed ones only
    """
    label = shells_of(mesh)
    made, facing_in = _closed(mesh, label)
    too_much = ""
    if passes > 0:
        from wallguard.shapes.openings import open_cavities

        rest = ~np.isin(label, facing_in)
        left = label[rest]
        left = np.searchsorted(distinct(left), left)
        try:
            made += open_cavities(replace(mesh, triangles=mesh.triangles[rest]), left, passes)
        except TooLargeError as error:
            too_much = error.what
    return Cavities(sorted(made, key=lambda each: (-each.volume, each.point)), too_much)


def _closed(mesh: Mesh, label: _Ints) -> tuple[list[Cavity], list[int]]:
    """The closed ones, and the numbers of their surfaces, of those that triangles (m,) are of."""
    shells = Shells.of(mesh, label)
    air = {at: -value for at, value in enumerate(shells.volumes) if value < 0}
    for inner, outer in shells.around.items():
        if shells.volumes[inner] > 0 and outer in air:
            air[outer] -= shells.volumes[inner]
    made = []
    for at, value in air.items():
        corners = mesh.vertices[mesh.triangles[label == at]].reshape(-1, 3)
        low, high = corners.min(axis=0).tolist(), corners.max(axis=0).tolist()
        middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
        made.append(
            Cavity(
                value,
                0.0,
                0.0,
                0.0,
                (),
                0.0,
                (middle[0], middle[1], middle[2]),
                ((low[0], low[1], low[2]), (high[0], high[1], high[2])),
            )
        )
    return made, list(air)
