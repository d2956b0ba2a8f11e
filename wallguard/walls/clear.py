"""Which balls hold no other part of a surface: exactly, over whole pieces of facets.

Balls that touch two facets have centres c(p) and radii r(p) that run evenly over a piece. How far
c is from a triangle, less r, is a convex function of p. So where it is negative at all corners of
a piece the triangle is in the way everywhere, and a tangent plane of it bounds it from below. Where
the ball meets the inside of a flat face it is linear, and the piece is cut there once; else pieces
are halved until they are small.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import cross, distinct, dot, lengths, ranges
from wallguard.walls.bounds import Bounds, Nodes, Tree, Ways, bounds_of, meetings, near_any
from wallguard.walls.facets import Facets
from wallguard.walls.facing import ENDS, Pieces, too_many
from wallguard.walls.rings import INNER, rings_of

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# A ball that holds something by less than this share of its radius only touches it, too: in a
# square or round section every contact is as near as every other.
_TIE = 0.005
# What goes on smoothly from a facet, turned by less than this, bounds the wall with it.
_GOES_ON = float(np.radians(30.0))
_ALIKE = float(np.cos(_GOES_ON))
# Pieces are halved down to this share of their radius, and no further than this (mm).
_SMALL, _SMALLEST, _ROUNDS = 0.4, 0.1, 30
# Cells are halved so often to find room for one ball.
_TRIES = 9
# More pieces than this are not followed, and of more than this not even the middles are looked at.
_MOST, LOOKED_AT = 60_000, 200_000


@dataclass(frozen=True)
class Cells:
    """Triangles (k,) on facets, on each of which balls have room that touch what faces it.

    points   (k, 3, 4) corners, mm, and the balls' radius there
    label    (k, 3) of the edge from each corner to the next: see `facing`
    own, contact (k,) the facet they lie on, and the one that their balls touch
    pair     (k,) whether the balls touch that all over
    """

    points: _Floats
    label: _Ints
    own: _Ints
    contact: _Ints
    pair: _Bools

    def chosen(self, which: _Ints | _Bools) -> Cells:
        """Those with these numbers."""
        return Cells(
            self.points[which],
            self.label[which],
            self.own[which],
            self.contact[which],
            self.pair[which],
        )

    def centres(self, facets: Facets) -> _Floats:
        """(k, 3, 3) the centres of the balls at the corners."""
        normal = facets.normal[self.own]
        middle: _Floats = self.points[:, :, :3] + self.points[:, :, 3:] * normal[:, None]
        return middle


def divided(cells: Cells, limits: _Floats) -> Cells:
    """Cells cut where the balls' diameter passes one of the limits (mm)."""
    for limit in (limits / 2).tolist():
        radius = cells.points[:, :, 3]
        both = (radius.min(axis=1) < limit - 1e-6) & (radius.max(axis=1) > limit + 1e-6)
        some = np.flatnonzero(both)
        if not len(some):
            continue
        rings = rings_of(cells.points[some], cells.label[some])
        over = rings.points[:, :, 3] - limit
        parts = [cells.chosen(~both)]
        for height in (over, -over):
            points, label, ring = rings.cut(height, np.full(len(some), INNER)).triangles()
            of = some[ring]
            parts.append(Cells(points, label, cells.own[of], cells.contact[of], cells.pair[of]))
        cells = joined(parts)
    return cells


def joined(cells: list[Cells]) -> Cells:
    """Cells one after the other."""
    return Cells(
        np.concatenate([each.points for each in cells]),
        np.concatenate([each.label for each in cells]),
        np.concatenate([each.own for each in cells]),
        np.concatenate([each.contact for each in cells]),
        np.concatenate([each.pair for each in cells]),
    )


def no_cells() -> Cells:
    """None."""
    none = np.zeros(0, np.int64)
    return Cells(np.zeros((0, 3, 4)), np.zeros((0, 3), np.int64), none, none, np.zeros(0, bool))


