"""Paths: what the samples of both layers at the ends of a run have in common.

Samples that follow each other on an edge and tell the same make a stretch:

    o----o-------o--.--o      o  its ends, what is thinnest in it, and what makes its shape: so many
    first           last         samples that the thickness runs straight between them

Where the layers at both ends have the same stretches in the same order, a path leads from the ends
of each stretch to those of the other, and from what is thinnest to what is thinnest, and moves
straight. What makes the shape stands at the same share of the way between these all along, or, if
there is as much of it at both ends, moves from the one to the other as well. What lets layers
between be told from that is in `runs.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import dot, ranges, rows
from wallguard.walls.discs import TIE, Discs, chosen, touched, value_of
from wallguard.walls.edges import Edges
from wallguard.walls.places import is_blind

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]
Grouping = Callable[[_Floats], _Ints]

# No surface of a run turns by more than this (sine): what rounding leaves.
SAME = 1e-5
# Halves of a run that span fewer layers are not worth it.
LEAST = 4
# What is thinnest within a stretch, or off the line between what is kept of it, is kept where that
# makes more than this (mm, of the radius).
_EXACT = 1e-4
# And so is every sample, but for those that differ by rounding.
_EQUAL = 1e-8
# Facets that turn by less from one to the next are one curve: the cosine.
_CURVE = float(np.cos(np.radians(4.7)))
# A range of thickness that may be any.
OPEN = -2
# Fewer samples than this on an edge are all kept.
_FEW = 4
# Bounds are wider by this, so that rounding decides nothing (mm).
SLACK = 5e-5


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
        return Runs(first[order], last[order]).chosen((last - first)[order] >= LEAST)


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


class _Stretches(NamedTuple):
    """Stretches of samples that follow each other on an edge and tell the same, in ring order:
    the numbers of the first and the last of each (k,); what they are, (k, 5): the edge within the
    section, whether it is a corner, the curve within the section that holds the discs (-1 where
    they are on no wall), their range of thickness (-1: no wall), and whether they say nothing of
    the wall; the number of the thinnest within, where that is none of these (else -1), and what
    holds it (0: an edge, 1 to 3: which corner). And `shape`: the numbers of those between that make
    its shape, rising."""

    first: _Ints
    last: _Ints
    what: _Ints
    thin: _Ints
    by: _Ints
    shape: _Ints


def _stretches(
    edges: Edges,
    what: _Ints,
    points: Points,
    exact: float,
) -> _Stretches:
    """The stretches of all of the points, which are `what` each (n, 5), where what makes no more
    than `exact` (mm, of the radius) counts for nothing."""
    corner = points.place == 0
    fresh = np.append(True, (what[1:] != what[:-1]).any(axis=1) | corner[1:])[: len(what)]
    fresh[1:] |= points.edge[1:] != points.edge[:-1]
    first = np.flatnonzero(fresh)
    last = np.append(first[1:], len(corner)) - 1
    inner = np.flatnonzero((last - first > 1) & points.wall[first])
    shape = _shape(points, first[inner], last[inner], exact)
    thin, by = np.full(len(first), -1), np.zeros(len(first), np.int64)
    _thinnest(edges, points, (first, last, inner), (thin, by), exact)
    return _Stretches(first, last[: len(first)], rows(what, first), thin, by, shape)


def telling(edges: Edges, points: Points, group: Grouping) -> _Ints:
    """The numbers of the points, in ring order, that tell all of their stretches; the rest lie
    between these and say nothing new."""
    count = np.bincount(points.edge, minlength=len(edges.length))
    many = np.flatnonzero(count[points.edge] > _FEW)
    if 2 * len(many) < len(points.edge):
        return np.arange(len(points.edge))
    begin = starts_of(edges, int(edges.section[-1]) + 1)
    some = points.chosen(many)
    told = _stretches(edges, outcome(edges, begin, some, group), some, _EQUAL)
    kept = np.ones(len(points.edge), bool)
    kept[many] = False
    for number in (told.first, told.last, told.thin[told.thin >= 0], told.shape):
        kept[many[number]] = True
    return np.flatnonzero(kept)


def outcome(
    edges: Edges, begin: _Ints, points: Points, group: Grouping, curve: _Ints | None = None
) -> _Ints:
    """(n, 5) what each point is, see `_Stretches`; without `curve` (of each edge the first of its
    curve) each edge is a curve of its own."""
    wall = points.wall
    held, start = _held(edges, points), begin[edges.section[points.edge]]
    if curve is not None:
        held = curve[held]
    held = np.where(wall, held - start, -1)
    kind = np.where(wall, group(2 * np.where(wall, points.discs.radius, 0.0)), -1)
    blind = is_blind(edges, points.edge, points.discs)
    return np.column_stack([points.edge - start, points.place == 0, held, kind, blind])


def _held(edges: Edges, points: Points) -> _Ints:
    """(n,) the edge that holds each disc; of one between two corners the edge that begins at the
    other, as which of the two there it is told to be hangs on rounding."""
    held = points.discs.edge
    corner = np.flatnonzero((points.place == 0) & points.wall)
    other = held[corner]
    contact = rows(points.discs.contact, corner)
    run = dot(contact - rows(edges.start, other), rows(edges.along, other))
    ends = run > edges.length[other] - SLACK
    if not ends.any():
        return held
    held = held.copy()
    held[corner[ends]] = edges.after[other[ends]]
    return held


def curves(edges: Edges) -> _Ints:
    """(n,) of each edge the first of the curve that it is a facet of: edges that turn by no more
    than `_CURVE` from one to the next."""
    count = len(edges.length)
    number = np.arange(count)
    turn = dot(edges.along, rows(edges.along, edges.before)) < _CURVE
    forward = count < 2 or edges.before[1] == 0
    joint = turn if forward else turn[edges.after]
    opens = np.append(True, edges.ring[1:] != edges.ring[:-1])
    first = np.maximum.accumulate(np.where(joint | opens, number, 0))
    # A ring that begins within a curve ends within the same.
    starts = np.flatnonzero(opens)
    ends = np.append(starts[1:], count) - 1
    within = ~joint[starts]
    same = np.full(count, -1)
    same[starts[within]] = first[ends[within]]
    return np.where(same[first] >= 0, same[first], first)


def _shape(points: Points, first: _Ints, last: _Ints, exact: float) -> _Ints:
    """So many samples of each stretch that the thickness runs straight between them."""
    radius, place = points.discs.radius, points.place
    kept = [first[:0]]
    while len(first):
        owner, number = ranges(first + 1, last - first - 1)
        share = (place[number] - place[first][owner]) / (place[last] - place[first])[owner]
        off = radius[number] - radius[first][owner] - share * (radius[last] - radius[first])[owner]
        starts = np.flatnonzero(np.diff(owner, prepend=-1))
        farthest = np.maximum.reduceat(np.abs(off), starts)
        where = np.flatnonzero((np.abs(off) >= farthest[owner]) & (farthest > exact)[owner])
        where = where[np.diff(owner[where], prepend=-1) > 0]
        some, middle = owner[where], number[where]
        kept.append(middle)
        first, last = np.append(first[some], middle), np.append(middle, last[some])
        open_ = last - first > 1
        first, last = first[open_], last[open_]
    return np.sort(np.concatenate(kept))


def _thinnest(
    edges: Edges,
    points: Points,
    stretches: tuple[_Ints, _Ints, _Ints],
    found: tuple[_Ints, _Ints],
    exact: float,
) -> None:
    """Fill in what is thinnest within each stretch, and whether a corner holds it there, and which;
    stretches: the first and last of all, and which of them to look into."""
    *ends, inner = stretches
    first, last = (each[inner] for each in ends)
    if not len(first):
        return
    radius = points.discs.radius
    owner, number = ranges(first + 1, last - first - 1)
    least = np.minimum.reduceat(radius[number], np.flatnonzero(np.diff(owner, prepend=-1)))
    thinner = least < np.minimum(radius[first], radius[last]) - exact
    where = np.flatnonzero((radius[number] <= least[owner] + exact / 10) & thinner[owner])
    where = where[np.diff(owner[where], prepend=-1) > 0]
    number = number[where]
    edge, contact = points.discs.edge[number], rows(points.discs.contact, number)
    at = dot(contact - rows(edges.start, edge), rows(edges.along, edge))
    thin, by = found
    thin[inner[owner[where]]] = number
    by[inner[owner[where]]] = 1 + (at > SLACK) + (at > edges.length[edge] - SLACK)


class Paths(NamedTuple):
    """Places at both ends of runs that belong together, (p,) each, in ring order: the run, the edge
    within the section; (2, p) the place on it at either end, mm, and the number of the sample there
    (-1: none), its radius, mm (nan), and the range of thickness of all of its stretch there (`OPEN`
    where it is several); the normal (p, 2); how large the disc may be on the way as told by either
    end (2, p), of the radius, mm; what the samples are (see `_Stretches`); which are of one
    stretch; and whether nothing is followed there, as nothing that faces it is within reach."""

    run: _Ints
    edge: _Ints
    place: _Floats
    number: _Ints
    radius: _Floats
    kind: _Ints
    normal: _Floats
    most: _Floats
    what: _Ints
    stretch: _Ints
    far: _Bools


# What is known of either end.
_BOTH_ENDS = ("place", "number", "radius", "kind", "most")


def paths_of(
    edges: Edges, begin: _Ints, points: Points, runs: Runs, asked: tuple[float, Grouping]
) -> tuple[Paths, _Bools]:
    """The paths, and whether each run has them (k,). Where the ranges of thickness of a stretch
    differ between both ends, as those of a rib that tapers do, they are left open, `OPEN`."""
    largest, group = asked
    what = outcome(edges, begin, points, group, curves(edges))
    number = _told_corners(points, what)
    section = edges.section[points.edge[number]]
    good = np.zeros(len(runs.first), bool)
    found, count = [], 0
    # A section ends two runs, if they come one after the other: every second run at a time.
    for each in (np.arange(0, len(good), 2), np.arange(1, len(good), 2)):
        some = Runs(runs.first[each], runs.last[each])
        ends = np.zeros(len(begin), bool)
        ends[some.first] = ends[some.last] = True
        own = number[ends[section]]
        its, kind = points.chosen(own), what[own, 3]
        open_ = np.column_stack([what[own, :3], np.where(kind >= 0, OPEN, -1), what[own, 4]])
        told = _stretches(edges, open_, its, _EXACT)
        pairs, _ = _alike(edges, its, some, told)
        kept = _keeps(kind, told, pairs[1:])
        open_[kept, 3] = kind[kept]
        told = _stretches(edges, open_, its, _EXACT)
        pairs, good[each] = _alike(edges, its, some, told)
        paths = _followed(edges, begin, its, some, (told, pairs), largest / 2)
        found.append(
            paths._replace(
                run=each[paths.run],
                number=np.where(paths.number >= 0, own[paths.number], -1),
                kind=_kinds(kind, told, pairs[1:])[:, paths.stretch],
                stretch=paths.stretch + count,
            )
        )
        count += len(pairs[0])
    both = (
        np.concatenate(each, axis=-1 if name in _BOTH_ENDS else 0)
        for name, *each in zip(Paths._fields, *found, strict=True)
    )
    return Paths(*both), good


def _keeps(kind: _Ints, told: _Stretches, pair: tuple[_Ints, _Ints]) -> _Bools:
    """(n,) which points are in stretches that have the same ranges of thickness in the same order
    at both ends of a run; kind: of each point, pair: the numbers of the stretch at either end."""
    kept = np.zeros(len(kind), bool)
    if not len(pair[0]):
        return kept
    fresh = np.append(True, kind[1:] != kind[:-1])
    fresh[told.first] = True
    opens = np.flatnonzero(fresh)
    begin = np.searchsorted(opens, told.first)
    size = np.diff(np.append(begin, len(opens)))
    low, high = pair
    alike = size[low] == size[high]
    which, place = ranges(begin[low], np.where(alike, size[low], 0))
    other = place + (begin[high] - begin[low])[which]
    alike[which[kind[opens[place]] != kind[opens[other]]]] = False
    for stretch in (low[alike], high[alike]):
        kept[ranges(told.first[stretch], told.last[stretch] - told.first[stretch] + 1)[1]] = True
    return kept


def _kinds(kind: _Ints, told: _Stretches, pair: tuple[_Ints, _Ints]) -> _Ints:
    """(2, k) the range of thickness of stretches at either end, `OPEN` where it is several."""
    if not len(told.first):
        return np.zeros((2, 0), np.int64)
    least, most = (each.reduceat(kind, told.first) for each in (np.minimum, np.maximum))
    return np.where(least == most, least, OPEN)[np.array(pair)]


def _told_corners(points: Points, what: _Ints) -> _Ints:
    """The numbers of the points without those at corners that tell nothing more: of discs that one
    curve holds the smallest does, and of those on no wall the first, where there is no other."""
    corner = np.flatnonzero(what[:, 1] == 1)
    edge, held = points.edge[corner], what[corner, 2]
    walled = np.zeros(int(points.edge.max(initial=-1)) + 1, bool)
    walled[edge[held >= 0]] = True
    order = np.lexsort((np.where(held >= 0, points.discs.radius[corner], 0.0), held, edge))
    again = (np.diff(edge[order], prepend=-1) == 0) & (np.diff(held[order], prepend=-2) == 0)
    again |= (held[order] < 0) & walled[edge[order]]
    kept = np.ones(len(points.edge), bool)
    kept[corner[order[again]]] = False
    return np.flatnonzero(kept)


def _alike(
    edges: Edges, points: Points, runs: Runs, told: _Stretches
) -> tuple[tuple[_Ints, _Ints, _Ints], _Bools]:
    """Of runs with the same stretches in the same order at both ends the run, and the numbers of
    the stretch at either end, of each; and which runs these are."""
    section = edges.section[points.edge[told.first]]
    from_, to = (np.searchsorted(section, runs.first + each) for each in (0, 1))
    from_last, to_last = (np.searchsorted(section, runs.last + each) for each in (0, 1))
    good = to - from_ == to_last - from_last
    size = np.where(good, to - from_, 0)
    run, low = ranges(from_, size)
    high = low + (from_last - from_)[run]
    same = (told.what[low] == told.what[high]).all(axis=1) & (told.by[low] == told.by[high])
    one, other = (rows(points.normal, told.first[each]) for each in (low, high))
    on_wall = told.what[low, 2] >= 0
    same &= (np.abs(one - other).max(axis=1, initial=0.0) <= SAME) | ~on_wall
    good &= np.bincount(run[~same], minlength=len(good)) == 0
    kept = good[run]
    return (run[kept], low[kept], high[kept]), good


def _followed(
    edges: Edges,
    begin: _Ints,
    points: Points,
    runs: Runs,
    alike: tuple[_Stretches, tuple[_Ints, _Ints, _Ints]],
    reach: float,
) -> Paths:
    """The paths of stretches that are alike: their ends, what is thinnest, and what makes their
    shape. That stands at the same share of the way at both ends, or each is paired with the one
    that comes as the same from the stretch's start."""
    told, (run, *pair) = alike
    count = len(run)
    every = np.arange(count)
    ends = [(told.first[each], told.thin[each], told.last[each]) for each in pair]
    thin = np.flatnonzero(ends[0][1] >= 0)
    wide = np.flatnonzero((ends[0][0] < ends[0][2]) | (ends[1][0] < ends[1][2]))
    # Of the stretch, where within it, and the number at either end.
    rows_ = [
        (which, np.full(len(which), step), ends[0][column][which], ends[1][column][which])
        for column, (which, step) in enumerate(((every, 0.0), (thin, 1.0), (wide, 3.0)))
    ]
    place = points.place
    rows_ += _shaped(told, pair, ends, place)
    of, step, *numbers = (np.concatenate(each) for each in zip(*rows_, strict=True))
    order = np.lexsort((step, of))
    of, step, number = of[order], step[order], np.array(numbers)[:, order]
    places = []
    for side, (first, middle, last) in enumerate(ends):
        begins = np.where(step >= 1, np.where(middle[of] >= 0, middle[of], first[of]), first[of])
        stops = np.where((step < 1) & (middle[of] >= 0), middle[of], last[of])
        there = place[begins] + (step % 1) * (place[stops] - place[begins])
        places.append(np.where(number[side] >= 0, place[number[side]], there))
    what = told.what[pair[0][of]]
    seen = np.where(number[0] >= 0, number[0], number[1])
    normal = rows(points.normal, seen)
    far = (number >= 0) & ~np.isfinite(points.discs.radius[number])
    paths = Paths(
        run=run[of],
        edge=what[:, 0],
        place=np.array(places),
        number=number,
        radius=np.where(number >= 0, points.discs.radius[number], np.nan),
        kind=number,
        normal=normal,
        most=np.empty((2, len(of))),
        what=what,
        stretch=of,
        far=far[0] | far[1],
    )
    return paths._replace(most=_most(edges, begin, points, runs, paths, reach))


