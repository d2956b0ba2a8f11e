"""The layers of one copy of a part: those that are laid, and those that are left out.

  top of the part  - - - - - - - - -
                   (nothing)          left out above: walls that stand here are missing
layer 3            ===============
                   (nothing)          left out between: told as a layer, not as walls
layer 1            ===============
  plate or raft    - - - - - - - - -
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wallguard.part.geometry import Geometry
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.placement import Placement

# Layers further apart than this cannot overlap, mm: no layer is higher.
_REACH = 2.0
# Heights that overlap by less are rounding, mm.
_TOUCH = 1e-3


@dataclass(frozen=True)
class Level:
    """One layer of a copy: height of its top above the plate, layer height (mm), and the number of
    the toolpath's layer; -1 where nothing is laid.

    skipped  whether nothing is laid in it although there is something above it
    """

    top: float
    height: float
    layer: int
    skipped: bool = False


def levels_of(geometry: Geometry, laid: Beads, placement: Placement) -> list[Level]:
    """The layers of one copy, lowest first: those of the toolpath that lay something in its box,
    and where heights are left out in between or above, empty ones."""
    corners = geometry.placed.mesh.vertices
    low, high = corners.min(axis=0)[:2], corners.max(axis=0)[:2]
    middle = placement.to_part((laid.start + laid.end) / 2)
    here = ((middle >= low) & (middle <= high)).all(axis=1) & ~laid.odd
    volume = np.bincount(laid.layer[here], laid.volume[here], len(laid.layer_z))
    raised = placement.raised
    top = geometry.extents[2] + raised
    centre = laid.layer_z - laid.layer_height / 2
    fits = (volume > 0) & (laid.layer_height > 0) & (centre < top) & (centre > raised)
    ends = laid.layer_reach[fits & laid.layer_partial].max(initial=0.0)
    fits &= ~laid.layer_partial
    chosen = _without_overlap(laid, volume, fits)
    if not chosen:
        return []
    usual = float(np.median(laid.layer_height[chosen]))
    levels: list[Level] = []
    reached = raised
    for layer in chosen:
        top_of, height = float(laid.layer_z[layer]), float(laid.layer_height[layer])
        levels += _empty(reached, top_of - height, usual, skipped=True)
        levels.append(Level(top_of, height, layer))
        reached = float(laid.layer_reach[layer])
    return levels + _empty(max(reached, float(ends)), top, usual, skipped=False)


def _without_overlap(laid: Beads, volume: np.ndarray, fits: np.ndarray) -> list[int]:
    """Of layers that overlap in height those in which most is laid here, lowest first."""
    chosen: list[int] = []
    for layer in np.flatnonzero(fits)[np.argsort(-volume[fits], kind="stable")].tolist():
        top, height = laid.layer_z[layer], laid.layer_height[layer]
        beside = [other for other in chosen if abs(laid.layer_z[other] - top) < _REACH]
        if all(
            top - height >= laid.layer_z[other] - _TOUCH
            or top <= laid.layer_z[other] - laid.layer_height[other] + _TOUCH
            for other in beside
        ):
            chosen.append(layer)
    return sorted(chosen, key=lambda layer: float(laid.layer_z[layer]))


def _empty(low: float, high: float, usual: float, *, skipped: bool) -> list[Level]:
    """Empty layers between two heights; a rest of less than half a layer is none."""
    count = int(np.floor((high - low) / usual + 0.5 - 1e-6))
    return [Level(low + usual * (number + 1), usual, -1, skipped) for number in range(count)]