def clear_cells(facets: Facets, pieces: Pieces) -> Cells:
    """The parts of pieces where balls hold nothing else.

    What goes on from the two facets, as the end of a wall does, is no reason to leave a part out:
    there the wall ends. But somewhere between the two a ball must have room.

    Raises TooLargeError where there are so many pieces that it would take minutes.
    """
    points, label, ring = pieces.rings.triangles()
    cells = Cells(points, label, pieces.own[ring], pieces.contact[ring], pieces.pair[ring])
    if not len(cells.own):
        return cells
    roomy = np.zeros(0, np.int64)
    if len(cells.own) <= LOOKED_AT:
        touching = facets.touching(facets.face[np.concatenate([cells.own, cells.contact])])
        kept, clear = _not_lost(facets, cells, touching)
        roomy = distinct(_faces_of(facets, cells)[clear])
        cells = cells.chosen(kept)
    if len(cells.own) > _MOST:
        raise too_many(len(cells.own))
    cell, triangle = _in_reach(facets, cells, touching)
    final = []
    for _ in range(_ROUNDS):
        busy = np.bincount(cell, minlength=len(cells.own)) > 0
        final.append(cells.chosen(~busy))
        if not busy.any():
            break
        number = np.cumsum(busy) - 1
        cells, cell = cells.chosen(busy), number[cell]
        cells, cell, triangle = _round(facets, cells, cell, triangle)
    whole = joined(final)
    return whole.chosen(_with_room(facets, whole, roomy))


def _not_lost(facets: Facets, cells: Cells, touching: _Ints) -> tuple[_Bools, _Bools]:
    """Which cells are worth looking at closely: not those that the triangle in the way of their
    middle is in the way of, nor those of two flat faces that have no room for a ball anywhere.
    Most of what faces each other across something else is told so at once. And in the middle of
    which there is room for a ball."""
    centre, radius = cells.centres(facets), cells.points[:, :, 3]
    away, met = facets.surface.nearest(centre.mean(axis=1))
    blocked = _lost(facets, centre, radius, away, met)
    other = ~_goes_on(facets, cells.own, met) & ~_goes_on(facets, cells.contact, met)
    other &= ~_touch(facets, cells.own, met, touching)
    other &= ~_touch(facets, cells.contact, met, touching)
    count, group = _between(facets, cells)
    roomy = np.bincount(group[~blocked], minlength=count) > 0
    kept: _Bools = roomy[group] & ~(blocked & other)
    return kept, away >= (1 - _TIE) * radius.mean(axis=1) - 1e-6


def _lost(facets: Facets, centre: _Floats, radius: _Floats, away: _Floats, met: _Ints) -> _Bools:
    """Whether something is in the way of all balls of cells with these centres and radii at their
    corners, (k, 3, 3) and (k, 3), where what is met from their middle is so far away."""
    least = (1 - _TIE) * radius.min(axis=1) - 1e-6
    _, spread = _around(centre)
    lost: _Bools = away + spread < least
    ask = np.flatnonzero(~lost & (away < (1 - _TIE) * radius.mean(axis=1) - 1e-6))
    # How far a triangle is from a ball is convex: what all corners' balls hold all of them hold.
    held = np.ones(len(ask), bool)
    corners, normal = facets.corners[met[ask]], facets.normal[met[ask]]
    for i in range(3):
        spot = centre[ask, i]
        gap = lengths(nearest(spot, corners, normal) - spot)
        held &= gap < radius[ask, i] - _TIE * radius[ask].max(axis=1) - 1e-6
    lost[ask[held]] = True
    return lost


def _around(points: _Floats) -> tuple[_Floats, _Floats]:
    """Balls around triangles (k, 3, 3): middle (k, 3) and radius (k,)."""
    first, second, third = points[:, 0], points[:, 1], points[:, 2]
    middle = (first + second + third) / 3
    reach = np.maximum(lengths(first - middle), lengths(second - middle))
    return middle, np.maximum(reach, lengths(third - middle))


def _faces_of(facets: Facets, cells: Cells) -> _Ints:
    """(k,) a number for the pair of flat faces that each cell lies between."""
    size = int(facets.face.max()) + 1
    pair: _Ints = facets.face[cells.own] * size + facets.face[cells.contact]
    return pair


def _between(facets: Facets, cells: Cells) -> tuple[int, _Ints]:
    """How many pairs of flat faces cells lie between, and the number (k,) of each one's."""
    key = _faces_of(facets, cells)
    pairs = distinct(key)
    return len(pairs), np.searchsorted(pairs, key)


