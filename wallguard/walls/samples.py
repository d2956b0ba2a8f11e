"""Where the thickness is asked: points along the outlines, set closer where something changes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges
from wallguard.walls.discs import Discs, Search, largest_discs
from wallguard.walls.edges import Edges

# Two boundaries face each other when their outward normals are at least 140 degrees apart: then a
# wedge of up to 40 degrees is a tapering wall, and a corner of 45 degrees or more is a corner.
FACING = -float(np.cos(np.radians(40.0)))
_STEP = 0.5
# No more samples than this to begin with: on kilometres of outline they stand farther apart.
_MOST = 8_000_000
_ROUNDS = 6
# Right at a knife edge, so that a taper is followed to its end.
_INSET = 0.005
# A re-entrant vertex gets a sample of its own where the outline turns by more than this; on flatter
# ones the samples on the edges beside it say the same.
_TURN = np.radians(15.0)
_SPREAD = np.radians(20.0)


@dataclass(frozen=True)
class Samples:
    """Points on the outlines with the largest disc that touches there, in ring order. mm.

    edge     (n,) the edge the point lies on
    at       (n,) how far along the ring
    share    (n,) the piece of outline it stands for; 0 for a vertex
    point, normal  (n, 2)
    discs    one for each
    wall     (n,) whether the disc lies between two facing boundaries
    """

    edge: NDArray[np.int64]
    at: NDArray[np.float64]
    share: NDArray[np.float64]
    point: NDArray[np.float64]
    normal: NDArray[np.float64]
    discs: Discs
    wall: NDArray[np.bool_]

    @property
    def thickness(self) -> NDArray[np.float64]:
        """(n,) diameter of each disc, inf where it is larger than was asked for."""
        return 2 * self.discs.radius

    @property
    def centre(self) -> NDArray[np.float64]:
        """(n, 2) centre of each disc; meaningful where its radius is finite."""
        radius = np.where(np.isfinite(self.discs.radius), self.discs.radius, 0.0)
        return self.point + radius[:, None] * self.normal


def take_samples(
    edges: Edges, largest: float, group: Callable[[NDArray[np.float64]], NDArray[np.int64]]
) -> Samples:
    """Sample the thickness along all edges, up to `largest` (mm).

    group numbers the ranges of thickness that are to be told apart; the points are set closer
    (0.5 mm halved six times) where that number or the facing of the boundaries changes.
    """
    search = Search(edges, largest / 2)

    def ask(
        edge: NDArray[np.int64], point: NDArray[np.float64], normal: NDArray[np.float64]
    ) -> Discs:
        return largest_discs(search, edges.section[edge], point, normal, edges.lean[edge])

    inward = edges.inward
    turn = -_turns(edges)
    corner, toward, corner_discs = _at_corners(edges, np.flatnonzero(turn > _TURN), ask)
    edge, place = _first_places(edges, corner_discs)
    discs = ask(edge, edges.start[edge] + place[:, None] * edges.along[edge], inward[edge])
    for _ in range(_ROUNDS):
        wall = _is_wall(edges, edge, discs)
        kind = np.where(wall, group(2 * discs.radius), -1)
        # Between two discs that are held by different edges a short wall may lie.
        held = np.where(wall, -1, discs.edge)
        unlike = (kind[1:] != kind[:-1]) | (held[1:] != held[:-1])
        split = np.flatnonzero((edge[1:] == edge[:-1]) & unlike)
        split = split[place[split + 1] - place[split] > 2 * _INSET]
        if not len(split):
            break
        middle = (place[split] + place[split + 1]) / 2
        owner = edge[split]
        more = ask(owner, edges.start[owner] + middle[:, None] * edges.along[owner], inward[owner])
        edge, place = np.insert(edge, split + 1, owner), np.insert(place, split + 1, middle)
        discs = _insert(discs, split + 1, more)

    # Where an outline is rough, only the tips of its bumps touch the wall's own discs.
    blank = np.bincount(edge, _is_wall(edges, edge, discs), len(edges.length)) == 0
    bump = np.flatnonzero((turn > 1e-3) & (turn <= _TURN) & blank & blank[edges.before])
    if len(bump):
        bump, more_toward, more_discs = _at_corners(edges, bump, ask)
        corner = np.concatenate([corner, bump])
        toward = np.concatenate([toward, more_toward])
        corner_discs = _insert(corner_discs, np.full(len(bump), len(corner_discs.edge)), more_discs)

    share = _shares(edges, edge, place)
    point = edges.start[edge] + place[:, None] * edges.along[edge]
    normal = inward[edge]
    at = edges.at[edge] + place
    if len(corner):
        edge = np.concatenate([edge, corner])
        at = np.concatenate([at, edges.at[corner]])
        share = np.concatenate([share, np.zeros(len(corner))])
        point = np.concatenate([point, edges.start[corner]])
        normal = np.concatenate([normal, toward])
        discs = _insert(discs, np.full(len(corner), len(discs.edge)), corner_discs)
    order = np.lexsort((at, edges.ring[edge]))
    edge = edge[order]
    discs = Discs(discs.radius[order], discs.contact[order], discs.edge[order], discs.facing[order])
    return Samples(
        edge=edge,
        at=at[order],
        share=share[order],
        point=point[order],
        normal=normal[order],
        discs=discs,
        wall=_is_wall(edges, edge, discs),
    )


def _is_wall(edges: Edges, edge: NDArray[np.int64], discs: Discs) -> NDArray[np.bool_]:
    """Facing boundaries, save a circle's with itself: that is a pin or a hole, not a wall."""
    ring = edges.ring[edge]
    other = edges.ring[np.maximum(discs.edge, 0)]
    itself = (ring == other) & edges.round_ring[ring] & (discs.edge >= 0)
    wall: NDArray[np.bool_] = (discs.facing <= FACING) & ~itself
    return wall


