"""What lines across walls meet: exactly, for all places at once.

A line is drawn through the middle of the largest disc at a place of the wall, along the normal n.
Beads whose middle lies in the wall, or that cover most of it, are the wall's own; so brims,
supports and neighbours are not. Own beads run *along* the wall (contours, and fill laid like them)
or *across* it (strands of fill):

      |<------- t ------->|            t        drawn thickness
     ===  ::: //// :::  ===            ===      beads along       //// a bead across
     |<--- printed ------>|            printed  between the outer edges of what runs along
        |<-- room --->|                room     the widest gap between what runs along
         ::: =  = :::                  air      what no bead covers, within `printed`

Strands of fill cover, but do not make a wall thicker: where they turn they may reach beyond it.
Two beads along that are forced on each other push each other outward: `printed` is as much as
their material fills, (w - o) of each and o for the round ends outside (`bands.beads`), if that is
more. From three on the outermost two stand on the outlines, and what is between does not move them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.bands.section import round_ends
from wallguard.base.arrays import weighted_median
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.levels import Level
from wallguard.toolpath.lines import Cells, Crossings, Strands, crossings
from wallguard.toolpath.placement import Placement

# Narrower air than this is rounding in the toolpath's numbers, mm.
VOID = 0.02
# A bead belongs to a wall if its middle lies no further outside than this share of its width.
_OUTSIDE = 0.25
# A bead runs along a wall if it is turned from it by no more than 30 degrees: the sine.
_ALONG = 0.5
# How far beside a wall a line sees at least, mm, and in usual beads: so far out lies the far edge
# of a bead whose middle is just outside.
_BESIDE = (1.0, 1.5)
# Lines worked on at a time.
_BLOCK = 150_000

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]


class Lines(NamedTuple):
    """Lines across walls in the part as printed, sorted by level: level (n,), middle (n, 2),
    direction (n, 2) of length 1, and the wall's thickness (n,), mm."""

    level: _Ints
    centre: _Floats
    normal: _Floats
    thickness: _Floats

    def some(self, which: _Ints) -> Lines:
        """Some of them, in their order."""
        return Lines(
            self.level[which], self.centre[which], self.normal[which], self.thickness[which]
        )


@dataclass(frozen=True)
class Across:
    """What each line meets, one entry each. mm.

    covered  of the wall itself; printed, room, air: see above
    widest   the widest piece of that air
    width    of the beads along, mean; of all own beads where none runs along
    filled   whether a bead that runs across lies in the middle of the room
    """

    covered: _Floats
    printed: _Floats
    room: _Floats
    air: _Floats
    widest: _Floats
    width: _Floats
    filled: _Bools

    def some(self, which: _Ints) -> Across:
        """Those of some lines."""
        return Across(*(getattr(self, field.name)[which] for field in fields(self)))

    @classmethod
    def nothing(cls, count: int) -> Across:
        """Of lines that meet nothing."""
        zero = [np.zeros(count) for _ in range(6)]
        return cls(zero[0], zero[1], zero[2], zero[3], zero[4], zero[5], np.zeros(count, bool))


class Voids(NamedTuple):
    """Pieces of air: the line (n,) on which each lies, and from where to where, mm. By line."""

    line: _Ints
    low: _Floats
    high: _Floats


