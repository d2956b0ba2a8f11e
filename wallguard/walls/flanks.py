r"""How thickness runs along an outline between its samples: reckoned, not sampled.

A sample says which edge holds its disc. Along its own edge, which is straight, the thickness then
follows in closed form as far as that edge holds it. With x along the own edge, the other beginning
at h, running along e with the normal m toward the disc:

      x -->   own edge               held by a line    the centre (x, r) is r away from it:
    ==o=====o=====o===                                   r (1 - m_y) = m . ((x, 0) - h), straight;
      :     :     :                                      and it is touched at e . ((x, r) - h)
      :     :     :                held by a corner c  r = ((x - c_x)^2 + c_y^2) / (2 c_y), which is
    ==+=====+   (the rest:                               what is touched where that place lies
       e     \   held by the                             beyond an end of e
              \  corner)

A *flank* is a stretch of an edge along which one line, or one corner, holds every disc. Each sample
speaks for the outline up to half-way to the next; where the next is held by another edge, the place
where the disc passes from the one to the other is found by halving (`turning.passing`), and a flank
ends there. A sample that is alone on its
edge speaks for all of it.

So lengths, means and medians over flanks do not hang on where samples stand. What is not seen is an
edge that holds the disc only between two samples, which both are held by others: samples are set
closer until that makes less than 0.001 mm of thickness (`places.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges, rows
from wallguard.walls.edges import Edges
from wallguard.walls.turning import passing

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# What is shorter (mm) is no flank.
_SHORT = 1e-9
# A flank held by a corner is cut so that the thickness runs straight to so much (mm), or so often.
_OFF, _CUTS = 1e-4, 16


@dataclass(frozen=True)
class Flanks:
    """Flanks (k,) of samples: of which one, the edge that holds the discs along it, and from which
    place to which of the sample's own edge, mm. In the frame of the own edge, see above:

    ends    (k, 2) the radius at both ends
    level   (k,) the cosine between the faces as seen from above, where a line holds the discs
    corner  (k, 2) the corner that holds them; nan where a line does
    """

    sample: _Ints
    held: _Ints
    begin: _Floats
    end: _Floats
    ends: _Floats
    level: _Floats
    corner: _Floats

    @property
    def length(self) -> _Floats:
        """(k,) mm."""
        return self.end - self.begin

    def fields(self) -> list[NDArray[Any]]:
        """What it is made of."""
        return [getattr(self, each.name) for each in fields(self)]

    def chosen(self, which: _Ints) -> Flanks:
        return Flanks(*(rows(each, which) for each in self.fields()))

    @cached_property
    def thickness(self) -> _Floats:
        """(k,) the thickness summed along each, mm²: by Simpson's rule, here exact."""
        middle = self.radius((self.begin + self.end) / 2)
        total: _Floats = self.length * (self.ends.sum(axis=1) + 4 * middle) / 3
        return total

    @cached_property
    def facing(self) -> _Floats:
        """(k,) the cosine between the faces, as seen from above, summed along each, mm: of a corner
        1 - c_y / r."""
        x, y = self.corner.T
        angle = np.arctan2(self.end - x, y) - np.arctan2(self.begin - x, y)
        return np.where(np.isnan(x), self.length * self.level, self.length - 2 * y * angle)

    def thinner(self, most: _Floats) -> Flanks:
        """What of each is no thicker than `most` (k,), mm: of a corner what lies round the lowest
        point of its parabola, of a line what lies to one side of a place."""
        radius, (one, other), (x, y) = most / 2, self.ends.T, self.corner.T
        half = np.sqrt(np.maximum(2 * y * radius - y**2, 0.0))
        steep = np.where(one == other, 1.0, other - one)
        there = self.begin + (radius - one) / steep * self.length
        bent = ~np.isnan(x)
        low = np.where(bent, x - half, np.where(one > radius, there, self.begin))
        high = np.where(bent, x + half, np.where(other > radius, there, self.end))
        begin, end = (np.clip(each, self.begin, self.end) for each in (low, high))
        ends = np.column_stack([self.radius(begin), self.radius(end)])
        kept = (end - begin > _SHORT) & (bent | (self.ends.min(axis=1) <= radius))
        part = Flanks(self.sample, self.held, begin, end, ends, self.level, self.corner)
        return part.chosen(np.flatnonzero(kept))

    @cached_property
    def pieces(self) -> Pieces:
        """Pieces along which the thickness runs straight, or as good as."""
        bent = np.flatnonzero(~np.isnan(self.corner[:, 0]))
        straight = np.flatnonzero(np.isnan(self.corner[:, 0]))
        # A chord of that parabola lies off it by the square of its length over 4 c_y.
        long = self.length[bent] / np.sqrt(4 * _OFF * np.maximum(self.corner[bent, 1], _SHORT))
        count = np.clip(np.ceil(long), 1, _CUTS).astype(np.int64)
        which, place = ranges(0, count)
        owner, step = bent[which], (self.length[bent] / count)[which]
        begin = self.begin[owner] + place * step
        one, other = (_at_corner(x, self.corner[owner]) for x in (begin, begin + step))
        return Pieces(
            np.concatenate([self.sample[straight], self.sample[owner]]),
            np.concatenate([self.length[straight], step]),
            2 * np.concatenate([self.ends[straight, 0], one]),
            2 * np.concatenate([self.ends[straight, 1], other]),
        )

    def radius(self, x: _Floats) -> _Floats:
        """(k,) the radius at a place on each."""
        one, other = self.ends.T
        share = (x - self.begin) / np.maximum(self.length, _SHORT)
        line = one + share * (other - one)
        return np.where(np.isnan(self.corner[:, 0]), line, _at_corner(x, self.corner))


