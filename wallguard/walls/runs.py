r"""Runs: layers between which outlines only slide, and what the layers at their ends tell of them.

Between two heights at which the mesh has vertices every edge of a section keeps its direction, and
every point of it moves straight:

      last   o--------------------o     an edge, and a place on it, in the highest layer of a run
             /  .                  \
            /    .  a path          \   in the layers between it is where the straight line through
           /      .                  \  both places meets them
    first o--------o------------------o

Only the two layers at the ends of a run are sampled as any other. Samples there that follow each
other on an edge and tell the same make a stretch; a stretch is known by its ends and by what is
thinnest and thickest in it. If both layers have the same stretches in the same order, then each of
these samples has a path, and the layers between have their samples where the paths meet them.

What may be left out there, and why:

    places     Where samples are needed moves straight: the ends of what others face, what lies
               straight across from a corner. So a path leads from the one place to the other. A
               pair of chains that may bound a wall on the way must be one at both ends
               (`chains.newly_near`): else the layers are sampled as any other.
    discs      At a point p with the normal n that slides straight, the disc that reaches a point q
               of another face has the radius |q - p|^2 / (2 n.(q - p)). That is a square over
               something straight, so it is convex in q - p; and as q - p moves straight with
               height and along the face, which is flat, the least of it over the edge is convex in
               height: on the way it is no larger than the straight line between its values at the
               ends. That bounds the disc, and what it might touch: no edge lies near it that does
               not meet the box round the discs at the ends; and an edge whose own line cannot be
               reached at either end is not reached between, as the radius at which a line is
               reached moves straight. What is left is asked: a few edges a path.
    divisions  The outcome of each sample is reckoned in each layer, not interpolated. Where one is
               not what its path says it is, a wall, an end or a range of thickness has moved other
               than straight, and the layer is sampled as any other.

So a skipped layer has the samples that matter, each as exact as any.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct, dot, ranges, rows
from wallguard.walls.boxes import Boxes, meetings
from wallguard.walls.chains import chain_length, chains_of, newly_near, turns
from wallguard.walls.discs import TIE, Discs, among, chosen, together
from wallguard.walls.edges import Edges
from wallguard.walls.places import is_blind, is_wall

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]
Grouping = Callable[[_Floats], _Ints]

# Outlines slide where no point leaves its straight way by more than this (mm), and no surface turns
# by more (sine): what rounding and the thinning of straight outlines leave.
_STRAIGHT, _SAME = 1e-5, 1e-5
# So many layers are at most spanned at once, and no fewer.
_MOST, _LEAST = 24, 4
# Places and what they may touch that are looked at together: what bounds the memory.
_AT_ONCE = 400_000
# What is thinnest within a stretch, or off the line between what is kept of it, is kept where that
# makes more than this (mm, of the radius).
_EXACT = 1e-4
# And so is every sample, but for those that differ by rounding.
_EQUAL = 1e-8
# Fewer samples than this on an edge are all kept.
_FEW = 4
# Bounds are wider by this, so that rounding decides nothing (mm).
_SLACK = 5e-5


class Runs(NamedTuple):
    """Runs of sections that slide, (k,) each: the numbers of the first and of the last."""

    first: _Ints
    last: _Ints

    @property
    def inner(self) -> _Ints:
        """The sections between."""
        return ranges(self.first + 1, self.last - self.first - 1)[1]

    def chosen(self, which: _Bools) -> Runs:
        return Runs(self.first[which], self.last[which])

    def halves(self) -> Runs:
        """Each cut in two, where the halves are worth it."""
        middle = (self.first + self.last) // 2
        first, last = np.append(self.first, middle), np.append(middle, self.last)
        order = np.argsort(first)
        return Runs(first[order], last[order]).chosen((last - first)[order] >= _LEAST)


@dataclass(frozen=True)
class Points:
    """Points of the outlines with their discs, in ring order: the edge each lies on, its place (mm
    from the edge's start; 0: the corner there), the normal (n, 2), and what the disc is."""

    edge: _Ints
    place: _Floats
    normal: _Floats
    discs: Discs
    wall: _Bools

    def chosen(self, which: _Ints) -> Points:
        return Points(
            self.edge[which],
            self.place[which],
            rows(self.normal, which),
            chosen(self.discs, which),
            self.wall[which],
        )


def starts_of(edges: Edges, count: int) -> _Ints:
    """(count + 1,) where the edges of each section begin."""
    return np.searchsorted(edges.section, np.arange(count + 1))


def runs_of(edges: Edges, heights: _Floats) -> Runs:
    """The runs of sections at `heights` (s,), mm, that are worth the name."""
    begin = starts_of(edges, len(heights))
    size = np.diff(begin)
    alike = np.flatnonzero((size[:-1] == size[1:]) & (size[:-1] > 0))
    none = np.zeros(0, np.int64)
    if len(alike) < _LEAST:
        return Runs(none, none)
    owner, low = ranges(begin[alike], size[alike])
    high = low + size[alike][owner]
    ring = edges.ring.astype(np.int64)
    same = ring[low] - ring[begin[alike]][owner] == ring[high] - ring[begin[alike + 1]][owner]
    same &= _farthest(rows(edges.lean, low) - rows(edges.lean, high)) <= _SAME
    one, other = rows(edges.along, low), rows(edges.along, high)
    turned = np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])
    same &= (turned * edges.length[low] <= _STRAIGHT) & (dot(one, other) > 0)
    step = np.diff(heights)[alike]
    rate = (rows(edges.start, high) - rows(edges.start, low)) / step[owner][:, None]
    offset = np.cumsum(size[alike]) - size[alike]
    same = np.logical_and.reduceat(same, offset)
    # From the pair of sections s, s + 1 to the pair s + 1, s + 2.
    on = np.flatnonzero((np.diff(alike) == 1) & same[:-1] & same[1:])
    owner, low = ranges(offset[on], size[alike[on]])
    high = low + size[alike[on]][owner]
    bend = _farthest(rows(rate, low) - rows(rate, high)) * step[on][owner]
    goes_on = np.zeros(len(alike), bool)
    if len(on):
        goes_on[on] = np.logical_and.reduceat(
            bend <= _STRAIGHT, np.cumsum(size[alike[on]]) - size[alike[on]]
        )
    begins = np.flatnonzero(same & ~np.append(False, goes_on[:-1]))
    ends = np.flatnonzero(same & ~goes_on)
    first, last = alike[begins], alike[ends] + 1
    parts = -(-(last - first) // _MOST)
    which, part = ranges(0, parts)
    span, parts = (last - first)[which], parts[which]
    runs = Runs(first[which] + span * part // parts, first[which] + span * (part + 1) // parts)
    return runs.chosen(runs.last - runs.first >= _LEAST)


def _farthest(steps: _Floats) -> _Floats:
    """(n,) the greater of both columns of an array (n, 2), whatever way they go."""
    farthest: _Floats = np.maximum(*np.abs(steps).T)
    return farthest


def unchanged(edges: Edges, begin: _Ints, runs: Runs, largest: float) -> _Bools:
    """(k,) whether in each run no chains may bound a wall up to `largest` (mm) that may not do so
    at both ends of it."""
    if not len(runs.first):
        return np.zeros(0, bool)
    step, chains = chain_length(largest), None
    both = []
    for section in runs:
        some = edges.some(ranges(begin[section], begin[section + 1] - begin[section])[1])
        chains = chains_of(some, turns(some), step, chains)
        both.append(chains)
    changed = np.zeros(len(begin), bool)
    changed[newly_near(both[0], both[1], largest)] = True
    return ~changed[runs.first]


class _Told(NamedTuple):
    """Samples that tell all of their stretches, in ring order: the number of each among all, and
    what it is, (n, 6): the edge within the section, whether it is a corner, the edge within the
    section that holds its disc (-1 where it is on no wall), its range of thickness (-1: no wall),
    whether it says nothing of the wall, and what it is in its stretch."""

    number: _Ints
    what: _Ints


def _told(edges: Edges, begin: _Ints, points: Points, group: Grouping, exact: float) -> _Told:
    """What tells all of the points, where what makes no more than `exact` (mm, of the radius)
    counts for nothing."""
    section = begin[edges.section[points.edge]]
    held, kind, blind = _outcome(edges, begin, points, group)
    corner = points.place == 0
    what = np.column_stack([points.edge - section, corner, held, kind, blind])
    if not len(what):
        return _Told(held, np.zeros((0, 6), np.int64))
    fresh = np.append(True, (what[1:] != what[:-1]).any(axis=1) | corner[1:])
    fresh[1:] |= points.edge[1:] != points.edge[:-1]
    first = np.flatnonzero(fresh)
    last = np.append(first[1:], len(corner)) - 1
    role = np.full(len(corner), -1)
    role[first] = role[last] = 0
    inner = (last - first > 1) & points.wall[first]
    _shape(points, first[inner], last[inner], role, exact)
    _thinnest(edges, points, (first[inner], last[inner]), role, exact)
    number = np.flatnonzero(role >= 0)
    return _Told(number, np.column_stack([what[number], role[number]]))


def telling(edges: Edges, points: Points, group: Grouping) -> _Ints:
    """The numbers of the points, in ring order, that tell all of their stretches; the rest lie
    between these and say nothing new."""
    count = np.bincount(points.edge, minlength=len(edges.length))
    many = np.flatnonzero(count[points.edge] > _FEW)
    if 2 * len(many) < len(points.edge):
        return np.arange(len(points.edge))
    begin = starts_of(edges, int(edges.section[-1]) + 1)
    kept = np.ones(len(points.edge), bool)
    kept[many] = False
    kept[many[_told(edges, begin, points.chosen(many), group, _EQUAL).number]] = True
    return np.flatnonzero(kept)


def _outcome(
    edges: Edges, begin: _Ints, points: Points, group: Grouping
) -> tuple[_Ints, _Ints, _Bools]:
    """Of each point the edge within the section that holds its disc and its range of thickness,
    both -1 where it is on no wall, and whether it says nothing of a wall."""
    wall = points.wall
    held = np.where(wall, points.discs.edge - begin[edges.section[points.edge]], -1)
    kind = np.where(wall, group(2 * np.where(wall, points.discs.radius, 0.0)), -1)
    return held, kind, is_blind(edges, points.edge, points.discs)


def _shape(points: Points, first: _Ints, last: _Ints, role: _Ints, exact: float) -> None:
    """Keep so many samples of each stretch that the thickness runs straight between them."""
    radius, place = points.discs.radius, points.place
    while len(first):
        owner, number = ranges(first + 1, last - first - 1)
        share = (place[number] - place[first][owner]) / (place[last] - place[first])[owner]
        off = radius[number] - radius[first][owner] - share * (radius[last] - radius[first])[owner]
        starts = np.flatnonzero(np.diff(owner, prepend=-1))
        farthest = np.maximum.reduceat(np.abs(off), starts)
        where = np.flatnonzero((np.abs(off) >= farthest[owner]) & (farthest > exact)[owner])
        where = where[np.diff(owner[where], prepend=-1) > 0]
        some, middle = owner[where], number[where]
        role[middle] = 0
        first, last = np.append(first[some], middle), np.append(middle, last[some])
        open_ = last - first > 1
        first, last = first[open_], last[open_]


def _thinnest(
    edges: Edges, points: Points, ends: tuple[_Ints, _Ints], role: _Ints, exact: float
) -> None:
    """Keep what is thinnest within each stretch, and whether a corner holds it there, and which."""
    first, last = ends
    if not len(first):
        return
    radius = points.discs.radius
    owner, number = ranges(first + 1, last - first - 1)
    least = np.minimum.reduceat(radius[number], np.flatnonzero(np.diff(owner, prepend=-1)))
    thinner = least < np.minimum(radius[first], radius[last]) - exact
    where = np.flatnonzero((radius[number] <= least[owner] + exact / 10) & thinner[owner])
    number = number[where[np.diff(owner[where], prepend=-1) > 0]]
    edge, contact = points.discs.edge[number], rows(points.discs.contact, number)
    at = dot(contact - rows(edges.start, edge), rows(edges.along, edge))
    role[number] = 1 + (at > _SLACK) + (at > edges.length[edge] - _SLACK)


class _Paths(NamedTuple):
    """Samples at both ends of runs that belong together, (p,) each: the run, the edge within the
    section, the numbers of the samples, and what they are (see `_Told`)."""

    run: _Ints
    edge: _Ints
    low: _Ints
    high: _Ints
    what: _Ints


def _paths(
    edges: Edges, begin: _Ints, points: Points, runs: Runs, group: Grouping
) -> tuple[_Paths, _Bools]:
    """The paths, and whether each run has them (k,)."""
    told = _told(edges, begin, points, group, _EXACT)
    section = edges.section[points.edge[told.number]]
    from_, to = (np.searchsorted(section, runs.first + each) for each in (0, 1))
    from_last, to_last = (np.searchsorted(section, runs.last + each) for each in (0, 1))
    good = to - from_ == to_last - from_last
    size = np.where(good, to - from_, 0)
    run, low = ranges(from_, size)
    high = low + (from_last - from_)[run]
    same = (told.what[low] == told.what[high]).all(axis=1)
    one, other = rows(points.normal, told.number[low]), rows(points.normal, told.number[high])
    same &= np.abs(one - other).max(axis=1, initial=0.0) <= _SAME
    good &= np.bincount(run[~same], minlength=len(good)) == 0
    kept = good[run]
    run, low, high = run[kept], low[kept], high[kept]
    what = told.what[low]
    return _Paths(run, what[:, 0], told.number[low], told.number[high], what), good


class Between(NamedTuple):
    """What lies in the sections within runs: their samples, of each run (k,) whether it has them,
    and the sections that have none all the same."""

    points: Points
    good: _Bools
    odd: _Ints


def between(
    edges: Edges,
    heights: _Floats,
    points: Points,
    runs: Runs,
    asked: tuple[float, Grouping],
) -> Between:
    """The samples of the sections within runs.

    heights  (s,) of the sections, mm
    points   the samples of the sections at the ends of runs, in ring order
    asked    the largest thickness (mm), and what numbers its ranges
    """
    largest, group = asked
    begin = starts_of(edges, len(heights))
    good = unchanged(edges, begin, runs, largest)
    of = np.flatnonzero(good)
    runs = runs.chosen(good)
    paths, good[of] = _paths(edges, begin, points, runs, group)
    pairs = _reached(edges, begin, points, runs, paths, largest / 2)
    # In each section between, each path.
    size = (runs.last - runs.first - 1)[paths.run]
    path, layer = ranges(runs.first[paths.run] + 1, size)
    run, low, high = paths.run[path], paths.low[path], paths.high[path]
    bottom, top = heights[runs.first], heights[runs.last]
    share = (heights[layer] - bottom[run]) / (top - bottom)[run]
    place = points.place[low] + share * (points.place[high] - points.place[low])
    edge = begin[layer] + paths.edge[path]
    corner = paths.what[path, 1] == 1
    normal = np.where(corner[:, None], rows(points.normal, low), rows(edges.inward, edge))
    point = rows(edges.start, edge) + place[:, None] * rows(edges.along, edge)
    none = point[:0], normal[:0], edges.lean[:0]
    parts = [among(edges, largest / 2, none, (run[:0], run[:0]))]
    for some, row, face in _portions(size, pairs):
        there = point[some], normal[some], rows(edges.lean, edge[some])
        held = row, begin[layer[some][row]] + face
        parts.append(among(edges, largest / 2, there, held))
    discs = together(*parts)
    met = Points(edge, place, normal, discs, is_wall(edges, edge, discs))
    # What nothing that faces it reaches at both ends is not followed between: see `largest_discs`.
    far = ~np.isfinite(points.discs.radius[low])
    what = np.column_stack(_outcome(edges, begin, met, group))
    told = (what == paths.what[path, 2:5]).all(axis=1) | (far & ~met.wall)
    discs.radius[far], discs.edge[far], discs.facing[far] = np.inf, -1, 1.0
    discs.contact[far] = point[far]
    odd = np.zeros(len(heights), bool)
    odd[layer[~told]] = True
    order = np.argsort(layer, kind="stable")
    order = order[~odd[layer[order]]]
    return Between(met.chosen(order), good, np.flatnonzero(odd))


def _portions(size: _Ints, pairs: tuple[_Ints, _Ints]) -> Iterator[tuple[slice, _Ints, _Ints]]:
    """Some paths at a time, all of which would take gigabytes: their rows, and pairs of a row
    within these and what it may touch.

    size   (p,) how many rows each path has
    pairs  of paths and what they may touch
    """
    order = np.argsort(pairs[0], kind="stable")
    path, face = pairs[0][order], pairs[1][order]
    offset = np.append(0, np.cumsum(size))
    work = np.cumsum(size * (1 + np.bincount(path, minlength=len(size))))
    stops = np.searchsorted(work, np.arange(_AT_ONCE, work[-1] if len(work) else 0, _AT_ONCE))
    bounds = distinct(np.concatenate([[0], stops, [len(size)]]))
    for low, high in itertools.pairwise(bounds.tolist()):
        some = slice(*np.searchsorted(path, [low, high]))
        which, row = ranges(offset[path[some]], size[path[some]])
        yield slice(int(offset[low]), int(offset[high])), row - offset[low], face[some][which]


def _reached(
    edges: Edges, begin: _Ints, points: Points, runs: Runs, paths: _Paths, reach: float
) -> tuple[_Ints, _Ints]:
    """Pairs of paths and edges (within the section) that the discs on the way may touch."""
    ends = []
    for number, section in ((paths.low, runs.first), (paths.high, runs.last)):
        edge = points.edge[number]
        point = rows(edges.start, edge) + points.place[number, None] * rows(edges.along, edge)
        ends.append(
            (
                point,
                points.discs.radius[number],
                points.discs.edge[number] - begin[section][paths.run],
            )
        )
    # Held by one edge all the way the disc is no larger than the straight line tells.
    one_edge = (ends[0][2] == ends[1][2]) & np.isfinite(ends[0][1]) & np.isfinite(ends[1][1])
    normal = rows(points.normal, paths.low)
    most = [np.where(one_edge, each[1], reach) * (1 + 2 * TIE) + _SLACK for each in ends]
    centre = [each[0] + radius[:, None] * normal for each, radius in zip(ends, most, strict=True)]
    rooms = [(c - r[:, None], c + r[:, None]) for c, r in zip(centre, most, strict=True)]
    discs = Boxes(
        np.minimum(rooms[0][0], rooms[1][0]), np.maximum(rooms[0][1], rooms[1][1]), paths.run
    )
    owner, first = ranges(begin[runs.first], begin[runs.first + 1] - begin[runs.first])
    last = first + (begin[runs.last] - begin[runs.first])[owner]
    corners = [
        each
        for some in (first, last)
        for each in (
            rows(edges.start, some),
            rows(edges.start, some) + edges.length[some, None] * rows(edges.along, some),
        )
    ]
    faces = Boxes(np.minimum.reduce(corners), np.maximum.reduce(corners), owner)
    inward = edges.inward
    found = [(owner[:0], owner[:0])]
    for path, face in meetings(discs, faces, reach):
        open_ = np.zeros(len(path), bool)
        before = np.zeros(len(path), bool)
        for end, radius, number in zip(ends, most, (first, last), strict=True):
            own = rows(inward, number[face])
            height = dot(own, end[0][path] - rows(edges.start, number[face]))
            # A disc of radius r reaches down to the line where r (1 - n.m) is its height.
            open_ |= height <= radius[path] * (1 - dot(own, rows(normal, path))) + _SLACK
            before |= height > -_SLACK
        kept = np.flatnonzero(open_ & before)
        found.append((path[kept], face[kept]))
    path, face = (np.concatenate(each) for each in zip(*found, strict=True))
    return path, first[face] - begin[runs.first][owner[face]]