class Plate:
    """What is laid at one copy of a part, by its levels."""

    def __init__(self, laid: Beads, placement: Placement, levels: list[Level]) -> None:
        self.laid, self.placement, self.levels = laid, placement, levels
        self.usual = usual_width(laid)

    def across(self, lines: Lines) -> tuple[Across, Voids]:
        """Measure across walls."""
        count = len(lines.level)
        across = Across.nothing(count)
        voids: list[Voids] = []
        bounds = np.searchsorted(lines.level, np.arange(len(self.levels) + 1))
        first = 0
        while first < len(self.levels):
            last = first + 1
            while last < len(self.levels) and bounds[last + 1] - bounds[first] <= _BLOCK:
                last += 1
            some = slice(int(bounds[first]), int(bounds[last]))
            if some.stop > some.start:
                voids += self._some(across, lines, some, (first, last))
            first = last
        if not voids:
            return across, Voids(np.zeros(0, np.int64), np.zeros(0), np.zeros(0))
        return across, Voids(*(np.concatenate(part) for part in zip(*voids, strict=True)))

    def _some(
        self, across: Across, lines: Lines, some: slice, levels: tuple[int, int]
    ) -> list[Voids]:
        """Measure the lines of some levels into `found`."""
        thickness = lines.thickness[some]
        heights = np.array([level.height for level in self.levels])
        ends = round_ends(heights[lines.level[some]])
        return [
            _measure(across, own, (thickness, ends), some.start)
            for own in self._own(lines, some, levels)
            if len(own.line)
        ]

    def own(self, lines: Lines) -> Own:
        """What lines meet of the beads of their own walls, sorted by line, then low."""
        nothing = np.zeros(0)
        none = np.zeros(0, bool)
        parts = [Own(np.zeros(0, np.int64), nothing, nothing, nothing, none, none)]
        parts += self._own(lines, slice(0, len(lines.level)), (0, len(self.levels)))
        return Own(*(np.concatenate(part) for part in zip(*parts, strict=True)))

    def free(self, lines: Lines) -> _Floats:
        """How far (n,), mm, nothing is laid to either side of the middle of each line, as far as
        it sees; 0 where something is."""
        reach = self._sight(lines.thickness)
        before, after = -reach, reach.copy()
        point = self.placement.to_plate(lines.centre)
        direction = self.placement.ways_to_plate(lines.normal)
        cells = Cells(self._strands(np.unique(lines.level), 0, point))
        for met in crossings(cells, lines.level, point, direction, reach):
            behind, ahead = met.high <= 0, met.low >= 0
            np.maximum.at(before, met.line[behind], met.high[behind])
            np.minimum.at(after, met.line[ahead], met.low[ahead])
            over = met.line[~behind & ~ahead]
            before[over] = after[over] = 0.0
        room: _Floats = np.maximum(after - before, 0.0)
        return room

    def _sight(self, thickness: _Floats) -> _Floats:
        """How far lines across walls see, mm."""
        sight: _Floats = thickness / 2 + max(_BESIDE[0], _BESIDE[1] * self.usual)
        return sight

    def _own(self, lines: Lines, some: slice, levels: tuple[int, int]) -> Iterator[Own]:
        """In blocks of whole lines, numbered from the first of `some` on."""
        point = self.placement.to_plate(lines.centre[some])
        direction = self.placement.ways_to_plate(lines.normal[some])
        thickness = lines.thickness[some]
        # Only levels that have a line: others were measured elsewhere, or not asked for.
        asked = np.unique(lines.level[some])
        strands = self._strands(asked, levels[0], point)
        reach = self._sight(thickness)
        cells = Cells(strands)
        way = strands.end - strands.start
        length = np.hypot(way[:, 0], way[:, 1])
        way /= np.maximum(length, 1e-12)[:, None]
        layer = lines.level[some] - levels[0]
        for met in crossings(cells, layer, point, direction, thickness / 2, reach):
            slant = np.abs((way[met.bead] * direction[met.line]).sum(axis=1))
            width = strands.width[met.bead]
            middle = ((met.low + met.high) / 2)[:, None] * direction[met.line] + point[met.line]
            gone = ((middle - strands.start[met.bead]) * way[met.bead]).sum(axis=1)
            amid = np.minimum(gone, length[met.bead] - gone) > width / 2
            # Where all edges lie outside, so do the middles of the outermost beads.
            room = _OUTSIDE * width + max(self.placement.grown, 0.0)
            yield _own(met, (width, room), (slant <= _ALONG, amid), thickness)

    def _strands(self, levels: _Ints, first: int, point: _Floats) -> Strands:
        """The beads of some levels, numbered from `first` on, that come near some points."""
        laid = self.laid
        low, high = point.min(axis=0), point.max(axis=0)
        kept, number = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
        for index in levels.tolist():
            if self.levels[index].layer < 0:
                continue
            chosen = laid.in_layer(self.levels[index].layer)
            kept.append(chosen)
            number.append(np.full(len(chosen), index - first, np.int64))
        which, layer = np.concatenate(kept), np.concatenate(number)
        one, other = laid.start[which], laid.end[which]
        near = (np.minimum(one, other) <= high + 4.0).all(axis=1)
        near &= (np.maximum(one, other) >= low - 4.0).all(axis=1)
        near &= ~laid.odd[which]
        which, layer = which[near], layer[near]
        return Strands(laid.start[which], laid.end[which], laid.width[which], layer)


def usual_width(laid: Beads) -> float:
    """The bead width with which most is laid, mm; 0.4 where nothing is."""
    good = ~laid.odd
    return weighted_median(laid.width[good], laid.volume[good]) if good.any() else 0.4


