"""A stretch: what the geometry says of one wall or one gap, in the frame it is printed in."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from wallguard.base.arrays import connected, ranges

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Stretch:
    """A wall (or a gap) between two facing boundaries, followed over layers. All in mm.

    minimum, typical, maximum  thickness; typical is the median along its length
    across    least thickness square to the wall, as it is drawn and as callipers read it: less than
              `minimum` where it leans
    length    along the wall in the layer where it is longest
    low, high extent in z: the bottom of its first layer and the top of its last
    point     a point in the middle of the wall, where it is thinnest
    box       (lowest corner, highest corner)
    group     which of the ranges between the given thickness edges it lies in
    wall      number of the connected wall that it is a piece of
    area      length times height, summed over the layers, mm²; 0 where that is not known
    sides     on how many sides it is held by other material (two ends, below, above)
    moves     least and greatest, by how much its middle moves on with height where it leans, mm a
              mm: the tangent of its lean; 0 where thickness is measured in space
    slope     the mean of that
    bend      by how much its outline turns from facet to facet where it is a curve, radians, else 0
    sagitta   how far the facets of that curve lie from it at most, mm
    ends      how many of its two ends in the layer are held; 2 where thickness is measured in space
    fewest    of pieces that were joined, on how many sides that is held which is held least; None:
              as `sides`
    """

    minimum: float
    typical: float
    maximum: float
    across: float
    length: float
    low: float
    high: float
    point: Point
    box: tuple[Point, Point]
    group: int
    sides: int
    wall: int = 0
    area: float = 0.0
    fewest: int | None = None
    bend: float = 0.0
    sagitta: float = 0.0
    moves: tuple[float, float] = (0.0, 0.0)
    ends: int = 2
    slope: float = 0.0

    @property
    def square(self) -> tuple[float, float]:
        """Least and greatest ratio of the thickness square to the wall, as it is drawn and as
        callipers read it, to that in the layers: the cosine of its lean."""
        least, most = (1 / math.hypot(1.0, moves) for moves in reversed(self.moves))
        return least, most

    @property
    def lean(self) -> float:
        """How far it leans from upright in the mean, in degrees to a tenth."""
        return round(math.degrees(math.acos(min(1.0, sum(self.square) / 2))), 1)

    @property
    def facets(self) -> float:
        """By how much (mm) the facets of a curve make a wall thinner than it was drawn: between
        circles of one centre the flats stand as far apart as the circles times cos(bend / 2)."""
        return self.minimum * (1 / math.cos(self.bend / 2) - 1)

    @property
    def least_sides(self) -> int:
        """On how many sides that of its pieces is held which is held least."""
        return self.sides if self.fewest is None else self.fewest


# A speck (mm): in its layer smaller than the first both along and across, so that there is nothing
# to print or to lose; or smaller than the second both along and up, less than a bead is long.
_POINT, _SPECK = 0.1, 0.5


def is_speck(stretch: Stretch) -> bool:
    """Whether a stretch is too small to matter to a print."""
    point = max(stretch.length, stretch.maximum) < _POINT
    return point or max(stretch.length, stretch.high - stretch.low) < _SPECK


def along(wall: Stretch) -> float:
    """How long (mm) a straight wall with free ends is from end to end: its middle line, on which
    its discs lie, and half a thickness beyond either end of that."""
    (x, y, _), (to_x, to_y, _) = wall.box
    line = math.hypot(to_x - x - wall.maximum, to_y - y - wall.maximum)
    return min(line, wall.length) + wall.maximum


# A notch narrows to nothing where it is no wider at its bottom than this share of what it opens to;
# there it is a corner up to so many times that width deep: where its sides lie 19° apart or more.
_SHUT, _DEEP = 0.05, 3.0


def is_notch(gap: Stretch) -> bool:
    """Whether a gap is merely the closed end of a notch that narrows to its bottom: material at
    one end, and shorter than half its own width or, where its sides meet, no deeper than a corner.
    These are one there as drawn, and what fuses takes little off its depth."""
    corner = gap.minimum <= _SHUT * gap.maximum and gap.length <= _DEEP * gap.maximum
    return gap.sides == 1 and (gap.length < gap.minimum / 2 or corner)


# Pieces of one wall are one place where their boxes come this near to each other, mm.
_NEAR = 0.5
# Pairs of pieces that are looked at together bound the memory.
_AT_ONCE = 500_000


def joined(pieces: Iterable[Stretch], key: Callable[[Stretch], Hashable]) -> list[Stretch]:
    """Join pieces of one wall that have equal keys and lie at one place, in the order of the
    first of each. The joined piece is as typical as its longest one."""
    alike: dict[tuple[int, Hashable], list[Stretch]] = {}
    for piece in pieces:
        alike.setdefault((piece.wall, key(piece)), []).append(piece)
    stretches = [together(place) for group in alike.values() for place in _places(group)]
    return sorted(stretches, key=lambda piece: (piece.group, round(piece.minimum, 4), piece.point))


def gathered(
    pieces: Iterable[Stretch], span: Callable[[Stretch], tuple[float, float]]
) -> list[list[Stretch]]:
    """Sort pieces into places: pieces of one wall whose boxes are near each other and whose spans
    (low, high) overlap or touch, directly or by way of others."""
    walls: dict[int, list[Stretch]] = {}
    for piece in pieces:
        walls.setdefault(piece.wall, []).append(piece)
    return [place for group in walls.values() for place in _places(group, span)]


def _places(
    pieces: list[Stretch], span: Callable[[Stretch], tuple[float, float]] = lambda _: (0.0, 0.0)
) -> list[list[Stretch]]:
    """Sort pieces into places: boxes that are near each other, directly or by way of others."""
    if len(pieces) == 1:
        return [pieces]
    pieces = sorted(pieces, key=lambda piece: piece.box)
    x, y, z = np.moveaxis(np.array([piece.box for piece in pieces]), 2, 0)
    first, last = np.array([span(piece) for piece in pieces]).T
    # They are in order of x: only those that begin before a piece ends can be near it.
    ends = np.searchsorted(x[:, 0], x[:, 1] + _NEAR, side="right")
    links = [(np.zeros(0, np.int64), np.zeros(0, np.int64))]
    size = ends - np.arange(1, len(ends) + 1)
    stops = np.searchsorted(np.cumsum(size), np.arange(_AT_ONCE, size.sum(), _AT_ONCE)).tolist()
    for begin, end in zip([0, *stops], [*stops, len(size)], strict=True):
        one, step = ranges(1, size[begin:end])
        one += begin
        other = one + step
        near = (first[other] <= last[one]) & (first[one] <= last[other])
        for each in (y, z):
            near &= each[other, 0] <= each[one, 1] + _NEAR
            near &= each[one, 0] <= each[other, 1] + _NEAR
        links.append((one[near], other[near]))
    one, other = (np.concatenate(each) for each in zip(*links, strict=True))
    place = connected(one, other, len(pieces))[1]
    places: dict[int, list[Stretch]] = {}
    for piece, number in zip(pieces, place.tolist(), strict=True):
        places.setdefault(number, []).append(piece)
    return list(places.values())


def together(pieces: list[Stretch]) -> Stretch:
    """Pieces of one place as one: as thin as the thinnest, as typical as the longest."""
    if len(pieces) == 1:
        return pieces[0]
    longest = max(pieces, key=lambda piece: (piece.length, piece.point))
    low = [min(piece.box[0][axis] for piece in pieces) for axis in range(3)]
    high = [max(piece.box[1][axis] for piece in pieces) for axis in range(3)]
    middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]

    def thinness(piece: Stretch) -> tuple[float, float, Point]:
        return round(piece.minimum, 2), round(math.dist(piece.point, middle), 3), piece.point

    thinnest = min(pieces, key=thinness)
    return replace(
        thinnest,
        minimum=min(piece.minimum for piece in pieces),
        across=min(piece.across for piece in pieces),
        typical=longest.typical,
        slope=longest.slope,
        maximum=max(piece.maximum for piece in pieces),
        length=_longest(pieces),
        low=low[2],
        high=high[2],
        box=((low[0], low[1], low[2]), (high[0], high[1], high[2])),
        sides=max(piece.sides for piece in pieces),
        ends=max(piece.ends for piece in pieces),
        fewest=min(piece.least_sides for piece in pieces),
        area=sum(piece.area for piece in pieces),
        moves=(min(piece.moves[0] for piece in pieces), max(piece.moves[1] for piece in pieces)),
    )


def _longest(pieces: list[Stretch]) -> float:
    """How long pieces are together: what lies beside each other adds up, what lies over each
    other does not. Their area over the height that they cover is their mean length."""
    area = sum(piece.area or piece.length * (piece.high - piece.low) for piece in pieces)
    covered, top = 0.0, -math.inf
    for piece in sorted(pieces, key=lambda piece: piece.low):
        covered += max(0.0, piece.high - max(piece.low, top))
        top = max(top, piece.high)
    longest = max(piece.length for piece in pieces)
    return max(longest, area / covered) if covered > 0 else longest
