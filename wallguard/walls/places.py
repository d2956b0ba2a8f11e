"""Where the thickness is asked: points along the outlines that can bound a wall.

    an edge that is                    has points
    ---------------------------------  -----------------------------------------------------------
    in a chain that faces no other     nowhere: it bounds no wall
    short (below about 1 mm)           in its middle, or at most 0.5 mm apart
    long                               only where others face it: at both ends of every such stretch
                                       and straight across from the corners of what faces it;
                                       between these the thickness runs straight

        o--------o-----------------o---------------o       o  points on a long edge
        .        .                 .               .
        .        +-----------------+               .       what faces it
        |<- R -> |                          |<- R ->|      R: the radius of the largest disc

A re-entrant corner is asked in directions at most 20 degrees apart, each turned to the narrowest.

Wherever neighbours on an edge differ in kind (wall or not, range of thickness, or what holds the
disc where it is no wall), more points are set between them until they stand 0.01 mm apart, and
0.0006 mm where a wall ends or is divided: on both sides of the place where, as far as the two edges
that hold them tell, the one turns into the other (`turning.py`), or else half-way. On a straight
edge a wall is thinnest straight across from a corner and thickest where it passes from one edge to
the next, so points are set there too where that makes more than 0.001 mm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import dot, lengths, ranges, rows
from wallguard.walls.chains import (
    FACING,
    Chains,
    Near,
    Pairs,
    chain_length,
    chains_of,
    near_pairs,
    turns,
)
from wallguard.walls.discs import (
    Discs,
    Search,
    chosen,
    largest_discs,
    together,
    touched,
    value_of,
)
from wallguard.walls.edges import Edges
from wallguard.walls.effort import Effort
from wallguard.walls.flanks import Lines, facing_of_corner
from wallguard.walls.turning import turns_at

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]
Grouping = Callable[[_Floats], _Ints]

# Short edges have points this far apart, and long ones where every place is asked for (mm).
STEP = 0.5
# Points are set closer until they stand this far apart, or so often: every second time the distance
# is halved, and 300 mm take 15 halvings.
_CLOSE, _ROUNDS = 0.01, 34
# Extremes of thickness, and the thickness where a wall is divided, are this exact (mm).
_EXACT = 0.001
# Where a wall ends between one short edge and the next, its thickness there is told to so much, mm,
# or to such a share of it.
_TOLD = 0.005
# Right at a knife edge, so that a taper is followed to its end; and on either side of a place
# where a disc turns from what it is at the one end into what it is at the other.
_INSET, _BESIDE = 0.005, 0.0003
_SPREAD = np.radians(20.0)
# Facets that turn by less than this are one curved face.
_FLAT = float(np.cos(np.radians(15.0)))


@dataclass(frozen=True)
class Outline:
    """Outlines made ready to be asked: their edges, how far each turns at its start, the normals
    to the searched side, whether each edge can bound a wall, and the pairs of chains that decided
    that (`pairs`), or that face each other as seen from above (`level`)."""

    edges: Edges
    turn: _Floats
    inward: _Floats
    active: _Bools
    long: _Bools
    whole: bool
    chains: Chains
    pairs: tuple[_Ints, _Ints]
    level: tuple[_Ints, _Ints]
    search: Search

    def on(self, edge: _Ints, place: _Floats) -> Discs:
        """The discs at places (mm from the start) on edges."""
        edges = self.edges
        point = rows(edges.start, edge) + place[:, None] * rows(edges.along, edge)
        return largest_discs(
            self.search, edge, point, rows(self.inward, edge), rows(edges.lean, edge)
        )


def ready(
    edges: Edges, largest: float, everywhere: bool = False, effort: Effort | None = None
) -> Outline:
    """Find out which edges can bound walls up to `largest` mm; all of them if `everywhere`.

    effort  what that and asking them may take; None: as much as it takes

    Raises TooLargeError as `near_pairs` does.
    """
    effort = effort or Effort.endless()
    turn = turns(edges)
    step = chain_length(largest)
    chains = chains_of(edges, turn, step)
    near = near_pairs(chains, largest, effort)
    active = np.full(len(chains.first), everywhere)
    active[near.face.one] = active[near.face.other] = True
    search = _search(edges, chains, largest / 2, near, active, effort)
    face, level = near.face.both_ways(), near.level.both_ways()
    return Outline(
        edges=edges,
        turn=turn,
        inward=edges.inward,
        active=active[chains.chain],
        long=edges.length > step,
        whole=everywhere,
        chains=chains,
        pairs=(face.one, face.other),
        level=(level.one, level.other),
        search=replace(search, faced=None) if everywhere else search,
    )


def _search(
    edges: Edges, chains: Chains, reach: float, near: Near, active: _Bools, effort: Effort
) -> Search:
    """What lies near the active chains, and what faces them."""
    count = np.arange(len(active) + 1)
    # There may be millions: nothing of them is made twice.
    reached = np.flatnonzero(active[near.reached.one])
    asking = near.reached.one[reached]
    begin = np.append(0, np.cumsum(np.bincount(asking, minlength=len(active))))
    reached = reached[np.argsort(asking, kind="stable")]
    del asking
    face = near.face.both_ways()
    face = face.chosen(np.argsort(face.one, kind="stable"))
    return Search(
        edges,
        chains,
        reach,
        begin=begin,
        near=near.reached.other[reached],
        gap=near.reached.gap[reached],
        faced=np.searchsorted(face.one, count),
        facing=face.other,
        nearest=_nearest(face, len(active)),
        effort=effort,
    )


def _nearest(pairs: Pairs, count: int) -> _Ints:
    """(count,) of each chain the nearest other, -1 where there is none; pairs: in order."""
    nearest = np.full(count, -1, np.int64)
    if len(pairs.one):
        first = np.flatnonzero(np.diff(pairs.one, prepend=-1))
        least = np.minimum.reduceat(pairs.gap, first)
        found = np.flatnonzero(pairs.gap == np.repeat(least, np.diff(first, append=len(pairs.one))))
        nearest[pairs.one[found]] = pairs.other[found]
    return nearest


def is_wall(edges: Edges, edge: _Ints, discs: Discs) -> _Bools:
    """Facing boundaries, save a circle's with itself: that is a pin or a hole, not a wall."""
    ring = edges.ring[edge]
    other = edges.ring[np.maximum(discs.edge, 0)]
    itself = (ring == other) & edges.round_ring[ring] & (discs.edge >= 0)
    wall: _Bools = (discs.facing <= FACING) & ~itself
    return wall