def _with_room(facets: Facets, cells: Cells, roomy: _Ints) -> _Bools:
    """Whether between the flat faces of each cell there is room for a ball anywhere, whatever goes
    on from them; known of pairs `roomy` (rising, see `_faces_of`), and asked of the widest cell of
    each other pair first."""
    known = np.isin(_faces_of(facets, cells), roomy)
    if not known.all():
        rest = np.flatnonzero(~known)
        known[rest] = _found_room(facets, cells.chosen(rest))
    return known


def _found_room(facets: Facets, cells: Cells) -> _Bools:
    """The same of pairs of which nothing is known."""
    count, group = _between(facets, cells)
    place = cells.points[:, :, :3]
    edge = place[:, [1, 2, 0]] - place
    longest = np.einsum("kij,kij->ki", edge, edge).max(axis=1)
    area = lengths(cross(edge[:, 0], edge[:, 1]))
    order = np.lexsort((-(area**2) / np.maximum(longest, 1e-12), group))
    first = order[np.diff(group[order], prepend=-1) > 0]
    good = np.zeros(count, bool)
    some, label = cells.chosen(first), group[first]
    for step in range(_TRIES):
        if step == 1:
            rest = np.flatnonzero(~good[group])
            some, label = cells.chosen(rest), group[rest]
        room, blocked = _sampled(facets, some)
        good[label[room]] = True
        if step == 0:
            continue
        left = np.flatnonzero(~good[label] & ~blocked)
        if not len(left):
            break
        some, parent = _halved(some.chosen(left))
        label = label[left][parent]
    found: _Bools = good[group]
    return found


# Seven points of a triangle, as weights of its corners.
_SEVEN = np.array(
    [[1, 0, 0], [0, 1, 0], [0, 0, 1], [0.5, 0.5, 0], [0, 0.5, 0.5], [0.5, 0, 0.5], [1 / 3] * 3]
)


def _sampled(facets: Facets, cells: Cells) -> tuple[_Bools, _Bools]:
    """Whether the balls at any of seven points of each cell hold nothing; and whether something is
    in the way of all of it."""
    centres = cells.centres(facets)
    centre = np.einsum("si,kic->ksc", _SEVEN, centres)
    radius = cells.points[:, :, 3] @ _SEVEN.T
    away, met = facets.surface.nearest(centre.reshape(-1, 3))
    away, met = away.reshape(-1, 7), met.reshape(-1, 7)
    hit = away < (1 - _TIE) * radius - 1e-6
    blocked = _lost(facets, centres, cells.points[:, :, 3], away[:, 6], met[:, 6])
    alike = (met[:, :3] == met[:, :1]).all(axis=1)
    return ~hit.all(axis=1), blocked | (hit[:, :3].all(axis=1) & alike)


def mirrored(facets: Facets, both: Cells) -> Cells:
    """The same cells on the facets that their balls touch all over."""
    step = facets.normal[both.own] - facets.normal[both.contact]
    points = both.points.copy()
    points[:, :, :3] += points[:, :, 3:] * step[:, None]
    return Cells(points, both.label, both.contact, both.own, both.pair)


