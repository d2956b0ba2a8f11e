"""Bounds of things in space, and which of them meet: many at once, in trees.

What lies near each other shares a node, two nodes the next, and so on up to one for all. Pairs of
nodes are followed downwards as long as their bounds meet, so that what lies apart is told apart in
few steps, however large or slanted single things are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import dot, lengths
from wallguard.base.errors import TooLargeError

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Pairs of nodes that are looked at together bound the memory, and in all the time: beyond takes
# minutes.
_AT_ONCE, _PAIRS = 60_000, 30_000_000
# Bits of each coordinate in the order along which things are near each other.
_BITS = 20
# Rounding of a turn, radians.
_TURN = 1e-6
# Cells along each axis of the grid on which boxes are marked.
_GRID = 48


@dataclass(frozen=True)
class Bounds:
    """Boxes (n,) along the axes, and slabs across a direction of each thing's own, mm.

    low, high    (n, 3)
    way          (n, 3) a direction, unit, or 0 for none
    first, last  (n,) from where to where the thing reaches along it
    normal       (n, 3) and (n, 3) the least and the greatest of its unit normals
    like, unlike (n,) numbers: those with another number in the one, or with the same number in the
                 other, do not meet; -1 for what meets all
    """

    low: _Floats
    high: _Floats
    way: _Floats
    first: _Floats
    last: _Floats
    normal: tuple[_Floats, _Floats]
    like: _Ints
    unlike: _Ints

    def chosen(self, which: _Ints | _Bools) -> Bounds:
        """Those with these numbers."""
        return Bounds(
            # Columns lie in one piece: they are asked one by one.
            np.asfortranarray(self.low[which]),
            np.asfortranarray(self.high[which]),
            np.asfortranarray(self.way[which]),
            self.first[which],
            self.last[which],
            (np.asfortranarray(self.normal[0][which]), np.asfortranarray(self.normal[1][which])),
            self.like[which],
            self.unlike[which],
        )

    def joined(self) -> Bounds:
        """Of each two that follow each other, one."""
        size = len(self.low)
        one = self.chosen(np.arange(0, size, 2))
        other = self.chosen(np.minimum(np.arange(1, size + 1, 2), size - 1))
        alike = (one.way == other.way).all(axis=1)
        return Bounds(
            np.minimum(one.low, other.low),
            np.maximum(one.high, other.high),
            np.asfortranarray(np.where(alike[:, None], one.way, 0.0)),
            np.where(alike, np.minimum(one.first, other.first), -np.inf),
            np.where(alike, np.maximum(one.last, other.last), np.inf),
            (
                np.minimum(one.normal[0], other.normal[0]),
                np.maximum(one.normal[1], other.normal[1]),
            ),
            np.where(one.like == other.like, one.like, -1),
            np.where(one.unlike == other.unlike, one.unlike, -1),
        )


def bounds_of(points: _Floats, way: _Floats) -> Bounds:
    """Bounds of the hulls of points (n, v, 3), and for each a unit direction (n, 3) that is its
    normal, too, or 0."""
    none = np.full(len(points), -1)
    along = dot(points[:, 0], way)
    low, high, first, last = points[:, 0].copy(), points[:, 0].copy(), along, along.copy()
    for i in range(1, points.shape[1]):
        along = dot(points[:, i], way)
        for function, bound, value in (
            (np.minimum, low, points[:, i]),
            (np.maximum, high, points[:, i]),
            (np.minimum, first, along),
            (np.maximum, last, along),
        ):
            function(bound, value, out=bound)
    return Bounds(low, high, way, first, last, (way, way), none, none)


def near_any(boxes: tuple[_Floats, _Floats], others: tuple[_Floats, _Floats]) -> _Bools:
    """(m,) which of the others may meet one of these boxes, each by their lowest and highest
    corners (n, 3) and (m, 3): none that does is left out. On a grid, so however many there are."""
    if not len(boxes[0]) or not len(others[0]):
        return np.zeros(len(others[0]), bool)
    origin = boxes[0].min(axis=0)
    width = np.maximum((boxes[1].max(axis=0) - origin) / _GRID, 1e-9)
    # Along each axis one more before the first cell, which is empty, and after the last one.
    first, last = ((np.floor((each - origin) / width)).astype(np.int64) + 1 for each in boxes)
    last = np.minimum(last, _GRID + 1)
    size = _GRID + 3
    begins = np.zeros((size, size, size), np.int64)
    for corner in np.ndindex(2, 2, 2):
        which = [(last[:, i] + 1) if corner[i] else first[:, i] for i in range(3)]
        np.add.at(begins, tuple(which), 1 - 2 * (sum(corner) % 2))
    for axis in range(3):
        begins = begins.cumsum(axis=axis)
    inside = (begins > 0).astype(np.int64)
    for axis in range(3):
        inside = inside.cumsum(axis=axis)
    low, high = (
        np.clip(np.floor((each - origin) / width) + 1, 0, _GRID + 2).astype(np.int64)
        for each in others
    )
    low = np.maximum(low - 1, 0)
    count = np.zeros(len(low), np.int64)
    for corner in np.ndindex(2, 2, 2):
        which = [(high if corner[i] else low)[:, i] for i in range(3)]
        count += inside[tuple(which)] * (-1) ** (3 - sum(corner))
    met: _Bools = count > 0
    return met


def wider(bounds: Bounds, reach: float | _Floats) -> Bounds:
    """The same with this much (mm), of all or of each (n,), more on every side."""
    return replace(
        bounds,
        low=(bounds.low.T - reach).T,
        high=(bounds.high.T + reach).T,
        first=bounds.first - reach,
        last=bounds.last + reach,
    )


class Tree:
    """Bounds, and those of nodes of two, four, ... of them."""

    def __init__(self, bounds: Bounds, group: _Ints | None = None) -> None:
        """group (n,): what has one number keeps together, as the triangles of a flat face do."""
        self.order = along_a_curve((bounds.low + bounds.high) / 2, group)
        self.levels = [bounds.chosen(self.order)]
        while len(self.levels[-1].low) > 1:
            self.levels.append(self.levels[-1].joined())


class Nodes(NamedTuple):
    """Nodes (k,) of one level of a tree, where 0 are the things themselves."""

    tree: Tree
    level: int
    number: _Ints

    @property
    def unlike(self) -> _Ints:
        """(k,) see `Bounds`."""
        numbers: _Ints = self.tree.levels[self.level].unlike[self.number]
        return numbers


class Ways:
    """Of each node of a tree the kind and the directions of what it holds."""

    def __init__(self, order: _Ints, kind: _Ints, way: _Floats) -> None:
        """order: that of the tree; kind (n,) a number from 0 on; way (n, 3) unit."""
        kind, low, high = kind[order], way[order], way[order]
        self._levels = [(kind, *_cones(low, high))]
        while len(kind) > 1:
            even, odd = (
                np.arange(0, len(kind), 2),
                np.minimum(np.arange(1, len(kind) + 1, 2), len(kind) - 1),
            )
            kind = np.where(kind[even] == kind[odd], kind[even], -1)
            low, high = np.minimum(low[even], low[odd]), np.maximum(high[even], high[odd])
            self._levels.append((kind, *_cones(low, high)))

    def alike(self, nodes: Nodes, other: Ways, others: Nodes, most: float) -> _Bools:
        """(k,) of which pairs of nodes all is of one kind, and turned by no more than `most`
        (radians) from all of the other."""
        kind, axis, spread = self._levels[nodes.level]
        its_kind, its_axis, its_spread = other._levels[others.level]
        node, its = nodes.number, others.number
        alike = kind[node]
        same: _Bools = (alike == its_kind[its]) & (alike >= 0)
        some = np.flatnonzero(same)
        one, two = node[some], its[some]
        turn = np.zeros(len(some))
        for i in range(3):
            turn += axis[:, i][one] * its_axis[:, i][two]
        # What is turned by just as much is told apart by who asks.
        least = most - _TURN - spread[one] - its_spread[two]
        same[some] = (least >= 0) & (turn >= np.cos(least))
        return same


def _cones(low: _Floats, high: _Floats) -> tuple[_Floats, _Floats]:
    """An axis (n, 3) and how far from it (n,), in radians, unit vectors may lie that are in boxes
    with these lowest and highest corners (n, 3)."""
    middle = (low + high) / 2
    reach, off = lengths(middle), lengths(high - low) / 2
    least = (1 + reach**2 - off**2) / (2 * np.maximum(reach, 1e-9))
    axis = np.asfortranarray(middle / np.maximum(reach, 1e-9)[:, None])
    return axis, np.arccos(np.clip(least, -1.0, 1.0))


def along_a_curve(middle: _Floats, group: _Ints | None = None) -> _Ints:
    """An order (n,) in which what follows each other lies near each other: by the bits of the three
    coordinates in turn (Morton's order, from memory)."""
    low = middle.min(axis=0, initial=0.0)
    reach = max(float((middle - low).max(initial=0.0)), 1e-9)
    cell = ((middle - low) * ((2**_BITS - 1) / reach)).astype(np.int64)
    key = np.zeros(len(middle), np.int64)
    for i in range(3):
        bits = cell[:, i]
        # Two empty bits before each.
        for shift, mask in (
            (32, 0x1F00000000FFFF),
            (16, 0x1F0000FF0000FF),
            (8, 0x100F00F00F00F00F),
            (4, 0x10C30C30C30C30C3),
            (2, 0x1249249249249249),
        ):
            bits = (bits | (bits << shift)) & mask
        key |= bits << i
    return np.argsort(key, kind="stable") if group is None else np.lexsort((key, group))


def meetings(
    one: Tree,
    other: Tree,
    facing: float | None = None,
    most: int | None = None,
    wanted: Callable[[Nodes, Nodes], _Bools] | None = None,
) -> Iterator[tuple[_Ints, _Ints]]:
    """Numbers of things of the one and of the other whose bounds meet, each pair once, a bounded
    number at a time.

    facing  only those of which normals may have a scalar product of no more
    most    pairs of nodes that may be looked at; None: as many as take a minute or so
    wanted  says of which pairs of nodes more is wanted: it is asked again at each step, so that
            what the pairs until then have told is made use of

    Raises TooLargeError where so many lie close together that there are more.
    """
    if not len(one.order) or not len(other.order):
        return
    start = np.zeros(1, np.int64)
    pending = [(len(one.levels) - 1, len(other.levels) - 1, start, start)]
    seen = 0
    while pending:
        high, its_high, a, b = pending.pop()
        seen += len(a)
        if seen > (_PAIRS if most is None else most):
            raise TooLargeError(
                f"comparing {seen:,} pairs of faces close to each other "
                f"(the limit: {_PAIRS if most is None else most:,})"
            )
        a, b = _met(one.levels[high], other.levels[its_high], a, b, facing)
        if wanted is not None:
            kept = wanted(Nodes(one, high, a), Nodes(other, its_high, b))
            a, b = a[kept], b[kept]
        if not len(a):
            continue
        if high == its_high == 0:
            yield one.order[a], other.order[b]
            continue
        level = max(high, its_high)
        if high == level:
            a, b = _children(a, b, len(one.levels[high - 1].low))
        if its_high == level:
            b, a = _children(b, a, len(other.levels[its_high - 1].low))
        high, its_high = min(high, level - 1), min(its_high, level - 1)
        for begin in range(0, len(a), _AT_ONCE):
            some = slice(begin, begin + _AT_ONCE)
            pending.append((high, its_high, a[some], b[some]))


def _children(node: _Ints, other: _Ints, size: int) -> tuple[_Ints, _Ints]:
    """The one or two children of nodes, of so many in all, with what goes with each."""
    second = np.flatnonzero(2 * node + 1 < size)
    return (
        np.concatenate([2 * node, 2 * node[second] + 1]),
        np.concatenate([other, other[second]]),
    )


def _met(
    one: Bounds, other: Bounds, a: _Ints, b: _Ints, facing: float | None
) -> tuple[_Ints, _Ints]:
    """Of pairs a, b of nodes those that meet."""

    # Of an array `take` is several times as fast as numbers in brackets, and so are numbers than
    # what is true.
    def left(kept: _Bools) -> tuple[_Ints, _Ints]:
        which = np.flatnonzero(kept)
        return (a, b) if len(which) == len(a) else (a.take(which), b.take(which))

    for i in range(3):
        kept = one.low[:, i].take(a) <= other.high[:, i].take(b)
        kept &= other.low[:, i].take(b) <= one.high[:, i].take(a)
        a, b = left(kept)
    like, its = one.like.take(a), other.like.take(b)
    kept = (like == its) | (like < 0) | (its < 0)
    unlike = one.unlike.take(a)
    kept &= (unlike != other.unlike.take(b)) | (unlike < 0)
    a, b = left(kept)
    if facing is not None:
        least = np.zeros(len(a))
        for i in range(3):
            low, high = one.normal[0][:, i].take(a), one.normal[1][:, i].take(a)
            its_low, its_high = other.normal[0][:, i].take(b), other.normal[1][:, i].take(b)
            # The least of four products.
            least += np.minimum(
                np.minimum(low * its_low, low * its_high),
                np.minimum(high * its_low, high * its_high),
            )
        a, b = left(least <= facing)
    for bounds, others, first in ((one, other, True), (other, one, False)):
        node, its = (a, b) if first else (b, a)
        # Most nodes of several things have no slab.
        last = bounds.last.take(node)
        some = np.flatnonzero(last < np.inf)
        node, its = node.take(some), its.take(some)
        middle, reach = np.zeros(len(some)), np.zeros(len(some))
        for i in range(3):
            way = bounds.way[:, i].take(node)
            low, high = others.low[:, i].take(its), others.high[:, i].take(its)
            middle += way * (low + high)
            reach += np.abs(way) * (high - low)
        kept = np.ones(len(last), bool)
        kept[some] = middle - reach <= 2 * last.take(some)
        kept[some] &= middle + reach >= 2 * bounds.first.take(node)
        a, b = left(kept)
    return a, b