def is_blind(edges: Edges, edge: _Ints, discs: Discs) -> _Bools:
    """Right beside a flat convex vertex the next facet holds the disc, whatever lies across: such
    a place says nothing of the wall that both facets bound."""
    other = np.maximum(discs.edge, 0)
    beside = (edges.before[edge] == other) | (edges.before[other] == edge)
    blind: _Bools = (discs.edge >= 0) & beside & (discs.facing >= _FLAT)
    return blind


class Places(NamedTuple):
    """Points on edges, rising along each: edge (k,), place (k,) mm from its start, and `open_`
    (k,): whether what lies between a point and the next on its edge is to be asked."""

    edge: _Ints
    place: _Floats
    open_: _Bools


class _Events(NamedTuple):
    """Places on long edges where so many stretches begin (above 0) or end (below 0), or something
    merely is (0); `kept` are points whatever stands near them."""

    edge: _Ints
    place: _Floats
    change: _Ints
    kept: _Bools


def first_places(outline: Outline, corners: Discs, spacing: float) -> Places:
    """The points to begin with; on long edges also no farther apart than `spacing`, mm."""
    edges = outline.edges
    events = [*_facing(outline, spacing), _across(outline, corners)]
    event = _Events(*(np.concatenate(each) for each in zip(*events, strict=True)))
    event = _within(event, edges.length)
    place = event.place
    # What begins comes before what ends at the same place.
    order = np.lexsort((-event.change, place, event.edge))
    edge, place, kept = event.edge[order], place[order], event.kept[order]
    change = event.change[order]
    cover = np.cumsum(change) > 0
    first = np.append(True, edge[1:] != edge[:-1])
    before = np.append(False, cover[:-1] & ~first[1:])
    within = cover | before
    kept = kept | ((change > 0) & ~before) | ((change < 0) & ~cover)
    cell = np.floor(place / STEP).astype(np.int64)
    fresh = first | np.append(True, cell[1:] != cell[:-1])
    again = ~first & np.append(False, np.diff(place) < 1e-6)
    # Of what is at one place any may be what asks for a point there.
    apart = np.flatnonzero(~again[: len(place)])
    wanted = within & (kept | fresh)
    use = apart[np.logical_or.reduceat(wanted, apart)] if len(apart) else apart
    open_ = np.logical_or.reduceat(cover, use) if len(use) else np.zeros(0, bool)
    short = _on_short(outline, corners)
    edge, place = np.concatenate([edge[use], short[0]]), np.concatenate([place[use], short[1]])
    open_ = np.concatenate([open_, np.ones(len(short[0]), bool)])
    order = np.lexsort((place, edge))
    return Places(edge[order], place[order], open_[order])


