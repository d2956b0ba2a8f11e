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

**A spiral.** What rises by more than a layer without a break is cut into turns of one layer each.
How high a turn is: how far below a place of it the turn before ran.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges
from wallguard.toolpath.width import bead_width

# Heights nearer to each other than this are one, mm.
_SAME = 1e-4
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
# spiral of 0.1 mm to the turn around 600 mm rises by 0.0005 mm in 3 mm.
_LEVEL = 3.0

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


class Layers(NamedTuple):
    """Layers, lowest first; each is one height above the plate laid with one layer height.

    of      (n,) int64: the layer of each bead
    z       (L,) float64, mm: the top of the layer, as the toolpath gives it
    height  (L,) float64, mm: down to the nearest laid height under it, or to the plate (z = 0)
    own     (n,) float64, mm: the height of each bead, less than its layer's where it ramps up
    ramped  (L,) bool: whether a seam of the layer ramps up, and so fades out
    rising  length laid while rising that is none of these, mm, and its first bead (-1: none)
    spiral  turns of a spiral
    """

    of: _Ints
    z: _Floats
    height: _Floats
    own: _Floats
    ramped: NDArray[np.bool_]
    rising: tuple[float, int]
    spiral: int


class _Bead(NamedTuple):
    """What is known of the beads: ends (n, 3) mm, and cross-section (n,) mm^2."""

    start: _Floats
    end: _Floats
    area: _Floats

    def some(self, chosen: NDArray[np.bool_] | _Ints) -> _Bead:
        return _Bead(self.start[chosen], self.end[chosen], self.area[chosen])

    @property
    def length(self) -> _Floats:
        way = self.end - self.start
        length: _Floats = np.hypot(way[:, 0], way[:, 1])
        return length


