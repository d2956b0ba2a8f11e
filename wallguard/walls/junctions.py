"""Where walls meet, the discs are larger than the walls: whose thickness that is.

        ________________            A disc near a corner, a T, an X or the root of a rib is held by
       |   . - .  o  o              the corner itself, not by the face across; it grows to 1.13
       | .       . ________         times the thickness before the surfaces it touches stop facing
       | . disc  .|                 each other. So do discs in a fillet. What grows there belongs
       |  ' . . ' | wall            to the walls that meet: it is no wall of that thickness.
       | o        |
       | o        |                 o  places as thick as the wall

A piece of a wall is such a *swelling* where

    question                                         answer
    -----------------------------------------------  ------------------------------------------
    is it thicker than a piece that it joins?        by the mean along it
    is that one longer than thick?                   three times so if it tapers, or a wedge would
                                                     be a swelling of its tip
    do they end within its own thickness?            along the wall, with all in between, whatever
                                                     way; where its faces run parallel within a
                                                     quarter of that

and takes the group of that piece, or of the thinnest of several. Its faces run parallel in a
thickening that was drawn: there discs are as large as it is thick only as far as it is longer than
thick, and it stays a wall of its own. A wall goes on straight through a crossing: its two arms are
one wall.
The same holds upward, at the fillet between a wall and the floor it stands on: there a piece is a
swelling that is no higher than twice its thickness, has material beyond it, and widens faster than
a draft does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct, dot, ranges, rows
from wallguard.walls.boxes import Boxes, meetings

if TYPE_CHECKING:
    from wallguard.walls.joins import Walls

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

__all__ = ["FASTER", "GROWN", "room_of", "swellings", "through"]

# Faces run parallel within 5 degrees; such a piece is a swelling within a quarter of its thickness.
# What tapers is a wall of its own where it is longer than three times its thickness.
_PARALLEL, _SHORT, _TAPER = -0.9962, 0.25, 3.0
# Thicknesses are as thin as each other where they are the same to so many decimals (mm).
_AS_THIN = 3
# A corner makes discs no larger than 1.13 times the wall. What is thicker than this is a fillet or
# a flank: it makes the wall that it belongs to no longer.
GROWN = 1.2
# A wall goes on beyond a crossing no longer than twice its thickness, where its face goes on in the
# same direction (cosine of 10 degrees) and the same line (share of its thickness).
_CROSSING, _DIRECTION, _LINE = 2.0, 0.985, 0.1

# A draft of five degrees on both sides of a wall, mm a mm: drawn drafts are smaller (common
# practice, no published source), and a fillet is steeper where it matters.
FASTER = 0.17


def room_of(thickness: _Floats, facing: _Floats) -> tuple[_Floats, _Floats]:
    """(n,) within which length (mm) pieces of this thickness (mm) can be swellings, and beyond
    which length they are walls that others can be swellings of; facing: the mean cosine between
    their faces as seen from above."""
    parallel = facing <= _PARALLEL
    room = np.where(parallel, _SHORT, 1.0) * thickness
    return room, np.where(parallel, 1.0, _TAPER) * thickness


def swellings(
    thickness: _Floats,
    length: _Floats,
    room: tuple[_Floats, _Floats],
    one: _Ints,
    other: _Ints,
) -> _Ints:
    """For each of n pieces the piece that it belongs to: itself, or the wall it is a swelling of.

    thickness, length  (n,) mm; of what stands upright the height stands for the length
    room               (n,) mm, within which it ends if it is a swelling (below 0: it is none), and
                       beyond which length it is a wall
    one, other         pairs of pieces that join
    """
    one, other = np.concatenate([one, other]), np.concatenate([other, one])
    within, long = room
    # Only what is thinner, and only for what ends within its room.
    asked = (thickness[other] < thickness[one]) & (length <= within)[one]
    one, other = one[asked], other[asked]
    wall = length > long
    wall[one] = False
    # How far each ends from a wall, with all that lies between.
    reach = _lowered(np.where(wall, 0.0, np.inf), (one, other), length, within)
    near = length[one] + reach[other] <= within[one]
    # Of several walls the thinnest: where two are as thin, that is not left to rounding.
    order = np.lexsort((np.arange(len(length)), np.round(thickness, _AS_THIN)))
    rank = np.argsort(order).astype(np.float64)
    swollen = np.isfinite(reach) & ~wall
    rank[swollen] = np.inf
    none = np.zeros(len(length))
    rank = _lowered(rank, (one[near], other[near]), none, none + np.inf)
    return order[rank.astype(np.int64)]


def _lowered(value: _Floats, pairs: tuple[_Ints, _Ints], step: _Floats, most: _Floats) -> _Floats:
    """(n,) values, each lowered to that of any it is paired with, the second, and its own step
    (n,) more, where that is no more than `most` (n,): by way of as many as it takes."""
    one, other = pairs
    order = np.argsort(other, kind="stable")
    one, other = one[order], other[order]
    begin = np.searchsorted(other, np.arange(len(value) + 1))
    value, fresh = value.copy(), np.flatnonzero(np.isfinite(value))
    while len(fresh):
        _, pair = ranges(begin[fresh], begin[fresh + 1] - begin[fresh])
        to, now = one[pair], value[other[pair]] + step[one[pair]]
        lower = np.flatnonzero((now <= most[to]) & (now < value[to]))
        np.minimum.at(value, to[lower], now[lower])
        fresh = distinct(to[lower])
    return value


def through(walls: Walls, breaks: tuple[_Ints, _Ints, _Bools]) -> tuple[_Ints, _Ints]:
    """Pairs of wall samples on either side of a crossing, where one face goes on beyond it.

    breaks  as in `Links`: the last sample of each run along a ring, and the first of the next
    """
    last, next_, _ = breaks
    normal = walls.normal
    way = np.column_stack([normal[:, 1], -normal[:, 0]])
    # Into the crossing, the outline turns away from the material; out of it as well.
    into = last[dot(rows(normal, next_), rows(way, last)) > 0.5]
    out = next_[dot(rows(normal, last), rows(way, next_)) < -0.5]
    if not (len(into) and len(out)):
        return into[:0], into[:0]
    reach = _CROSSING * walls.thickness[into]
    point = rows(walls.samples.point, walls.number)
    ends = Boxes(
        rows(point, into), rows(point, into) + reach[:, None] * rows(way, into), walls.section[into]
    )
    ends = Boxes(np.minimum(ends.low, ends.high), np.maximum(ends.low, ends.high), ends.section)
    begins = Boxes(rows(point, out), rows(point, out), walls.section[out])
    pairs = [(into[:0], into[:0])]
    for one, other in meetings(ends.wider(0.01), begins, float(reach.max())):
        a, b = into[one], out[other]
        step = rows(point, b) - rows(point, a)
        ahead, aside = dot(step, rows(way, a)), np.abs(dot(step, rows(normal, a)))
        thickness = walls.thickness[a]
        kept = (dot(rows(normal, a), rows(normal, b)) >= _DIRECTION) & (aside <= _LINE * thickness)
        kept &= (ahead > 0) & (ahead <= _CROSSING * thickness)
        pairs.append((a[kept], b[kept]))
    one, other = (np.concatenate(side) for side in zip(*pairs, strict=True))
    return one, other
