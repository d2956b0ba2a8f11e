"""Where on an edge the disc changes hands, or a wall ends or changes its range of thickness.

Of two places on an edge it is known which edges hold their discs. Were there no other edges, the
disc at every place between would follow from these two alone; so the place where it turns from the
kind of the one into that of the other is found by halving, without a search:

      r |       held by a          .' held by b
        |  `-._                 .-'                   the smaller holds the disc, and of two as
        |      `-._          .-'                      near as makes a tie the straighter across
        |          `-._   .-'
        +---o----------`x'-----------o--->  place
           low                      high

Whether it really turns there is then asked right beside that place, on both sides.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import rows
from wallguard.walls.chains import FACING
from wallguard.walls.discs import TIE, touched, value_of

if TYPE_CHECKING:
    from wallguard.walls.edges import Edges
    from wallguard.walls.places import Outline, Spots

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]
_Holds = tuple[_Ints, _Ints]

# A place is known this well (mm), or after so many halvings.
_KNOWN, _HALVINGS = 5e-5, 40
# What is to be the same however far apart the places are is known this well (mm).
_SAME = 1e-9


def turns_at(
    outline: Outline, low: Spots, high: Spots, group: Callable[[_Floats], _Ints]
) -> _Floats:
    """(k,) the place on each edge where what is at `low` ends, as far as the edges that hold the
    discs at both ends tell; nan where they do not. group numbers the ranges of thickness."""
    turns = np.full(len(low.edge), np.nan)
    which = np.flatnonzero((low.discs.edge >= 0) | (high.discs.edge >= 0))
    held = low.discs.edge[which], high.discs.edge[which]
    kinds = low.kind[which], high.kind[which]
    model = _Model.of(outline.edges, outline.search.reach, low.edge[which], held, kinds)
    turns[which] = _halved(model, low.place[which], high.place[which], group, _KNOWN)
    return turns


def passing(edges: Edges, edge: _Ints, ends: tuple[_Floats, _Floats], held: _Holds) -> _Floats:
    """(k,) the place on each edge, between two, where the disc passes from the one to the other of
    the edges that hold it at these: at one end where the same corner of both holds it there."""
    none = np.zeros(len(edge), np.int64)
    model = _Model.of(edges, np.inf, edge, held, (none, none))

    def one(thickness: _Floats) -> _Ints:
        return np.zeros(len(thickness), np.int64)

    low, high = ends
    there = _halved(model, low, high, one, _SAME)
    return np.where(np.isfinite(there), there, np.where(model.like_low(high, one), high, low))


def _halved(
    model: _Model,
    low: _Floats,
    high: _Floats,
    group: Callable[[_Floats], _Ints],
    known: float,
) -> _Floats:
    """(k,) where between places what is as at the low one ends, to within `known` (mm); nan where
    that is not so."""
    turns = np.full(len(low), np.nan)
    which = np.flatnonzero(model.like_low(low, group) & ~model.like_low(high, group))
    model, begin, end = model.chosen(which), low[which], high[which]
    open_ = np.arange(len(which))
    for _ in range(_HALVINGS):
        open_ = open_[end[open_] - begin[open_] > known]
        if not len(open_):
            break
        part = model if len(open_) == len(which) else model.chosen(open_)
        middle = (begin[open_] + end[open_]) / 2
        like = part.like_low(middle, group)
        begin[open_[like]] = middle[like]
        end[open_[~like]] = middle[~like]
    turns[which] = (begin + end) / 2
    return turns


class _Holders(NamedTuple):
    """Edges that hold discs, as seen from the starts of others: the way there x, y; along x, y;
    length; of the lean the products of cosines and of sines; whether none (k,), or a circle with
    itself (k,)."""

    away: tuple[_Floats, _Floats]
    along: tuple[_Floats, _Floats]
    length: _Floats
    cosine: _Floats
    sine: _Floats
    none: _Bools
    itself: _Bools


class _Model(NamedTuple):
    """Places on edges with two holders each: along x, y; normal x, y; the reach; the holders;
    whether these follow each other; of each place at `low` the kind; and whether the kind tells it
    from that at `high`, or else the holder."""

    along: tuple[_Floats, _Floats]
    normal: tuple[_Floats, _Floats]
    reach: float
    holders: tuple[_Holders, _Holders]
    beside: _Bools
    kind: _Ints
    by_kind: _Bools

    @classmethod
    def of(cls, edges: Edges, reach: float, edge: _Ints, held: _Holds, kinds: _Holds) -> _Model:
        """held, kinds: at the low places, and at the high ones."""
        holders = []
        for each in held:
            other = np.maximum(each, 0)
            away = rows(edges.start, other) - rows(edges.start, edge)
            along = rows(edges.along, other)
            lean, its = rows(edges.lean, edge), rows(edges.lean, other)
            ring = edges.ring[edge]
            holders.append(
                _Holders(
                    (away[:, 0].copy(), away[:, 1].copy()),
                    (along[:, 0].copy(), along[:, 1].copy()),
                    edges.length[other],
                    lean[:, 0] * its[:, 0],
                    lean[:, 1] * its[:, 1],
                    each < 0,
                    (ring == edges.ring[other]) & edges.round_ring[ring],
                )
            )
        x, y = rows(edges.along, edge).T.copy()
        one, other = (np.maximum(each, 0) for each in held)
        beside = (edges.after[one] == other) | (edges.after[other] == one)
        one, other = kinds
        return cls((x, y), (-y, x), reach, (holders[0], holders[1]), beside, one, one != other)

    def chosen(self, which: _Ints) -> _Model:
        def take(each: tuple[_Floats, _Floats]) -> tuple[_Floats, _Floats]:
            return each[0][which], each[1][which]

        one, other = (
            _Holders(
                take(each.away),
                take(each.along),
                each.length[which],
                each.cosine[which],
                each.sine[which],
                each.none[which],
                each.itself[which],
            )
            for each in self.holders
        )
        along, normal = take(self.along), take(self.normal)
        return _Model(
            along,
            normal,
            self.reach,
            (one, other),
            self.beside[which],
            self.kind[which],
            self.by_kind[which],
        )

    def like_low(self, place: _Floats, group: Callable[[_Floats], _Ints]) -> _Bools:
        """Whether the disc at each place, mm from the edge's start, is as it is at `low`."""
        (r, facing, end), (its_r, its_facing, its_end) = (
            self._held(each, place) for each in self.holders
        )
        # Of those as near as makes a tie the straightest holds the disc, but what is touched beyond
        # the end of one lies in the one that follows there: see `discs.py`.
        straighter = np.round(facing, 6) - np.round(its_facing, 6)
        tie = np.where(self.beside & (end | its_end), _SAME, TIE)
        most = np.minimum(np.minimum(r, its_r) * (1 + tie), self.reach)
        first = np.where(straighter == 0, r <= its_r, straighter < 0)
        own = (r <= most) & (first | (its_r > most))
        radius = np.where(own, r, its_r)
        cosine = np.where(own, facing, its_facing)
        itself = np.where(own, self.holders[0].itself, self.holders[1].itself)
        within = np.minimum(r, its_r) <= self.reach
        wall = within & (cosine <= FACING) & ~itself
        kind = np.where(wall, group(2 * np.where(within, radius, 0.0)), -1)
        like: _Bools = np.where(self.by_kind, kind == self.kind, own & within)
        return like

    def _held(self, holder: _Holders, place: _Floats) -> tuple[_Floats, _Floats, _Bools]:
        """Radius and facing of the disc at each place if this edge holds it, and whether it does so
        with an end."""
        (x, y), (nx, ny), (ex, ey) = self.along, self.normal, holder.along
        ax, ay = holder.away[0] - place * x, holder.away[1] - place * y
        qx, qy = touched((ax, ay), (ex, ey), holder.length, (nx, ny))
        at = (qx - ax) * ex + (qy - ay) * ey
        end = (at <= _SAME) | (at >= holder.length - _SAME)
        radius = value_of(qx, qy, nx, ny)
        radius[(ax * ey - ay * ex <= 0) | holder.none] = np.inf
        opposite = (nx * qx + ny * qy) / np.where(np.isfinite(radius), radius, 1.0) - 1
        facing = holder.sine - opposite * holder.cosine
        return radius, np.where(np.isfinite(radius), facing, 1.0), end