def _inset(length: _Floats) -> _Floats:
    """How far (mm) from the ends of edges of these lengths their outermost points stand."""
    inset: _Floats = np.minimum(_INSET, length / 4)
    return inset


def _within(event: _Events, length: _Floats) -> _Events:
    """The events right within the ends of their edges, which have these lengths; of those that come
    to lie at one end of an edge one that begins as many stretches, one that ends as many, and one
    that merely is. Around an edge most of what faces it lies beyond its ends."""
    ends = length[event.edge]
    inset = _inset(ends)
    before, past = event.place <= inset, event.place >= ends - inset
    inner = np.flatnonzero(~(before | past))
    kept = [_Events(event.edge[inner], event.place[inner], event.change[inner], event.kept[inner])]
    for end, high in ((before, False), (past & ~before, True)):
        some = np.flatnonzero(end)
        for way in (1, 0, -1):
            of = some[event.change[some] == way]
            many = np.bincount(event.edge[of], minlength=len(length))
            forced = np.zeros(len(length), bool)
            forced[event.edge[of[event.kept[of]]]] = True
            edge = np.flatnonzero(many)
            inset = _inset(length[edge])
            place = length[edge] - inset if high else inset
            kept.append(_Events(edge, place, way * many[edge], forced[edge]))
    return _Events(*(np.concatenate(each) for each in zip(*kept, strict=True)))


