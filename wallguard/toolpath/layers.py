"""Layers: the heights at which material is laid, and how high the layer there is.

    z  ---- layer k ----      height = down to the nearest height laid under the same place,
       ---- layer k-1 --      which may be another object's, or to the plate
       ================ plate

Three things make that harder than it sounds:

**A layer that is left out**, or lies on air (over a raft, over supports). The way down is then more
than one layer, and a bead computed with it comes out too narrow. So where the way down is more than
`_TALL` usual layers and the bead's cross-section gives the usual width with the usual height and
not with the way down, the usual height is taken; what is left under it is empty.

**A seam that ramps up.** A contour may begin rising from the layer below and end fading out over
the same way:

       _________________________________ z     start: from z - h up to z, fed more and more
      /                                        end: at z, fed less and less
     /_________________________________ z - h

What rises up to the height of the flat beads that follow it, from no more than a layer below, is of
their layer; its own height is what it stands above the layer below.

**A spiral.** What rises time and again around an outline is cut into turns of one layer each: see
`turns`. Heights are written in steps, so what rises evenly may do so in tiny ones.
"""

from __future__ import annotations

from itertools import pairwise
from operator import itemgetter
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges
from wallguard.toolpath.turns import Strands, Turns, closing, find_turns
from wallguard.toolpath.width import bead_width

# Heights nearer to each other than this are one, mm.
_SAME = 1e-4
# A turn that ends as near as this to a level layer, mm, is of it: three decimals.
_TOUCH = 2e-3
# Level and height in one number: no layer is higher than so many steps of _SAME.
_KEY = 2**24
# Laid paths are sampled at this spacing and noted in square cells twice as wide, mm. There are
# two nets of cells, half a cell apart, so that what follows an edge of one lies inside the other.
_SPACING = 1.0
_MOST_SAMPLES = 2_000_000
# A lower height counts as the one under a layer if it lies under this share of the layer. Sparse
# fill and overhangs leave most of some layers without support; a neighbour of other layer height
# comes near only here and there.
_SHARE = 0.1

# A way down of more than so many usual layers is looked at twice, and by how much (of the logarithm
# of the width) the usual height has to explain the beads better.
_TALL, _EVIDENT = 1.2, 0.05
# A level piece within a climb shorter than this is rounding of heights, mm: with three decimals a
# spiral of 0.1 mm to the turn around 600 mm rises by 0.0005 mm in 3 mm. However long it is, it is
# rounding between two rises of no more than this, mm: two decimals; no layer is as low.
_LEVEL, _ROUNDED = 3.0, 0.0105
# Nor is a level piece before or after steps that is no longer than so many times the next one.
_AS_LONG = 1.5
# A seam's ramp is no longer than what follows at its height, and a tenth.
_RAMPS = 1.1
# Where one bead ends and the next begins higher by no more than this, mm, it rises between them.
_STEPS = 0.03

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


class Layers(NamedTuple):
    """Layers, lowest first; each is one height above the plate laid with one layer height.

    bead, low, high  (m,): beads, or pieces of those that are cut where a turn of a spiral ends:
             which bead each is of, from which share of it to which; in the order they are laid
    of      (m,) int64: the layer of each
    z       (L,) float64, mm: the top of the layer, as the toolpath gives it; the mean of a turn's
    height  (L,) float64, mm: down to the nearest laid height under it, or to the plate (z = 0)
    width   (m,) float64, mm: of each, by its own height where that is less than its layer's
    ramped  (L,) bool: whether a seam of the layer ramps up, and so fades out
    reach   (L,) float64, mm: the greatest height of the nozzle in the layer
    partial (L,) bool: the end of a spiral that does not come around
    rising  length laid while rising that is none of these, mm, and its first bead (-1: none)
    spiral  turns of spirals
    """

    bead: _Ints
    low: _Floats
    high: _Floats
    of: _Ints
    z: _Floats
    height: _Floats
    width: _Floats
    ramped: NDArray[np.bool_]
    reach: _Floats
    partial: NDArray[np.bool_]
    rising: tuple[float, int]
    spiral: int