class Pieces(NamedTuple):
    """Pieces (k,) of flanks: of which sample, how long, and the thickness at both ends, mm."""

    sample: _Ints
    length: _Floats
    one: _Floats
    other: _Floats

    def chosen(self, which: _Bools) -> Pieces:
        return Pieces(self.sample[which], self.length[which], self.one[which], self.other[which])


def _at_corner(x: _Floats, corner: _Floats) -> _Floats:
    """(k,) the radius of the disc at (x, 0) that a corner (k, 2) holds."""
    off, height = x - corner[:, 0], corner[:, 1]
    square = off * off + height * height
    radius: _Floats = np.full(len(x), np.inf)
    np.divide(square, 2 * height, out=radius, where=height > 0)
    return radius


def _between(
    slope: _Floats, offset: _Floats, least: _Floats | float, most: _Floats | float
) -> tuple[_Floats, _Floats]:
    """(k,) from which x to which slope x + offset is from least to most; inf to -inf where it never
    is."""
    steep = np.abs(slope) > 1e-12
    always = (offset >= least) & (offset <= most)
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = (least - offset) / slope, (most - offset) / slope
    low = np.where(steep, np.minimum(*ends), np.where(always, -np.inf, np.inf))
    high = np.where(steep, np.maximum(*ends), np.where(always, np.inf, -np.inf))
    return low, high


def facing_of_corner(x: _Floats, corner: _Floats) -> _Floats:
    """(k,) the cosine between the faces of that disc, as seen from above: 1 - c_y / r."""
    off, height = x - corner[:, 0], corner[:, 1]
    facing: _Floats = 1 - 2 * height**2 / np.maximum(off**2 + height**2, 1e-18)
    return facing


class Told(NamedTuple):
    """Samples (n,) along outlines: the edge, the place on it, how far each speaks before and beyond
    that, mm, the edge that holds the disc, and whether the next follows on the same edge."""

    edge: _Ints
    place: _Floats
    behind: _Floats
    ahead: _Floats
    held: _Ints
    follows: _Bools


def flanks_of(edges: Edges, told: Told) -> Flanks:
    """The flanks of samples."""
    begin, end = told.place - told.behind, told.place + told.ahead
    own = end > begin
    lone = own & ~told.follows & ~np.append(False, told.follows[:-1])
    passed = _passed(edges, told, begin, end)
    some, rest = np.flatnonzero(lone), np.flatnonzero(own & ~lone)
    stretches = [(rest, begin[rest], end[rest], told.held[rest]), *passed]
    number, low, high, held = (np.concatenate(each) for each in zip(*stretches, strict=True))
    return together(
        _lone(edges, told, (some, begin[some], end[some], told.held[some])),
        _divided(edges, told.edge[number], (number, low, high, held)),
    )


