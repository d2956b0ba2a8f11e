"""Circular and helical arcs in the XY plane, as chords (RS274/NGC, NISTIR 6556 section 3.5.3)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges

# The largest distance between an arc and the chords it is split into, mm.
SAGITTA = 0.005
# How far apart the radii at an arc's two ends may be before the arc is refused, mm. NISTIR 6556
# (from memory) allows 0.002 mm; toolpaths written with two decimals need more.
STRICT_RADII = 0.002
LOOSE_RADII = 0.05

# Ends nearer to each other than this are one point (mm): sums of relative moves are not exact.
_SAME = 1e-6

Points = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]


class ArcError(Exception):
    """An arc that no circle fits; says why."""


class Chords(NamedTuple):
    """The chords that replace n arcs.

    many    (n,) chords of each arc
    end     (sum, 2) where each chord ends, arc after arc, mm
    misfit  (n,) by how much the radii at both ends of each arc differ, mm
    """

    many: _Ints
    end: Points
    misfit: NDArray[np.float64]


def centres(start: Points, end: Points, radius: NDArray[np.float64], clockwise: _Bools) -> Points:
    """Centres (n, 2) of the arcs from start to end (n, 2) of these radii (n,), mm; a negative
    radius is an arc of more than 180 degrees.

    Raises ArcError where the ends coincide or are further apart than two radii.
    """
    way = end - start
    chord = np.hypot(way[:, 0], way[:, 1])
    if (chord == 0.0).any():
        raise ArcError("an arc given by its radius ends where it starts")
    off = radius * radius - chord * chord / 4.0
    far = np.flatnonzero((off < 0.0) & (chord / 2.0 - np.abs(radius) > LOOSE_RADII))
    if len(far):
        raise ArcError(
            f"the ends of the arc are {chord[far[0]]:.4g} mm apart, more than two radii of "
            f"{abs(radius[far[0]]):.4g} mm"
        )
    # The centre lies to the right of the way from start to end if the arc is clockwise and short.
    side = np.sqrt(np.maximum(off, 0.0)) / chord * np.where(clockwise == (radius > 0.0), 1.0, -1.0)
    aside = np.column_stack([way[:, 1], -way[:, 0]])
    centres: Points = start + way / 2.0 + aside * side[:, None]
    return centres


def chords(start: Points, end: Points, middle: Points, clockwise: _Bools) -> Chords:
    """The chords that replace n arcs around `middle`, all (n, 2) mm; clockwise (n,).

    The ends of chords lie on the arc, equal angles apart, so no point of the arc is further than
    SAGITTA from its chord. An arc that ends where it starts is a full circle. Where the radii at
    both ends differ, the radius changes evenly along the arc.

    Raises ArcError where a radius is zero or the radii differ by more than LOOSE_RADII.
    """
    (ax, ay), (bx, by) = (start - middle).T, (end - middle).T
    first, last = np.hypot(ax, ay), np.hypot(bx, by)
    misfit = np.abs(first - last)
    bad = np.flatnonzero(misfit > LOOSE_RADII)
    if len(bad):
        raise ArcError(
            f"the start of the arc is {first[bad[0]]:.4g} mm from its centre and its end "
            f"{last[bad[0]]:.4g} mm"
        )
    if (np.minimum(first, last) == 0.0).any():
        raise ArcError("the radius of the arc is zero")
    sweep = np.arctan2(ax * by - ay * bx, ax * bx + ay * by)
    sweep = np.where(clockwise, -sweep, sweep)
    sweep = np.where(sweep <= 0.0, sweep + 2.0 * np.pi, sweep)
    sweep[np.hypot(*(end - start).T) < _SAME] = 2.0 * np.pi
    step = 2.0 * np.arccos(np.maximum(1.0 - SAGITTA / np.maximum(first, last), 0.0))
    count = np.maximum(np.ceil(sweep / step - 1e-9), 1).astype(np.int64)
    owner, number = ranges(1, count)
    turn = np.where(clockwise, -sweep, sweep) / count
    angle = np.arctan2(ay, ax)[owner] + turn[owner] * number
    radius = first[owner] + ((last - first) / count)[owner] * number
    points = middle[owner] + radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    points[np.cumsum(count) - 1] = end
    return Chords(count, points, misfit)


def split_arcs(
    rows: NDArray[np.float64], arc: _Ints, made: Chords, offset: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Rows of the store in which some, `arc`, are whole arcs: each becomes its chords, which rise
    evenly and share its filament evenly. Rows and chords are in the toolpath's coordinates;
    `offset` (3,) is added for the machine's.
    """
    count = np.ones(len(rows), np.int64)
    count[arc] = made.many
    owner, number = ranges(1, count)
    chords = rows[owner]
    curved = np.zeros(len(rows), bool)
    curved[arc] = True
    part = number / count[owner]
    chord = np.flatnonzero(curved[owner])
    whole, share = rows[owner[chord]], part[chord]
    chords[chord, 3:5] = made.end
    inner = share < 1.0
    rise = whole[:, 2] + (whole[:, 5] - whole[:, 2]) * share
    chords[chord, 5] = np.where(inner, rise, whole[:, 5])
    before = (number[chord] - 1) / count[owner[chord]]
    chords[chord, 6] = whole[:, 6] * share - whole[:, 6] * before
    later = chord[number[chord] > 1]
    chords[later, 0:3] = chords[later - 1, 3:6]
    chords[:, 0:3] += offset
    chords[:, 3:6] += offset
    return chords
