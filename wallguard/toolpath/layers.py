"""Layers: the heights at which material is laid, and how high the layer there is."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges

# Heights nearer to each other than this are one, mm.
_SAME = 1e-4
# Laid paths are sampled at this spacing and noted in square cells twice as wide, mm. There are
# two nets of cells, half a cell apart, so that what follows an edge of one lies inside the other.
_SPACING = 1.0
_MOST_SAMPLES = 2_000_000
# A lower height counts as the one under a layer if it lies under this share of the layer. Sparse
# fill and overhangs leave most of some layers without support; a neighbour of other layer height
# comes near only here and there.
_SHARE = 0.1

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


class Layers(NamedTuple):
    """Layers, lowest first; each is one height above the plate laid with one layer height.

    of      (n,) int64: the layer of each bead
    z       (L,) float64, mm: the top of the layer, as the program gives it
    height  (L,) float64, mm: down to the nearest laid height under it, or to the plate (z = 0)
    """

    of: _Ints
    z: _Floats
    height: _Floats


def find_layers(start: _Floats, end: _Floats, z: _Floats) -> Layers:
    """Layers of the beads (n, 2), (n, 2) laid at the heights z (n,), in program order; mm.

    Layer height may vary, and objects printed one after the other may have heights of their own:
    what counts is the nearest height laid under the same place of the plate.
    """
    level = np.round(z / _SAME).astype(np.int64)
    # A stretch of the program at one height.
    stretch = np.concatenate([[0], np.cumsum(level[1:] != level[:-1])]).astype(np.int64)
    under = _under(start, end, level, stretch)
    known = np.unique(level)
    first = np.flatnonzero(np.concatenate([[True], stretch[1:] != stretch[:-1]]))
    own = level[first]
    # Where nothing lies under a stretch: the next lower height laid anywhere.
    below = np.searchsorted(known, own) - 1
    anywhere = own - np.where((below >= 0) & (known[below] > 0), known[below], 0)
    height = np.where(under > 0, under, anywhere)
    pairs, index = np.unique(np.stack([own, height], axis=1), axis=0, return_inverse=True)
    of = np.asarray(index, np.int64).reshape(-1)[stretch]
    return Layers(of, pairs[:, 0] * _SAME, pairs[:, 1] * _SAME)


def _under(start: _Floats, end: _Floats, level: _Ints, stretch: _Ints) -> _Ints:
    """Down to the nearest lower level under each stretch, in steps of _SAME; 0 if none is."""
    points, own = _samples(start, end, stretch)
    span = points.max(axis=0) - points.min(axis=0)
    cell = max(2.0 * _SPACING, float(span.max()) / 2**20)
    grid = points - points.min(axis=0)
    levels = level[np.flatnonzero(np.concatenate([[True], stretch[1:] != stretch[:-1]]))][own]
    found: list[_Ints] = []
    for shift in (0.0, 0.5):
        place = np.floor(grid / cell + shift).astype(np.int64)
        key = place[:, 0] * 2**21 + place[:, 1]
        found.append(_down(key, levels))
    down = np.concatenate(found)
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