def _facing(outline: Outline, spacing: float) -> list[_Events]:
    """Stretches of long edges that others face, and the points on them."""
    edges, chains, reach = outline.edges, outline.chains, outline.search.reach
    alone = outline.long & outline.active
    events = []

    def add(edge: _Ints, place: _Floats, change: int, kept: bool) -> None:
        count = len(edge)
        events.append(_Events(edge, place, np.full(count, change), np.full(count, kept)))

    for (one, facing), stretches in ((outline.pairs, True), (outline.level, False)):
        edge = chains.first[one]
        asked = alone[edge]
        edge, other = edge[asked], facing[asked]
        size = chains.size[other]
        which, its = ranges(chains.first[other], size)
        owner = edge[which]
        if not stretches:
            start = rows(edges.start, its)
            corners = np.concatenate([start, start + _chord(edges, its)])
            away = corners - np.tile(rows(edges.start, owner), (2, 1))
            place = dot(away, np.tile(rows(edges.along, owner), (2, 1)))
            ends = np.tile(size[which] == 1, 2)
            count = len(place)
            events.append(_Events(np.tile(owner, 2), place, np.zeros(count, np.int64), ends))
        elif len(size):
            pair = np.cumsum(size) - size
            begin, end = Lines.of(edges, owner, its).within(reach)
            low, high = np.minimum.reduceat(begin, pair), np.maximum.reduceat(end, pair)
            low, high = np.maximum(low, 0.0), np.minimum(high, edges.length[edge])
            meets = np.flatnonzero(low < high)
            edge, low, high = edge[meets], low[meets], high[meets]
            beside = np.minimum(_BESIDE, (high - low) / 4)
            add(edge, low - beside, 1, False)
            add(edge, high + beside, -1, False)
            # Right within them, so that what faces them is seen there.
            add(edge, low + beside, 0, True)
            add(edge, high - beside, 0, True)
            add(edge, (low + high) / 2, 0, True)
    own = np.flatnonzero(alone)
    add(own, edges.length[own] / 2, 0, True)
    if outline.whole:
        add(own, np.zeros(len(own)), 1, True)
        add(own, edges.length[own], -1, True)
    if np.isfinite(spacing):
        edge, place = _evenly(edges, own, spacing)
        add(edge, place, 0, True)
    return events


def _chord(edges: Edges, which: _Ints) -> _Floats:
    chord: _Floats = edges.length[which, None] * rows(edges.along, which)
    return chord


def _evenly(edges: Edges, which: _Ints, spacing: float) -> tuple[_Ints, _Floats]:
    """Points no farther apart than `spacing` along the edges numbered `which`; one in the middle
    of each, where a square's or a hexagon's side is widest."""
    length = edges.length[which]
    count = np.ceil(length / spacing).astype(np.int64)
    count += 1 - count % 2
    count[length <= 1.5 * spacing] = 1
    owner, local = ranges(0, count)
    return which[owner], (local + 0.5) * (length / count)[owner]


def _across(outline: Outline, corners: Discs) -> _Events:
    """On long edges, straight across from corners."""
    edge, place = _opposite(outline, corners)
    long = outline.long[edge]
    count = int(long.sum())
    return _Events(edge[long], place[long], np.zeros(count, np.int64), np.ones(count, bool))


def _opposite(outline: Outline, corners: Discs) -> tuple[_Ints, _Floats]:
    faced = np.flatnonzero(corners.facing <= FACING)
    edges, edge = outline.edges, corners.edge[faced]
    place = dot(rows(corners.contact, faced) - rows(edges.start, edge), rows(edges.along, edge))
    inner = (place > _INSET) & (place < edges.length[edge] - _INSET)
    return edge[inner], place[inner]


def _on_short(outline: Outline, corners: Discs) -> tuple[_Ints, _Floats]:
    """On short edges, right beside knife edges, and straight across from corners."""
    edges = outline.edges
    short = outline.active & ~outline.long
    edge, place = _evenly(edges, np.flatnonzero(short), STEP)
    knife = outline.turn > np.pi - np.arccos(-FACING)
    short &= edges.length > 4 * _INSET
    begins = np.flatnonzero(knife & short)
    ends = edges.before[np.flatnonzero(knife)]
    ends = ends[short[ends]]
    other, across = _opposite(outline, corners)
    own = short[other]
    edge = np.concatenate([edge, begins, ends, other[own]])
    place = np.concatenate(
        [place, np.full(len(begins), _INSET), edges.length[ends] - _INSET, across[own]]
    )
    order = np.lexsort((place, edge))
    edge, place = edge[order], place[order]
    again = (np.diff(edge, prepend=-1) == 0) & (np.diff(place, prepend=-1.0) < 1e-6)
    return edge[~again], place[~again]


