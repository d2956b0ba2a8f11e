"""The sections of a part: its outlines at mid-height of every layer, as flat arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Sections:
    """Outlines of all layers, in the frame the part is printed in. Lengths in mm.

    Layers with equal outlines share one *distinct section*. Rings are closed; material lies
    to the left of the direction of travel, so outer rings run counter-clockwise.

    heights       (L,) float64: mid-height of each layer, rising
    layer_height  one layer
    distinct      (L,) int32: the distinct section of each layer, -1 where the layer is empty
    points        (V, 2) float64: ring vertices of all distinct sections, ring after ring
    ring_start    (R + 1,) int64: points[ring_start[i]:ring_start[i + 1]] is ring i
    ring_section  (R,) int32: the distinct section of ring i, rising
    slope         (V,) float64: of the surface that the edge from vertex v to the next was cut
                  from: z component over horizontal length of its outward normal
    loose         (K,) int32: layers of which outline is left out because it does not close
    """

    heights: NDArray[np.float64]
    layer_height: float
    distinct: NDArray[np.int32]
    points: NDArray[np.float64]
    ring_start: NDArray[np.int64]
    ring_section: NDArray[np.int32]
    slope: NDArray[np.float64]
    loose: NDArray[np.int32]

    def rings(self, section: int) -> list[NDArray[np.float64]]:
        """The rings, each (n, 2), of one distinct section."""
        low, high = np.searchsorted(self.ring_section, [section, section + 1])
        return [self.points[self.ring_start[i] : self.ring_start[i + 1]] for i in range(low, high)]


def neighbours(ring_start: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Index of the vertex before and after each vertex in its ring."""
    total = int(ring_start[-1])
    before, after = np.arange(-1, total - 1), np.arange(1, total + 1)
    before[ring_start[:-1]] = ring_start[1:] - 1
    after[ring_start[1:] - 1] = ring_start[:-1]
    return before, after


def section_heights(sections: Sections) -> NDArray[np.float64]:
    """(s,) the height of each distinct section, in the lowest layer that has it; mm, rising."""
    before = np.append(-1, sections.distinct[:-1])
    heights: NDArray[np.float64] = sections.heights[
        sections.distinct > np.maximum.accumulate(before)
    ]
    return heights


def ring_areas(sections: Sections) -> NDArray[np.float64]:
    """(R,) the area within each ring, mm²; below 0 where it goes clockwise, round a hole."""
    if not len(sections.points):
        return np.zeros(0)
    x, y = sections.points.T
    _, after = neighbours(sections.ring_start)
    cross = x * y[after] - x[after] * y
    area: NDArray[np.float64] = np.add.reduceat(cross, sections.ring_start[:-1]) / 2
    return area
