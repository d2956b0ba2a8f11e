"""Pieces of walls that lie over each other, from layer to layer.

A slab is a run of layers that share one section, a node one piece of wall in one slab. A node goes
on in the next slab where the middles of both come near each other and run alike:

      middle of a piece above    o---------------o
                                       : near?             every sample of either one against the
      middle of the piece below     o--------o---------o   lines between the samples of the other

As both are lines that run alike, an end of one lies beside the other wherever they overlap, so the
few samples of a long straight wall are enough. A wall that leans moves on by height times slope
from layer to layer: a sample and a line are looked for where they stand, and either of them where
the lean of its two faces takes it, so a wall holds together however far it leans.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import columns, connected, ranges, rows
from wallguard.sections.sections import Sections
from wallguard.walls.boxes import Boxes, meetings
from wallguard.walls.edges import Edges
from wallguard.walls.joins import ALONG, Links, Walls
from wallguard.walls.spans import Bridges

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Middles this near are over each other: mm, and layers.
_NEAR, _NEAR_LAYERS = 0.3, 1.5
# Of samples that stand closer than this along an outline (mm) and turn by less (radians), one
# speaks for all.
_APART, _TURN = 1.0, 0.5
# Nearly level faces, whose section moves by more from layer to layer (mm), are not followed there.
_FARTHEST = 5.0
# Every so many of a piece's samples are asked first, where there are at most so many pairs of
# pieces a sample.
_STEP, _FEW = 16, 4


@dataclass(frozen=True)
class Nodes:
    """Pieces in slabs, (n,) each: the piece, the first and last layer, the wall followed upward
    within one group (`label`), the connected wall of whatever group (`wall`), and whether its
    thickness counts for the wall (`counts`); and pairs of nodes over each other (`lower`,
    `upper`)."""

    piece: _Ints
    first: _Ints
    last: _Ints
    label: _Ints
    wall: _Ints
    counts: NDArray[np.bool_]
    lower: _Ints
    upper: _Ints


def nodes_of(
    sections: Sections, edges: Edges, walls: Walls, links: Links, found: tuple[Bridges, _Ints]
) -> Nodes:
    """Follow pieces upward; found: all pieces, and the piece of each wall sample."""
    bridges, piece = found
    pieces = bridges.pieces
    distinct = sections.distinct.astype(np.int64)
    first = np.flatnonzero(np.diff(distinct, prepend=-2))
    last = np.append(first[1:], len(distinct)) - 1
    slab_section = distinct[first]
    order = np.argsort(pieces.section, kind="stable")
    begin = np.searchsorted(pieces.section[order], slab_section, side="left")
    size = np.searchsorted(pieces.section[order], slab_section, side="right") - begin
    slab, place = ranges(begin, size)
    start = np.cumsum(size) - size
    node_piece = order[place]
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))

    speakers = _speakers(edges, walls, links, piece, sections.layer_height)
    near = max(_NEAR, _NEAR_LAYERS * sections.layer_height)
    lower_slab, below, above = _over_each_other(
        speakers, near, int(piece.max()) + 1, slab_section, bridges
    )
    # From (slab, piece) to node: pieces of a section stand in `order`.
    lower = start[lower_slab] + rank[below] - begin[lower_slab]
    upper = start[lower_slab + 1] + rank[above] - begin[lower_slab + 1]
    alike = pieces.group[below] == pieces.group[above]
    _, label = connected(lower[alike], upper[alike], len(slab))
    # One connected wall: pieces of one wall in a section, and what lies over each other, of
    # whatever thickness: a rib that gets thinner upward is one wall.
    whole = pieces.whole[node_piece]
    beside = np.lexsort((whole, slab))
    same = np.flatnonzero((np.diff(slab[beside]) == 0) & (np.diff(whole[beside]) == 0))
    _, wall = connected(
        np.concatenate([lower, beside[same]]), np.concatenate([upper, beside[same + 1]]), len(slab)
    )
    counts = np.ones(len(slab), bool)
    return Nodes(node_piece, first[slab], last[slab], label, wall, counts, lower, upper)


class _Speakers(NamedTuple):
    """Wall samples that speak for others: their piece, section, place, the direction across the
    wall, how far it moves on in the next layer (n, 2), and the line to the next: way (n, 2)."""

    piece: _Ints
    section: _Ints
    centre: _Floats
    normal: _Floats
    shift: _Floats
    way: _Floats

    def chosen(self, which: _Ints) -> _Speakers:
        return _Speakers(
            self.piece[which],
            self.section[which],
            rows(self.centre, which),
            rows(self.normal, which),
            rows(self.shift, which),
            rows(self.way, which),
        )


def _speakers(
    edges: Edges, walls: Walls, links: Links, piece: _Ints, layer_height: float
) -> _Speakers:
    at = walls.samples.at[walls.number]
    angle = np.arctan2(walls.normal[:, 1], walls.normal[:, 0])
    place = np.floor(at / _APART).astype(np.int64)
    way = np.floor(angle / _TURN).astype(np.int64)
    follows = np.zeros(len(piece), bool)
    ahead = links.ahead[:-1]
    follows[1:] = (ahead == np.arange(1, len(piece))) & (piece[1:] == piece[:-1])
    fresh = ~follows
    fresh[1:] |= (place[1:] != place[:-1]) | (way[1:] != way[:-1])
    # And the last of each run, or what lies beyond it would not be seen.
    fresh[:-1] |= ~follows[1:]
    if len(fresh):
        fresh[-1] = True
    chosen = np.flatnonzero(fresh)
    # The next that speaks, where the run goes on to it; round the ring's start as well.
    after = links.ahead[chosen]
    goes_on = (after != chosen) & (piece[after] == piece[chosen])
    next_ = np.append(chosen[1:], chosen[-1:])
    target = np.where(after < chosen, after, next_)
    target = np.where(goes_on, target, chosen)
    lean = edges.lean
    slope = lean[:, 1] / np.maximum(lean[:, 0], 1e-9)
    own, held = walls.edge[chosen], walls.samples.discs.edge[walls.number[chosen]]
    move = np.clip(layer_height / 2 * (slope[own] - slope[held]), -_FARTHEST, _FARTHEST)
    return _Speakers(
        piece[chosen],
        walls.section[chosen],
        rows(walls.centre, chosen),
        rows(walls.normal, chosen),
        move[:, None] * rows(walls.normal, chosen),
        rows(walls.centre, target) - rows(walls.centre, chosen),
    )


def _over_each_other(
    speakers: _Speakers, near: float, count: int, slab_section: _Ints, bridges: Bridges
) -> tuple[_Ints, _Ints, _Ints]:
    """Slabs, pieces in them, and pieces in the next slab that lie over those; each once.

    count  of pieces that have samples
    """
    total = int(slab_section.max(initial=0)) + 1
    # Sections of one span on end: what of them belongs together is known.
    bridged = np.zeros(total + 1, bool)
    bridged[bridges.section] = True
    on_end = np.diff(slab_section) == 1
    over = np.flatnonzero(on_end & bridged[slab_section[:-1]])
    # Neighbouring sections, however often one lies over the other.
    pair = np.column_stack([slab_section[:-1], slab_section[1:]])
    full = np.flatnonzero((pair >= 0).all(axis=1) & ~(on_end & bridged[pair[:, 0]]))
    codes, kind = np.unique(pair[full, 0] * total + pair[full, 1], return_inverse=True)
    kinds = np.column_stack([codes // total, codes % total])
    # What lies beside what in the first section of a span lies over it in the next.
    own = np.column_stack([bridges.first, bridges.first])
    met = _met(speakers, np.concatenate([kinds, own]), count, near)
    which, low, high = met // count**2, met // count % count, met % count
    # Each kind of neighbours in all the slabs where it comes.
    slabs = np.argsort(kind, kind="stable")
    bounds = np.searchsorted(kind[slabs], np.arange(len(kinds) + 1))
    between = which < len(kinds)
    row, place = ranges(bounds[which[between]], np.diff(bounds)[which[between]])
    slab = np.full(total, -1)
    slab[slab_section[over]] = over
    known = np.flatnonzero(slab[bridges.section] >= 0)
    lower, upper = bridges.lower[known], bridges.upper[known]
    next_ = np.full(len(bridges.pieces.low), -1)
    next_[lower] = upper
    beside = np.flatnonzero(~between & (low != high) & (next_[high] >= 0))
    first = bridges.first[which[beside] - len(kinds)]
    return (
        np.concatenate([full[slabs[place]], slab[bridges.section[known]], slab[first]]),
        np.concatenate([low[between][row], lower, low[beside]]),
        np.concatenate([high[between][row], upper, next_[high[beside]]]),
    )


class _Rows(NamedTuple):
    """Pieces in the order of their sections, (p,) each: the piece, its section, its speakers
    members[first] to members[first + size - 1], and the box that they, their lines to the next and
    where they look for others lie in, (p, 2) low and high."""

    piece: _Ints
    section: _Ints
    members: _Ints
    first: _Ints
    size: _Ints
    low: _Floats
    high: _Floats

    @classmethod
    def of(cls, speakers: _Speakers) -> _Rows:
        members = np.lexsort((speakers.piece, speakers.section))
        piece = speakers.piece[members]
        first = np.flatnonzero(np.diff(piece, prepend=-1))
        centre, shift = rows(speakers.centre, members), np.abs(rows(speakers.shift, members))
        end = centre + rows(speakers.way, members)
        return cls(
            piece[first],
            speakers.section[members[first]],
            members,
            first,
            np.diff(np.append(first, len(members))),
            np.minimum.reduceat(np.minimum(centre, end) - shift, first),
            np.maximum.reduceat(np.maximum(centre, end) + shift, first),
        )


def _met(speakers: _Speakers, kinds: _Ints, count: int, near: float) -> _Ints:
    """Pairs of pieces over each other as (kind * count + lower) * count + upper, rising.

    Two pieces can be that only where their boxes come near each other. In sections of few pieces a
    few samples of each find most of the pairs, and then only those samples are asked that lie near
    the box of a piece which has not been met yet.
    """
    spans = _Rows.of(speakers)
    begin, end = (np.searchsorted(spans.section, kinds, side=way) for way in ("left", "right"))
    many = end - begin
    before = np.append(0, np.cumsum(spans.size))
    few = many.prod(axis=1) <= _FEW * (before[end] - before[begin]).sum(axis=1)
    found = []

    def ask(own: int, kind: _Ints, asker: _Ints, last: _Bools | bool) -> None:
        askers, up = speakers.chosen(asker), (1.0, -1.0)[own]
        one, other = _beside(askers, kinds[kind, 1 - own], speakers, up, near, last)
        low, high = (askers.piece[one], speakers.piece[other])[:: int(up)]
        found.append((kind[one] * count + low) * count + high)

    for own in (0, 1):
        kind, row = ranges(begin[:, own], many[:, own])
        step = np.where(few[kind], _STEP, 1)
        which, place = ranges(0, -(-spans.size[row] // step))
        asker = spans.members[spans.first[row[which]] + place * step[which]]
        ask(own, kind[which], asker, ~few[kind[which]])
    met = _distinct(np.concatenate(found))
    of_few = np.flatnonzero(few)
    which, place = ranges(0, many[of_few].prod(axis=1))
    kind = of_few[which]
    below, above = np.divmod(place, many[kind, 1])
    below, above = below + begin[kind, 0], above + begin[kind, 1]
    open_ = np.ones(len(kind), bool)
    for low, high in zip(spans.low.T, spans.high.T, strict=True):
        open_ &= low[below] <= high[above] + near
        open_ &= low[above] <= high[below] + near
    open_ &= ~_among((kind * count + spans.piece[below]) * count + spans.piece[above], met)
    kind, pair = kind[open_], (below[open_], above[open_])
    for own in (0, 1):
        which, place = ranges(spans.first[pair[own]], spans.size[pair[own]])
        asker, its = spans.members[place], pair[1 - own][which]
        point, reach = rows(speakers.centre, asker), np.abs(rows(speakers.shift, asker)) + near
        meets = np.ones(len(its), bool)
        for axis, (low, high) in enumerate(zip(spans.low.T, spans.high.T, strict=True)):
            meets &= point[:, axis] >= low[its] - reach[:, axis]
            meets &= point[:, axis] <= high[its] + reach[:, axis]
        key = _distinct(kind[which[meets]] * len(speakers.piece) + asker[meets])
        ask(own, *np.divmod(key, len(speakers.piece)), True)
    return _distinct(np.concatenate([met, *found[2:]]))


def _distinct(values: _Ints) -> _Ints:
    """Rising and each once."""
    ordered = np.sort(values)
    once: _Ints = ordered[np.diff(ordered, prepend=-1) != 0]
    return once


def _among(values: _Ints, ordered: _Ints) -> NDArray[np.bool_]:
    """Which of the values are among the rising ones."""
    if not len(ordered):
        return np.zeros(len(values), bool)
    place = np.minimum(np.searchsorted(ordered, values), len(ordered) - 1)
    among: NDArray[np.bool_] = ordered[place] == values
    return among


def _beside(
    askers: _Speakers,
    section: _Ints,
    speakers: _Speakers,
    up: float,
    near: float,
    last: _Bools | bool,
) -> tuple[_Ints, _Ints]:
    """Pairs (asker, speaker of the section that it asks in) that lie over each other: where the
    asker stands or moves to, or, of those that are asked for the last time, where the speaker's
    line moves to."""
    everyone, moving = np.arange(len(section)), _moving(askers, near)
    who = np.concatenate([everyone, moving])
    point = rows(askers.centre, who)
    point[len(section) :] += up * rows(askers.shift, moving)
    stays = np.arange(len(speakers.piece)), speakers.centre
    left = np.flatnonzero(np.broadcast_to(last, len(section)))
    moved = _moving(speakers, near) if len(left) else left
    goes = moved, rows(speakers.centre, moved) - up * rows(speakers.shift, moved)
    one, other = (
        np.concatenate(each)
        for each in zip(
            _close((askers, who, point), section, speakers, stays, near),
            _close((askers, left, rows(askers.centre, left)), section, speakers, goes, near),
            strict=True,
        )
    )
    return one, other


def _moving(speakers: _Speakers, near: float) -> _Ints:
    """Those that move on too far from layer to layer to be taken to stand."""
    return np.flatnonzero(np.hypot(*speakers.shift.T) > near / 4)


def _close(
    asking: tuple[_Speakers, _Ints, _Floats],
    section: _Ints,
    speakers: _Speakers,
    there: tuple[_Ints, _Floats],
    near: float,
) -> tuple[_Ints, _Ints]:
    """Pairs (asker, speaker) where a point lies close to a line, and both run alike.

    asking  the askers, the asker of each point, and the points (k, 2)
    there   the speakers whose lines are looked at, and where these begin (m, 2)
    """
    (askers, who, point), (those, begin) = asking, there
    ends = begin + rows(speakers.way, those)
    lines = Boxes(np.minimum(begin, ends), np.maximum(begin, ends), speakers.section[those])
    points = columns(point, rows(askers.normal, who))
    starts = columns(begin, rows(speakers.way, those), rows(speakers.normal, those))
    pairs = [(who[:0], who[:0])]
    for one, line in meetings(Boxes(point, point, section[who]).wider(near), lines, 4 * near):
        x, y, nx, ny = (each.take(one) for each in points)
        its_x, its_y, way_x, way_y, mx, my = (each.take(line) for each in starts)
        x -= its_x
        y -= its_y
        share = (x * way_x + y * way_y) / np.maximum(way_x * way_x + way_y * way_y, 1e-12)
        share = np.minimum(np.maximum(share, 0.0, out=share), 1.0, out=share)
        x -= share * way_x
        y -= share * way_y
        alike = np.abs(nx * mx + ny * my) >= ALONG
        kept = np.flatnonzero(alike & (x * x + y * y <= near * near))
        pairs.append((who[one[kept]], those[line[kept]]))
    return (
        np.concatenate([each for each, _ in pairs]),
        np.concatenate([each for _, each in pairs]),
    )
