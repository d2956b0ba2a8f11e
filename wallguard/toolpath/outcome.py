"""How a wall comes out, from what lines across it meet: the decision, and what it is made of.

Lines are judged together in *pieces*: what belongs together in one layer and is of even thickness.
A piece is part of a *wall*, which goes on through the layers. Seen from above:

    solid        hollow       pores        sparse         broken        missing
    =========    =========    =========    ===========    ===   ====
    :::::::::                 ::: :: ::      /  /  /                    (nothing)
    =========    =========    =========    ===========    ===   ====

What decides, from top to bottom; the first that is true of a piece counts:

    no. | of the piece                                                       | then
    ----+--------------------------------------------------------------------+--------------
    1   | laid along less than 5 % of it                                     | missing
    2   | open along more than an end's length, or behind an end of a strand | broken
    3   | fill crosses the wall's room, which has room for two beads;        |
        |   air takes up more than 6 % of the wall                           | sparse
        |   else                                                             | solid, pores
    4   | a channel of air runs along it; half of it or more is open         | hollow
    5   | a channel of air runs along it                                     | hollow there
    6   | air takes up more than 6 % of the piece, and half of it is open    | hollow
    7   | else                                                               | solid, pores

A *channel* is air that goes on from line to line for 5 mm, for twice the wall's thickness or for
half of the piece; shorter air is a pore. So a slit of 0.02 mm that runs on is found, in a single
layer too, and the corners that a fill leaves where it turns are told as a share, not as hollow.
With more and more fill a wall goes from hollow (none) to sparse to solid, and never back: fill is
seen in all layers of the wall together, for it may cross in one and run along in the next.

A hollow wall that leans so far that its air ends in every layer is *porous* (`bands.porous`): that
is seen of the wall as a whole, not of its layers.

Pieces that are not even, tapers, are judged line by line in 4 to 7, and are missing where they are
not laid.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, quantiles, ranges
from wallguard.toolpath.across import Across, Voids

Laid = Literal["solid", "hollow", "missing", "broken", "sparse", "porous"]
FILLS: tuple[Laid, ...] = ("solid", "hollow", "missing", "broken", "sparse")
SOLID, HOLLOW, MISSING, BROKEN, SPARSE = range(5)

# A line counts as laid where at least this share of it, or of a bead if that is less, is covered.
LAID = 0.25
# 1: less than this share is chance, a neighbour's bead that reaches in.
_MISSING = 0.05
# 2: a wall's ends come out rounded: open for 1 mm, two thicknesses or three beads they are ends.
_END = (1.0, 2.0, 3.0)
# 3: air wider than so many beads has room for a fill (a contour's fill needs one bead, one more
# may be left between): left open on purpose where at least this share of the wall is crossed.
_ROOM, _CROSSED = 2.0, 0.01
# 3, 6: more air than this share of a wall is no pores any more (common practice, no published
# source: a dense fill leaves a few per cent where its strands turn).
PORES = 0.06
# 4, 5: how long a channel is, mm, in thicknesses, and as a share of the piece.
CHANNEL = (5.0, 2.0, 0.5)
# Thickness varies if it differs by more, mm, and by more than this share.
VARIES, _VARIES = 0.1, 0.1
# Lines of one piece whose thickness differs by less (mm, share) are of even thickness.
_EVEN = (0.03, 0.03)
# Lines further apart than this are no neighbours: they are drawn 0.5 mm apart, mm.
_NEXT = 1.2

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]


class Seen(NamedTuple):
    """Lines across walls, in the order in which they follow each other along outlines.

    thickness, share, at  (n,) mm; share: of the outline that a line stands for, at: how far along
    layers (n,) for how many layers a line stands
    ring   (n,) the outline
    wall   (n,) the wall, through all layers
    one, other  pairs of lines of one layer that belong together
    usual  the usual bead, mm
    """

    thickness: _Floats
    share: _Floats
    layers: _Ints
    at: _Floats
    ring: _Ints
    wall: _Ints
    one: _Ints
    other: _Ints
    usual: float


class Stops(NamedTuple):
    """Lines right behind the ends of strands: the line (n,) of the wall that each is nearest to,
    and what it meets."""

    line: _Ints
    across: Across


class Judged(NamedTuple):
    """For each line: how it comes out (SOLID...), the usual thickness of its piece, mm, and the
    share of its wall that is pores."""

    code: _Ints
    typical: _Floats
    pores: _Floats


class _Pieces:
    """Sums and ranks over pieces."""

    def __init__(self, seen: Seen) -> None:
        thickness = seen.thickness
        low = np.abs(thickness[seen.one] - thickness[seen.other])
        alike = low <= _EVEN[0] + _EVEN[1] * thickness[seen.one]
        self.count, self.of = connected(seen.one[alike], seen.other[alike], len(thickness))
        self.share = seen.share / 2
        self.thin = self.extreme(np.minimum, np.inf, thickness, np.ones(len(thickness), bool))
        self.thick = self.extreme(np.maximum, 0.0, thickness, np.ones(len(thickness), bool))
        self.even = self.thick - self.thin <= np.maximum(VARIES, _VARIES * self.thick)
        self.length = self.total(np.ones(len(thickness)))

    def total(self, values: _Floats | _Bools) -> _Floats:
        totals: _Floats = np.bincount(self.of, self.share * values, self.count).astype(np.float64)
        return totals

    def extreme(self, way: np.ufunc, start: float, values: _Floats, chosen: _Bools) -> _Floats:
        extremes = np.full(self.count, start)
        way.at(extremes, self.of[chosen], values[chosen])
        return extremes


def judge(seen: Seen, across: Across, voids: Voids, stops: Stops) -> Judged:
    """How each line comes out, by the table above."""
    pieces = _Pieces(seen)
    of = pieces.of
    bead = np.where(across.width > 0, across.width, seen.usual)
    laid = across.covered >= LAID * np.minimum(seen.thickness, bead)
    laid_length = np.maximum(pieces.total(laid), 1e-9)
    missing = pieces.total(laid) <= np.maximum(_MISSING * pieces.length, 1e-9)
    broken = ~missing & _broken(seen, pieces, across, stops, laid)

    filled, pores = _filled(seen, across, laid)
    air = np.where(laid, across.air, 0.0)
    material = np.where(laid, np.maximum(seen.thickness, across.printed), 0.0)
    airy = pieces.total(air) > PORES * np.maximum(pieces.total(material), 1e-9)
    opened = laid & (across.air > 0)
    mostly = pieces.total(opened) >= 0.5 * laid_length
    channel = opened & _channels(seen, pieces, voids)
    channels = pieces.total(channel)
    long = channels > 0
    whole = (long | airy) & mostly & pieces.even

    code = np.full(len(of), SOLID, np.int64)
    code[channel] = HOLLOW
    code[whole[of]] = HOLLOW
    code[filled] = np.where(pores[filled] > PORES, SPARSE, SOLID)
    code[(~pieces.even)[of] & ~laid] = MISSING
    code[broken[of]] = BROKEN
    code[missing[of]] = MISSING
    typical = quantiles(of, seen.thickness, pieces.count)[of]
    return Judged(code, typical, pores)


def _broken(seen: Seen, pieces: _Pieces, across: Across, stops: Stops, laid: _Bools) -> _Bools:
    """Which pieces are open somewhere along their length."""
    of, count, thickness = pieces.of, pieces.count, seen.thickness
    bead = np.where(across.width > 0, across.width, seen.usual)
    # As thick as it is laid mostly; or here and there, but no thicker than drawn.
    deviation = across.printed - thickness
    usually = quantiles(of[laid], deviation[laid], count)
    often = np.minimum(quantiles(of[laid], deviation[laid], count, 0.9), 0.0)
    expected = np.maximum(usually, often)[of] + thickness
    gap = ~laid | (across.printed < expected - 0.5 * bead)
    end = np.maximum(np.maximum(_END[0], _END[1] * pieces.thick), _END[2] * seen.usual)
    least = pieces.extreme(np.minimum, np.inf, thickness, laid)
    mixed = pieces.extreme(np.maximum, 0.0, thickness, ~laid) > least + VARIES
    broken: _Bools = (pieces.total(gap) > end) & (pieces.even | mixed)
    # Wholly laid but for its ends, yet open behind the end of a strand somewhere.
    bead = np.where(stops.across.width > 0, stops.across.width, seen.usual)
    open_ = stops.across.covered < LAID * np.minimum(thickness[stops.line], bead)
    open_ |= stops.across.printed < expected[stops.line] - 0.5 * bead
    return broken | (np.bincount(of[stops.line[open_]], minlength=count) > 0)


def _filled(seen: Seen, across: Across, laid: _Bools) -> tuple[_Bools, _Floats]:
    """Which lines lie in walls with a fill in their room, and the share of air in each wall."""
    wall, count = seen.wall, int(seen.wall.max()) + 1
    weight = (seen.share + 1e-9) * seen.layers
    lines = np.maximum(np.bincount(wall, weight * laid, count), 1e-12)
    crossed = np.bincount(wall, weight * (laid & across.filled), count) / lines
    # In half of the layers fill may run along, and leave less room.
    room = _most(wall[laid], across.room[laid], weight[laid], count)
    bead = quantiles(wall[laid], across.width[laid], count)
    filled = (room > _ROOM * bead) & (crossed >= _CROSSED)
    air = np.bincount(wall, weight * np.where(laid, across.air, 0.0), count)
    material = np.where(laid, np.maximum(seen.thickness, across.printed), 0.0)
    whole = np.maximum(np.bincount(wall, weight * material, count), 1e-12)
    return filled[wall] & laid, (air / whole)[wall]


def _most(group: _Ints, values: _Floats, weight: _Floats, count: int) -> _Floats:
    """The value that four fifths of each group's values lie below, by weight; 0: it has none."""
    most = np.zeros(count)
    order = np.lexsort((values, group))
    group, gone = group[order], np.cumsum(weight[order])
    ends = np.flatnonzero(np.append(group[1:] != group[:-1], len(group) > 0))
    before = np.append(0.0, gone[ends[:-1]])[: len(ends)]
    at = np.searchsorted(gone, before + 0.8 * (gone[ends] - before))
    most[group[ends]] = values[order][np.minimum(at, ends)]
    return most


