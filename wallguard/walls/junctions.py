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
    do they end within its own thickness?            along the wall, with all in between; where its
                                                     faces run parallel within a quarter of that

and takes the group of that piece. Its faces run parallel in a thickening that was drawn: there
discs are as large as it is thick only as far as it is longer than thick, and it stays a wall of its
own. A wall goes on straight through a crossing: its two arms are one wall.
The same holds upward, at the fillet between a wall and the floor it stands on: there a piece is a
swelling that is no higher than twice its thickness, has material beyond it, and widens faster than
a draft does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import dot, rows
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
    count = len(thickness)
    every = np.arange(count)
    one, other = np.concatenate([one, other]), np.concatenate([other, one])
    down = thickness[other] < thickness[one]
    one, other = one[down], other[down]
    within, wall = room
    long = length > wall
    # The thinnest that it joins: by rising thickness the first of each.
    order = np.lexsort((other, thickness[other], one))
    one, other = one[order], other[order]
    first = np.flatnonzero(np.diff(one, prepend=-1) > 0)
    parent = every.copy()
    parent[one[first]] = other[first]
    parent[length > within] = every[length > within]
    # How far each ends from the wall; thickness falls along the way, so it comes to an end.
    reach = np.where(parent == every, 0.0, length)
    root = parent
    while (root != root[root]).any():
        reach = reach + np.where(root == root[root], 0.0, reach[root])
        root = root[root]
    swollen = (root != every) & long[root] & (reach <= within)
    # What lies between it and the wall must be one as well.
    joined = swollen | (parent == every)
    while (swollen & ~joined[parent]).any():
        swollen &= joined[parent]
        joined = swollen | (parent == every)
    return np.where(swollen, root, every)


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
