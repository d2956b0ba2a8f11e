"""Boxes in the plane, and which of them meet: many at once, section by section."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct, median, ranges
from wallguard.base.errors import TooLargeError

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Pairs that are looked at together bound the memory, and in all the time: beyond takes minutes.
_AT_ONCE, _PAIRS = 100_000, 1_500_000_000


@dataclass(frozen=True)
class Boxes:
    """low, high (n, 2), mm; section (n,): boxes of different sections never meet."""

    low: _Floats
    high: _Floats
    section: _Ints

    def wider(self, reach: float) -> Boxes:
        """The same with this much (mm) more on every side."""
        return Boxes(self.low - reach, self.high + reach, self.section)

    def chosen(self, which: _Ints) -> Boxes:
        """Those with these numbers."""
        return Boxes(self.low[which], self.high[which], self.section[which])


def levels(boxes: Boxes, least: float) -> tuple[_Ints, float]:
    """(n,) how often the width of cells, which is returned too, must double to hold each box;
    cells are at least as wide as the usual box and as `least` mm."""
    extent = (boxes.high - boxes.low).max(axis=1)
    width = max(least, median(extent), 1e-3)
    level: _Ints = np.ceil(np.log2(np.maximum(extent / width, 1.0))).astype(np.int64)
    return level, width


def near_each_other(boxes: Boxes, reach: float) -> Iterator[tuple[_Ints, _Ints]]:
    """Pairs of different boxes that meet if one is wider by `reach` (mm) on every side, each once,
    a bounded number at a time.

    Raises TooLargeError where so many lie close together that it would take minutes.
    """
    level, _ = levels(boxes, reach)
    # Of two at one level the left one asks for the other, and asks to the right only.
    wide, x = boxes.wider(reach), boxes.low[:, 0]
    right = Boxes(np.column_stack([x, wide.low[:, 1]]), wide.high, boxes.section)
    for one, other in meetings(wide, boxes, reach, (level, right)):
        kept = (x[one] < x[other]) | ((x[one] == x[other]) & (one < other))
        kept = np.flatnonzero(kept | (level[one] < level[other]))
        yield one[kept], other[kept]


def meetings(
    askers: Boxes, boxes: Boxes, least: float, own: tuple[_Ints, Boxes] | None = None
) -> Iterator[tuple[_Ints, _Ints]]:
    """Pairs (asker, box) that meet, each once, a bounded number at a time.

    Boxes lie in square cells, large ones in larger cells, so that none lies in more than four.

    own  (n,) for each asker the lowest level (see `levels`) it asks in, and its box there; None: it
         asks in all, with the same box

    Raises TooLargeError where so many lie close together that it would take minutes.
    """
    if not len(boxes.section) or not len(askers.section):
        return
    level, width = levels(boxes, least)
    origin = boxes.low.min(axis=0)
    looked_at = 0
    for each in distinct(level).tolist():
        cells = _Cells(boxes, np.flatnonzero(level == each), width * 2**each, origin)
        asking, here = np.arange(len(askers.section)), askers
        if own is not None:
            asking, there = np.flatnonzero(own[0] <= each), (own[0] == each)[:, None]
            low = np.where(there, own[1].low, askers.low)
            here = Boxes(low, np.where(there, own[1].high, askers.high), askers.section)
        corners = np.column_stack([here.low, here.high])
        begin, end, asked = cells.slices(here.chosen(asking))
        size = end - begin
        some = np.flatnonzero(size)
        begin, size, asked = begin[some], size[some], asking[asked[some]]
        looked_at += int(size.sum())
        if looked_at > _PAIRS:
            raise TooLargeError(f"{looked_at} pairs of outlines close to each other")
        stops = np.searchsorted(np.cumsum(size), np.arange(_AT_ONCE, size.sum(), _AT_ONCE))
        for part in np.split(np.arange(len(size)), stops):
            owner, place = ranges(begin[part], size[part])
            one, other = asked[part][owner], cells.member[place]
            low_x, low_y, high_x, high_y = corners.take(one, axis=0).T
            its = cells.corners.take(place, axis=0)
            x, y = np.maximum(low_x, its[:, 0]), np.maximum(low_y, its[:, 1])
            meets = (x <= np.minimum(high_x, its[:, 2])) & (y <= np.minimum(high_y, its[:, 3]))
            meet = np.flatnonzero(meets)
            one, other, place, x, y = one[meet], other[meet], place[meet], x[meet], y[meet]
            # In several cells together: counted where their common box begins.
            meet_ = np.floor((x - origin[0]) / cells.width) == cells.column[place]
            meet_ &= np.floor((y - origin[1]) / cells.width) == cells.row[place]
            meet = np.flatnonzero(meet_)
            yield one[meet], other[meet]


class _Cells:
    """Boxes that are no larger than a cell, in all cells that they touch."""

    def __init__(self, boxes: Boxes, members: _Ints, width: float, origin: _Floats) -> None:
        self.width, self.origin = width, origin
        low, high = self.cell(boxes.low[members]), self.cell(boxes.high[members])
        self.top = high.max(axis=0) + 1
        spans_of = []
        for step in ((0, 0), (0, 1), (1, 0), (1, 1)):
            there = low + np.array(step)
            spans = np.flatnonzero((there <= high).all(axis=1))
            spans_of.append((members[spans], there[spans]))
        member = np.concatenate([each for each, _ in spans_of])
        at = np.concatenate([each for _, each in spans_of])
        key = self._key(boxes.section[member], at[:, 0], at[:, 1])
        order = np.argsort(key, kind="stable")
        self.key, self.member = key[order], member[order]
        self.column, self.row = at[order].T.astype(np.float64)
        self.corners = np.column_stack([boxes.low, boxes.high])[self.member]

    def cell(self, point: _Floats) -> _Ints:
        """(n, 2) column and row of each point."""
        place: _Ints = np.floor((point - self.origin) / self.width).astype(np.int64)
        return place

    def _key(self, section: _Ints, column: _Ints, row: _Ints) -> _Ints:
        key: _Ints = (section * self.top[0] + column) * self.top[1] + row
        return key

    def slices(self, askers: Boxes) -> tuple[_Ints, _Ints, _Ints]:
        """Slices (begin, end) of `member` that hold all that each asker meets, a column of cells
        at a time, and which asker it is."""
        low, high = self.cell(askers.low), self.cell(askers.high)
        outside = ((high < 0) | (low >= self.top)).any(axis=1)
        low, high = np.clip(low, 0, self.top - 1), np.clip(high, 0, self.top - 1)
        which, column = ranges(low[:, 0], np.where(outside, 0, high[:, 0] - low[:, 0] + 1))
        section = askers.section[which]
        return (
            np.searchsorted(self.key, self._key(section, column, low[which, 1]), side="left"),
            np.searchsorted(self.key, self._key(section, column, high[which, 1]), side="right"),
            which,
        )
