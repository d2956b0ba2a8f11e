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

from wallguard.base.arrays import dot, ranges
from wallguard.walls.chains import Chains
from wallguard.walls.edges import Edges

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Of contacts this close to being first, the one straight across counts: in a round or square
# section every contact is as near as every other.
TIE = 0.005
# Of what is near only that within twice the disc's radius counts; it is kept in such shares of the
# reach.
STAGES = (0.15, 0.3, 0.6, 1.0)
# What is touched so near to the end of an edge (mm) is touched at its end.
_ON = 1e-9
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

    The chains within twice the reach of chain c, itself included, stand in `near` by how far they
    are: those up to a stage s of the reach from begin[c * len(STAGES)] to begin[c * len(STAGES)
    + s + 1] - 1. Those that may bound a wall with it are facing[faced[c]:faced[c + 1]]; without
    these every disc is followed. Chains that are never asked may have none of either.
    """

    edges: Edges
    chains: Chains
    reach: float
    begin: _Ints
    near: _Ints
    faced: _Ints | None
    facing: _Ints


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
    return Discs(discs.radius[which], discs.contact[which], discs.edge[which], discs.facing[which])


def largest_discs(
    search: Search, edge: _Ints, points: _Floats, normals: _Floats, lean: _Floats
) -> Discs:
    """The largest disc at each of `points` (n, 2) with unit `normals` (n, 2) into the material.

    edge (n,) is an edge that the point lies on; lean (n, 2) the surface's lean there, see Edges.
    A disc that can lie in no wall, as nothing faces its point within reach, has the radius inf.
    """
    total = len(points)
    discs = Discs(
        np.full(total, np.inf), points.copy(), np.full(total, -1, np.int64), np.ones(total)
    )
    ask = _Asked(np.column_stack([points, normals]), lean, np.full(total, search.reach))
    chain = search.chains.chain[edge]
    open_ = np.arange(total)
    if search.faced is not None:
        faced = np.zeros(total, bool)
        for some, row, other in _parts(open_, chain, search.faced, search.facing, 1):
            part = ask.chosen(some)
            least = _bounds(search, part, row, other)
            faced[some[row[least <= part.limit[row] + 1e-9]]] = True
            ask.limit[some] = part.limit
        open_ = np.flatnonzero(faced)
    stage = np.searchsorted(search.reach * np.array(STAGES[:-1]), ask.limit[open_])
    for number in range(len(STAGES)):
        asked = open_[stage == number]
        first = chain * len(STAGES)
        for some, row, other in _parts(asked, first, search.begin, search.near, number + 1):
            part = ask.chosen(some)
            least = _bounds(search, part, row, other)
            kept = np.flatnonzero(least <= part.limit[row] * (1 + TIE) + 1e-9)
            which, edges = ranges(search.chains.first[other[kept]], search.chains.size[other[kept]])
            held = row[kept][which], edges
            _first_contacts((search.edges, search.reach), part, *held, some, discs)
    return discs


def _parts(
    asked: _Ints, key: _Ints, begin: _Ints, members: _Ints, step: int
) -> Iterator[tuple[_Ints, _Ints, _Ints]]:
    """A few points at a time: those asked, and pairs (row among them, chain), of the members from
    begin[key] to begin[key + step] - 1."""
    first = begin[key[asked]]
    size = begin[key[asked] + step] - first
    stops = np.searchsorted(np.cumsum(size), np.arange(_AT_ONCE, size.sum(), _AT_ONCE))
    for part in np.split(np.arange(len(asked)), stops):
        if len(part):
            row, place = ranges(first[part], size[part])
            yield asked[part], row, members[place]


@dataclass(frozen=True)
class _Asked:
    """Points and normals together (n, 4), lean (n, 2), and limit (n,): the disc is no larger."""

    ray: _Floats
    lean: _Floats
    limit: _Floats

    def chosen(self, which: _Ints) -> _Asked:
        ray, lean = self.ray.take(which, axis=0), self.lean.take(which, axis=0)
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
    ask = _Asked(np.column_stack([points, normals]), lean, np.full(total, reach))
    _first_contacts((edges, reach), ask, *pairs, np.arange(total), discs)
    return discs


def _bounds(search: Search, ask: _Asked, row: _Ints, chain: _Ints) -> _Floats:
    """Of pairs of rows and chains the radius below which the chain is not reached; the rows'
    limits are lowered to what is known to be reached."""
    px, py, nx, ny = ask.ray.take(row, axis=0).T
    sx, sy, ex, ey, length, off = search.chains.segment.take(chain, axis=0).T
    ax, ay = sx - px, sy - py
    most = np.minimum(
        value_of(ax, ay, nx, ny), value_of(ax + length * ex, ay + length * ey, nx, ny)
    )
    qx, qy = touched((ax + off * nx, ay + off * ny), (ex, ey), length, (nx, ny))
    least = value_of(qx, qy, nx, ny) - off
    # A chain of one edge is its own bound.
    most = np.where(off > 0, most, np.minimum(most, least))
    np.minimum.at(ask.limit, row, most)
    bound: _Floats = least
    return bound


def value_of(qx: _Floats, qy: _Floats, nx: _Floats, ny: _Floats) -> _Floats:
    """The radius at which a disc at the origin with normal n reaches q; inf if it never does."""
    square: _Floats = qx * qx + qy * qy
    depth = nx * qx + ny * qy
    least = 1e-7 * square + 1e-9
    never = depth <= least
    # In place, as this is asked of a hundred million pairs.
    np.maximum(depth, least, out=depth)
    depth += depth
    square /= depth
    np.putmask(square, never, np.inf)
    return square


def touched(
    away: tuple[_Floats, _Floats],
    along: tuple[_Floats, _Floats],
    length: _Floats,
    normal: tuple[_Floats, _Floats],
) -> tuple[_Floats, _Floats]:
    """Where a growing disc at the origin with this normal first reaches the segments that begin
    `away` from it, run `along` and are `length` long, from whatever side. All as (x, y)."""
    (ax, ay), (ex, ey), (nx, ny) = away, along, normal
    height = ax * ey - ay * ex  # of the origin above the line
    turn = 1 - np.where(height < 0, -1.0, 1.0) * (ny * ex - nx * ey)
    touch = np.abs(height) / np.maximum(turn, 1e-12) * (nx * ex + ny * ey) - (ax * ex + ay * ey)
    touch = np.minimum(np.maximum(touch, 0), length)
    return ax + touch * ex, ay + touch * ey


def _first_contacts(
    within: tuple[Edges, float], ask: _Asked, row: _Ints, edge: _Ints, some: _Ints, discs: Discs
) -> None:
    """Fill in what is found of `some`, whose rows are paired with edges; within: all edges, and
    the reach."""
    edges, reach = within
    px, py, nx, ny = ask.ray.take(row, axis=0).T
    sx, sy, ex, ey, length = edges.segment.take(edge, axis=0).T
    ax, ay = sx - px, sy - py
    # Only from its inner side can an edge be reached from within.
    ahead = np.flatnonzero(ax * ey - ay * ex > 0)
    row, edge = row[ahead], edge[ahead]
    ax, ay, ex, ey, nx, ny = (each[ahead] for each in (ax, ay, ex, ey, nx, ny))
    qx, qy = touched((ax, ay), (ex, ey), length[ahead], (nx, ny))
    value = value_of(qx, qy, nx, ny)
    radius = np.full(len(ask.ray), np.inf)
    np.minimum.at(radius, row, value)
    radius[radius > reach] = np.inf

    # Within reach as well: what faces a place beyond it is not looked for.
    tied = np.flatnonzero(value <= np.minimum(radius * (1 + TIE), reach)[row])
    tied = tied[np.isfinite(radius[row[tied]])]
    who, what, r = row[tied], edge[tied], value[tied]
    contact = np.column_stack([qx[tied], qy[tied]])
    normal = np.column_stack([nx[tied], ny[tied]])
    inward = _touching(
        edges, what, contact - np.column_stack([ax[tied], ay[tied]]), normal - contact / r[:, None]
    )
    facing = ask.lean[who, 1] * edges.lean[what, 1] + dot(normal, inward) * (
        ask.lean[who, 0] * edges.lean[what, 0]
    )
    order = np.lexsort((r, np.round(facing, 6), who))
    first = order[np.diff(who[order], prepend=-1) > 0]
    # What is straight across within the tie decides the thickness: it is exact on flat walls.
    place = some[who[first]]
    discs.radius[place] = r[first]
    discs.contact[place] = ask.ray[who[first], :2] + contact[first]
    discs.edge[place] = what[first]
    discs.facing[place] = facing[first]


def _touching(edges: Edges, edge: _Ints, place: _Floats, inward: _Floats) -> _Floats:
    """(k, 2) the outline's normal where discs touch the edges, into them; inward (k, 2): the way
    from each contact to the disc's centre; place (k, 2): from the edge's start to the contact.

    At a corner it is the way to the centre only as far as the corner's normals go: what is near
    enough for a tie may be touched beyond.
    """
    along = edges.along[edge]
    own = np.column_stack([-along[:, 1], along[:, 0]])
    run = dot(place, along)
    ends = run >= edges.length[edge] - _ON
    normal = own.copy()
    for at, beside in ((run <= _ON, edges.before), (ends, edges.after)):
        which = np.flatnonzero(at)
        way, mine = inward[which], own[which]
        other = edges.along[beside[edge[which]]]
        its = np.column_stack([-other[:, 1], other[:, 0]])
        # From its own normal toward that of the edge beside, if the corner is re-entrant.
        side = 1.0 if beside is edges.before else -1.0
        turn, reach = (side * (mine[:, 0] * v[:, 1] - mine[:, 1] * v[:, 0]) for v in (its, way))
        beyond = side * (way[:, 0] * its[:, 1] - way[:, 1] * its[:, 0]) < 0
        toward = np.where(beyond[:, None], its, way)
        normal[which] = np.where(((turn > 0) & (reach > 0))[:, None], toward, mine)
    return normal