def _in_reach(facets: Facets, cells: Cells, touching: _Ints) -> tuple[_Ints, _Ints]:
    """Cells, and triangles that may lie within their balls, but for those of flat faces that touch
    those of the cell."""
    if not len(cells.own):
        return cells.own, cells.own
    centre, radius = cells.centres(facets), cells.points[:, :, 3]
    normal = facets.normal[cells.own]
    balls = bounds_of(cells.points[:, :, :3], normal)
    asked = replace(
        balls,
        low=(centre - radius[:, :, None]).min(axis=1),
        high=(centre + radius[:, :, None]).max(axis=1),
        last=balls.first + 2 * radius.max(axis=1),
    )
    its_low, its_high = (
        function(function(*facets.corners[:, :2].swapaxes(0, 1)), facets.corners[:, 2])
        for function in (np.minimum, np.maximum)
    )
    near = np.flatnonzero(near_any((asked.low, asked.high), (its_low, its_high)))
    reached = [(cells.own[:0], cells.own[:0])]
    # Of each cell one ball that holds all of its own, and of each triangle one around it.
    middle, size = _around(centre)
    size += radius.max(axis=1)
    its_middle, its_size = _around(facets.corners[near])
    for pair in _meetings(facets, cells, asked, near):
        cell, met = pair
        away = lengths(middle[cell] - its_middle[met])
        kept = away < size[cell] + its_size[met]
        triangle = near[met]
        for own in (cells.own, cells.contact):
            kept &= ~_goes_on(facets, own[cell], triangle)
        cell, triangle = cell[kept], triangle[kept]
        away = centre[cell] - facets.corners[triangle, :1]
        rise = np.einsum("kij,kj->ki", away, facets.normal[triangle])
        its_radius = radius[cell]
        # What is met is met from within, and no sooner than its plane.
        kept = (rise > _TIE * its_radius).any(axis=1)
        kept &= (rise < (1 - _TIE) * its_radius).any(axis=1)
        cell, triangle = cell[kept], triangle[kept]
        kept = ~_touch(facets, cells.own[cell], triangle, touching)
        kept &= ~_touch(facets, cells.contact[cell], triangle, touching)
        reached.append((cell[kept], triangle[kept]))
    cell = np.concatenate([each for each, _ in reached])
    triangle = np.concatenate([each for _, each in reached])
    order = np.lexsort((triangle, cell))
    return cell[order], triangle[order]


def _meetings(
    facets: Facets, cells: Cells, asked: Bounds, near: _Ints
) -> Iterator[tuple[_Ints, _Ints]]:
    """Cells with these bounds, and places in `near`, of triangles that they may meet: many of those
    that go on from a cell's facets are left out with whole nodes."""
    bounds = bounds_of(facets.corners[near], facets.normal[near])
    one = Tree(asked, facets.face[cells.own])
    other = Tree(bounds, np.where(facets.broad, facets.face, -1)[near])
    own, contact = (
        Ways(one.order, facets.patch[each], facets.normal[each])
        for each in (cells.own, cells.contact)
    )
    near_ways = Ways(other.order, facets.patch[near], facets.normal[near])

    def wanted(nodes: Nodes, others: Nodes) -> _Bools:
        alike = own.alike(nodes, near_ways, others, _GOES_ON)
        alike |= contact.alike(nodes, near_ways, others, _GOES_ON)
        return ~alike

    return meetings(one, other, wanted=wanted)


def _goes_on(facets: Facets, own: _Ints, triangle: _Ints) -> _Bools:
    """Whether triangles go on from facets `own` smoothly."""
    same: _Bools = facets.patch[own] == facets.patch[triangle]
    some = np.flatnonzero(same)
    mine, its = own[some], triangle[some]
    level = facets.face[mine] == facets.face[its]
    same[some] = level | (dot(facets.normal[mine], facets.normal[its]) >= _ALIKE)
    return same


def _touch(facets: Facets, one: _Ints, other: _Ints, touching: _Ints) -> _Bools:
    key = facets.face[one] * (int(facets.face.max()) + 1) + facets.face[other]
    place = np.minimum(np.searchsorted(touching, key), len(touching) - 1)
    known: _Bools = touching[place] == key
    return known


def _round(
    facets: Facets, cells: Cells, cell: _Ints, triangle: _Ints
) -> tuple[Cells, _Ints, _Ints]:
    """Decide what can be decided of cells and the triangles in their way; cut or halve the rest."""
    free, covered, linear = _judged(facets, cells, cell, triangle)
    gone = np.zeros(len(cells.own), bool)
    gone[cell[covered]] = True
    gone |= _at_last(facets, cells, cell, triangle, ~free)
    rest = ~free & ~gone[cell] & ~_is_small(cells)[cell]
    cut, cut_by = _once(cell[rest & linear], facets.face[triangle[rest & linear]], facets)
    left = rest & ~linear
    cell, triangle = cell[left], triangle[left]
    parts, parent = _cut(facets, cells, gone, cut, cut_by)
    # What was not cut, and still has something in its way, is halved.
    number = np.bincount(cut, minlength=len(cells.own))
    busy = np.bincount(cell, minlength=len(cells.own)) > 0
    halve = (busy & (number == 0))[parent]
    halves, owner = _halved(parts.chosen(halve))
    parent = np.concatenate([parent[~halve], parent[halve][owner]])
    parts = joined([parts.chosen(~halve), halves])
    # Each part has in its way what its parent had.
    begin = np.searchsorted(cell, parent, side="left")
    size = np.searchsorted(cell, parent, side="right") - begin
    part, row = ranges(begin, size)
    return parts, part, triangle[row]


