"""What each move does with the filament: laying, travel, drawing back, pushing forward again.

Filament that was drawn back has to be pushed forward again before any comes out, whether in place
or while moving; that share is never material laid. Each tool keeps its own account. So, summed
over a toolpath, fed = laid + primed in place - still drawn back at the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from wallguard.toolpath.moves import Toolpath

# A move shorter than this in X and Y lays no bead: what it feeds counts as fed in place, mm.
SHORTEST = 1e-3
# An account nearer to zero than this is settled, mm: sums of many lengths are not exact.
_SETTLED = 1e-7


class Kind(IntEnum):
    """What a move does."""

    TRAVEL = 0  # moves without feeding
    LAYING = 1  # moves in X and Y and lays material
    RETRACT = 2  # draws filament back in place
    PRIME = 3  # pushes filament forward in place, or no more than was drawn back
    WIPE = 4  # draws filament back while moving in X and Y


@dataclass(frozen=True)
class Feeding:
    """The account of a toolpath's filament, lengths of filament in mm.

    kind       (n,) int8: a Kind for each move
    laid       (n,) float64: what comes out along each laying move, 0 elsewhere
    late       (n,) float64: share of a laying move at its start along which nothing comes out yet
    primed     what comes out in place, over all moves
    withdrawn  what is still drawn back at the end, over all tools
    """

    kind: NDArray[np.int8]
    laid: NDArray[np.float64]
    late: NDArray[np.float64]
    primed: float
    withdrawn: float


def feeding(toolpath: Toolpath) -> Feeding:
    """Tell apart what the moves do with the filament."""
    e = toolpath.e
    way = toolpath.end[:, :2] - toolpath.start[:, :2]
    along = np.hypot(way[:, 0], way[:, 1]) >= SHORTEST
    out = np.zeros(len(e))
    withdrawn = 0.0
    tools = np.unique(toolpath.tool)
    for tool in tools:
        own = np.flatnonzero((toolpath.tool == tool) & (e != 0.0))
        out[own], left = _comes_out(e[own])
        withdrawn += left
    kind = np.full(len(e), Kind.TRAVEL, np.int8)
    kind[(e < 0.0) & along] = Kind.WIPE
    kind[(e < 0.0) & ~along] = Kind.RETRACT
    kind[e > 0.0] = Kind.PRIME
    laying = along & (out > 0.0)
    kind[laying] = Kind.LAYING
    laid = np.where(laying, out, 0.0)
    late = np.zeros(len(e))
    late[laying] = 1.0 - out[laying] / e[laying]
    return Feeding(kind, laid, late, float(out[~laying].sum()), withdrawn)


def _comes_out(e: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """What comes out of the nozzle with each feed, and what is still drawn back at the end.

    drawn back after a feed = max(drawn back before - feed, 0), which is the distance of the sum
    of all feeds from its running maximum (Lindley's recursion, from memory).
    """
    if not len(e):
        return e, 0.0
    total = np.cumsum(e)
    back = np.maximum(np.maximum.accumulate(total), 0.0) - total
    back[back < _SETTLED] = 0.0
    before = np.concatenate([[0.0], back[:-1]])
    out = np.maximum(e - before, 0.0)
    # Less than the rounding of the sums: settled with the account, not laid.
    out[(before > 0.0) & (out < _SETTLED)] = 0.0
    return out, float(back[-1])