class Own(NamedTuple):
    """Crossings of lines with beads of their own walls, sorted by line, then low: from where to
    where (mm from the wall's middle), how wide the bead is, whether it runs along the wall, and
    whether it is met away from the round ends of its segment."""

    line: _Ints
    low: _Floats
    high: _Floats
    width: _Floats
    along: _Bools
    amid: _Bools

    def part(self, low: int, high: int) -> Own:
        """The crossings from `low` up to, not including, `high`."""
        some = slice(low, high)
        return Own(
            self.line[some],
            self.low[some],
            self.high[some],
            self.width[some],
            self.along[some],
            self.amid[some],
        )


def _own(
    met: Crossings, wide: tuple[_Floats, _Floats], lies: tuple[_Bools, _Bools], thickness: _Floats
) -> Own:
    """The crossings with own beads. wide: how wide each bead is, and how far outside of the wall
    its middle may lie; lies: along, and amid, see `Own`."""
    width, room = wide
    half = thickness[met.line] / 2
    inside = np.minimum(met.high, half) - np.maximum(met.low, -half)
    own = np.abs(met.low + met.high) / 2 <= half + room
    own |= inside > 0.5 * np.minimum(width, 2 * half)
    own &= inside > 0
    low = np.where(lies[0], met.low, np.maximum(met.low, -half))[own]
    high = np.where(lies[0], met.high, np.minimum(met.high, half))[own]
    line = met.line[own]
    order = np.lexsort((low, line))
    along, amid = (which[own][order] for which in lies)
    return Own(line[order], low[order], high[order], width[own][order], along, amid)


def _measure(across: Across, own: Own, wall: tuple[_Floats, _Floats], first: int) -> Voids:
    """Write what the lines meet into `across`, from `first` on; the pieces of air between.

    wall  of each line: its thickness, and what beads side by side there share, mm
    """
    half = wall[0][own.line] / 2
    reached, fresh = _reached(own.line, own.high)
    before = np.append(0.0, reached[:-1])
    gap = np.where(fresh, 0.0, np.maximum(own.low - before, 0.0))
    # Of each bead what no earlier one covers, inside the wall.
    begin = np.where(fresh, own.low, np.maximum(own.low, before))
    new = np.maximum(np.minimum(own.high, half) - np.maximum(begin, -half), 0.0)
    begins = np.flatnonzero(fresh)
    at = first + own.line[begins]
    across.covered[at] = np.add.reduceat(new, begins)
    across.widest[at] = np.maximum.reduceat(gap, begins)
    across.air[at] = np.add.reduceat(np.where(gap >= VOID, gap, 0.0), begins)
    ends = np.append(begins[1:], len(fresh)) - 1
    across.printed[at] = reached[ends] - own.low[begins]
    across.width[at] = np.add.reduceat(own.width, begins) / (ends - begins + 1)
    _along(across, own, wall[1], first)
    void = np.flatnonzero(gap >= VOID)
    return Voids(first + own.line[void], before[void], own.low[void])


def _along(across: Across, own: Own, shared: _Floats, first: int) -> None:
    """Where beads run along: printed thickness and width from them alone, and the room."""
    line, low, high = own.line[own.along], own.low[own.along], own.high[own.along]
    if not len(line):
        return
    reached, fresh = _reached(line, high)
    begins = np.flatnonzero(fresh)
    ends = np.append(begins[1:], len(fresh)) - 1
    at = first + line[begins]
    width = own.width[own.along]
    both, count = np.add.reduceat(width, begins), ends - begins + 1
    # Where one strand goes on in its next segment there are no two beside each other.
    two = (count == 2) & np.logical_and.reduceat(own.amid[own.along], begins)
    material = np.where(two, both - shared[line[begins]], 0.0)
    across.printed[at] = np.maximum(reached[ends] - low[begins], material)
    across.width[at] = both / count
    before = np.append(0.0, reached[:-1])
    gap = np.where(fresh, 0.0, np.maximum(low - before, 0.0))
    across.room[at] = np.maximum.reduceat(gap, begins)
    # The widest gap of each line, and whether something that runs across covers its middle.
    widest = np.flatnonzero(gap == across.room[first + line])
    widest = widest[gap[widest] > VOID]
    middle = np.full(len(across.room), np.nan)
    middle[first + line[widest]] = (before[widest] + low[widest]) / 2
    crossed = ~own.along
    where = first + own.line[crossed]
    over = (own.low[crossed] <= middle[where]) & (own.high[crossed] >= middle[where])
    across.filled[where[over]] = True


def _reached(line: _Ints, high: _Floats) -> tuple[_Floats, _Bools]:
    """How far each line is covered after each crossing, and which are the first of a line."""
    span = float(high.max() - high.min()) + 1.0
    reached: _Floats = np.maximum.accumulate(high + line * span) - line * span
    return reached, np.append(True, line[1:] != line[:-1])
