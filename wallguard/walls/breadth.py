r"""Whether a disc finds room near a place, within a region that outlines bound: exactly.

      outline  ------------------         A disc of radius r has room in a square, its middle there,
                 .-'  '-.                 where some point of that lies no nearer than r to any
      square    |   c o  |  r             outline. With d the distance of the square's middle c, and
                 '-.__.-' |               half its diagonal h, no point of it is farther off than
      outline  --------x---------         d + h: below r it is left out. From the outline's nearest
                       q                  point q the way through c leads to q + r n: where that is
                                          clear there is room. Else the square is cut in four.

A strip between parallel outlines is decided at once, unless it is as wide as the disc to within the
last square's diagonal; and the answer hangs on neither how it lies nor where squares begin.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges
from wallguard.sections.sections import Sections, neighbours
from wallguard.walls.boxes import Boxes, meetings

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# A radius is known this well (mm), so that 0.45 mm has room in 0.45 mm.
_EXACT = 5e-4
# So many pairs of squares and outlines' edges are looked at; what is open then is taken for roomy.
_MOST = 20_000_000


def roomy(
    sections: Sections, centre: _Floats, layers: tuple[_Ints, _Ints], radius: float, side: float
) -> _Bools:
    """(k,) whether a disc has room with its middle in each square.

    centre  (k, 2) of the squares, mm, each in the material or the air of all its layers
    layers  (k,) the first and the last layer whose outlines bound the place; those that are not
            there have none
    radius  of the disc;  side: of the squares, mm; their diagonal is below the disc's diameter
    """
    wanted, half = radius - _EXACT, side / np.sqrt(2)
    answer = np.ones(len(centre), bool)
    near = _near(sections, centre, layers, wanted + half)
    squares = _Squares(np.arange(len(centre)), centre, *near)
    answer[squares.square] = False
    spent = 0
    while len(squares.square):
        spent += len(squares.square)
        if spent > _MOST:
            answer[squares.of[squares.square]] = True
            break
        nearest, clear = squares.clear(wanted, half)
        answer[squares.of[clear]] = True
        open_ = ~answer[squares.of] & (nearest + half >= wanted)
        if half < _EXACT / 2 or not open_.any():
            break
        squares, half = squares.quartered(open_, half), half / 2
    return answer


class _Squares(NamedTuple):
    """Squares (m,): of which one that was asked for each is a part, and its middle (m, 2); and
    pairs (k,) of one and an edge near it: where that starts and ends (k, 2)."""

    of: _Ints
    middle: _Floats
    square: _Ints
    start: _Floats
    end: _Floats

    def clear(self, wanted: float, half: float) -> tuple[_Floats, _Bools]:
        """(m,) how far the nearest edge is from each middle, inf where none is near, and whether a
        disc of the wanted radius has room there, or straight away from that edge."""
        square, start, end = self.square, self.start, self.end
        distance, away = _distance(self.middle[square], start, end)
        nearest, there = np.full((2, len(self.middle)), np.inf)
        np.minimum.at(nearest, square, distance)
        at = np.flatnonzero((distance <= nearest[square]) & (distance > 0))
        first, its = square[at], at
        moved = self.middle.copy()
        moved[first] = self.middle[first] + away[its] * (wanted / distance[its] - 1)[:, None]
        np.minimum.at(there, square, _distance(moved[square], start, end)[0])
        clear = (there >= wanted - 1e-9) & (np.abs(wanted - nearest) <= half)
        return nearest, clear | (nearest >= wanted)

    def quartered(self, open_: _Bools, half: float) -> _Squares:
        """The open ones cut in four, with the same edges; half: of their diagonal."""
        kept = np.flatnonzero(open_)
        number = np.full(len(open_), -1)
        number[kept] = np.arange(len(kept))
        pair = np.flatnonzero(open_[self.square])
        shifts = half / np.sqrt(8) * np.array([[-1, -1], [1, -1], [-1, 1], [1, 1]])
        again = np.repeat(pair, 4)
        return _Squares(
            np.repeat(self.of[kept], 4),
            (self.middle[kept, None] + shifts).reshape(-1, 2),
            (4 * number[self.square[pair], None] + np.arange(4)).ravel(),
            self.start[again],
            self.end[again],
        )


def _near(
    sections: Sections, centre: _Floats, layers: tuple[_Ints, _Ints], reach: float
) -> tuple[_Ints, _Floats, _Floats]:
    """Pairs of squares and edges of the outlines of their layers within reach: the square, and
    where the edge starts and ends."""
    _, after = neighbours(sections.ring_start)
    start, end = sections.points, sections.points[after]
    section = np.repeat(sections.ring_section, np.diff(sections.ring_start)).astype(np.int64)
    edges = Boxes(np.minimum(start, end), np.maximum(start, end), section)
    low = np.maximum(layers[0], 0)
    count = np.minimum(layers[1], len(sections.distinct) - 1) - low + 1
    owner, layer = ranges(low, np.maximum(count, 0))
    own = sections.distinct[layer].astype(np.int64)
    # Each section once, however many layers have it.
    order = np.lexsort((own, owner))
    owner, own = owner[order], own[order]
    fresh = (np.diff(owner, prepend=-1) != 0) | (np.diff(own, prepend=-1) != 0)
    owner, own = owner[fresh & (own >= 0)], own[fresh & (own >= 0)]
    asked = Boxes(centre[owner], centre[owner], own).wider(reach)
    pairs = [(owner[:0], owner[:0])]
    for one, edge in meetings(asked, edges, 4 * reach):
        close = _distance(centre[owner[one]], start[edge], end[edge])[0] <= reach
        pairs.append((owner[one[close]], edge[close]))
    square, edge = (np.concatenate(each) for each in zip(*pairs, strict=True))
    return square, start[edge], end[edge]


def _distance(point: _Floats, start: _Floats, end: _Floats) -> tuple[_Floats, _Floats]:
    """(k,) of each point from its edge, and (k, 2) the way from there to it."""
    way, off = end - start, point - start
    share = (off * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-18)
    away = off - np.clip(share, 0.0, 1.0)[:, None] * way
    return np.hypot(*away.T), away
