"""Boxes in the plane, and which of them meet: many at once, section by section."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import columns, distinct, median, ranges
from wallguard.base.errors import TooLargeError

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Pairs that are looked at together bound the memory, and in all the time: beyond takes minutes.
_AT_ONCE, _PAIRS = 30_000, 1_500_000_000
# Cells have a table of where each begins if there are no more than so many, and for each box.
_TABLE, _A_BOX = 2_000_000, 64


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
    """(n,) how often the width of cells, which is returned too, must be taken by four to hold each
    box; cells are at least as wide as the usual box and as `least` mm."""
    extent = np.maximum(*(boxes.high - boxes.low).T)
    width = max(least, median(extent), 1e-3)
    level: _Ints = np.ceil(np.log2(np.maximum(extent / width, 1.0)) / 2).astype(np.int64)
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

    Each box lies in the square cell of its lowest corner, large ones in larger cells, so that none
    reaches farther than into the next; and askers look so much farther to the left and down.

    own  (n,) for each asker the lowest level (see `levels`) it asks in, and its box there; None: it
         asks in all, with the same box

    Raises TooLargeError where so many lie close together that it would take minutes.
    """
    if not len(boxes.section) or not len(askers.section):
        return
    level, width = levels(boxes, least)
    rows, every = columns(boxes.low, boxes.high), columns(askers.low, askers.high)
    at_home = None if own is None else columns(own[1].low, own[1].high)
    looked_at = 0
    for each in distinct(level).tolist():
        cells = _Cells(rows, boxes.section, np.flatnonzero(level == each), width * 4**each)
        if own is None or at_home is None:
            corners = every
            begin, size, asked = cells.slices(corners, askers.section)
        else:
            asking, corners = (
                np.flatnonzero(own[0] <= each),
                np.where(own[0] == each, at_home, every),
            )
            some = corners.take(asking, axis=1), askers.section.take(asking)
            begin, size, asked = cells.slices(*some)
            asked = asking.take(asked)
        looked_at += int(size.sum())
        if looked_at > _PAIRS:
            raise TooLargeError(f"{looked_at} pairs of outlines close to each other")
        stops = np.searchsorted(np.cumsum(size), np.arange(_AT_ONCE, size.sum(), _AT_ONCE)).tolist()
        for first, last in zip([0, *stops], [*stops, len(size)], strict=True):
            owner, place = ranges(begin[first:last], size[first:last])
            one = asked[first:last].take(owner)
            low_x, low_y, high_x, high_y = (each.take(one) for each in corners)
            its = (each.take(place) for each in cells.corners)
            meets = next(its) <= high_x
            meets &= next(its) <= high_y
            meets &= next(its) >= low_x
            meets &= next(its) >= low_y
            meet = np.flatnonzero(meets)
            yield one.take(meet), cells.member.take(place.take(meet))


class _Cells:
    """Boxes that are no larger than a cell, each in the cell of its lowest corner."""

    def __init__(self, corners: _Floats, section: _Ints, members: _Ints, width: float) -> None:
        """corners  (4, n) of all boxes: the lowest x and y, and the highest"""
        self.width, self.origin = width, corners[:2].min(axis=1)
        if len(members) < len(section):
            corners, section = corners.take(members, axis=1), section.take(members)
        self.extent = (corners[2:] - corners[:2]).max(axis=1)
        column, row = self._cell(corners[:2])
        self.section = int(section.min())
        self.across, self.up = int(column.max()) + 1, int(row.max()) + 1
        self.sections = int(section.max()) + 1 - self.section
        key = self._key(section - self.section, column, row)
        order = np.argsort(key, kind="stable")
        self.key, self.member = key.take(order), members.take(order)
        self.corners = corners.take(order, axis=1)
        count = self.sections * self.across * self.up
        self.table: _Ints | None = None
        if count <= min(_TABLE, _A_BOX * len(members)):
            self.table = np.append(0, np.cumsum(np.bincount(key, minlength=count)))

    def _cell(self, point: _Floats) -> _Ints:
        """(2, n) column and row of each point (2, n)."""
        place = point - self.origin[:, None]
        place /= self.width
        cell: _Ints = np.floor(place, out=place).astype(np.int64)
        return cell

    def _key(self, section: _Ints, column: _Ints, row: _Ints) -> _Ints:
        key = section * np.int64(self.across)
        key += column
        key *= self.up
        key += row
        return key

    def slices(self, corners: _Floats, section: _Ints) -> tuple[_Ints, _Ints, _Ints]:
        """Slices of `member` that hold all that each asker, (4, n) corners, meets, a column of
        cells at a time: where each begins, how long it is, and which asker it is."""
        low_x, low_y = self._cell(corners[:2] - self.extent[:, None])
        high_x, high_y = self._cell(corners[2:])
        section = section.astype(np.int64) - self.section
        there = (section >= 0) & (section < self.sections) & (high_x >= 0) & (high_y >= 0)
        there &= (low_x < self.across) & (low_y < self.up)
        np.maximum(low_x, 0, out=low_x)
        np.minimum(high_x, self.across - 1, out=high_x)
        first = self._key(section, low_x, np.maximum(low_y, 0, out=low_y))
        length = np.minimum(high_y, self.up - 1, out=high_y) - low_y
        which, column = ranges(0, np.where(there, high_x - low_x + 1, 0))
        # From column to column keys grow by as many as there are rows.
        column *= self.up
        first = np.add(column, first.take(which), out=column)
        last = first + length.take(which)
        if self.table is not None:
            begin, end = self.table.take(first), self.table.take(last + 1)
        else:
            begin = np.searchsorted(self.key, first, side="left")
            end = np.searchsorted(self.key, last, side="right")
        some = np.flatnonzero(end > begin)
        begin = begin.take(some)
        return begin, end.take(some) - begin, which.take(some)