def _channels(seen: Seen, pieces: _Pieces, voids: Voids) -> _Bools:
    """Which lines a channel of air runs through."""
    count = len(seen.thickness)
    channels = np.zeros(count, bool)
    if not len(voids.line):
        return channels
    line = voids.line
    # Pairs of pieces of air on lines that follow each other: all of one with all of the other.
    begin = np.searchsorted(line, np.arange(count + 1))
    after = np.minimum(line + 1, count - 1)
    follows = (line + 1 < count) & (pieces.of[after] == pieces.of[line])
    follows &= (seen.ring[after] == seen.ring[line]) & (seen.at[after] - seen.at[line] < _NEXT)
    many = np.where(follows, begin[after + 1] - begin[after], 0)
    one, other = ranges(begin[after], many)
    shared = np.minimum(voids.high[one], voids.high[other])
    shared -= np.maximum(voids.low[one], voids.low[other])
    meet = shared > 0
    label = connected(one[meet], other[meet], len(line))[1]
    # Each line counts once for each channel.
    pair = np.unique(label * count + line)
    channel, member = np.divmod(pair, count)
    length = np.bincount(channel, seen.share[member])
    thick = np.zeros(len(length))
    np.maximum.at(thick, channel, seen.thickness[member])
    piece = np.zeros(len(length))
    np.maximum.at(piece, channel, pieces.length[pieces.of[member]])
    enough = np.minimum(np.maximum(CHANNEL[0], CHANNEL[1] * thick), CHANNEL[2] * piece)
    channels[member[(length >= enough)[channel]]] = True
    return channels