class _Pieces(NamedTuple):
    """Beads or pieces of them, see `Layers`; level, height and reach in steps of _SAME."""

    bead: _Ints
    low: _Floats
    high: _Floats
    level: _Ints
    height: _Ints
    width: _Floats
    ramped: NDArray[np.bool_]
    reach: _Ints
    partial: NDArray[np.bool_]

    def in_order(self) -> _Pieces:
        """As they are laid."""
        order = np.lexsort((self.low, self.bead))
        return _Pieces(*map(itemgetter(order), self))


def _some(laid: Strands, chosen: NDArray[np.bool_] | _Ints) -> Strands:
    return Strands(laid.start[chosen], laid.end[chosen], laid.area[chosen])


def _length(laid: Strands) -> _Floats:
    way = laid.end - laid.start
    length: _Floats = np.hypot(way[:, 0], way[:, 1])
    return length


def find_layers(start: _Floats, end: _Floats, area: _Floats) -> Layers:
    """Layers of the beads from start to end (n, 3), mm, of cross-sections (n,), mm^2, in the order
    they are laid.

    Layer height may vary, and objects printed one after the other may have heights of their own:
    what counts is the nearest height laid under the same place of the plate.
    """
    laid = Strands(start, end, area)
    level = np.round(end[:, 2] / _SAME).astype(np.int64)
    climbing = _climbing(laid)
    flat = climbing < 0
    height = np.zeros(len(level), np.int64)
    if flat.any():
        height[flat] = _flat_heights(laid if flat.all() else _some(laid, flat), level[flat])
    own = height.astype(np.float64)
    ramps = np.zeros(len(level), bool)
    rest, first = 0.0, -1
    turns: list[Turns] = []
    if not flat.all():
        stretch, follows = _stretches(laid, flat)
        told = flat & ~follows
        usual = _usual(height[told], (_length(laid) * area)[told]) if told.any() else 0
        length = np.bincount(stretch, _length(laid))
        ways = []
        for run in _runs(climbing):
            after = length[stretch[run.stop]] if run.stop < len(level) else 0.0
            if length[stretch[run.start]] <= _RAMPS * after and _ramp(
                laid, run, level, height, own
            ):
                ramps[run] = True
            else:
                ways.append(run)
        turns, others = find_turns(laid, ways, usual * _SAME)
        for run in others:
            first = int(run.start) if first < 0 else min(first, int(run.start))
            rest += float(np.hypot(*(end[run] - start[run])[:, :2].T).sum())
            _at_its_end(run, level, height, own, flat)
        turns = [_beside(rising, level[flat], height[flat]) for rising in turns]
    number = sum(len(rising.top) for rising in turns)
    closed = [closing(laid, rising, flat) for rising in turns]
    turns = [*turns, *(level_turn for level_turn in closed if level_turn is not None)]
    return _layers(laid, (level, height, own), ramps, turns, ((rest, first), number))


def _stretches(laid: Strands, flat: NDArray[np.bool_]) -> tuple[_Ints, NDArray[np.bool_]]:
    """The number of the stretch that each bead is of, level or rising without a break; and which
    level beads go on from rising ones: they may close a spiral, and tell no height of a layer."""
    joined = np.append(False, (np.abs(laid.start[1:] - laid.end[:-1]) < 1e-6).all(axis=1))
    changed = np.append(True, flat[1:] != flat[:-1])
    stretch = np.cumsum(~joined | changed) - 1
    goes_on = (joined & changed & flat)[~joined | changed]
    follows: NDArray[np.bool_] = goes_on[stretch]
    return stretch, follows


def _beside(rising: Turns, level: _Ints, height: _Ints) -> Turns:
    """A single turn as of the layer that is laid level at the height where it ends, if one is:
    what rises up to it fills that."""
    if len(rising.top) > 1 or not len(level):
        return rising
    nearest = int(np.abs(level - rising.reach[0] / _SAME).argmin())
    off = abs(level[nearest] * _SAME - rising.reach[0])
    rise = 2 * (rising.reach[0] - rising.top[0])
    if off > _TOUCH or abs(height[nearest] * _SAME - rise) > _TOUCH:
        return rising
    top = np.array([level[nearest] * _SAME], np.float64)
    return rising._replace(top=top, height=np.array([height[nearest] * _SAME], np.float64))