class Spots(NamedTuple):
    """Points on edges with their discs: whether each lies on a wall, the range of thickness it is
    in (-1 where it is no wall), and whether it says nothing (`is_blind`)."""

    edge: _Ints
    place: _Floats
    discs: Discs
    wall: _Bools
    kind: _Ints
    blind: _Bools

    def chosen(self, which: _Ints) -> Spots:
        return Spots(
            self.edge[which],
            self.place[which],
            chosen(self.discs, which),
            self.wall[which],
            self.kind[which],
            self.blind[which],
        )


def spots_at(outline: Outline, edge: _Ints, place: _Floats, group: Grouping) -> Spots:
    return _spots(outline, edge, place, outline.on(edge, place), group)


def _spots(outline: Outline, edge: _Ints, place: _Floats, discs: Discs, group: Grouping) -> Spots:
    wall = is_wall(outline.edges, edge, discs)
    kind = np.where(wall, group(2 * discs.radius), -1)
    return Spots(edge, place, discs, wall, kind, is_blind(outline.edges, edge, discs))


def _in_a_row(*spots: Spots) -> Spots:
    edge, place, discs, *rest = zip(*spots, strict=True)
    wall, kind, blind = (np.concatenate(each) for each in rest)
    return Spots(np.concatenate(edge), np.concatenate(place), together(*discs), wall, kind, blind)


def closer(
    outline: Outline, places: Places, discs: Discs, group: Grouping
) -> tuple[_Ints, _Floats, Discs]:
    """The edges, places and discs of the points at places, and of more where neighbours on an edge
    differ; in order along each edge."""
    spots = _spots(outline, places.edge, places.place, discs, group)
    open_ = places.open_
    edge, place = _at_ends(outline, spots)
    if len(edge):
        spots = _in_a_row(spots, spots_at(outline, edge, place, group))
        open_ = np.append(open_, np.ones(len(edge), bool))
        order = np.lexsort((spots.place, spots.edge))
        spots, open_ = spots.chosen(order), open_[order]
    levels = [spots]
    asked = np.flatnonzero(open_[:-1] & (spots.edge[1:] == spots.edge[:-1]))
    low, high = spots.chosen(asked), spots.chosen(asked + 1)
    for number in range(_ROUNDS):
        corner = _across_from_corner(outline, low, high)
        corner = np.where(np.isfinite(corner), corner, _last_of_corner(outline, low, high))
        split = np.flatnonzero(_unlike(outline, low, high) | np.isfinite(corner))
        if not len(split):
            break
        low, high, corner = low.chosen(split), high.chosen(split), corner[split]
        owner, place = _between(outline, (low, high), corner, number, group)
        more = spots_at(outline, low.edge[owner], place, group)
        levels.append(more)
        # From the low end to the first, from each to the next, and from the last to the high end.
        first = np.diff(owner, prepend=-1) > 0
        goes_on = np.flatnonzero(~first)
        low, high = (
            _in_a_row(
                low,
                more.chosen(goes_on - 1),
                more.chosen(np.flatnonzero(np.append(first[1:], True))),
            ),
            _in_a_row(more.chosen(np.flatnonzero(first)), more.chosen(goes_on), high),
        )
    if len(levels) == 1:
        return spots.edge, spots.place, spots.discs
    every = _in_a_row(*levels)
    # Each level is in order, and what is in order is merged in little time.
    length = outline.edges.length
    travelled = (np.cumsum(length) - length)[every.edge] + every.place
    order = np.argsort(travelled, kind="stable")
    return every.edge[order], every.place[order], chosen(every.discs, order)


