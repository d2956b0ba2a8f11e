"""The largest disc that touches the outline at a point: exact, for many points at once.

A disc inside the material that touches the outline at p, where n is the unit normal into the
material, has its centre at p + r n. It reaches the point q when |q - p|^2 = 2 r n.(q - p), so the
largest one that holds no other part of the outline has

    r(p) = min over q of |q - p|^2 / (2 n.(q - p)),   n.(q - p) > 0.

          n                   On one straight edge the points with a value below any given r form
    ______|_______            a disc cut by a line, which is one interval; so the least value lies
       .  p  .                where the disc touches the edge's line, or at the edge's end nearest
      .   |   .               to that place. No iteration and no sampling of the far side is
      .   c   .               needed. (The relation is the one of the shrinking-ball method, Ma,
       .     . \\              Bae and Choi, "3D medial axis point approximation using nearest
    _____.q.____              neighbors and the normal field", The Visual Computer 28, 2012; there
                              q runs over sample points, here over whole edges.)

A whole chain of edges is left out by a bound. All of it lies within d of one segment, so the disc
must come within d of that segment: with s on the segment,

    r >= (|s - p|^2 - d^2) / (2 (n.(s - p) + d)) = |s - p'|^2 / (2 n.(s - p')) - d,   p' = p - d n,

which is the same formula for the point p'. And the chain's two ends are points of the outline, so
their values are upper bounds. What cannot be below the least upper bound is not looked into.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import columns, dot, ranges, rows
from wallguard.walls.chains import Chains
from wallguard.walls.edges import Edges
from wallguard.walls.effort import Effort

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Of contacts this close to being first, the one straight across counts: in a round or square
# section every contact is as near as every other.
TIE = 0.005
# What is touched so near to the end of an edge (mm) is touched at its end.
_ON = 1e-9
# And beyond an end where the way to the centre turns farther than its normals do by this (sine):
# the disc lies in what follows by half the square of that.
_PAST = 1e-3
# Pairs of points and chains that are looked at together: few enough to stay in the cache.
_AT_ONCE = 40_000


@dataclass(frozen=True)
class Discs:
    """The largest discs that touch the outline at given points.

    radius    (n,) float64, inf where larger than was asked for
    contact   (n, 2) float64, where the disc touches the outline elsewhere
    edge      (n,) int64, the edge it touches there, -1 where radius is inf
    facing    (n,) float64, cosine between the outward surface normals in space at the two
              contacts: -1 straight across and parallel, 1 where radius is inf
    """

    radius: _Floats
    contact: _Floats
    edge: _Ints
    facing: _Floats


@dataclass(frozen=True)
class Search:
    """Edges made ready to be searched for discs of radius up to `reach` mm.

    What a disc that touches chain c may touch, c included, are the chains from near[begin[c]] to
    near[begin[c + 1] - 1], each as far from it as `gap` says. Those that may bound a wall with it
    are those from facing[faced[c]] on, nearest[c] among them, -1 if there are none; without these
    every disc is followed. Chains that are never asked may have none of either.
    `effort` counts the pairs that are looked at.
    """

    edges: Edges
    chains: Chains
    reach: float
    begin: _Ints
    near: _Ints
    gap: _Floats
    faced: _Ints | None
    facing: _Ints
    nearest: _Ints
    effort: Effort


def together(*discs: Discs) -> Discs:
    """Several discs in one row."""
    return Discs(
        np.concatenate([each.radius for each in discs]),
        np.concatenate([each.contact for each in discs]),
        np.concatenate([each.edge for each in discs]),
        np.concatenate([each.facing for each in discs]),
    )


def chosen(discs: Discs, which: _Ints) -> Discs:
    """Those of the discs that have these numbers, in this order."""
    return Discs(
        discs.radius[which], rows(discs.contact, which), discs.edge[which], discs.facing[which]
    )


def largest_discs(
    search: Search, edge: _Ints, points: _Floats, normals: _Floats, lean: _Floats
) -> Discs:
    """The largest disc at each of `points` (n, 2) with unit `normals` (n, 2) into the material.

    edge (n,) is an edge that the point lies on; lean (n, 2) the surface's lean there, see Edges.
    A disc that can lie in no wall, as nothing faces its point within reach, has the radius inf.
    Raises TooLargeError where more would be looked at than the search may.
    """
    total = len(points)
    discs = Discs(
        np.full(total, np.inf), points.copy(), np.full(total, -1, np.int64), np.ones(total)
    )
    ask = _Asked.of(points, normals, lean, search.reach)
    chain = search.chains.chain[edge]
    open_ = np.arange(total)
    if search.faced is not None:
        faced = np.zeros(total, bool)
        # The nearest mostly bounds the disc, and then the rest need not be asked.
        alone = search.nearest[chain]
        begin, end = search.faced[chain], search.faced[chain + 1]
        for members, first, size in (
            (search.nearest, chain, (alone >= 0).astype(np.int64)),
            (search.facing, begin, end - begin),
        ):
            asked = np.flatnonzero((ask.limit >= search.reach) & (size > 0))
            search.effort.spend(int(size[asked].sum()))
            for some, row, place in _parts(asked, first[asked], size[asked]):
                part = ask.chosen(some)
                least = _bounds(search, part, row, members[place])
                faced[some[row[least <= part.limit[row] + 1e-9]]] = True
                ask.limit[some] = part.limit
        open_ = np.flatnonzero(faced)
    begin = search.begin[chain[open_]]
    size = search.begin[chain[open_] + 1] - begin
    search.effort.spend(int(size.sum()))
    for some, which, place in _parts(open_, begin, size):
        part = ask.chosen(some)
        # Only what is within twice the disc's radius counts.
        close = np.flatnonzero(search.gap[place] <= (2 * (1 + TIE) * part.limit + 1e-9)[which])
        row, other = which[close], search.near[place[close]]
        least = _bounds(search, part, row, other)
        kept = np.flatnonzero(least <= part.limit[row] * (1 + TIE) + 1e-9)
        of, edges = ranges(search.chains.first[other[kept]], search.chains.size[other[kept]])
        held = row[kept][of], edges
        _first_contacts((search.edges, search.reach), part, *held, some, discs)
    return discs


def _parts(asked: _Ints, first: _Ints, size: _Ints) -> Iterator[tuple[_Ints, _Ints, _Ints]]:
    """A few points at a time: those asked, and pairs (row among them, number), of as many numbers
    for each as its size says, from the first on."""
    stops = np.searchsorted(np.cumsum(size), np.arange(_AT_ONCE, size.sum(), _AT_ONCE)).tolist()
    for low, high in zip([0, *stops], [*stops, len(asked)], strict=True):
        if high > low:
            yield asked[low:high], *ranges(first[low:high], size[low:high])


@dataclass(frozen=True)
class _Asked:
    """Points and normals together (4, n), lean (n, 2), and limit (n,): the disc is no larger."""

    ray: _Floats
    lean: _Floats
    limit: _Floats

    @classmethod
    def of(cls, points: _Floats, normals: _Floats, lean: _Floats, reach: float) -> _Asked:
        ray = columns(points, normals)
        return cls(ray, lean, np.full(len(points), reach))

    def chosen(self, which: _Ints) -> _Asked:
        ray, lean = self.ray.take(which, axis=1), self.lean.take(which, axis=0)
        return _Asked(ray, lean, self.limit[which])


def among(
    edges: Edges,
    reach: float,
    asked: tuple[_Floats, _Floats, _Floats],
    pairs: tuple[_Ints, _Ints],
) -> Discs:
    """The largest disc at each of `asked`, points, normals and leans as of `largest_discs`, where
    it is known which edges can hold it: pairs of rows and edges."""
    points, normals, lean = asked
    total = len(points)
    discs = Discs(
        np.full(total, np.inf), points.copy(), np.full(total, -1, np.int64), np.ones(total)
    )
    ask = _Asked.of(points, normals, lean, reach)
    _first_contacts((edges, reach), ask, *pairs, np.arange(total), discs)
    return discs


def _bounds(search: Search, ask: _Asked, row: _Ints, chain: _Ints) -> _Floats:
    """Of pairs of rows and chains the radius below which the chain is not reached; the rows'
    limits are lowered to what is known to be reached."""
    px, py, nx, ny = (each.take(row) for each in ask.ray)
    ax, ay, ex, ey, length, off = (each.take(chain) for each in search.chains.segment)
    ax -= px
    ay -= py
    ax += off * nx
    ay += off * ny
    qx, qy = touched((ax, ay), (ex, ey), length, (nx, ny))
    square, depth = qx * qx, nx * qx
    square += qy * qy
    depth += ny * qy
    least = _radius(square, depth)
    least -= off
    # Within `off` of the point touched, as seen from p, lies a point of the chain.
    off += off
    square -= off * depth
    depth -= off
    off /= 2
    square += off * off
    np.sqrt(np.maximum(square, 0.0, out=square), out=square)
    square += off
    square *= square
    np.minimum.at(ask.limit, row, _radius(square, depth))
    return least


def value_of(qx: _Floats, qy: _Floats, nx: _Floats, ny: _Floats) -> _Floats:
    """The radius at which a disc at the origin with normal n reaches q; inf if it never does."""
    return _radius(qx * qx + qy * qy, nx * qx + ny * qy)


def _radius(square: _Floats, depth: _Floats) -> _Floats:
    """The same for points at the square of a distance, so deep along the normal."""
    # In place, as this is asked of a hundred million pairs.
    least = 1e-7 * square
    least += 1e-9
    never = depth <= least
    np.maximum(depth, least, out=least)
    least += least
    radius: _Floats = np.divide(square, least, out=least)
    np.putmask(radius, never, np.inf)
    return radius


def touched(
    away: tuple[_Floats, _Floats],
    along: tuple[_Floats, _Floats],
    length: _Floats,
    normal: tuple[_Floats, _Floats],
) -> tuple[_Floats, _Floats]:
    """Where a growing disc at the origin with this normal first reaches the segments that begin
    `away` from it, run `along` and are `length` long, from whatever side. All as (x, y)."""
    (ax, ay), (ex, ey), (nx, ny) = away, along, normal
    place = ax * ey  # the height of the origin above the line
    place -= ay * ex
    turn = ny * ex
    turn -= nx * ey
    turn *= np.copysign(1.0, place)
    np.subtract(1.0, turn, out=turn)
    np.maximum(turn, 1e-12, out=turn)
    np.abs(place, out=place)
    place /= turn
    np.multiply(nx, ex, out=turn)
    turn += ny * ey
    place *= turn
    np.multiply(ax, ex, out=turn)
    turn += ay * ey
    place -= turn
    np.maximum(place, 0.0, out=place)
    np.minimum(place, length, out=place)
    qx, qy = place * ex, place * ey
    qx += ax
    qy += ay
    return qx, qy


def _first_contacts(
    within: tuple[Edges, float], ask: _Asked, row: _Ints, edge: _Ints, some: _Ints, discs: Discs
) -> None:
    """Fill in what is found of `some`, whose rows are paired with edges; within: all edges, and
    the reach."""
    edges, reach = within
    px, py, nx, ny = ask.ray
    ax, ay, ex, ey = (each.take(edge) for each in edges.segment[:4])
    ax -= px.take(row)
    ay -= py.take(row)
    # Only from its inner side can an edge be reached from within.
    ahead = np.flatnonzero(ax * ey > ay * ex)
    row, edge = row.take(ahead), edge.take(ahead)
    ax, ay, ex, ey = (each.take(ahead) for each in (ax, ay, ex, ey))
    nx, ny = nx.take(row), ny.take(row)
    qx, qy = touched((ax, ay), (ex, ey), edges.length.take(edge), (nx, ny))
    value = value_of(qx, qy, nx, ny)
    radius = np.full(len(ask.limit), np.inf)
    np.minimum.at(radius, row, value)
    radius[radius > reach] = np.inf

    # Within reach as well: what faces a place beyond it is not looked for.
    tied = np.flatnonzero(value <= np.minimum(radius * (1 + TIE), reach)[row])
    tied = tied[np.isfinite(radius[row[tied]])]
    who, what, r = row[tied], edge[tied], value[tied]
    contact = np.column_stack([qx[tied], qy[tied]])
    normal = np.column_stack([nx[tied], ny[tied]])
    place = contact - np.column_stack([ax[tied], ay[tied]])
    inward, beyond = _touching(edges, what, place, normal - contact / r[:, None])
    # What is touched beyond the end of an edge lies in what follows there, which holds the disc.
    held = np.bincount(who[~beyond], minlength=len(radius)) > 0
    kept = np.flatnonzero(~beyond | ~held[who])
    who, what, r = who[kept], what[kept], r[kept]
    contact, normal, inward = (rows(each, kept) for each in (contact, normal, inward))
    facing = ask.lean[who, 1] * edges.lean[what, 1] + dot(normal, inward) * (
        ask.lean[who, 0] * edges.lean[what, 0]
    )
    # Most have one contact; of several the straightest, and then the nearest.
    alone = np.bincount(who, minlength=len(radius))[who] == 1
    several = np.flatnonzero(~alone)
    order = several[np.lexsort((r[several], np.round(facing[several], 6), who[several]))]
    order = order[np.diff(who[order], prepend=-1) > 0]
    first = np.concatenate([np.flatnonzero(alone), order])
    # What is straight across within the tie decides the thickness: it is exact on flat walls.
    place = some[who[first]]
    discs.radius[place] = r[first]
    discs.contact[place] = ask.ray[:2, who[first]].T + rows(contact, first)
    discs.edge[place] = what[first]
    discs.facing[place] = facing[first]


def _touching(edges: Edges, edge: _Ints, place: _Floats, inward: _Floats) -> tuple[_Floats, _Bools]:
    """(k, 2) the outline's normal where discs touch the edges, into them; inward (k, 2): the way
    from each contact to the disc's centre; place (k, 2): from the edge's start to the contact.

    At a corner it is the way to the centre only as far as the corner's normals go; and (k,) whether
    that lies beyond these, as of what is near enough for a tie it may.
    """
    along = rows(edges.along, edge)
    own = np.column_stack([-along[:, 1], along[:, 0]])
    run = dot(place, along)
    ends = run >= edges.length[edge] - _ON
    normal, past = own.copy(), np.zeros(len(edge), bool)
    for at, beside in ((run <= _ON, edges.before), (ends, edges.after)):
        which = np.flatnonzero(at)
        way, mine = rows(inward, which), own[which]
        other = edges.along[beside[edge[which]]]
        its = np.column_stack([-other[:, 1], other[:, 0]])
        # From its own normal toward that of the edge beside, if the corner is re-entrant.
        side = 1.0 if beside is edges.before else -1.0
        turn, reach = (side * (mine[:, 0] * v[:, 1] - mine[:, 1] * v[:, 0]) for v in (its, way))
        over = side * (way[:, 0] * its[:, 1] - way[:, 1] * its[:, 0])
        toward = np.where((over < 0)[:, None], its, way)
        open_ = (turn > 0) & (reach > 0)
        normal[which] = np.where(open_[:, None], toward, mine)
        past[which] |= np.where(turn > 0, -over, reach) > _PAST
    return normal, past
