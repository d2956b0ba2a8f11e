"""The cross-section of a bead: a rectangle with half-round ends, as wide and high as the bead.

    area = h (w - h) + pi h^2 / 4 = h (w - o)  with  o = h (1 - pi / 4)

so a rectangle of the same height and area is o narrower (closed form).
"""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_Lengths = TypeVar("_Lengths", float, "NDArray[np.float64]")


def round_ends(height: _Lengths) -> _Lengths:
    """By how much (mm) beads of a height (mm) reach beyond rectangles of the same area: o above."""
    return height * (1 - pi / 4)


def area(width: float, height: float) -> float:
    """Of a bead at least as wide as high, mm^2."""
    return height * (width - round_ends(height))