def _at_ends(outline: Outline, spots: Spots) -> tuple[_Ints, _Floats]:
    """Edges and places on these at the ends of short edges, where of the last point on the one and
    the first on the next one only lies on a wall: that may end before the edge does, or beyond."""
    edges = outline.edges
    last = np.flatnonzero(np.diff(spots.edge, append=-1) != 0)
    first = np.append(0, last + 1)[: len(last)]
    edge, place = [], []
    for own, other, beside in ((last, first, edges.after), (first, last, edges.before)):
        number = np.full(len(edges.length), -1)
        number[spots.edge[other]] = other
        # An edge without points bounds no wall.
        next_ = number[beside[spots.edge[own]]]
        walls = spots.wall[own], spots.wall[next_] & (next_ >= 0)
        differ = np.flatnonzero(walls[0] != walls[1])
        wall = np.where(walls[0], own, next_)[differ]
        its = spots.edge[own[differ]]
        at, length = spots.place[own[differ]], edges.length[its]
        inset = _inset(length)
        end = inset if own is first else length - inset
        # By so much the wall gets thicker or thinner on the way, as its faces lean apart.
        facing, thickness = spots.discs.facing[wall], 2 * spots.discs.radius[wall]
        change = 2 * np.sqrt(np.maximum(1 + facing, 0.0) / (1 - facing)) * np.abs(end - at)
        asked = change > np.maximum(_TOLD, _TOLD * thickness)
        asked |= np.abs(end - at) > STEP / 4
        # Only towards where it gets thinner: what a wall is at most decides nothing.
        across = rows(outline.inward, spots.discs.edge[wall])
        leans = dot(rows(edges.along, spots.edge[wall]), across)
        asked &= np.where((end > at) == walls[0][differ], leans, -leans) < 0
        asked &= ~outline.long[its] & (np.abs(end - at) > _CLOSE)
        edge.append(its[asked])
        place.append(end[asked])
    return np.concatenate(edge), np.concatenate(place)


def _unlike(outline: Outline, low: Spots, high: Spots) -> _Bools:
    """Whether more points are needed between those at `low` and at `high`."""
    room = high.place - low.place
    # Between two discs that are held by different edges a short wall may lie.
    passes = low.discs.edge != high.discs.edge
    unlike = (low.kind != high.kind) | (passes & ~(low.wall & high.wall))
    # Where a wall is divided, its thickness there is to be right as well.
    both = low.wall & high.wall
    change = np.subtract(high.discs.radius, low.discs.radius, where=both, out=np.zeros(len(both)))
    apart = 2 * np.abs(change) > _EXACT
    # And where a wall ends: how thick it is there may be the most or the least of it.
    apart |= low.wall != high.wall
    unlike &= room > np.where(apart, _CLOSE / 16, _CLOSE)
    # Where a place that says nothing of the wall lies beside it, the wall goes on up to there.
    blind = low.blind | high.blind
    unlike &= ~blind | (~(low.blind & high.blind) & (room > _CLOSE))
    # A wall may be thickest where it passes from one edge to the next.
    passes &= both & (room > _CLOSE)
    unlike |= passes & (room > STEP / 2)
    near = np.flatnonzero(passes & ~unlike)
    most = np.minimum(
        _held_by(outline, low.edge[near], low.place[near], high.discs.edge[near]),
        _held_by(outline, high.edge[near], high.place[near], low.discs.edge[near]),
    )
    ends = np.maximum(low.discs.radius[near], high.discs.radius[near])
    unlike[near] = 2 * (most - ends) > _EXACT
    result: _Bools = unlike
    return result


def _across_from_corner(outline: Outline, low: Spots, high: Spots) -> _Floats:
    """Between points on walls, the place straight across from a corner of what holds their discs
    where the wall is thinner than at both; nan where there is none. As the corner belongs to the
    outline, the disc there is no larger than the way to it."""
    edges = outline.edges
    places = np.full(len(low.edge), np.nan)
    both = np.flatnonzero(low.wall & high.wall & (high.place - low.place > _CLOSE))
    edge, begin, end = low.edge[both], low.place[both], high.place[both]
    least = 2 * np.minimum(low.discs.radius, high.discs.radius)[both] - _EXACT
    origin, along, inward = (
        rows(edges.start, edge),
        rows(edges.along, edge),
        rows(outline.inward, edge),
    )
    place = np.full(len(both), np.nan)
    for held in (low.discs.edge[both], high.discs.edge[both]):
        for share in (0.0, 1.0):
            away = rows(edges.start, held) + share * _chord(edges, held) - origin
            at, depth = dot(away, along), dot(away, inward)
            thinner = (at > begin + _CLOSE / 4) & (at < end - _CLOSE / 4) & (depth < least)
            thinner &= depth > 0
            place[thinner], least[thinner] = at[thinner], depth[thinner]
    places[both] = place
    return places