# Of which sample, from where, to where, and held by which edge.
_Stretch = tuple[_Ints, _Floats, _Floats, _Ints]


def _passed(edges: Edges, told: Told, begin: _Floats, end: _Floats) -> list[_Stretch]:
    """What samples speak for that the edge holds which holds the next or the last one; begin and
    end (n,) are moved to where that begins."""
    one = np.flatnonzero(told.follows)
    one = one[told.held[one] != told.held[one + 1]]
    other, middle = one + 1, end[one]
    held = told.held[one], told.held[other]
    there = passing(edges, told.edge[one], (told.place[one], told.place[other]), held)
    early, late = np.flatnonzero(there < middle), np.flatnonzero(there > middle)
    end[one[early]], begin[other[late]] = there[early], there[late]
    return [
        (one[early], there[early], middle[early], held[1][early]),
        (other[late], middle[late], there[late], held[0][late]),
    ]


def _lone(edges: Edges, told: Told, stretches: _Stretch) -> Flanks:
    """Stretches of samples that are alone on their edge: held as they are there."""
    number, begin, end, held = stretches
    lines = Lines.of(edges, told.edge[number], held)
    place = told.place[number]
    at = lines.touched(place)
    level, ends = lines.along_x.copy(), np.column_stack([lines.radius(begin), lines.radius(end)])
    # How a corner holds discs far from there is not told: no other way than there.
    bent = np.flatnonzero((at < 0) | (at > lines.length))
    corner = lines.chosen(bent).corner(at[bent] > 0)
    ends[bent] = _at_corner(place[bent], corner)[:, None]
    level[bent] = facing_of_corner(place[bent], corner)
    return Flanks(number, held, begin, end, ends, level, np.full((len(number), 2), np.nan))


class Lines(NamedTuple):
    """Edges in the frames of others: the start x, y; along x, y; length."""

    x: _Floats
    y: _Floats
    along_x: _Floats
    along_y: _Floats
    length: _Floats

    @classmethod
    def of(cls, edges: Edges, own: _Ints, other: _Ints) -> Lines:
        away, way, along = (
            edges.start[other] - edges.start[own],
            edges.along[own],
            edges.along[other],
        )

        def turned(vector: _Floats) -> tuple[_Floats, _Floats]:
            x = vector[:, 0] * way[:, 0] + vector[:, 1] * way[:, 1]
            return x, vector[:, 1] * way[:, 0] - vector[:, 0] * way[:, 1]

        return cls(*turned(away), *turned(along), edges.length[other])

    def chosen(self, which: _Ints) -> Lines:
        return Lines(*(each[which] for each in self))

    def height(self, x: _Floats) -> _Floats:
        """(k,) how far before each line the place (x, 0) lies; below 0 behind it."""
        return -self.along_x * self.y - self.along_y * (x - self.x)

    def crossed(self) -> _Floats:
        """(k,) the x where each line crosses the own one; inf or nan if nowhere."""
        with np.errstate(divide="ignore", invalid="ignore"):
            x: _Floats = self.x - self.along_x * self.y / self.along_y
        return x

    def radius(self, x: _Floats) -> _Floats:
        """(k,) of the disc at (x, 0) that touches each line, ends or not."""
        return self.height(x) / np.maximum(1 - self.along_x, 1e-12)

    def touched(self, x: _Floats) -> _Floats:
        """(k,) where along each line that disc touches it."""
        return self.along_x * (x - self.x) + self.along_y * (self.radius(x) - self.y)

    def reaches(self, along: _Floats | float) -> _Floats:
        """(k,) the x at which it touches each line so far along; inf or nan if nowhere."""
        none = np.zeros(len(self.x))
        at = self.touched(none)
        with np.errstate(divide="ignore", invalid="ignore"):
            x: _Floats = (along - at) / (self.touched(none + 1) - at)
        return x

    def within(self, reach: float) -> tuple[_Floats, _Floats]:
        """(k,) from where to where on the own edge's line a disc of radius `reach` that touches it
        meets each edge; inf to -inf where none does. All that is no farther than that from the edge
        is convex, and so is what of it the disc's middle passes, at (x, reach)."""
        up, (low, high) = reach - self.y, np.full((2, len(self.x)), [[np.inf], [-np.inf]])
        for end in (False, True):
            x, y = self.corner(np.full(len(low), end)).T
            square = 2 * y * reach - y**2
            half = np.where(square >= 0, np.sqrt(np.maximum(square, 0.0)), -np.inf)
            low, high = np.minimum(low, x - half), np.maximum(high, x + half)
        along, beside = (0.0, self.length), (-reach, reach)
        one = _between(self.along_x, self.along_y * up, *along)
        other = _between(-self.along_y, self.along_x * up, *beside)
        begin, end_ = (
            self.x + way(a, b)
            for way, a, b in zip((np.maximum, np.minimum), one, other, strict=True)
        )
        met = begin <= end_
        low, high = (
            np.where(met, np.minimum(low, begin), low),
            np.where(met, np.maximum(high, end_), high),
        )
        # From behind it is not met.
        front = _between(-self.along_y, -self.along_x * self.y, 0.0, np.inf)
        low, high = np.maximum(low, self.x + front[0]), np.minimum(high, self.x + front[1])
        some = low <= high
        return np.where(some, low, np.inf), np.where(some, high, -np.inf)

    def corner(self, end: _Bools) -> _Floats:
        """(k, 2) the start of each, or where `end` its end."""
        length = np.where(end, self.length, 0.0)
        return np.column_stack([self.x + length * self.along_x, self.y + length * self.along_y])