def _judged(
    facets: Facets, cells: Cells, cell: _Ints, triangle: _Ints
) -> tuple[_Bools, _Bools, _Bools]:
    """Of each cell and triangle: never met; in the way everywhere; met in the inside of a flat
    face, so that the face cuts the cell along a line."""
    count = len(cell)
    key = cell * (int(facets.face.max()) + 1) + facets.face[triangle]
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.diff(key[order], prepend=-1))
    group = np.empty(count, np.int64)
    group[order] = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, count)))
    # Most are told by the plane that the ball in the middle would meet.
    centre, radius = cells.centres(facets), cells.points[:, :, 3]
    middle, reach = centre.mean(axis=1)[cell], radius.mean(axis=1)[cell]
    _, free = _met(facets, cells, (cell, triangle), centre, (middle, reach))
    left = np.zeros(len(starts), bool)
    left[group[~free]] = True
    some = np.flatnonzero(left[group])
    covered, linear = np.zeros(count, bool), np.zeros(count, bool)
    if not len(some):
        return free, covered, linear
    pairs = cell[some], triangle[some]
    distance = np.empty((len(some), 3))
    for i in range(3):
        distance[:, i], away = _met(
            facets, cells, pairs, centre, (centre[pairs[0], i], radius[pairs[0], i])
        )
        free[some] |= away
    its_radius = radius[pairs[0]]
    tie = (_TIE * its_radius.max(axis=1) + 1e-6)[:, None]
    covered[some] = (distance - its_radius < -tie).all(axis=1)
    # The face's distance is that of the nearest of its triangles.
    number = (np.cumsum(left) - 1)[group[some]]
    least = np.full((int(left.sum()), 3), np.inf)
    np.minimum.at(least, number, distance)
    off = centre[pairs[0]] - facets.corners[pairs[1], :1]
    rise = np.einsum("kij,kj->ki", off, facets.normal[pairs[1]])
    linear[some] = (np.abs(least[number] - rise) <= tie).all(axis=1)
    return free, covered, linear


def _met(
    facets: Facets,
    cells: Cells,
    pairs: tuple[_Ints, _Ints],
    centre: _Floats,
    ball: tuple[_Floats, _Floats],
) -> tuple[_Floats, _Bools]:
    """How far triangles are from the middle of one ball of each cell, and whether the plane across
    the way to there shows that they are in the way of none of its balls.

    pairs   cells and triangles, (k,) each
    centre  (n, 3, 3) the middles of the balls at the corners of all cells
    ball    middle (k, 3) and radius (k,)
    """
    cell, triangle = pairs
    middle, reach = ball
    away = middle - nearest(middle, facets.corners[triangle], facets.normal[triangle])
    distance = lengths(away)
    away /= np.maximum(distance, 1e-12)[:, None]
    radius = cells.points[cell, :, 3]
    bound = np.einsum("kjc,kc->kj", centre[cell] - middle[:, None], away)
    bound += (distance - reach)[:, None] - radius + reach[:, None]
    tie = _TIE * radius.max(axis=1) + 1e-6
    never: _Bools = (bound >= -tie[:, None]).all(axis=1)
    return distance, never


def nearest(point: _Floats, corners: _Floats, normal: _Floats) -> _Floats:
    """(k, 3) the point of each triangle (k, 3, 3) that is nearest to each point (k, 3)."""
    best = np.full(len(point), np.inf)
    foot = np.empty_like(point)
    inside = np.ones(len(point), bool)
    for i in range(3):
        begin, way = corners[:, i], corners[:, (i + 1) % 3] - corners[:, i]
        away = point - begin
        share = np.clip(dot(away, way) / np.maximum(dot(way, way), 1e-18), 0.0, 1.0)
        spot = begin + share[:, None] * way
        left = point - spot
        gap = dot(left, left)
        nearer = gap < best
        best[nearer], foot[nearer] = gap[nearer], spot[nearer]
        inside &= dot(cross(way, normal), away) >= 0
    rise = dot(point - corners[:, 0], normal)
    foot[inside] = (point - rise[:, None] * normal)[inside]
    return foot