def find_layers(start: _Floats, end: _Floats, area: _Floats) -> Layers:
    """Layers of the beads from start to end (n, 3), mm, of cross-sections (n,), mm^2, in the order
    they are laid.

    Layer height may vary, and objects printed one after the other may have heights of their own:
    what counts is the nearest height laid under the same place of the plate.
    """
    bead = _Bead(start, end, area)
    level = np.round(end[:, 2] / _SAME).astype(np.int64)
    climbing = _climbing(bead)
    flat = climbing < 0
    height = np.zeros(len(level), np.int64)
    if flat.any():
        some = bead if flat.all() else bead.some(flat)
        height[flat] = _flat_heights(some, level[flat])
    own = height.astype(np.float64)
    ramps = np.zeros(len(level), bool)
    rest, first, turns = 0.0, -1, 0
    if not flat.all():
        usual = _usual(height[flat], (bead.length * area)[flat]) if flat.any() else 0
        for run in _runs(climbing):
            if _ramp(bead, run, level, height, own):
                ramps[run] = True
            elif (count := _spiral(bead, run, usual, level, (height, own))) > 0:
                turns += count
            else:
                first = int(run.start) if first < 0 else first
                rest += float(np.hypot(*(bead.end[run] - bead.start[run])[:, :2].T).sum())
                _at_its_end(run, level, height, own, flat)
    key, index = np.unique(_key(level, height), return_inverse=True)
    of = np.asarray(index, np.int64).reshape(-1)
    return Layers(
        of,
        np.asarray(key // _KEY * _SAME, np.float64),
        np.asarray((key % _KEY - _KEY // 2) * _SAME, np.float64),
        own * _SAME,
        np.bincount(of, ramps, len(key)) > 0,
        (rest, first),
        turns,
    )


def _climbing(bead: _Bead) -> _Ints:
    """The number of the climb that each bead is of: what rises or falls without a break, flat
    pieces shorter than _LEVEL in between included (heights are rounded); -1 where it is level."""
    rise = bead.end[:, 2] - bead.start[:, 2]
    rising = np.abs(rise) > 1e-6
    climbing = np.full(len(rise), -1, np.int64)
    if not rising.any():
        return climbing
    joined = np.append(False, (np.abs(bead.start[1:] - bead.end[:-1]) < 1e-6).all(axis=1))
    fresh = ~joined | (rising != np.append(False, rising[:-1]))
    stretch = np.cumsum(fresh) - 1
    head = np.flatnonzero(fresh)
    length = np.bincount(stretch, bead.length)
    up = rising[head]
    between = ~up & (length < _LEVEL) & joined[head]
    between &= np.append(joined[head[1:]], False)
    between &= np.append(False, up[:-1]) & np.append(up[1:], False)
    up |= between
    begins = up & ~(np.append(False, up[:-1]) & joined[head])
    number = np.where(up, np.cumsum(begins) - 1, -1)
    climb: _Ints = number[stretch]
    return climb


def _runs(climbing: _Ints) -> list[slice]:
    """The beads of each climb."""
    change = np.flatnonzero(np.diff(climbing, prepend=-2, append=-2))
    return [slice(low, high) for low, high in pairwise(change.tolist()) if climbing[low] >= 0]


def _ramp(bead: _Bead, run: slice, level: _Ints, height: _Ints, own: _Floats) -> bool:
    """Whether a climb is the ramp of a seam; then it joins the layer that it leads to."""
    follows = run.stop
    if follows >= len(level) or height[follows] <= 0 or level[follows] != level[run.stop - 1]:
        return False
    top, layer = int(level[follows]), int(height[follows])
    low = float(np.minimum(bead.start[run, 2], bead.end[run, 2]).min()) / _SAME
    if low < top - 1.05 * layer - 1:
        return False
    middle = (bead.start[run, 2] + bead.end[run, 2]) / 2 / _SAME
    level[run], height[run] = top, layer
    own[run] = np.clip(middle - (top - layer), 0.02 * layer, layer)
    return True


def _spiral(
    bead: _Bead, run: slice, usual: int, level: _Ints, heights: tuple[_Ints, _Floats]
) -> int:
    """Cut a spiral into turns, one layer each; how many, 0 where the climb is none."""
    start, end = bead.start[run], bead.end[run]
    if (end[:, 2] < start[:, 2] - 1e-6).any():
        return 0
    pitch = _pitch(start, end)
    if pitch <= 0.0 or (usual and not 0.2 * usual < pitch / _SAME < 5 * usual):
        return 0
    base = float(start[0, 2])
    middle = (start[:, 2] + end[:, 2]) / 2 - base
    turn = np.floor(middle / pitch + 1e-9).astype(np.int64)
    height, own = heights
    level[run] = np.round((base + (turn + 1) * pitch) / _SAME).astype(np.int64)
    height[run] = round(pitch / _SAME)
    # The first turn may be fed more and more, as a ramp is.
    area = bead.area[run]
    share = np.minimum(area / max(float(np.median(area)), 1e-9), 1.0)
    own[run] = np.clip(np.where(turn == 0, share, 1.0), 0.02, 1.0) * pitch / _SAME
    return int(turn.max()) + 1


def _pitch(start: _Floats, end: _Floats) -> float:
    """How far apart the turns of a climb lie in height, mm; 0 where it has none."""
    from scipy.spatial import cKDTree

    middle = (start + end) / 2
    slope = (end[:, 2] - start[:, 2]).sum() / np.hypot(*(end - start)[:, :2].T).sum()
    tree = cKDTree(middle[:, :2])
    rises = []
    late = np.linspace(len(middle) // 3, len(middle) - 1, min(len(middle), 60)).astype(np.int64)
    reach = max(0.5, 1.01 * float(np.hypot(*(end - start)[:, :2].T).max()))
    for index in np.unique(late).tolist():
        near = np.array(tree.query_ball_point(middle[index, :2], reach))
        down = middle[index, 2] - middle[near, 2]
        # What rose since the turn before is of this turn.
        down = down[down > 4 * reach * slope]
        if len(down):
            # The nearest of those at about the least way down lies straight below.
            least = down.min()
            beside = near[middle[index, 2] - middle[near, 2] > 4 * reach * slope]
            same = middle[index, 2] - middle[beside, 2] < 1.5 * least
            off = np.hypot(*(middle[beside[same], :2] - middle[index, :2]).T)
            rises.append(float(middle[index, 2] - middle[beside[same][off.argmin()], 2]))
    return float(np.median(rises)) if len(rises) > 3 else 0.0


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


def _flat_heights(bead: _Bead, level: _Ints) -> _Ints:
    """The layer height under each level bead, in steps of _SAME."""
    # A stretch of the toolpath at one height.
    stretch = np.concatenate([[0], np.cumsum(level[1:] != level[:-1])]).astype(np.int64)
    under = _under(bead.start[:, :2], bead.end[:, :2], level, stretch)
    known = np.unique(level)
    first = np.flatnonzero(np.concatenate([[True], stretch[1:] != stretch[:-1]]))
    own = level[first]
    # Where nothing lies under a stretch: the next lower height laid anywhere.
    below = np.searchsorted(known, own) - 1
    anywhere = own - np.where((below >= 0) & (known[below] > 0), known[below], 0)
    height = np.where(under > 0, under, anywhere)
    length = np.bincount(stretch, bead.length).astype(np.float64)
    volume = np.bincount(stretch, bead.length * bead.area).astype(np.float64)
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