def _last_of_corner(outline: Outline, low: Spots, high: Spots) -> _Floats:
    """Between points on no wall, the place right beside which a re-entrant corner last holds the
    disc for the edge that ends there, if that makes a wall; nan where there is none.

    On the way there the corner comes to lie ever straighter across. It ends where the other edge at
    the corner takes the disc over, or where the place comes to lie behind the edge.
    """
    edges, places = outline.edges, np.full(len(low.edge), np.nan)
    neither = np.flatnonzero(~low.wall & ~high.wall & (high.place - low.place > _BESIDE))
    for spots in (low, high):
        all_held = spots.discs.edge[neither]
        for end, beside in ((False, edges.before), (True, edges.after)):
            # Only a re-entrant corner holds a disc.
            turn = outline.turn[edges.after[all_held] if end else all_held]
            kept = np.flatnonzero((all_held >= 0) & (turn < 0))
            some, held = neither[kept], all_held[kept]
            own, other = low.edge[some], beside[held]
            lines, its = (Lines.of(edges, own, each) for each in (held, other))
            ends = lines.reaches(lines.length if end else 0.0)
            # Beyond the end of its line the corner holds the disc.
            rises = lines.reaches(lines.length) > lines.reaches(0.0)
            side = np.where(rises == end, 1.0, -1.0)
            x = ends + side * _BESIDE
            x = np.where(its.height(x) > 0, x, its.crossed() - np.copysign(_BESIDE, its.along_y))
            inside = side * (x - ends) > 0
            inside &= (x > low.place[some] + _BESIDE / 4) & (x < high.place[some] - _BESIDE / 4)
            met = np.flatnonzero(inside)
            corner = lines.chosen(met).corner(np.full(len(met), end))
            level = facing_of_corner(x[met], corner)
            lean, its_lean = edges.lean[own[met]], edges.lean[other[met]]
            facing = lean[:, 1] * its_lean[:, 1] + level * lean[:, 0] * its_lean[:, 0]
            met = met[facing <= FACING]
            places[some[met]] = x[met]
    return places


def _between(
    outline: Outline,
    ends: tuple[Spots, Spots],
    corner: _Floats,
    number: int,
    group: Grouping,
) -> tuple[_Ints, _Floats]:
    """Where more points are set between each two ends: the pair that each lies between, and its
    place, rising. corner: the place to take where it is finite."""
    below, above = ends
    low, high = below.place, above.place
    turn = np.full(len(low), np.nan)
    # Every second time half-way, so that what the two edges do not tell ends as well.
    if number % 2 == 0:
        asked = np.flatnonzero(~np.isfinite(corner))
        turn[asked] = turns_at(outline, below.chosen(asked), above.chosen(asked), group)
    known = np.isfinite(turn)
    middle = np.where(known, turn, np.where(np.isfinite(corner), corner, (low + high) / 2))
    wide = np.where(known, _BESIDE, 0.0)
    most = np.where(known, _BESIDE, np.where(np.isfinite(corner), _BESIDE / 4, np.inf))
    margin = np.minimum(np.minimum(_CLOSE, high - low) / 4, most)
    first = np.clip(middle - wide, low + margin, high - margin)
    second = np.clip(middle + wide, low + margin, high - margin)
    twice = np.flatnonzero(second - first > wide)
    where = np.concatenate([np.arange(len(low)), twice])
    place = np.concatenate([first, second[twice]])
    order = np.lexsort((place, where))
    return where[order], place[order]