def _shaped(
    told: _Stretches, pair: list[_Ints], ends: list[tuple[_Ints, _Ints, _Ints]], place: _Floats
) -> list[tuple[_Ints, _Floats, _Ints, _Ints]]:
    """What makes the shape of stretches that are alike, pair by pair (`pair`, with the numbers of
    the first, the thinnest and the last of each in `ends`): of which pair, where within it (0 to 1
    up to the thinnest, 1 to 2 beyond it), and the numbers at either end, -1 where there is none."""
    every, count = np.arange(len(pair[0])), len(pair[0])
    shapes = []
    for each, (first, middle, last) in zip(pair, ends, strict=True):
        own = np.full(len(told.first), -1)
        own[each] = every
        of = own[np.searchsorted(told.first, told.shape, side="right") - 1]
        number, of = told.shape[of >= 0], of[of >= 0]
        number, of = number[number != middle[of]], of[number != middle[of]]
        past = (middle[of] >= 0) & (number > middle[of])
        begins = np.where(past, middle[of], first[of])
        stops = np.where(past | (middle[of] < 0), last[of], middle[of])
        share = (place[number] - place[begins]) / (place[stops] - place[begins])
        shapes.append((2 * of + past, share, number))
    (low_of, low_share, low), (high_of, high_share, high) = shapes
    many = [np.bincount(each, minlength=2 * count) for each in (low_of, high_of)]
    paired = many[0] == many[1]
    low_too, high_too = paired[low_of], paired[high_of]
    shaped = [
        (
            low_of[low_too] // 2,
            low_of[low_too] % 2 + (low_share[low_too] + high_share[high_too]) / 2,
            low[low_too],
            high[high_too],
        )
    ]
    for own, share, number, side in (
        (low_of[~low_too], low_share[~low_too], low[~low_too], 0),
        (high_of[~high_too], high_share[~high_too], high[~high_too], 1),
    ):
        none = np.full(len(own), -1)
        both = (number, none) if side == 0 else (none, number)
        shaped.append((own // 2, own % 2 + share, *both))
    return shaped


def _most(
    edges: Edges, begin: _Ints, points: Points, runs: Runs, paths: Paths, reach: float
) -> _Floats:
    """(2, p) between which radii at either end that of the disc on the way lies at most: what holds
    the disc at one end holds it all the way, or what does is nearer."""
    most = np.full((2, len(paths.run)), reach)
    sections = runs.first[paths.run], runs.last[paths.run]
    for side in (0, 1):
        number = paths.number[side]
        there = np.flatnonzero((number >= 0) & np.isfinite(points.discs.radius[number]))
        number, other = number[there], 1 - side
        held = points.discs.edge[number] - begin[sections[side][there]]
        start = begin[sections[other][there]]
        own, its = start + paths.edge[there], start + held
        point = rows(edges.start, own)
        point = point + paths.place[other, there, None] * rows(edges.along, own)
        (ax, ay), (ex, ey) = (rows(edges.start, its) - point).T, rows(edges.along, its).T
        nx, ny = rows(paths.normal, there).T
        qx, qy = touched((ax.copy(), ay.copy()), (ex, ey), edges.length[its], (nx, ny))
        value = value_of(qx, qy, nx, ny)
        value[ax * ey <= ay * ex] = np.inf
        radius = points.discs.radius[number]
        better = np.flatnonzero(np.maximum(radius, value) < most[:, there].max(axis=0))
        most[side, there[better]] = radius[better]
        most[other, there[better]] = value[better]
    return most * (1 + 2 * TIE) + SLACK
