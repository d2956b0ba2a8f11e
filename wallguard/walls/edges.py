"""Section outlines as single edges: what the disc and gap searches run on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import columns, rows
from wallguard.sections.sections import Sections, neighbours


@dataclass(frozen=True)
class Edges:
    """Straight edges of all distinct sections; the searched side lies to their left. Lengths in mm.

    start      (n, 2) where the edge begins; it ends at `start + length * along`
    along      (n, 2) unit vector from start to end
    length     (n,)
    section    (n,) distinct section
    ring       (n,) ring the edge belongs to
    before     (n,) the edge that ends where this one begins
    at         (n,) how far along its ring the edge begins
    round_ring (r,) for every ring, whether it is a circle as far as its shape tells
    lean       (n, 2) cosine and sine of the surface's lean: the outward normal in space is
               (cosine * outward normal in the plane, sine)
    """

    start: NDArray[np.float64]
    along: NDArray[np.float64]
    length: NDArray[np.float64]
    section: NDArray[np.int32]
    ring: NDArray[np.int32]
    before: NDArray[np.int64]
    at: NDArray[np.float64]
    round_ring: NDArray[np.bool_]
    lean: NDArray[np.float64]

    @cached_property
    def segment(self) -> NDArray[np.float64]:
        """(4, n) start and along."""
        return columns(self.start, self.along)

    def some(self, which: NDArray[np.int64]) -> Edges:
        """Those with the numbers `which` (m,), rising: whole rings, which keep their numbers."""
        return Edges(
            start=rows(self.start, which),
            along=rows(self.along, which),
            length=self.length[which],
            section=self.section[which],
            ring=self.ring[which],
            before=np.searchsorted(which, self.before[which]),
            at=self.at[which],
            round_ring=self.round_ring,
            lean=rows(self.lean, which),
        )

    @cached_property
    def after(self) -> NDArray[np.int64]:
        """(n,) the edge that begins where this one ends."""
        after = np.empty(len(self.before), np.int64)
        after[self.before] = np.arange(len(self.before))
        return after

    @property
    def inward(self) -> NDArray[np.float64]:
        """(n, 2) unit normal of each edge to the searched side."""
        return np.column_stack([-self.along[:, 1], self.along[:, 0]])


# Isoperimetric quotient 4 pi A / P^2 of a regular polygon with n sides: (pi / n) / tan(pi / n);
# 0.948 with eight sides, 0.907 with six. From here on an outline counts as a circle.
_ROUND = 0.94


def material_edges(sections: Sections) -> Edges:
    """The edges with the material on their left: for walls."""
    before, after = neighbours(sections.ring_start)
    return _edges(sections, sections.points, rows(sections.points, after), before, sections.slope)


def air_edges(sections: Sections) -> Edges:
    """The same edges turned round, with the air on their left: for gaps."""
    _, after = neighbours(sections.ring_start)
    return _edges(sections, rows(sections.points, after), sections.points, after, -sections.slope)


def _edges(
    sections: Sections,
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    before: NDArray[np.int64],
    slope: NDArray[np.float64],
) -> Edges:
    chord = end - start
    length = np.hypot(chord[:, 0], chord[:, 1])
    first, last = sections.ring_start[:-1], sections.ring_start[1:]
    ring = np.repeat(np.arange(len(first), dtype=np.int32), last - first)
    travelled = np.concatenate([[0.0], np.cumsum(length)])
    perimeter = travelled[last] - travelled[first]
    if len(before) > 1 and before[1] == 0:
        at = travelled[:-1] - travelled[first][ring]
    else:
        at = travelled[last][ring] - travelled[1:]
    doubled = np.concatenate([[0.0], np.cumsum(start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0])])
    area = np.abs(doubled[last] - doubled[first]) / 2
    cosine = 1 / np.sqrt(1 + slope**2)
    return Edges(
        start=start,
        along=chord / np.maximum(length, 1e-12)[:, None],
        length=length,
        section=sections.ring_section[ring],
        ring=ring,
        before=before,
        at=at,
        round_ring=4 * np.pi * area >= _ROUND * perimeter**2,
        lean=np.column_stack([cosine, slope * cosine]),
    )
