"""Chains: pieces of outline that hardly bend, and which of them can bound a wall together.

A wall lies between two pieces of outline that face each other within its thickness. Most outline
faces nothing, and is never asked. To find out which, the outline is cut into chains: one long
edge, or neighbouring short ones. A chain is known by three bounds, and a pair of chains may bound
a wall only if all three allow it:

    distance   of their boxes: no more than the largest thickness
    direction  every normal that a disc may touch them with lies in a cone; from the one cone to
               the other the normals in space must come to be 140 degrees apart
    side       each lies, in part at least, on the searched side of the other

        ____________________            ___  a convex corner: nothing touches the corner itself
       |  ->            <-  |          |
       |     they face      |       ___|     a re-entrant one: a disc may touch it with any normal
                                             between those of its two edges, so both their cones
                                             reach from one to the other

No bound is an estimate, so what is left out bounds no wall.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import columns, distinct, dot, rows
from wallguard.base.errors import TooLargeError
from wallguard.walls.boxes import Boxes, meetings, near_each_other
from wallguard.walls.edges import Edges
from wallguard.walls.effort import Effort

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Two boundaries face each other when their outward normals are at least 140 degrees apart: then a
# wedge of up to 40 degrees is a tapering wall, and a corner of 45 degrees or more is a corner.
FACING = -float(np.cos(np.radians(40.0)))
# A chain is about this share of the largest thickness long, and this long at least (mm): longer
# ones face more, shorter ones are more to look at (tried on the benchmark parts).
_SHARE, LONG = 0.25, 1.0
# Edges of one chain lie within this angle, so that it is monotone along its chord.
_BEND = 0.6
# Added to bounds, so that computing error decides nothing (mm, and radians).
_SLACK = 1e-6
# So many pairs are kept at a time, some 110 bytes each: of any outlines, and for each chain. Usual
# parts have some 50 for each, the worst of those tried 680.
_KEPT, _KEPT_EACH = 2_000_000, 60
# What is no deeper below a line lies on it (mm): `discs.value_of` reaches nothing there.
_TOUCH = 1e-9


@dataclass(frozen=True)
class Chains:
    """Chains of the edges of `Edges`, which are numbered on end along each ring. mm and radians.

    chain         (n,) the chain of each edge
    first, size   (c,) a chain's edges are first to first + size - 1
    section       (c,)
    start, along, length, off  (c, 2), (c, 2), (c,), (c,): no point of the chain lies farther than
                  `off` from the segment that begins at `start` and is `length` long
    low, high     (c, 2) its box
    middle, half  (c,) the cone of its normals: its direction in the plane, and half its angle
    cosine        (c,) the greatest cosine of the surface's lean
    sine          (c, 2) the least and the greatest sine of it
    normals       (c, 6) of a chain of one edge, all that a disc may touch it with: the normal along
                  it, and those at its start and at its end that are farthest from that
    """

    chain: _Ints
    first: _Ints
    size: _Ints
    section: _Ints
    start: _Floats
    along: _Floats
    length: _Floats
    off: _Floats
    low: _Floats
    high: _Floats
    middle: _Floats
    half: _Floats
    cosine: _Floats
    sine: _Floats
    normals: _Floats

    @cached_property
    def segment(self) -> _Floats:
        """(6, c) start, along, length and off."""
        return columns(self.start, self.along, self.length, self.off)

    @cached_property
    def box(self) -> _Floats:
        """(4, c) low and high."""
        return columns(self.low, self.high)

    @cached_property
    def cone(self) -> _Floats:
        """(5, c) middle, half, cosine and sine."""
        return columns(self.middle, self.half, self.cosine, self.sine)

    @cached_property
    def view(self) -> _Floats:
        """(8, c) cosine and sine of the cone's middle, the sine of its half (inf where it is right
        or more), the ends, and off: see `_before`."""
        open_ = np.where(self.half >= np.pi / 2, np.inf, np.sin(np.minimum(self.half, np.pi / 2)))
        end = self.start + self.length[:, None] * self.along
        cone = np.cos(self.middle), np.sin(self.middle), open_
        return columns(*cone, self.start, end, self.off)

    @cached_property
    def corners(self) -> _Floats:
        """(10, c) the ends, and `normals`: see `_before_edge`."""
        end = self.start + self.length[:, None] * self.along
        return columns(self.start, end, self.normals)


def turns(edges: Edges, which: _Ints | None = None) -> _Floats:
    """(n,) how far the outline turns left at each edge's start, radians; negative: re-entrant.

    which  (n,) of these edges; None: of all
    """
    some = slice(None) if which is None else which
    ahead, behind = edges.along[some], edges.along[edges.before[some]]
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    turn: _Floats = np.arctan2(cross, dot(behind, ahead))
    return turn


def chain_length(largest: float) -> float:
    """How long chains of short edges are, where walls up to `largest` thick are looked for."""
    return max(LONG, _SHARE * largest)


def chains_of(edges: Edges, turn: _Floats, step: float, like: Chains | None = None) -> Chains:
    """Cut outlines into chains of edges about `step` long together; a longer edge is one alone.

    turn  of each edge, see `turns`
    like  cut them as these, which are of outlines with as many edges
    """
    count = len(edges.length)
    # Air's edges are the same ones run backward: the next along the ring is numbered one less.
    forward = count < 2 or edges.before[1] == 0
    after = edges.after
    angle = np.append(0.0, turn[1:] if forward else -turn[:-1])
    # From each ring's first edge on, so that a section's chains are the same beside any others.
    begins = np.flatnonzero(np.append(True, edges.ring[1:] != edges.ring[:-1]))
    angle = np.cumsum(angle)
    angle -= np.repeat(angle[begins], np.diff(np.append(begins, count)))
    first = _firsts(edges, angle, step) if like is None else like.first
    size = np.diff(np.append(first, count))
    chain = np.repeat(np.arange(len(first)), size)
    last = first + size - 1

    end = edges.start + edges.length[:, None] * edges.along
    begins, ends = (first, last) if forward else (last, first)
    start = rows(edges.start, begins)
    chord = end[ends] - start
    length = np.hypot(chord[:, 0], chord[:, 1])
    along = chord / np.maximum(length, 1e-12)[:, None]
    away = edges.start - rows(start, chain)
    way = rows(along, chain)
    beside = np.abs(way[:, 0] * away[:, 1] - way[:, 1] * away[:, 0])
    run = dot(away, way)
    beside = np.maximum(beside, np.maximum(-run, run - length[chain]))

    inward = rows(edges.inward, first)
    relative = angle - angle[first][chain]
    lowest = np.minimum.reduceat(relative + np.minimum(turn[after], 0.0), first)
    highest = np.maximum.reduceat(relative - np.minimum(turn, 0.0), first)
    cosine, sine = edges.lean.T
    return Chains(
        chain=chain,
        first=first,
        size=size,
        section=edges.section[first].astype(np.int64),
        start=start,
        along=along,
        length=length,
        off=np.where(size == 1, 0.0, np.maximum.reduceat(beside, first)),
        low=np.minimum.reduceat(np.minimum(edges.start, end), first, axis=0),
        high=np.maximum.reduceat(np.maximum(edges.start, end), first, axis=0),
        middle=np.arctan2(inward[:, 1], inward[:, 0]) + (lowest + highest) / 2,
        half=(highest - lowest) / 2 + _SLACK,
        cosine=np.maximum.reduceat(cosine, first),
        sine=np.column_stack([np.minimum.reduceat(sine, first), np.maximum.reduceat(sine, first)]),
        normals=_normals(edges, turn, first, after[first]),
    )


def _firsts(edges: Edges, angle: _Floats, step: float) -> _Ints:
    """(c,) the first edge of each chain; angle (n,): how far each edge is turned from the first."""
    fresh = np.append(True, edges.ring[1:] != edges.ring[:-1])
    long = edges.length > step
    place = np.floor(edges.at / step).astype(np.int64)
    bend = np.floor(angle / _BEND).astype(np.int64)
    fresh[1:] |= (place[1:] != place[:-1]) | (bend[1:] != bend[:-1]) | long[1:] | long[:-1]
    return np.flatnonzero(fresh)


def _normals(edges: Edges, turn: _Floats, which: _Ints, after: _Ints) -> _Floats:
    """`Chains.normals` of the edges numbered `which`, each followed by that numbered `after`."""
    inward = edges.inward
    own = rows(inward, which)
    start = np.where((turn[which] < 0)[:, None], rows(inward, edges.before[which]), own)
    end = np.where((turn[after] < 0)[:, None], rows(inward, after), own)
    return np.column_stack([own, start, end])


class Pairs(NamedTuple):
    """Pairs of chains (k,), and the gap between their boxes (mm)."""

    one: _Ints
    other: _Ints
    gap: _Floats

    def chosen(self, which: _Ints) -> Pairs:
        return Pairs(self.one[which], self.other[which], self.gap[which])

    def both_ways(self) -> Pairs:
        """The same and the same turned round."""
        one, other = np.concatenate([self.one, self.other]), np.concatenate([self.other, self.one])
        return Pairs(one, other, np.tile(self.gap, 2))


class Near(NamedTuple):
    """Pairs of chains of one section: those of which the other may be reached by a disc that
    touches the one (`reached`, each chain with itself among them), and those that may bound a wall
    together (`face`), or might if no surface leaned (`level`), each once."""

    reached: Pairs
    face: Pairs
    level: Pairs


def near_pairs(chains: Chains, largest: float, effort: Effort) -> Near:
    """What discs up to `largest` (mm) across that touch chains may touch as well.

    Raises TooLargeError where outlines lie so close together that it would take minutes, or where
    more pairs would have to be kept than memory should hold.
    """
    rooms = _rooms(chains, largest)
    room = columns(rooms.low, rooms.high)
    reached, face, level = [], [], []
    boxes = Boxes(chains.low, chains.high, chains.section)
    kept, most = 0, _KEPT + _KEPT_EACH * len(chains.first)
    for left, right in meetings(rooms, boxes, largest / 2):
        gap = _gap(chains.box, left, right)
        pairs = Pairs(left, right, gap).chosen(np.flatnonzero(gap <= largest))
        reached.append(pairs)
        effort.spend(len(pairs.one))
        kept += len(pairs.one)
        if kept > most:
            raise TooLargeError(
                f"more than {most:,} pairs of pieces of outline no farther apart than {largest:g} "
                "mm, in a few layers,"
            )
        pairs = pairs.chosen(np.flatnonzero(pairs.one < pairs.other))
        # A disc that touches both touches either one from its own side.
        low_x, low_y, high_x, high_y = (each.take(pairs.one) for each in chains.box)
        its = (each.take(pairs.other) for each in room)
        back = next(its) <= high_x
        back &= next(its) <= high_y
        back &= next(its) >= low_x
        back &= next(its) >= low_y
        pairs = pairs.chosen(np.flatnonzero(back))
        faces, levels = _facing(chains, pairs.one, pairs.other, largest)
        face.append(pairs.chosen(np.flatnonzero(faces)))
        level.append(pairs.chosen(np.flatnonzero(levels)))
    return Near(*(_in_a_row(each) for each in (reached, face, level)))


def _in_a_row(pairs: list[Pairs]) -> Pairs:
    none = np.zeros(0, np.int64)
    pairs = pairs or [Pairs(none, none, np.zeros(0))]
    return Pairs(*(np.concatenate(each) for each in zip(*pairs, strict=True)))


def _rooms(chains: Chains, largest: float) -> Boxes:
    """A box round all discs up to `largest` (mm) across that touch each chain."""
    radius = largest / 2
    way = np.column_stack([np.cos(chains.middle), np.sin(chains.middle)])
    # How far a normal of the cone is from its middle at most.
    off = 2 * np.sin(np.minimum(chains.half, np.pi) / 2)[:, None]
    least, most = np.maximum(way - off, -1.0), np.minimum(way + off, 1.0)
    low, high = chains.low + radius * (least - 1), chains.high + radius * (most + 1)
    return Boxes(low - _SLACK, high + _SLACK, chains.section)


def _gap(box: _Floats, one: _Ints, other: _Ints) -> _Floats:
    """Between each pair of boxes, (4, c) low and high: how far they lie apart."""
    low_x, low_y, high_x, high_y = (each.take(one) for each in box)
    its = (each.take(other) for each in box)
    x, y = next(its) - high_x, next(its) - high_y
    low_x -= next(its)
    low_y -= next(its)
    np.maximum(np.maximum(x, low_x, out=x), 0.0, out=x)
    np.maximum(np.maximum(y, low_y, out=y), 0.0, out=y)
    x *= x
    y *= y
    x += y
    gap: _Floats = np.sqrt(x, out=x)
    return gap


def newly_near(lower: Chains, upper: Chains, reach: float, most: _Floats) -> _Ints:
    """Sections of `lower` whose outlines slide straight to those of `upper`, chain for chain, where
    on the way a pair may bound a wall up to `reach` (mm) that may not do so at both ends.

    most  (c,) how large discs that touch each chain are at most, mm

    All that a bound asks moves straight: so what is nowhere before a chain at either end never is.
    """
    boxes = Boxes(
        np.minimum(lower.low, upper.low), np.maximum(lower.high, upper.high), lower.section
    )
    found = [lower.section[:0]]
    for one, other in near_each_other(boxes, reach):
        face, always = np.zeros(len(one), bool), np.ones(len(one), bool)
        for chains in (lower, upper):
            faces = _facing(chains, one, other, reach)[0]
            face |= faces
            always &= faces & (_gap(chains.box, one, other) <= reach)
        odd = np.flatnonzero(face & ~always)
        apart = _least_gap((lower, upper), one[odd], other[odd])
        larger = np.maximum(most[one[odd]], most[other[odd]])
        odd = odd[apart <= np.minimum(larger, reach)]
        for own, its in ((one, other), (other, one)):
            odd = odd[~_too_deep((lower, upper), own[odd], its[odd], reach)]
        found.append(lower.section[one[odd]])
    return distinct(np.concatenate(found))


def _least_gap(both: tuple[Chains, Chains], one: _Ints, other: _Ints) -> _Floats:
    """How far the boxes of pairs that slide straight lie apart at least on the way.

    Their corners move straight, and so does how far they lie apart in any one direction: it is
    taken in those in which they lie apart at either end.
    """
    ends = []
    for chains in both:
        low_x, low_y, high_x, high_y = (each.take(one) for each in chains.box)
        its_x, its_y, its_high_x, its_high_y = (each.take(other) for each in chains.box)
        # Beyond the one to the right, and to the left: above 0 where the boxes lie apart so.
        ends.append(((its_x - high_x, low_x - its_high_x), (its_y - high_y, low_y - its_high_y)))
    least = np.zeros(len(one))
    for end in ends:
        ways = [(np.maximum(right, 0.0), np.maximum(left, 0.0)) for right, left in end]
        size = np.sqrt(sum(each * each for way in ways for each in way) + 1e-24)
        apart = np.full(len(one), np.inf)
        for each in ends:
            along = sum(
                part * way
                for parts, way_of in zip(each, ways, strict=True)
                for part, way in zip(parts, way_of, strict=True)
            )
            np.minimum(apart, along / size, out=apart)
        np.maximum(least, apart, out=least)
    return least - _SLACK


def _too_deep(both: tuple[Chains, Chains], one: _Ints, other: _Ints, reach: float) -> _Bools:
    """Whether the other chain lies deeper than `reach` below the one, if that is an edge, all the
    way: a disc that touches both is at least that large."""
    deep: _Bools = both[0].size[one] == 1
    for chains in both:
        start, normals = rows(chains.start, one), rows(chains.normals, one)
        end, begin = (
            start + chains.length[one, None] * rows(chains.along, one),
            rows(chains.start, other),
        )
        for point in (begin, begin + chains.length[other, None] * rows(chains.along, other)):
            for column, corner in ((0, start), (2, start), (4, end)):
                depth = dot(normals[:, column : column + 2], point - corner)
                deep &= depth - chains.off[other] > reach + _SLACK
    return deep


def _facing(chains: Chains, one: _Ints, other: _Ints, largest: float) -> tuple[_Bools, _Bools]:
    """Whether each pair may bound a wall up to `largest` (mm) together, and whether they might if
    no surface leaned."""
    middle, half, cosine, low, high = (each.take(one) for each in chains.cone)
    middle_, half_, cosine_, low_, high_ = (each.take(other) for each in chains.cone)
    apart = middle - middle_
    apart -= 2 * np.pi * np.rint(apart / (2 * np.pi))
    np.abs(apart, out=apart)
    apart += half
    apart += half_
    opposite = np.cos(np.minimum(apart, np.pi, out=apart))
    lean = np.minimum(
        np.minimum(low * low_, low * high_),
        np.minimum(high * low_, high * high_),
    )
    lean += np.minimum(opposite, 0.0) * cosine * cosine_
    face, level = lean <= FACING + _SLACK, opposite <= FACING + _SLACK
    which = np.flatnonzero(face | level)
    for own, its in ((one, other), (other, one)):
        which = which[_before(chains.view, own[which], its[which])]
    for own, its in ((one, other), (other, one)):
        alone = np.flatnonzero(chains.size[own[which]] == 1)
        some = which[alone]
        kept = np.ones(len(which), bool)
        kept[alone] = _before_edge(chains, own[some], its[some], largest)
        which = which[kept]
    ahead = np.zeros(len(one), bool)
    ahead[which] = True
    return face & ahead, level & ahead


def _before(view: _Floats, one: _Ints, other: _Ints) -> _Bools:
    """Whether a part of the other chain lies on the searched side of the one; view: of all chains.

    A vector v has a positive share of some normal in the cone about m of half-angle h if
    m.v + sin(h) |v| > 0; that is convex in v, so the four vectors from the ends of the one to the
    ends of the other decide.
    """
    x, y, open_, *ends, off = (each.take(one) for each in view)
    *its, off_ = (each.take(other) for each in view[3:])
    slack = 2 * (off + off_) + _SLACK
    before: _Bools = np.isinf(open_)
    open_ = np.where(before, 0.0, open_)
    for own_x, own_y in (ends[:2], ends[2:]):
        for its_x, its_y in (its[:2], its[2:]):
            away_x, away_y = its_x - own_x, its_y - own_y
            way = np.sqrt(away_x * away_x + away_y * away_y)
            before |= x * away_x + y * away_y + open_ * way + slack > 0
    return before


def _before_edge(chains: Chains, edge: _Ints, other: _Ints, largest: float) -> _Bools:
    """The same where the one chain is a single edge. All of it has one normal, and each corner
    those from there to its neighbour's, so the ends of these decide; what merely touches its line
    or its corner, as the next edge of a convex outline does, does not lie before it. Nor does what
    lies so little below it that a disc which touches both is larger than `largest` (mm): at the
    distance d and the depth h that is d^2 / h across."""
    start_x, start_y, end_x, end_y, *normals = (each.take(edge) for each in chains.corners)
    its = [each.take(other) for each in chains.corners[:4]]
    deepest = np.full(len(edge), -np.inf)
    corners = (start_x, start_y), (start_x, start_y), (end_x, end_y)
    # Between the normals at a corner one may look deeper than both, so much at most.
    own_x, own_y = normals[:2]
    more = np.ones(len(edge))
    for nx, ny in (normals[2:4], normals[4:6]):
        half = np.sqrt(np.maximum(1 + nx * own_x + ny * own_y, 1e-12) / 2)
        np.maximum(more, 1 / half, out=more)
    for x, y in (its[:2], its[2:]):
        for number, (own_x, own_y) in enumerate(corners):
            nx, ny = normals[2 * number : 2 * number + 2]
            np.maximum(deepest, nx * (x - own_x) + ny * (y - own_y), out=deepest)
    deepest += chains.off.take(other)
    gap = _gap(chains.box, edge, other)
    before: _Bools = (deepest > _TOUCH) & (
        gap * gap <= (largest + _SLACK) * (more * deepest + _SLACK)
    )
    return before