def _held_by(outline: Outline, edge: _Ints, place: _Floats, other: _Ints) -> _Floats:
    """(k,) the radius at which the other edge would hold the disc at each place on an edge."""
    edges = outline.edges
    point = rows(edges.start, edge) + place[:, None] * rows(edges.along, edge)
    ax, ay = (rows(edges.start, other) - point).T
    ex, ey = rows(edges.along, other).T
    nx, ny = rows(outline.inward, edge).T
    qx, qy = touched((ax, ay), (ex, ey), edges.length[other], (nx, ny))
    return value_of(qx, qy, nx, ny)


class Corners(NamedTuple):
    """Discs at re-entrant vertices: the edge that begins there, the normal (k, 2), the discs."""

    corner: _Ints
    normal: _Floats
    discs: Discs


def at_corners(outline: Outline, corner: _Ints) -> Corners:
    """At a re-entrant vertex the outline has a cone of normals, and may bound a wall in several
    of them: start in directions at most 20 degrees apart, and turn each to the narrowest.

    A disc through the vertex is narrowest where the contact lies straight across, so the normal
    is turned toward the contact until it stays.
    """
    edges, inward = outline.edges, outline.inward
    turn = -outline.turn[corner]
    starts = np.ceil(turn / _SPREAD).astype(np.int64) + 1
    which, local = ranges(0, starts)
    angle = (turn / (starts - 1))[which] * local
    corner = corner[which]
    first, last = rows(inward, edges.before[corner]), rows(inward, corner)
    # The outline turns to the right here, and so do its normals.
    cosine, sine = np.cos(angle), np.sin(angle)
    normal = np.column_stack(
        [first[:, 0] * cosine + first[:, 1] * sine, first[:, 1] * cosine - first[:, 0] * sine]
    )
    owner = np.where(outline.active[corner], corner, edges.before[corner])
    point, lean = rows(edges.start, corner), rows(edges.lean, corner)
    discs = largest_discs(outline.search, owner, point, normal, lean)
    open_ = np.arange(len(corner))
    for _ in range(3):
        open_ = open_[np.isfinite(discs.radius[open_])]
        toward = _within_cone(
            rows(discs.contact, open_) - rows(point, open_), first[open_], last[open_]
        )
        moved = dot(toward, rows(normal, open_)) < 1 - 1e-6
        open_, toward = open_[moved], toward[moved]
        if not len(open_):
            break
        turned = largest_discs(
            outline.search, owner[open_], rows(point, open_), toward, rows(lean, open_)
        )
        narrower = turned.radius < discs.radius[open_]
        open_ = open_[narrower]
        normal[open_] = toward[narrower]
        discs.radius[open_] = turned.radius[narrower]
        discs.contact[open_] = turned.contact[narrower]
        discs.edge[open_] = turned.edge[narrower]
        discs.facing[open_] = turned.facing[narrower]
    order = np.lexsort((np.round(dot(normal, last), 4), corner))
    again = np.diff(corner[order], prepend=-1) == 0
    again &= np.append(False, lengths(np.diff(rows(normal, order), axis=0)) < 1e-3)[: len(order)]
    keep = order[~again]
    return Corners(corner[keep], rows(normal, keep), chosen(discs, keep))


def _within_cone(way: _Floats, one: _Floats, other: _Floats) -> _Floats:
    """Each way (k, 2) as a unit vector, turned no farther than to the normals at its sides."""
    way = way / np.maximum(lengths(way), 1e-12)[:, None]
    past_one = one[:, 0] * way[:, 1] - one[:, 1] * way[:, 0] > 0
    past_other = way[:, 0] * other[:, 1] - way[:, 1] * other[:, 0] > 0
    within: _Floats = np.where(past_one[:, None], one, np.where(past_other[:, None], other, way))
    return within