def _insert(discs: Discs, at: NDArray[np.int64], more: Discs) -> Discs:
    return Discs(
        np.insert(discs.radius, at, more.radius),
        np.insert(discs.contact, at, more.contact, axis=0),
        np.insert(discs.edge, at, more.edge),
        np.insert(discs.facing, at, more.facing),
    )


def _first_places(edges: Edges, corners: Discs) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """At most 0.5 mm apart along every edge, right beside knife edges, and across from corners."""
    step = max(_STEP, float(edges.length.sum()) / _MOST)
    count = np.ceil(edges.length / step).astype(np.int64)
    count += 1 - count % 2  # odd: the middle of a side is where a square or a hexagon is widest
    count[edges.length <= 1.5 * step] = 1
    edge, local = ranges(0, count)
    place = (local + 0.5) * (edges.length / count)[edge]
    knife = _turns(edges) > np.pi - np.arccos(-FACING)
    begins = np.flatnonzero(knife & (edges.length > 4 * _INSET))
    ends = edges.before[np.flatnonzero(knife)]
    ends = ends[edges.length[ends] > 4 * _INSET]
    faced = np.flatnonzero(corners.facing <= FACING)
    across = corners.edge[faced]
    reach = ((corners.contact[faced] - edges.start[across]) * edges.along[across]).sum(axis=1)
    inner = (reach > _INSET) & (reach < edges.length[across] - _INSET)
    if len(begins) or len(ends) or inner.any():
        edge = np.concatenate([edge, begins, ends, across[inner]])
        place = np.concatenate(
            [place, np.full(len(begins), _INSET), edges.length[ends] - _INSET, reach[inner]]
        )
        order = np.lexsort((place, edge))
        edge, place = edge[order], place[order]
        again = (np.diff(edge, prepend=-1) == 0) & (np.diff(place, prepend=-1.0) < 1e-6)
        edge, place = edge[~again], place[~again]
    return edge, place


def _turns(edges: Edges) -> NDArray[np.float64]:
    """(n,) how far the outline turns left at each edge's start, radians; negative: re-entrant."""
    ahead, behind = edges.along, edges.along[edges.before]
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    dot = (behind * ahead).sum(axis=1)
    turn: NDArray[np.float64] = np.arctan2(cross, dot)
    return turn


def _at_corners(
    edges: Edges,
    corner: NDArray[np.int64],
    ask: Callable[[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]], Discs],
) -> tuple[NDArray[np.int64], NDArray[np.float64], Discs]:
    """At a re-entrant vertex the outline has a cone of normals, and may bound a wall in several
    of them: start in directions at most 20 degrees apart, and turn each to the narrowest.

    A disc through the vertex is narrowest where the contact lies straight across, so the normal
    is turned toward the contact until it stays. Returns the vertex of each disc, its normal, and
    the discs.
    """
    inward = edges.inward
    turn = -_turns(edges)[corner]
    starts = np.ceil(turn / _SPREAD).astype(np.int64) + 1
    which, local = ranges(0, starts)
    angle = (turn / (starts - 1))[which] * local
    corner = corner[which]
    first, last = inward[edges.before[corner]], inward[corner]
    # The outline turns to the right here, and so do its normals.
    cosine, sine = np.cos(angle), np.sin(angle)
    normal = np.column_stack(
        [first[:, 0] * cosine + first[:, 1] * sine, first[:, 1] * cosine - first[:, 0] * sine]
    )
    point = edges.start[corner]
    discs = ask(corner, point, normal)
    open_ = np.arange(len(corner))
    for _ in range(3):
        open_ = open_[np.isfinite(discs.radius[open_])]
        toward = discs.contact[open_] - point[open_]
        toward /= np.maximum(np.linalg.norm(toward, axis=1), 1e-12)[:, None]
        one, other = first[open_], last[open_]
        past_one = one[:, 0] * toward[:, 1] - one[:, 1] * toward[:, 0] > 0
        past_other = toward[:, 0] * other[:, 1] - toward[:, 1] * other[:, 0] > 0
        toward = np.where(past_one[:, None], one, np.where(past_other[:, None], other, toward))
        moved = (toward * normal[open_]).sum(axis=1) < 1 - 1e-6
        open_, toward = open_[moved], toward[moved]
        if not len(open_):
            break
        turned = ask(corner[open_], point[open_], toward)
        narrower = turned.radius < discs.radius[open_]
        open_ = open_[narrower]
        normal[open_] = toward[narrower]
        discs.radius[open_] = turned.radius[narrower]
        discs.contact[open_] = turned.contact[narrower]
        discs.edge[open_] = turned.edge[narrower]
        discs.facing[open_] = turned.facing[narrower]
    order = np.lexsort((np.round((normal * last).sum(axis=1), 4), corner))
    again = np.diff(corner[order], prepend=-1) == 0
    again &= np.append(False, np.linalg.norm(np.diff(normal[order], axis=0), axis=1) < 1e-3)
    keep = order[~again]
    return (
        corner[keep],
        normal[keep],
        Discs(discs.radius[keep], discs.contact[keep], discs.edge[keep], discs.facing[keep]),
    )


def _shares(
    edges: Edges, edge: NDArray[np.int64], place: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The piece of edge that is nearer to each sample than to the others on it."""
    same = edge[1:] == edge[:-1]
    between = (place[1:] + place[:-1]) / 2
    low = np.concatenate([[0.0], np.where(same, between, 0.0)])
    high = np.concatenate(
        [np.where(same, between, edges.length[edge[:-1]]), edges.length[edge[-1:]]]
    )
    share: NDArray[np.float64] = high - low
    return share