def _layers(
    laid: Strands,
    heights: tuple[_Ints, _Ints, _Floats],
    ramps: NDArray[np.bool_],
    turns: list[Turns],
    told: tuple[tuple[float, int], int],
) -> Layers:
    """Level beads, and the pieces of turns, by their heights."""
    level, height, own = heights
    width = bead_width(laid.area, own * _SAME)
    plain = np.ones(len(level), bool)
    for rising in turns:
        plain[rising.bead] = False
    kept = np.flatnonzero(plain)
    none, false = np.zeros(len(kept)), np.zeros(len(kept), bool)
    flat = level[kept], height[kept], width[kept], ramps[kept], level[kept], false
    parts = [_Pieces(kept, none, none + 1, *flat), *map(_turned, turns)]
    pieces = _Pieces(*map(np.concatenate, zip(*parts, strict=True)))
    pieces = pieces.in_order()
    key, index = np.unique(_key(pieces.level, pieces.height), return_inverse=True)
    of = np.asarray(index, np.int64).reshape(-1)
    reach = np.zeros(len(key), np.int64)
    np.maximum.at(reach, of, pieces.reach)
    return Layers(
        pieces.bead,
        pieces.low,
        pieces.high,
        of,
        np.asarray(key // _KEY * _SAME, np.float64),
        np.asarray((key % _KEY - _KEY // 2) * _SAME, np.float64),
        pieces.width,
        np.bincount(of, pieces.ramped, len(key)) > 0,
        np.asarray(reach * _SAME, np.float64),
        np.bincount(of, ~pieces.partial, len(key)) == 0,
        *told,
    )


def _turned(rising: Turns) -> _Pieces:
    """The pieces of turns, at their heights."""
    top = np.round(rising.top / _SAME).astype(np.int64)
    height = np.diff(top, prepend=top[0] - round(float(rising.height[0]) / _SAME))
    reach = np.round(rising.reach / _SAME).astype(np.int64)
    partial = np.zeros(len(top), bool)
    partial[-1] = rising.partial
    of = rising.turn
    return _Pieces(
        rising.bead,
        rising.low,
        rising.high,
        top[of],
        height[of],
        rising.width,
        rising.fades,
        reach[of],
        partial[of],
    )


def _climbing(laid: Strands) -> _Ints:
    """The number of the climb that each bead is of: what rises or falls without a break, level
    pieces in between that are rounding included (heights are rounded); -1 where it is level."""
    off = laid.start[1:] - laid.end[:-1]
    joined = np.append(False, (np.abs(off) < 1e-6).all(axis=1))
    stepped = (np.abs(off[:, :2]) < 1e-6).all(axis=1) & (off[:, 2] > 1e-6) & (off[:, 2] <= _STEPS)
    step = np.append(0.0, np.where(stepped, off[:, 2], 0.0))
    joined |= step > 0
    rise = laid.end[:, 2] - laid.start[:, 2] + step
    rising = np.abs(rise) > 1e-6
    climbing = np.full(len(rise), -1, np.int64)
    if not rising.any():
        return climbing
    fresh = ~joined | (rising != np.append(False, rising[:-1]))
    stretch = np.cumsum(fresh) - 1
    head = np.flatnonzero(fresh)
    length = np.bincount(stretch, _length(laid))
    total = np.bincount(stretch, rise)
    up = rising[head]
    tiny = up & (np.abs(total) <= _ROUNDED)
    between = ~up & joined[head]
    between &= np.append(joined[head[1:]], False)
    between &= np.append(False, up[:-1]) & np.append(up[1:], False)
    between &= (length < _LEVEL) | (np.append(False, tiny[:-1]) & np.append(tiny[1:], False))
    # The same before the first step of a way, and after the last one.
    for way in (1, -1):
        beside = np.roll(tiny, -way) & np.roll(joined[head], min(-way, 0))
        edge = ~up & ~between & beside & np.roll(between, -2 * way)
        edge &= length <= _AS_LONG * np.roll(length, -2 * way)
        edge[slice(-2, None) if way > 0 else slice(0, 2)] = False
        up |= edge
    up |= between
    begins = up & ~(np.append(False, up[:-1]) & joined[head])
    number = np.where(up, np.cumsum(begins) - 1, -1)
    climb: _Ints = number[stretch]
    return climb


def _runs(climbing: _Ints) -> list[slice]:
    """The beads of each climb."""
    change = np.flatnonzero(np.diff(climbing, prepend=-2, append=-2))
    return [slice(low, high) for low, high in pairwise(change.tolist()) if climbing[low] >= 0]


def _ramp(laid: Strands, run: slice, level: _Ints, height: _Ints, own: _Floats) -> bool:
    """Whether a climb is the ramp of a seam; then it joins the layer that it leads to."""
    follows = run.stop
    if follows >= len(level) or height[follows] <= 0 or level[follows] != level[run.stop - 1]:
        return False
    top, layer = int(level[follows]), int(height[follows])
    low = float(np.minimum(laid.start[run, 2], laid.end[run, 2]).min()) / _SAME
    if low < top - 1.05 * layer - 1:
        return False
    middle = (laid.start[run, 2] + laid.end[run, 2]) / 2 / _SAME
    level[run], height[run] = top, layer
    own[run] = np.clip(middle - (top - layer), 0.02 * layer, layer)
    return True


def _at_its_end(
    run: slice, level: _Ints, height: _Ints, own: _Floats, flat: NDArray[np.bool_]
) -> None:
    """Let a climb that is neither lie in the flat layer nearest to where it ends."""
    known, where = np.unique(level[flat], return_index=True)
    if not len(known):
        height[run] = own[run] = np.maximum(level[run], 1)
        return
    end = int(level[run.stop - 1])
    nearest = int(np.abs(known - end).argmin())
    level[run] = known[nearest]
    height[run] = own[run] = height[flat][where[nearest]]


def _flat_heights(laid: Strands, level: _Ints) -> _Ints:
    """The layer height under each level bead, in steps of _SAME."""
    # A stretch of the toolpath at one height.
    stretch = np.concatenate([[0], np.cumsum(level[1:] != level[:-1])]).astype(np.int64)
    under = _under(laid.start[:, :2], laid.end[:, :2], level, stretch)
    known = np.unique(level)
    first = np.flatnonzero(np.concatenate([[True], stretch[1:] != stretch[:-1]]))
    own = level[first]
    # Where nothing lies under a stretch: the next lower height laid anywhere.
    below = np.searchsorted(known, own) - 1
    anywhere = own - np.where((below >= 0) & (known[below] > 0), known[below], 0)
    height = np.where(under > 0, under, anywhere)
    length = np.bincount(stretch, _length(laid)).astype(np.float64)
    volume = np.bincount(stretch, _length(laid) * laid.area).astype(np.float64)
    settled: _Ints = _settled(own, height, length, volume)[stretch]
    return settled


def _settled(level: _Ints, height: _Ints, length: _Floats, volume: _Floats) -> _Ints:
    """The heights of stretches, with the usual one where a layer lies on air; see above.

    length  mm of bead in each stretch, volume: mm^3
    """
    usual = _usual(height, volume)
    key, index = np.unique(_key(level, height), return_inverse=True)
    group = np.asarray(index, np.int64).reshape(-1)
    drawn = key % _KEY - _KEY // 2
    amount = np.bincount(group, length, len(key))
    area: _Floats = np.bincount(group, volume, len(key)) / amount
    tall = drawn > _TALL * usual
    if not tall.any() or tall.all():
        return height
    with_it = bead_width(area, np.asarray(drawn * _SAME, np.float64))
    with_usual = bead_width(area, np.full(len(key), usual * _SAME))
    expected = float(np.average(with_it[~tall], weights=amount[~tall]))
    off, off_usual = (np.abs(np.log(height / expected)) for height in (with_it, with_usual))
    drawn[tall & (off_usual < off - _EVIDENT)] = usual
    settled: _Ints = drawn[group]
    return settled


def _key(level: _Ints, height: _Ints) -> _Ints:
    """Level and height in one number; the height may be below zero."""
    key: _Ints = level * _KEY + height + _KEY // 2
    return key


def _usual(height: _Ints, amount: _Floats) -> int:
    """The height with which most is laid."""
    known, index = np.unique(height, return_inverse=True)
    return int(known[np.bincount(np.asarray(index).reshape(-1), amount).argmax()])


def _under(start: _Floats, end: _Floats, level: _Ints, stretch: _Ints) -> _Ints:
    """Down to the nearest lower level under each stretch, in steps of _SAME; 0 if none is."""
    points, own = _samples(start, end, stretch)
    span = points.max(axis=0) - points.min(axis=0)
    cell = max(2.0 * _SPACING, float(span.max()) / 2**20)
    grid = points - points.min(axis=0)
    levels = level[np.flatnonzero(np.concatenate([[True], stretch[1:] != stretch[:-1]]))][own]
    pairs: list[_Ints] = []
    for shift in (0.0, 0.5):
        place = np.floor(grid / cell + shift).astype(np.int64)
        key = place[:, 0] * 2**21 + place[:, 1]
        pairs.append(_down(key, levels))
    down = np.concatenate(pairs)
    owner = np.concatenate([own, own])
    return _typical(owner, down, int(stretch[-1]) + 1)


def _samples(start: _Floats, end: _Floats, stretch: _Ints) -> tuple[_Floats, _Ints]:
    """Points evenly along each stretch, at least one, and the stretch of each point."""
    way = end - start
    length = np.hypot(way[:, 0], way[:, 1])
    last = np.flatnonzero(np.concatenate([stretch[1:] != stretch[:-1], [True]]))
    gone = np.cumsum(length)
    before = np.concatenate([[0.0], gone[last[:-1]]])
    whole = gone[last] - before
    spacing = max(_SPACING, float(gone[-1]) / _MOST_SAMPLES)
    count = np.ceil(whole / spacing).astype(np.int64).clip(1)
    own, number = ranges(0, count)
    at = before[own] + whole[own] * ((number + 0.5) / count[own])
    bead = np.searchsorted(gone, at).clip(0, len(gone) - 1)
    part = (1.0 - (gone[bead] - at) / length[bead]).clip(0.0, 1.0)
    points: _Floats = start[bead] + way[bead] * part[:, None]
    return points, own


def _down(cell: _Ints, level: _Ints) -> _Ints:
    """From each sample down to the next lower level in its cell, or to the plate."""
    order = np.lexsort((level, cell))
    ordered_cell, ordered = cell[order], level[order]
    fresh = np.concatenate(
        [[True], (ordered_cell[1:] != ordered_cell[:-1]) | (ordered[1:] != ordered[:-1])]
    )
    head = np.flatnonzero(fresh)  # first sample of each level in each cell
    lower = np.concatenate([[0], ordered[head[:-1]]])
    lower[np.concatenate([[True], ordered_cell[head[1:]] != ordered_cell[head[:-1]]])] = 0
    down = np.empty(len(level), np.int64)
    down[order] = ordered - np.maximum(lower, 0)[np.cumsum(fresh) - 1]
    return down


def _typical(owner: _Ints, down: _Ints, count: int) -> _Ints:
    """For each stretch the smallest way down that enough of its samples have; 0 if none has."""
    order = np.lexsort((down, owner))
    owner, down = owner[order], down[order]
    head = np.flatnonzero(
        np.concatenate([[True], (owner[1:] != owner[:-1]) | (down[1:] != down[:-1])])
    )
    times = np.diff(np.concatenate([head, [len(owner)]]))
    total = np.bincount(owner, minlength=count)
    enough = (times >= _SHARE * total[owner[head]]) & (down[head] > 0)
    head = head[enough]
    typical = np.zeros(count, np.int64)
    # Written from the largest to the smallest, so that the smallest stays.
    typical[owner[head][::-1]] = down[head][::-1]
    return typical