def _is_small(cells: Cells) -> _Bools:
    place = cells.points[:, :, :3]
    edge = place[:, [1, 2, 0]] - place
    longest = np.sqrt(np.einsum("kij,kij->ki", edge, edge).max(axis=1))
    small: _Bools = longest <= np.maximum(_SMALL * cells.points[:, :, 3].mean(axis=1), _SMALLEST)
    return small


def _at_last(facets: Facets, cells: Cells, cell: _Ints, triangle: _Ints, rest: _Bools) -> _Bools:
    """Of cells too small to be halved: whether something is in the way at their middle."""
    ask = np.flatnonzero(rest & _is_small(cells)[cell])
    middle = cells.centres(facets)[cell[ask]].mean(axis=1)
    radius = cells.points[cell[ask], :, 3].mean(axis=1)
    triangle = triangle[ask]
    spot = nearest(middle, facets.corners[triangle], facets.normal[triangle])
    hit = np.linalg.norm(spot - middle, axis=1) < (1 - _TIE) * radius
    gone = np.zeros(len(cells.own), bool)
    gone[cell[ask[hit]]] = True
    return gone


def _once(cell: _Ints, face: _Ints, facets: Facets) -> tuple[_Ints, _Ints]:
    """Each pair of a cell and a flat face once, in the order of the cells."""
    size = int(facets.face.max()) + 1
    key = distinct(cell * size + face)
    return key // size, key % size


def _cut(
    facets: Facets, cells: Cells, gone: _Bools, cut: _Ints, face: _Ints
) -> tuple[Cells, _Ints]:
    """Cells without those that are gone, cut by faces (one row a cut); and what each is of."""
    kept = np.flatnonzero(~gone)
    one_of = np.zeros(int(facets.face.max()) + 1, np.int64)
    one_of[facets.face] = np.arange(len(facets.face))
    begin = np.searchsorted(cut, kept, side="left")
    size = np.searchsorted(cut, kept, side="right") - begin
    whole = size == 0
    rings = rings_of(cells.points[kept[~whole]], cells.label[kept[~whole]])
    owner, begin, size = kept[~whole], begin[~whole], size[~whole]
    for step in range(int(size.max(initial=0))):
        more = size > step
        triangle = one_of[face[np.where(more, begin + step, begin)]]
        place, radius = rings.points[:, :, :3], rings.points[:, :, 3]
        centre = place + radius[:, :, None] * facets.normal[cells.own[owner]][:, None]
        away = centre - facets.corners[triangle, 0][:, None]
        rise = np.einsum("kvj,kj->kv", away, facets.normal[triangle])
        height = np.where(more[:, None], rise - (1 - _TIE) * radius, 1.0)
        rings = rings.cut(height, np.full(len(owner), ENDS))
    points, label, ring = rings.triangles()
    rest = cells.chosen(kept[whole])
    own = owner[ring]
    parts = Cells(points, label, cells.own[own], cells.contact[own], cells.pair[own])
    return joined([rest, parts]), np.concatenate([kept[whole], own])


def _halved(cells: Cells) -> tuple[Cells, _Ints]:
    """Each cell in two across its longest edge, and which one each is of."""
    place = cells.points[:, :, :3]
    edge = place[:, [1, 2, 0]] - place
    first = np.einsum("kij,kij->ki", edge, edge).argmax(axis=1)
    turn = (first[:, None] + np.arange(3)) % 3
    rows = np.arange(len(first))[:, None]
    points, label = cells.points[rows, turn], cells.label[rows, turn]
    a, b, c = points[:, 0], points[:, 1], points[:, 2]
    middle = (a + b) / 2
    inner = np.full(len(a), INNER)
    halves = [
        Cells(
            np.stack(corners, axis=1),
            np.column_stack(labels),
            cells.own,
            cells.contact,
            cells.pair,
        )
        for corners, labels in (
            ((a, middle, c), (label[:, 0], inner, label[:, 2])),
            ((middle, b, c), (label[:, 0], label[:, 1], inner)),
        )
    ]
    return joined(halves), np.tile(np.arange(len(a)), 2)
