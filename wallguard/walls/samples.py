"""Samples of the thickness along all outlines; `places.py` says where they stand."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import rows
from wallguard.walls.chains import FACING
from wallguard.walls.discs import Discs, chosen, together
from wallguard.walls.edges import Edges
from wallguard.walls.effort import Effort
from wallguard.walls.paths import Points, Runs, telling
from wallguard.walls.places import (
    STEP,
    Corners,
    Grouping,
    Outline,
    Places,
    at_corners,
    closer,
    first_places,
    is_blind,
    is_wall,
    ready,
)
from wallguard.walls.runs import between, runs_of
from wallguard.walls.spans import Spans
from wallguard.walls.spans import together as spans_together

__all__ = ["FACING", "Kept", "Layers", "Samples", "Taken", "take_layers", "take_samples"]

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# No more points than this to begin with: on kilometres of outline they stand farther apart.
_MOST = 8_000_000
# A re-entrant vertex gets a sample of its own where the outline turns by more than this; on flatter
# ones the samples on the edges beside it say the same.
_TURN = np.radians(15.0)
# Edges that are looked at together: what bounds the memory; and of which is kept what was asked,
# some 0.2 GB.
_BLOCK, _KEPT = 60_000, 400_000


class Asked(NamedTuple):
    """What is asked of a block of sections whatever ranges of thickness are told apart: the
    outline, discs at its corners, the first points with theirs, and the effort it took."""

    outline: Outline
    vertices: Corners
    places: Places
    discs: Discs
    made: int

    @classmethod
    def of(
        cls,
        edges: Edges,
        largest: float,
        spacing: float,
        effort: Effort,
        *,
        everywhere: bool = False,
    ) -> Asked:
        begun = effort.made
        outline = ready(edges, largest, everywhere, effort)
        # A vertex belongs to the edges at both its sides.
        beside = outline.active | outline.active[edges.before]
        vertices = at_corners(outline, np.flatnonzero((-outline.turn > _TURN) & beside))
        places = first_places(outline, vertices.discs, spacing)
        discs = outline.on(places.edge, places.place)
        return cls(outline, vertices, places, discs, effort.made - begun)

    def again(self, effort: Effort) -> Asked:
        """The same for who has this effort, from which what it took is taken."""
        effort.spend(self.made)
        search = replace(self.outline.search, effort=effort)
        return self._replace(outline=replace(self.outline, search=search))


class Kept:
    """Blocks of sections of one part that were asked, for who asks the same of them with other
    ranges of thickness: as many as memory bears."""

    def __init__(self) -> None:
        self._blocks: dict[tuple[float, float, bytes], Asked] = {}
        self._room = _KEPT

    def asked(self, edges: Edges, largest: float, spacing: float, effort: Effort) -> Asked:
        """What is asked of a block of whole sections, kept."""
        sections = edges.section[np.flatnonzero(np.diff(edges.section, prepend=-1))]
        key = largest, spacing, sections.tobytes()
        if key in self._blocks:
            return self._blocks[key].again(effort)
        asked = Asked.of(edges, largest, spacing, effort)
        self._room -= len(edges.length)
        if self._room >= 0:
            self._blocks[key] = asked
        return asked


class Layers(NamedTuple):
    """The heights of sections (s,), mm, and what is kept of their outlines; None: nothing is."""

    heights: _Floats
    kept: Kept | None = None


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


@dataclass(frozen=True)
class Taken:
    """The samples of all sections but those that `spans` leave out, and what these have: `left`."""

    edges: Edges
    samples: Samples
    spans: Spans
    left: tuple[Points, ...]

    def filled(self, which: _Bools) -> Taken:
        """The same with the samples within those spans (g,) that are not among `which`."""
        wanted = np.zeros(int(self.edges.section[-1]) + 1, bool)
        wanted[self.spans.chosen(~which).between()[1]] = True
        parts, left = [self.samples], []
        for points in self.left:
            out = wanted[self.edges.section[points.edge]]
            parts.append(_of_points(self.edges, points.chosen(np.flatnonzero(out))))
            left.append(points.chosen(np.flatnonzero(~out)))
        samples = _in_order(self.edges, parts)
        return Taken(self.edges, samples, self.spans.chosen(which), tuple(left))


def take_samples(
    edges: Edges,
    largest: float,
    group: Grouping,
    *,
    dense: bool = True,
    everywhere: bool = False,
) -> Samples:
    """Sample the thickness along all edges that can bound a wall, up to `largest` (mm).

    group       numbers the ranges of thickness that are to be told apart
    dense       have points at most 0.5 mm apart on long edges too, for whoever looks at each place
    everywhere  leave no edge and no stretch out, whatever faces it: for tests of what is left out

    Raises TooLargeError where outlines lie so close together that it would take minutes.
    """
    effort = Effort.endless() if everywhere else _effort(edges)
    spacing = max(STEP, float(edges.length.sum()) / _MOST) if dense or everywhere else np.inf
    parts = []
    for low, block in _blocks(edges):
        asked = Asked.of(block, largest, spacing, effort, everywhere=everywhere)
        samples = _sampled(asked, group)
        parts.append((low, samples if dense or everywhere else _told(block, samples, group)))
    return _joined(parts)


def _effort(edges: Edges) -> Effort:
    fullest = int(np.bincount(edges.section).max(initial=0))
    return Effort.of(len(edges.length), fullest)


def take_layers(edges: Edges, largest: float, group: Grouping, layers: Layers) -> Taken:
    """The same, not dense, where few layers are searched of those between which outlines only slide
    (`runs.py`), and those that need no samples have none (`spans.py`).

    Raises TooLargeError where outlines lie so close together that it would take minutes.
    """
    heights, kept = layers
    effort = _effort(edges)

    def searched(some: Edges) -> Samples:
        parts = []
        for low, block in _blocks(some):
            if kept is None:
                asked = Asked.of(block, largest, np.inf, effort)
            else:
                asked = kept.asked(block, largest, np.inf, effort)
            parts.append((low, _told(block, _sampled(asked, group), group)))
        return _joined(parts)

    runs = runs_of(edges, heights)
    if not len(runs.first):
        return Taken(edges, searched(edges), Spans.none(), ())
    return _along_runs(edges, heights, runs, (largest, group), searched)


def _along_runs(
    edges: Edges,
    heights: _Floats,
    runs: Runs,
    asked: tuple[float, Grouping],
    searched: Callable[[Edges], Samples],
) -> Taken:
    """Samples of all sections, where those within runs have what the ends of these tell."""
    open_ = np.zeros(len(heights), bool)
    open_[runs.inner] = True
    parts = _of(edges, ~open_, searched)
    left, spans = [], []
    while len(runs.first):
        ends = np.zeros(len(heights), bool)
        ends[runs.first] = ends[runs.last] = True
        found = between(edges, heights, _points(edges, parts, ends), runs, asked)
        parts.append(_of_points(edges, found.points))
        left.append(found.left)
        spans.append(found.spans)
        open_[runs.chosen(found.good).inner] = False
        open_[found.odd] = True
        runs = runs.chosen(~found.good).halves()
        middles = np.zeros(len(heights), bool)
        middles[runs.first] = middles[runs.last] = True
        middles &= open_
        open_ &= ~middles
        parts += _of(edges, middles, searched)
    parts += _of(edges, open_, searched)
    return Taken(edges, _in_order(edges, parts), spans_together(spans), tuple(left))


def _of_points(edges: Edges, points: Points) -> Samples:
    return _assembled(edges, points.edge, points.place, points.normal, points.discs)


def _in_order(edges: Edges, parts: list[Samples]) -> Samples:
    """The samples of whole sections, section after section."""
    samples = _joined([(0, each) for each in parts])
    return _chosen(samples, np.argsort(edges.section[samples.edge], kind="stable"))


def _told(edges: Edges, samples: Samples, group: Grouping) -> Samples:
    """The samples without those that say nothing their neighbours do not."""
    if not len(samples.edge):
        return samples
    place = samples.at - edges.at[samples.edge]
    points = Points(samples.edge, place, samples.normal, samples.discs, samples.wall)
    number = telling(edges, points, group)
    if len(number) == len(place):
        return samples
    points = points.chosen(number)
    return _assembled(edges, points.edge, points.place, points.normal, points.discs)


def _of(edges: Edges, sections: _Bools, searched: Callable[[Edges], Samples]) -> list[Samples]:
    """The samples of some sections, a mask, by what samples edges; none: an empty list."""
    which = np.flatnonzero(sections[edges.section])
    return [_renumbered(searched(edges.some(which)), which)] if len(which) else []


def _points(edges: Edges, parts: list[Samples], sections: _Bools) -> Points:
    """What is sampled in some sections, a mask, in ring order."""
    some = [_chosen(each, np.flatnonzero(sections[edges.section[each.edge]])) for each in parts]
    samples = _in_order(edges, some)
    place = samples.at - edges.at[samples.edge]
    return Points(samples.edge, place, samples.normal, samples.discs, samples.wall)


def _sampled(asked: Asked, group: Grouping) -> Samples:
    """The samples of one block of sections."""
    outline, vertices = asked.outline, asked.vertices
    edges, turn = outline.edges, outline.turn
    beside = outline.active | outline.active[edges.before]
    owner, along, discs = closer(outline, asked.places, asked.discs, group)
    # Where an outline is rough, only the tips of its bumps touch the wall's own discs.
    blank = np.bincount(owner, is_wall(edges, owner, discs), len(edges.length)) == 0
    bump = (-turn > 1e-3) & (-turn <= _TURN) & blank & blank[edges.before] & beside
    more = at_corners(outline, np.flatnonzero(bump))
    corner = np.concatenate([vertices.corner, more.corner])
    return _assembled(
        edges,
        np.concatenate([owner, corner]),
        np.concatenate([along, np.zeros(len(corner))]),
        np.concatenate([rows(outline.inward, owner), vertices.normal, more.normal]),
        together(discs, vertices.discs, more.discs),
    )


def _assembled(edges: Edges, edge: _Ints, place: _Floats, normal: _Floats, discs: Discs) -> Samples:
    """Samples at places on edges, mm from their starts, 0 at corners; rising along each edge."""
    own = np.flatnonzero((place > 0) & ~is_blind(edges, edge, discs))
    ahead, share = np.zeros((2, len(edge)))
    ahead[own], share[own] = _shares(edges, edge[own], place[own])
    at = edges.at[edge] + place
    # Rings one after the other, a little apart: what is nearly in order is sorted in little time.
    perimeter = np.bincount(edges.ring, edges.length + 1.0, len(edges.round_ring))
    order = np.argsort((np.cumsum(perimeter) - perimeter)[edges.ring[edge]] + at, kind="stable")
    edge, place, discs = edge[order], place[order], chosen(discs, order)
    return Samples(
        edge=edge,
        at=at[order],
        share=share[order],
        ahead=ahead[order],
        point=rows(edges.start, edge) + place[:, None] * rows(edges.along, edge),
        normal=rows(normal, order),
        discs=discs,
        wall=is_wall(edges, edge, discs),
    )


def _renumbered(samples: Samples, number: _Ints) -> Samples:
    """Samples on edges that have these numbers among all."""
    held = samples.discs.edge
    held = np.where(held >= 0, number[np.maximum(held, 0)], -1)
    return replace(samples, edge=number[samples.edge], discs=replace(samples.discs, edge=held))


def _chosen(samples: Samples, which: _Ints) -> Samples:
    return Samples(
        edge=samples.edge[which],
        at=samples.at[which],
        share=samples.share[which],
        ahead=samples.ahead[which],
        point=rows(samples.point, which),
        normal=rows(samples.normal, which),
        discs=chosen(samples.discs, which),
        wall=samples.wall[which],
    )


def _blocks(edges: Edges) -> Iterator[tuple[int, Edges]]:
    """Blocks of whole sections, and the number of the first edge of each."""
    section = edges.section
    begins = np.flatnonzero(np.append(True, section[1:] != section[:-1]))
    block = begins // _BLOCK
    chosen = begins[np.append(True, block[1:] != block[:-1])].tolist()
    for low, high in itertools.pairwise([*chosen, len(section)]):
        yield low, edges.some(np.arange(low, high))


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
