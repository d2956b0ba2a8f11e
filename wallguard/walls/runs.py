r"""Runs: layers between which outlines only slide, and what the layers at their ends tell of them.

Between two heights at which the mesh has vertices every edge of a section keeps its direction, and
every point of it moves straight:

      last   o--------------------o     an edge, and a place on it, in the highest layer of a run
             /  .                  \
            /    .  a path          \   in the layers between it is where the straight line through
           /      .                  \  both places meets them
    first o--------o------------------o

Only the two layers at the ends of a run are sampled as any other. If both have the same stretches
of samples in the same order (`paths.py`), then these have paths, and the layers between have their
samples where the paths meet them.

What may be left out there, and why:

    places     Where samples are needed moves straight: the ends of what others face, what lies
               straight across from a corner. So a path leads from the one place to the other. A
               pair of chains that may bound a wall on the way must be one at both ends, or lie
               farther apart all the way than discs there are large (`chains.newly_near`): else the
               layers are sampled as any other.
    discs      At a point p with the normal n that slides straight, the disc that reaches a point q
               of another face has the radius |q - p|^2 / (2 n.(q - p)). That is a square over
               something straight, so it is convex in q - p; and as q - p moves straight with
               height and along the face, which is flat, the least of it over the edge is convex in
               height: on the way it is no larger than the straight line between its values at the
               ends. So whatever holds the disc at the one end bounds it all the way. That bounds
               what it might touch: no edge lies near it that does not meet the box round the discs
               at the ends; and an edge whose own line cannot be reached at either end is not
               reached between, as the radius at which a line is reached moves straight. What is
               left is asked: a few edges a path.
    divisions  The outcome of each sample is reckoned in each layer, not interpolated. Where one is
               not what its path says it is, a wall or an end has moved other than straight, and
               the layer is sampled as any other. So it is where the samples of one stretch are in
               different ranges of thickness there, and in one at both ends: a wall that tapers
               upward goes from range to range as a whole, or nearly so.

So a skipped layer has the samples that matter, each as exact as any; and where they tell of every
wall what the layers above and below do, it needs none (`spans.py`).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct, dot, ranges, rows
from wallguard.walls.boxes import Boxes, meetings
from wallguard.walls.chains import chain_length, chains_of, newly_near, turns
from wallguard.walls.discs import among, together
from wallguard.walls.edges import Edges
from wallguard.walls.paths import (
    LEAST,
    OPEN,
    SAME,
    SLACK,
    Grouping,
    Paths,
    Points,
    Runs,
    curves,
    outcome,
    paths_of,
    starts_of,
)
from wallguard.walls.places import is_wall
from wallguard.walls.spans import Met, Spans, spans_of

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Outlines slide where no point leaves its straight way by more than this (mm): what rounding and
# the thinning of straight outlines leave.
_STRAIGHT = 1e-5
# So many layers are at most spanned at once.
_MOST = 48
# Places and what they may touch that are looked at together: what bounds the memory.
_AT_ONCE = 400_000
# Between samples discs may be larger than at these by so much: a share, and mm.
_LARGER, _LARGER_MM = 1.05, 0.05


def runs_of(edges: Edges, heights: _Floats) -> Runs:
    """The runs of sections at `heights` (s,), mm, that are worth the name."""
    begin = starts_of(edges, len(heights))
    size = np.diff(begin)
    alike = np.flatnonzero((size[:-1] == size[1:]) & (size[:-1] > 0))
    none = np.zeros(0, np.int64)
    if len(alike) < LEAST:
        return Runs(none, none)
    owner, low = ranges(begin[alike], size[alike])
    high = low + size[alike][owner]
    ring = edges.ring.astype(np.int64)
    same = ring[low] - ring[begin[alike]][owner] == ring[high] - ring[begin[alike + 1]][owner]
    same &= _farthest(rows(edges.lean, low) - rows(edges.lean, high)) <= SAME
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
    return runs.chosen(runs.last - runs.first >= LEAST)


def _farthest(steps: _Floats) -> _Floats:
    """(n,) the greater of both columns of an array (n, 2), whatever way they go."""
    farthest: _Floats = np.maximum(*np.abs(steps).T)
    return farthest


def unchanged(edges: Edges, begin: _Ints, points: Points, runs: Runs, largest: float) -> _Bools:
    """(k,) whether in each run no chains may bound a wall up to `largest` (mm) that may not do so
    at both ends of it, given that the samples there have paths."""
    if not len(runs.first):
        return np.zeros(0, bool)
    step, chains = chain_length(largest), None
    # What no sample is on may have any disc.
    most = np.full(len(edges.length), largest)
    first = np.flatnonzero(np.diff(points.edge, prepend=-1))
    across = 2 * np.maximum.reduceat(points.discs.radius, first) if len(first) else np.zeros(0)
    most[points.edge[first]] = np.minimum(_LARGER * across + _LARGER_MM, largest)
    both, discs = [], []
    for section in runs:
        which = ranges(begin[section], begin[section + 1] - begin[section])[1]
        some = edges.some(which)
        chains = chains_of(some, turns(some), step, chains)
        both.append(chains)
        discs.append(np.maximum.reduceat(most[which], chains.first))
    changed = np.zeros(len(begin), bool)
    changed[newly_near(both[0], both[1], largest, np.maximum(*discs))] = True
    return ~changed[runs.first]


class Between(NamedTuple):
    """What lies in the sections within runs: their samples, those of the sections that spans leave
    out (`left`), the spans, of each run (k,) whether it has paths, and the sections that are not
    what these say."""

    points: Points
    left: Points
    spans: Spans
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
    good = unchanged(edges, begin, points, runs, largest)
    of = np.flatnonzero(good)
    runs = runs.chosen(good)
    paths, good[of] = paths_of(edges, begin, points, runs, asked)
    pairs = _reached(edges, begin, runs, paths, largest / 2)
    # In each section between, each path.
    size = (runs.last - runs.first - 1)[paths.run]
    path, layer = ranges(runs.first[paths.run] + 1, size)
    run = paths.run[path]
    bottom, top = heights[runs.first], heights[runs.last]
    share = (heights[layer] - bottom[run]) / (top - bottom)[run]
    place = paths.place[0][path] + share * (paths.place[1] - paths.place[0])[path]
    edge = begin[layer] + paths.edge[path]
    corner = paths.what[path, 1] == 1
    normal = np.where(corner[:, None], rows(paths.normal, path), rows(edges.inward, edge))
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
    far = paths.far[path]
    now = outcome(edges, begin, met, group, curves(edges))
    kind, wanted = now[:, 3], paths.what[path]
    told = (now[:, [2, 4]] == wanted[:, [2, 4]]).all(axis=1)
    told &= np.where(wanted[:, 3] == OPEN, kind >= 0, kind == wanted[:, 3])
    told |= far & ~met.wall
    told &= ~_divided(paths, size, kind)
    discs.radius[far], discs.edge[far], discs.facing[far] = np.inf, -1, 1.0
    discs.contact[far] = point[far]
    odd = np.zeros(len(heights), bool)
    odd[layer[~told]] = True
    own = _starts_of_points(edges, points, len(heights))
    spans = spans_of(heights, own, runs, paths, Met(size, kind, discs.radius), odd)
    out = np.zeros(len(heights), bool)
    out[spans.between()[1]] = True
    order = np.argsort(layer, kind="stable")
    left = order[out[layer[order]]]
    order = order[~(odd | out)[layer[order]]]
    return Between(met.chosen(order), met.chosen(left), spans, good, np.flatnonzero(odd))


def _starts_of_points(edges: Edges, points: Points, count: int) -> _Ints:
    """(count + 1,) where the points of each section begin."""
    return np.searchsorted(edges.section[points.edge], np.arange(count + 1))


def _divided(paths: Paths, size: _Ints, kind: _Ints) -> _Bools:
    """Where a wall is divided within a stretch: the next place of it is in another range.

    size  (p,) in how many sections each path is;  kind: the range there, path after path
    """
    one = np.flatnonzero((np.diff(paths.stretch) == 0) & (paths.what[1:, 2] >= 0))
    divided = np.zeros(len(kind), bool)
    begin = np.cumsum(size) - size
    owner, low = ranges(begin[one], size[one])
    divided[low] = kind[low] != kind[low + size[one][owner]]
    return divided


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
    edges: Edges, begin: _Ints, runs: Runs, paths: Paths, reach: float
) -> tuple[_Ints, _Ints]:
    """Pairs of paths and edges (within the section) that the discs on the way may touch."""
    ends, normal, most = [], paths.normal, paths.most
    for place, section in zip(paths.place, runs, strict=True):
        edge = begin[section[paths.run]] + paths.edge
        ends.append(rows(edges.start, edge) + place[:, None] * rows(edges.along, edge))
    centre = [each + radius[:, None] * normal for each, radius in zip(ends, most, strict=True)]
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
            height = dot(own, end[path] - rows(edges.start, number[face]))
            # A disc of radius r reaches down to the line where r (1 - n.m) is its height.
            open_ |= height <= radius[path] * (1 - dot(own, rows(normal, path))) + SLACK
            before |= height > -SLACK
        kept = np.flatnonzero(open_ & before)
        found.append((path[kept], face[kept]))
    path, face = (np.concatenate(each) for each in zip(*found, strict=True))
    return path, first[face] - begin[runs.first][owner[face]]
