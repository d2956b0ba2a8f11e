"""Samples of the thickness along all outlines; `places.py` says where they stand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.walls.chains import FACING
from wallguard.walls.discs import Discs, chosen, together
from wallguard.walls.edges import Edges
from wallguard.walls.places import (
    STEP,
    Grouping,
    Outline,
    at_corners,
    closer,
    first_places,
    is_blind,
    is_wall,
    ready,
)

__all__ = ["FACING", "Samples", "take_samples"]

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# No more points than this to begin with: on kilometres of outline they stand farther apart.
_MOST = 8_000_000
# A re-entrant vertex gets a sample of its own where the outline turns by more than this; on flatter
# ones the samples on the edges beside it say the same.
_TURN = np.radians(15.0)
# Edges that are looked at together: what bounds the memory.
_BLOCK = 60_000


@dataclass(frozen=True)
class Samples:
    """Points on the outlines with the largest disc that touches there, in ring order. mm.

    edge     (n,) the edge the point lies on
    at       (n,) how far along the ring
    share    (n,) length of the piece of outline it stands for; 0 for a vertex
    ahead    (n,) how much of that lies ahead of it along the ring
    point, normal  (n, 2)
    discs    one for each
    wall     (n,) whether the disc lies between two facing boundaries
    """

    edge: _Ints
    at: _Floats
    share: _Floats
    ahead: _Floats
    point: _Floats
    normal: _Floats
    discs: Discs
    wall: _Bools

    @property
    def thickness(self) -> _Floats:
        """(n,) diameter of each disc, inf where it is larger than was asked for."""
        return 2 * self.discs.radius

    @property
    def centre(self) -> _Floats:
        """(n, 2) centre of each disc; meaningful where its radius is finite."""
        radius = np.where(np.isfinite(self.discs.radius), self.discs.radius, 0.0)
        return self.point + radius[:, None] * self.normal


def take_samples(
    edges: Edges, largest: float, group: Grouping, *, dense: bool = True, everywhere: bool = False
) -> Samples:
    """Sample the thickness along all edges that can bound a wall, up to `largest` (mm).

    group       numbers the ranges of thickness that are to be told apart
    dense       have points at most 0.5 mm apart on long edges too, for whoever looks at each place
    everywhere  leave no edge and no stretch out, whatever faces it: for tests of what is left out

    Raises TooLargeError where outlines lie so close together that it would take minutes.
    """
    spacing = max(STEP, float(edges.length.sum()) / _MOST) if dense or everywhere else np.inf
    bounds = _blocks(edges)
    parts = []
    for low, high in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        outline = ready(_some(edges, low, high), largest, everywhere)
        parts.append((low, _sampled(outline, spacing, group)))
    return _joined(parts)


def _sampled(outline: Outline, spacing: float, group: Grouping) -> Samples:
    """The samples of one block of sections."""
    edges, turn = outline.edges, outline.turn
    # A vertex belongs to the edges at both its sides.
    beside = outline.active | outline.active[edges.before]
    vertices = at_corners(outline, np.flatnonzero((-turn > _TURN) & beside))
    places = first_places(outline, vertices.discs, spacing)
    owner, along, discs = closer(outline, places, group)
    seen = np.flatnonzero(~is_blind(edges, owner, discs))
    # Where an outline is rough, only the tips of its bumps touch the wall's own discs.
    blank = np.bincount(owner, is_wall(edges, owner, discs), len(edges.length)) == 0
    bump = (-turn > 1e-3) & (-turn <= _TURN) & blank & blank[edges.before] & beside
    more = at_corners(outline, np.flatnonzero(bump))
    corner = np.concatenate([vertices.corner, more.corner])
    edge = np.concatenate([owner, corner])
    place = np.concatenate([along, np.zeros(len(corner))])
    at = edges.at[edge] + place
    order = np.lexsort((at, edges.ring[edge]))
    discs = chosen(together(discs, vertices.discs, more.discs), order)
    normal = np.concatenate([outline.inward[owner], vertices.normal, more.normal])
    ahead, share = np.zeros((2, len(owner)))
    ahead[seen], share[seen] = _shares(edges, owner[seen], along[seen])
    none = np.zeros(len(corner))
    point = edges.start[edge] + place[:, None] * edges.along[edge]
    edge = edge[order]
    return Samples(
        edge=edge,
        at=at[order],
        share=np.concatenate([share, none])[order],
        ahead=np.concatenate([ahead, none])[order],
        point=point[order],
        normal=normal[order],
        discs=discs,
        wall=is_wall(edges, edge, discs),
    )


def _blocks(edges: Edges) -> _Ints:
    """Where blocks of whole sections begin and end."""
    section = edges.section
    begins = np.flatnonzero(np.append(True, section[1:] != section[:-1]))
    block = begins // _BLOCK
    chosen = begins[np.append(True, block[1:] != block[:-1])]
    return np.append(chosen, len(section))


def _some(edges: Edges, low: int, high: int) -> Edges:
    """Edges low to high - 1, whole rings, numbered from 0; rings keep their numbers."""
    some = slice(low, high)
    return Edges(
        start=edges.start[some],
        along=edges.along[some],
        length=edges.length[some],
        section=edges.section[some],
        ring=edges.ring[some],
        before=edges.before[some] - low,
        at=edges.at[some],
        round_ring=edges.round_ring,
        lean=edges.lean[some],
    )


def _joined(parts: list[tuple[int, Samples]]) -> Samples:
    every = [samples for _, samples in parts]

    held = np.concatenate(
        [np.where(each.discs.edge >= 0, each.discs.edge + low, -1) for low, each in parts]
    )
    return Samples(
        edge=np.concatenate([each.edge + low for low, each in parts]),
        at=np.concatenate([each.at for each in every]),
        share=np.concatenate([each.share for each in every]),
        ahead=np.concatenate([each.ahead for each in every]),
        point=np.concatenate([each.point for each in every]),
        normal=np.concatenate([each.normal for each in every]),
        discs=Discs(
            np.concatenate([each.discs.radius for each in every]),
            np.concatenate([each.discs.contact for each in every]),
            held,
            np.concatenate([each.discs.facing for each in every]),
        ),
        wall=np.concatenate([each.wall for each in every]),
    )


def _shares(edges: Edges, edge: _Ints, place: _Floats) -> tuple[_Floats, _Floats]:
    """The piece of edge that is nearer to each sample than to the others on it: how much of it
    lies ahead, and its length."""
    if not len(edge):
        return np.zeros(0), np.zeros(0)
    same = edge[1:] == edge[:-1]
    between = (place[1:] + place[:-1]) / 2
    low = np.concatenate([[0.0], np.where(same, between, 0.0)])
    high = np.concatenate(
        [np.where(same, between, edges.length[edge[:-1]]), edges.length[edge[-1:]]]
    )
    return high - place, high - low
