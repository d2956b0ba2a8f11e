"""Slabs: layers that follow each other and are drawn and laid alike; what is laid alike elsewhere.

    layer 6  B      slabs: 0-2 (A), 3 (B), 4 (A), 5-6 (B)
    layer 5  B      measured are slabs 0 and 3; slab 4 is like 0, slab 5 is like 3
    layer 4  A
    layer 3  B
    layer 0-2  A

Upright walls are laid alike in hundreds of layers, a fill in every second one. Each is measured
once.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.part.geometry import Geometry
from wallguard.toolpath.across import Across, Plate, Voids
from wallguard.toolpath.outcome import Stops

# Strands are alike where ends and widths agree to this, mm: files have three decimals, and
# positions of the filament five.
_ALIKE = 0.004
# Beads so far around the part matter, mm: those of a wall reach no further.
_AROUND = 2.0
# Slabs before one that it is compared with: fills repeat after two, three or four layers.
_BACK = 4

_Ints = NDArray[np.int64]


class _Strands(NamedTuple):
    start: NDArray[np.float64]
    end: NDArray[np.float64]
    width: NDArray[np.float64]


class Slabs(NamedTuple):
    """For each layer (L,): the first layer of its slab, how many layers that has, and the first
    layer of the first slab that is laid as it is."""

    first: _Ints
    layers: _Ints
    like: _Ints

    def copied(
        self, level: _Ints, across: Across, voids: Voids, stops: Stops
    ) -> tuple[Across, Voids, Stops]:
        """What was measured on the lines of slabs that are like no earlier one, for all lines.

        level  (n,) of all lines, rising: the first layer of their slab
        """
        known = np.unique(level)
        begin = np.searchsorted(level, known)
        size = np.diff(np.append(begin, len(level)))
        measured = self.like[known] == known
        at = dict(zip(known[measured].tolist(), np.cumsum(size[measured]).tolist(), strict=True))
        source = np.empty(len(level), np.int64)
        void_line, void_from, stop_line, stop_from = [], [], [], []
        for head, low, count in zip(known.tolist(), begin.tolist(), size.tolist(), strict=True):
            last = at[int(self.like[head])]
            first = last - count
            source[low : low + count] = np.arange(first, last)
            some = slice(*np.searchsorted(voids.line, [first, last]).tolist())
            void_line.append(voids.line[some] - first + low)
            void_from.append(np.arange(some.start, some.stop))
            some = slice(*np.searchsorted(stops.line, [first, last]).tolist())
            stop_line.append(stops.line[some] - first + low)
            stop_from.append(np.arange(some.start, some.stop))
        void, stop = np.concatenate(void_from), np.concatenate(stop_from)
        return (
            across.some(source),
            Voids(np.concatenate(void_line), voids.low[void], voids.high[void]),
            Stops(np.concatenate(stop_line), stops.across.some(stop)),
        )


def find_slabs(geometry: Geometry, plate: Plate, distinct: NDArray[np.int32]) -> Slabs:
    """The slabs of a copy. distinct  (L,) the section of each layer."""
    laid, placement = plate.laid, plate.placement
    corners = geometry.placed.mesh.vertices[:, :2]
    low, high = corners.min(axis=0) - _AROUND, corners.max(axis=0) + _AROUND
    middle = placement.to_part((laid.start + laid.end) / 2)
    here = ((middle >= low) & (middle <= high)).all(axis=1)
    count = len(plate.levels)
    first, like = np.arange(count), np.arange(count)
    heads: list[tuple[int, _Strands]] = []
    for index, level in enumerate(plate.levels):
        chosen = laid.in_layer(level.layer) if level.layer >= 0 else np.zeros(0, np.int64)
        chosen = chosen[here[chosen]]
        own = _Strands(laid.start[chosen], laid.end[chosen], laid.width[chosen])
        for back, (head, strands) in enumerate(reversed(heads[-_BACK:])):
            if distinct[head] == distinct[index] and _same(own, strands):
                like[index] = like[head]
                # Only what follows without a break is one slab.
                if back == 0:
                    first[index] = head
                break
        if first[index] == index:
            heads.append((index, own))
    like = like[first]
    size = np.bincount(first, minlength=count)
    return Slabs(first, size[first], like)


def _same(one: _Strands, other: _Strands) -> bool:
    if len(one.width) != len(other.width):
        return False
    return all(bool((np.abs(a - b) <= _ALIKE).all()) for a, b in zip(one, other, strict=True))