def _divided(edges: Edges, own: _Ints, stretches: _Stretch) -> Flanks:
    """Stretches held by one edge each, divided where its line and its corners hold the disc. Where
    outlines cross, an edge that lies behind holds none."""
    number, begin, end, held = stretches
    lines = Lines.of(edges, own, held)
    # The place where it touches the line moves straight: past its start and its end, or back.
    at, to = lines.touched(begin), lines.touched(end)
    up, way = to >= at, np.where(to == at, 1e-300, to - at)
    with np.errstate(over="ignore"):
        start, stop = (np.clip((each - at) / way, 0.0, 1.0) for each in (0.0, lines.length))
    first, second = (
        begin + np.where(up, *each) * (end - begin) for each in ((start, stop), (stop, start))
    )
    parts = []
    for from_, to_, corner in ((begin, first, ~up), (first, second, None), (second, end, up)):
        some = np.flatnonzero(to_ - from_ > _SHORT)
        line, low, high = lines.chosen(some), from_[some], to_[some]
        if corner is None:
            its = np.full((len(some), 2), np.nan)
            low, high = _before_crossing(low, high, line.radius(low), line.radius(high))
            ends = line.radius(low), line.radius(high)
            ahead = high - low > _SHORT
        else:
            its = line.corner(corner[some])
            ends = _at_corner(low, its), _at_corner(high, its)
            ahead = its[:, 1] > 0
        both = np.maximum(np.column_stack(ends), 0.0)
        part = Flanks(number[some], held[some], low, high, both, line.along_x, its)
        parts.append(part if ahead.all() else part.chosen(np.flatnonzero(ahead)))
    return together(*parts)


def _before_crossing(
    low: _Floats, high: _Floats, one: _Floats, other: _Floats
) -> tuple[_Floats, _Floats]:
    """From where to where (k,) a radius that runs straight from `one` at `low` to `other` at `high`
    is not below 0; from a place to itself where it nowhere is."""
    steep = np.where(one == other, 1.0, other - one)
    zero = np.clip(low - one / steep * (high - low), low, high)
    return np.where(one < 0, zero, low), np.where(other < 0, zero, high)


def together(*flanks: Flanks) -> Flanks:
    """Several in one row."""
    several = zip(*(each.fields() for each in flanks), strict=True)
    return Flanks(*(np.concatenate(each) for each in several))
