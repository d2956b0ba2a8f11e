"""Where straight lines run through laid beads: exact, for many lines and beads at once.

Seen from above a bead is a rectangle with half-round ends (a stadium). It is convex, so a line
meets it in one interval: from the first to the last place where the line is in the rectangle or in
one of the two round ends.

Beads are noted in square cells, layer by layer, widened so that a line needs to be looked up only
at points STEP apart in the cells where these lie.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges

_CELL = 0.6
_STEP = 0.6
_PIECE = 1.2
# Pairs of a line and a bead that are worked out at a time.
_CHUNK = 1_000_000

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


class Strands(NamedTuple):
    """Beads on the plate, sorted by layer: ends (n, 2), widths and layers (n,); mm."""

    start: _Floats
    end: _Floats
    width: _Floats
    layer: _Ints

    def part(self, low: int, high: int) -> Strands:
        """Those of layers low up to, not including, high."""
        some = slice(*np.searchsorted(self.layer, [low, high]).tolist())
        return Strands(self.start[some], self.end[some], self.width[some], self.layer[some])


class Crossings(NamedTuple):
    """Where lines meet beads: numbers of both, and from where to where along the line, mm.

    One pair may stand here several times. Sorted by line, then low.
    """

    line: _Ints
    bead: _Ints
    low: _Floats
    high: _Floats


class Cells:
    """Finds the beads near points."""

    def __init__(self, strands: Strands) -> None:
        self.strands = strands
        way = strands.end - strands.start
        length = np.hypot(way[:, 0], way[:, 1])
        count = np.maximum(np.ceil(length / _PIECE), 1).astype(np.int64)
        owner, number = ranges(0, count)
        share = way[owner] / count[owner, None]
        begin = strands.start[owner] + number[:, None] * share
        end = begin + share
        wide = (strands.width[owner] / 2 + _STEP / 2)[:, None]
        low, high = np.minimum(begin, end) - wide, np.maximum(begin, end) + wide
        self.origin = low.min(axis=0) if len(low) else np.zeros(2)
        first = np.floor((low - self.origin) / _CELL).astype(np.int64)
        size = np.floor((high - self.origin) / _CELL).astype(np.int64) - first + 1
        self.top = (first + size).max(axis=0) if len(low) else np.ones(2, np.int64)
        many = size[:, 0] * size[:, 1]
        piece, local = ranges(0, many)
        column = first[piece, 0] + local // size[piece, 1]
        row = first[piece, 1] + local % size[piece, 1]
        key = self._key(strands.layer[owner[piece]], column, row)
        order = np.argsort(key, kind="stable")
        self.key = key[order]
        self.bead = owner[piece[order]]

    def _key(self, layer: _Ints, column: _Ints, row: _Ints) -> _Ints:
        keys: _Ints = (layer * self.top[0] + column) * self.top[1] + row
        return keys

    def near(self, layer: _Ints, points: _Floats) -> tuple[_Ints, _Ints]:
        """Slices of `bead` for points (n, 2): begin (n,), end (n,)."""
        place = np.floor((points - self.origin) / _CELL).astype(np.int64)
        inside = ((place >= 0) & (place < self.top)).all(axis=1)
        key = np.where(inside, self._key(layer, place[:, 0], place[:, 1]), -1)
        return (
            np.searchsorted(self.key, key, side="left"),
            np.searchsorted(self.key, key, side="right"),
        )


def crossings(
    cells: Cells,
    layer: _Ints,
    point: _Floats,
    direction: _Floats,
    reach: _Floats,
    sight: _Floats | None = None,
) -> Iterator[Crossings]:
    """Where the lines point + s direction, |s| <= reach, meet the beads of their layers.

    point, direction (n, 2), direction of length 1; reach (n,), mm. In blocks of whole lines.
    sight  (n,) how far what is met there is followed, mm; None: no further than `reach`
    """
    sight = reach if sight is None else sight
    if not len(point) or not len(cells.key):
        return
    steps = np.ceil(2 * reach / _STEP).astype(np.int64) + 1
    line, number = ranges(0, steps)
    along = -reach[line] + 2 * reach[line] * number / (steps[line] - 1)
    begin, end = cells.near(layer[line], point[line] + along[:, None] * direction[line])
    size = end - begin
    gone = np.cumsum(np.bincount(line, size, len(point)).astype(np.int64))
    last_of = np.cumsum(steps)
    at = 0
    while at < len(point):
        before = gone[at - 1] if at else 0
        stop = max(at + 1, int(np.searchsorted(gone, before + _CHUNK, side="right")))
        some = slice(last_of[at] - steps[at], last_of[stop - 1])
        many = size[some]
        which, place = ranges(begin[some], many)
        who, what = line[some][which], cells.bead[place]
        yield _met(cells.strands, who, what, point, direction, sight)
        at = stop


def _met(
    strands: Strands,
    line: _Ints,
    bead: _Ints,
    point: _Floats,
    direction: _Floats,
    sight: _Floats,
) -> Crossings:
    # Steps next to each other find mostly the same beads.
    count = len(strands.layer) + 1
    pair = np.sort(line * count + bead)
    line, bead = np.divmod(pair[np.diff(pair, prepend=-1) > 0], count)
    low, high = intervals(
        strands.start[bead] - point[line],
        strands.end[bead] - point[line],
        strands.width[bead] / 2,
        direction[line],
    )
    low, high = np.maximum(low, -sight[line]), np.minimum(high, sight[line])
    met = np.flatnonzero(low < high)
    line, bead, low, high = line[met], bead[met], low[met], high[met]
    order = np.lexsort((low, line))
    return Crossings(line[order], bead[order], low[order], high[order])


def intervals(
    start: _Floats, end: _Floats, radius: _Floats, direction: _Floats
) -> tuple[_Floats, _Floats]:
    """From where to where (n,) lines through the origin run in stadiums; low > high: nowhere.

    start, end, direction (n, 2), radius (n,); mm
    """
    way_x, way_y = end[:, 0] - start[:, 0], end[:, 1] - start[:, 1]
    length = np.hypot(way_x, way_y)
    scale = 1 / np.maximum(length, 1e-12)
    ux, uy = way_x * scale, way_y * scale
    dx, dy = direction[:, 0], direction[:, 1]
    sx, sy = start[:, 0], start[:, 1]
    along, across = dx * ux + dy * uy, dy * ux - dx * uy
    along = np.where(np.abs(along) < 1e-12, 1e-12, along)
    across = np.where(np.abs(across) < 1e-12, 1e-12, across)
    off_along, off_across = sx * ux + sy * uy, sy * ux - sx * uy
    one, other = off_along / along, (off_along + length) / along
    low, high = np.minimum(one, other), np.maximum(one, other)
    one, other = (off_across - radius) / across, (off_across + radius) / across
    low = np.maximum(low, np.minimum(one, other))
    high = np.minimum(high, np.maximum(one, other))
    empty = low > high
    low, high = np.where(empty, np.inf, low), np.where(empty, -np.inf, high)
    for px, py in ((sx, sy), (end[:, 0], end[:, 1])):
        middle = px * dx + py * dy
        aside = px * dy - py * dx
        half = radius * radius - aside * aside
        inside = half > 0
        half = np.sqrt(np.where(inside, half, 0.0))
        low = np.where(inside, np.minimum(low, middle - half), low)
        high = np.where(inside, np.maximum(high, middle + half), high)
    return low, high
