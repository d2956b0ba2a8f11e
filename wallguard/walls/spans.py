"""Spans: sections within a run that need no samples, as their walls follow from those at both ends.

Where outlines slide and every sample keeps to its range of thickness from one section to another,
what lies between has the same pieces of walls, and what is measured of them runs straight:

    last    o----------o     o-----o     its samples are taken
            :          :     :     :     no samples: what is between two pieces that belong
            :          :     :     :     together is a piece, too
    first  o------------o   o-------o    its samples are taken

Two pieces belong together where the same paths (`paths.py`) lead from the one to the other. How
large each disc on the way is, is known: where one is off the straight line between the ends of a
span by more than counts, the span is divided there. Where pieces at both ends do not belong
together one by one, as two of them part or meet on the way, the samples between are taken as well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import dot, ranges, rows
from wallguard.walls.paths import OPEN, Paths, Runs

if TYPE_CHECKING:
    from wallguard.walls.edges import Edges
    from wallguard.walls.joins import Pieces, Walls

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# A span leaves out so many sections at least.
_LEAST = 2
# A disc is off the straight line by no more than this (mm, of the radius); and so often a span is
# divided where one is.
_EXACT, _ROUNDS = 2.5e-4, 4


class Spans(NamedTuple):
    """Sections from `first` to `last` (g,) of which those between have no samples; and samples at
    both ends that belong together, (m,): the span, and which they are among those of the first
    section and among those of the last."""

    first: _Ints
    last: _Ints
    owner: _Ints
    low: _Ints
    high: _Ints

    @classmethod
    def none(cls) -> Spans:
        return cls(*np.zeros((5, 0), np.int64))

    def chosen(self, which: _Bools) -> Spans:
        kept = which[self.owner]
        owner = (np.cumsum(which) - 1)[self.owner[kept]]
        return Spans(self.first[which], self.last[which], owner, self.low[kept], self.high[kept])

    def between(self) -> tuple[_Ints, _Ints]:
        """The span and the number of each section that is left out."""
        return ranges(self.first + 1, self.last - self.first - 1)


def together(spans: list[Spans]) -> Spans:
    """Several in one row."""
    counts = np.cumsum([0, *(len(each.first) for each in spans)])
    moved = [
        each._replace(owner=each.owner + count) for each, count in zip(spans, counts, strict=False)
    ]
    return Spans(*(np.concatenate(each) for each in zip(Spans.none(), *moved, strict=True)))


@dataclass(frozen=True)
class Met:
    """What paths meet in the sections within their runs: (k,) path after path, and there section
    after section, the range of thickness (-1: no wall) and the radius of the disc, mm."""

    size: _Ints
    kind: _Ints
    radius: _Floats


def spans_of(
    heights: _Floats, begin: _Ints, runs: Runs, paths: Paths, met: Met, odd: _Bools
) -> Spans:
    """The spans within runs that have paths.

    heights  (s,) of the sections, mm
    begin    (s + 1,) where the samples of each section at the end of a run begin
    odd      (s,) sections that are not what the paths say
    """
    if not len(paths.run):
        return Spans.none()
    joined = _joined(len(heights), runs, paths, met, odd)
    opens, closes = np.zeros((2, len(heights) + 1), bool)
    opens[runs.first], closes[runs.last] = True, True
    first = np.flatnonzero(joined & (opens[:-1] | ~np.append(False, joined[:-1])))
    last = np.flatnonzero(joined & (closes[1:] | ~np.append(joined[1:], False))) + 1
    run_of = np.full(len(heights), -1)
    which, section = ranges(runs.first, runs.last - runs.first)
    run_of[section] = which
    lines = _Lines(heights, runs, paths, met)
    for _ in range(_ROUNDS):
        long = last - first > _LEAST
        first, last = first[long], last[long]
        worst, where = lines.off(first, last, run_of[first])
        bad = worst > _EXACT
        if not bad.any():
            break
        first, last = np.append(first, where[bad]), np.append(np.where(bad, where, last), last[bad])
    else:
        first, last = first[:0], last[:0]
    order = np.argsort(first, kind="stable")
    first, last = first[order], last[order]
    owner, path = lines.paths(run_of[first])
    run = run_of[first][owner]
    rank = path - lines.begin[run]
    at = []
    for section, end, side in ((first[owner], runs.first, 0), (last[owner], runs.last, 1)):
        number = paths.number[side, path]
        own = np.where(number >= 0, number - begin[section], -1)
        at.append(np.where(section == end[run], own, rank))
    known = (at[0] >= 0) & (at[1] >= 0)
    return Spans(first, last, owner[known], at[0][known], at[1][known])


def _joined(count: int, runs: Runs, paths: Paths, met: Met, odd: _Bools) -> _Bools:
    """(count,) whether each section and the next are of one run, and every path is in one range of
    thickness in both."""
    joined = np.zeros(count, bool)
    which, section = ranges(runs.first, runs.last - runs.first)
    joined[section[np.bincount(paths.run, minlength=len(runs.first))[which] > 0]] = True
    path, section = ranges(runs.first[paths.run] + 1, met.size)
    follows = (np.diff(path) == 0) & (np.diff(met.kind) != 0)
    joined[section[:-1][follows]] = False
    start = np.cumsum(met.size) - met.size
    for side, place, edge in (
        (0, start, runs.first[paths.run]),
        (1, start + met.size - 1, runs.last[paths.run] - 1),
    ):
        kind = paths.kind[side]
        joined[edge[(kind == OPEN) | (kind != met.kind[place])]] = False
    wrong = np.flatnonzero(odd)
    joined[wrong] = joined[wrong - 1] = False
    return joined


class _Lines:
    """How far discs on the way are off straight lines."""

    def __init__(self, heights: _Floats, runs: Runs, paths: Paths, met: Met) -> None:
        self.heights, self.runs, self.of, self.met = heights, runs, paths, met
        opens = np.flatnonzero(np.diff(paths.run, prepend=-1) != 0)
        self.begin, self.count = np.zeros((2, len(runs.first)), np.int64)
        self.begin[paths.run[opens]] = opens
        self.count[paths.run[opens]] = np.diff(np.append(opens, len(paths.run)))
        self.start = np.cumsum(met.size) - met.size

    def paths(self, run: _Ints) -> tuple[_Ints, _Ints]:
        """Each path of each of the runs: which of them, and the path."""
        return ranges(self.begin[run], self.count[run])

    def radius(self, path: _Ints, section: _Ints) -> _Floats:
        """Of paths in sections; nan where it is not known."""
        run = self.of.run[path]
        step = section - self.runs.first[run] - 1
        inner = (step >= 0) & (section < self.runs.last[run])
        own = self.met.radius[self.start[path] + np.where(inner, step, 0)]
        end = self.of.radius[np.where(step < 0, 0, 1), path]
        radius: _Floats = np.where(inner, own, end)
        return radius

    def off(self, first: _Ints, last: _Ints, run: _Ints) -> tuple[_Floats, _Ints]:
        """Of spans (g,) how far a disc on a wall is off the line at most, and in which section."""
        worst, where = np.zeros(len(first)), first.copy()
        span, path = self.paths(run)
        wall = self.of.what[path, 2] >= 0
        span, path = span[wall], path[wall]
        low, high = self.radius(path, first[span]), self.radius(path, last[span])
        which, section = ranges(first[span] + 1, (last - first)[span] - 1)
        of = span[which]
        height, bottom = self.heights[section], self.heights[first][of]
        share = (height - bottom) / (self.heights[last][of] - bottom)
        line = low[which] + share * (high - low)[which]
        off = np.abs(self.radius(path[which], section) - line)
        off = np.where(np.isfinite(off), off, 0.0)
        np.maximum.at(worst, of, off)
        most = np.flatnonzero(off >= worst[of])
        where[of[most]] = section[most]
        return worst, where


@dataclass(frozen=True)
class Bridges:
    """Pieces of sections that have no samples: all pieces with these, of each two sections on end
    that lie in one span the pieces that belong together (`lower`, `upper`), (b,), and the lower
    section of each; and the first section of each span, for what lies beside what there."""

    pieces: Pieces
    section: _Ints
    lower: _Ints
    upper: _Ints
    first: _Ints


def alone(pieces: Pieces) -> Bridges:
    """Pieces where no section is left out."""
    none = np.zeros(0, np.int64)
    return Bridges(pieces, none, none, none, none)


def bridges_of(
    heights: _Floats, edges: Edges, walls: Walls, found: tuple[Pieces, _Ints], spans: Spans
) -> tuple[Bridges, _Bools]:
    """The pieces with those that lie in spans, and of each span (g,) whether the pieces at its ends
    belong together one by one.

    heights  (s,) of the sections, mm
    found    the pieces, and the piece of each wall sample
    """
    pieces, piece = found
    if not len(spans.first):
        return alone(pieces), np.ones(0, bool)
    count = len(pieces.low)
    samples = walls.samples
    section = edges.section[samples.edge]
    index = np.full(len(samples.edge), -1)
    index[walls.number] = np.arange(len(walls.number))
    begin = np.searchsorted(section, np.arange(len(heights) + 1))
    low, high = (
        index[begin[end[spans.owner]] + rank]
        for end, rank in ((spans.first, spans.low), (spans.last, spans.high))
    )
    good = np.ones(len(spans.first), bool)
    good[spans.owner[(low < 0) != (high < 0)]] = False
    on = np.flatnonzero((low >= 0) & (high >= 0))
    owner, low, high = spans.owner[on], low[on], high[on]
    # Of the samples of two pieces the one nearest to where the piece is thinnest.
    one, other = piece[low], piece[high]
    off = rows(walls.centre, low) - rows(pieces.spot, one)
    order = np.lexsort((dot(off, off), other, one, owner))
    fresh = np.diff(owner[order], prepend=-1) != 0
    for each in (one, other):
        fresh |= np.diff(each[order], prepend=-1) != 0
    order = order[fresh]
    owner, one, other, low, high = (each[order] for each in (owner, one, other, low, high))
    many = np.bincount(pieces.section, minlength=len(heights))
    number = np.bincount(owner, minlength=len(good))
    good &= (number == many[spans.first]) & (number == many[spans.last])
    for each in (one, other):
        key = np.sort(owner * count + each)
        good[key[1:][np.diff(key) == 0] // count] = False
    alike = (pieces.group[one] == pieces.group[other]) & (pieces.ends[one] == pieces.ends[other])
    good[owner[~alike]] = False
    kept = good[owner]
    pair = owner[kept], one[kept], other[kept], low[kept], high[kept]
    return _bridged(heights, walls, pieces, spans, pair), good


def _bridged(
    heights: _Floats,
    walls: Walls,
    pieces: Pieces,
    spans: Spans,
    pair: tuple[_Ints, _Ints, _Ints, _Ints, _Ints],
) -> Bridges:
    """The same of pieces that belong together: the span, both pieces, and a sample of either."""
    owner, one, other, low, high = pair
    first, last = spans.first[owner], spans.last[owner]
    of, section = ranges(first + 1, last - first - 1)
    share = (heights[section] - heights[first][of]) / (heights[last] - heights[first])[of]
    below, above = one[of], other[of]

    def mixed(values: _Floats) -> _Floats:
        part = share if values.ndim == 1 else share[:, None]
        between: _Floats = (1 - part) * values[below] + part * values[above]
        return between

    moved = rows(walls.centre, high) - rows(walls.centre, low)
    more = {
        "section": section,
        "spot": rows(pieces.spot, below) + share[:, None] * rows(moved, of),
        **{name: getattr(pieces, name)[below] for name in ("group", "thinnest", "ends", "whole")},
        **{
            name: mixed(getattr(pieces, name))
            for name in ("low", "typical", "high", "length", "widens", "moves", "bend", "sagitta")
        },
        "box_low": mixed(pieces.box_low),
        "box_high": mixed(pieces.box_high),
    }
    every = replace(
        pieces,
        **{name: np.concatenate([getattr(pieces, name), each]) for name, each in more.items()},
    )
    # From the first to those between, in a row, and from the last of these to the last.
    which, lower = ranges(first, last - first)
    own = len(pieces.low) + np.cumsum(last - first - 1) - (last - first - 1)
    step = lower - first[which]
    return Bridges(
        every,
        lower,
        np.where(step == 0, one[which], own[which] + step - 1),
        np.where(lower + 1 == last[which], other[which], own[which] + step),
        np.unique(first),
    )
