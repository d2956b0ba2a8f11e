"""Turns: what rises without a break while it lays, cut into one layer for each time around.

         z                                    /|  top, a saw's tooth: closed by a level turn, or not
         |        turn 2              ___---``/ |
         |  ___---```          ___---`` turn 1 /   from turn to turn it rises by the pitch p
         |``           ___---``          ___--/    a turn is as high as it stands above the turn
         |     ___---``  turn 0  ___---``          below it, p; turn 0 as it stands above the base
         |=----==================================  flat base, or the plate
         +---------------------------------------- way along the outline, once around

A place of the outline is laid once in each turn, between z - own and z. So turn k is a layer whose
top is the mean of z along it, b + (k + 1/2) p where it begins at b + k p, and that reaches down to
the mean of what lies below: material and heights agree, from base to top.

**Where a turn ends**: where the way comes by again over the place where it began. How far up that
is about is the period of the way over height: the shift in z after which places agree best (mean
distance, by autocorrelation). From there each turn is followed by itself, so that the pitch may
change, and the outline with height. Beads are cut where turns end.

**The first turn** stands on what was laid before, level or rising as it does: that is looked up at
places along it. What a level turn closes, fading, is found in the same way. Where a bead is lower
than the pitch, by the share s, its feed leaves open how wide it is: less feed by s in every way, or
by the cross-section of a bead of that height, is common, and they differ by (1 - s) p (1 - pi / 4).
So it is as wide as the others where that lies between. A first turn that is fed in full is pressed
together, which nothing here tells: it is no wider than the others either.

A last turn that does not come around is no layer to hold against a section (`Turns.partial`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.toolpath.width import bead_width

# A pitch lies between these, mm, and within so many times the usual layer height.
_PITCHES, _USUAL = (0.02, 3.0), (0.2, 5.0)
# The period is looked for in steps of so much height, mm, over so much of it.
_STEP, _OVER = 0.0005, 4.0
# Places one period apart lie within this share of how far all places lie apart from their middle,
# and of periods as good as the best to this, mm, the shortest counts.
_PERIODIC, _AS_GOOD = 0.3, 0.3
# A turn ends where the way passes its beginning within this, mm, or share of a turn if that is
# less, but for a tenth of a millimetre; it is looked for within this share of a pitch in height.
_PASSES, _SHARE, _LEAST, _WINDOW = 1.0, 0.05, 0.15, 0.3
# A bead runs as another does if their directions differ by less than 45 degrees: the cosine.
_SAME_WAY = 0.7
# Heights that lie this near to an even rise are rounded, mm: two decimals.
_ROUNDED = 0.012
# What lies below is looked up at so many places of a turn, within so much, mm: less than half a
# bead, or the other side of a thin outline is taken for it.
_PLACES, _NEAR = 64, 0.3
# And within so many pitches below.
_BELOW = 1.6
# It is level, or rises as the turn does, where half of its heights agree within this share of a
# pitch; and it is found in at least this share of the places.
_EVEN, _FOUND = 0.15, 0.3
# More turns, or rising ways, than these no toolpath has.
_MOST_TURNS, _MOST_WAYS = 50_000, 100_000
# A bead is lower than others below this share of the pitch; below that one its feed tells nothing.
_LOWER, _FAINT = 0.95, 0.1
# Half of a turn that lies less than this share of a pitch above what is below lies over itself.
_ITSELF = 0.75
# A level turn closes a top if so much of it lies over the last rising one.
_CLOSED = 0.9
# Pairs of places and beads looked at together: bounds memory.
_AT_ONCE = 2_000_000
# A rising way is longer and rises more than this, mm.
_SHORTEST, _LOWEST = 3.0, 0.02

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]


class Strands(NamedTuple):
    """Beads in the order in which they are laid: from start to end (n, 3), mm, of cross-sections
    (n,), mm^2."""

    start: _Floats
    end: _Floats
    area: _Floats


class Turns(NamedTuple):
    """A rising way cut into turns. Lengths in mm.

    bead, low, high  (m,) pieces: which bead each is of, and from which share of it to which
    turn  (m,) the number of the turn, from 0
    width (m,)
    fades (m,) whether a piece is lower than the others, as it fades in or out
    top, height, reach  (T,) of each turn: the mean height of the nozzle, how far down it reaches
                        from there, the greatest height of the nozzle
    partial  whether the last turn does not come around
    """

    bead: _Ints
    low: _Floats
    high: _Floats
    turn: _Ints
    width: _Floats
    fades: _Bools
    top: _Floats
    height: _Floats
    reach: _Floats
    partial: bool


class _Way(NamedTuple):
    """A rising way: the beads it is of, their corners (n, 3) with rising z, and for each bead where
    along the way it begins and ends, mm."""

    bead: _Ints
    start: _Floats
    end: _Floats
    begins: _Floats
    ends: _Floats

    @property
    def length(self) -> float:
        return float(self.ends[-1])

    def at(self, along: float) -> tuple[int, _Floats]:
        """The bead and the place (3,) at a length along the way."""
        index = int(np.searchsorted(self.ends, along).clip(0, len(self.ends) - 1))
        span = self.ends[index] - self.begins[index]
        share = float(np.clip((along - self.begins[index]) / max(span, 1e-12), 0.0, 1.0))
        place: _Floats = self.start[index] + (self.end[index] - self.start[index]) * share
        return index, place


def find_turns(laid: Strands, ways: list[slice], usual: float) -> tuple[list[Turns], list[slice]]:
    """The turns of the rising ways, and those ways that are none.

    ways   the beads of each, in the order in which they are laid
    usual  layer height of what is level, mm; 0 where nothing is
    """
    found: list[Turns] = []
    others: list[slice] = []
    below = _Below(laid)
    count = 0
    for pieces in _goes_on(laid, ways):
        way = _way(laid, pieces)
        turns = None
        if way is not None and len(found) < _MOST_WAYS and count < _MOST_TURNS:
            turns = _turns(laid, way, usual, below)
        if turns is None:
            others += pieces
        else:
            found.append(turns)
            count += len(turns.top)
    return found, others


def _goes_on(laid: Strands, ways: list[slice]) -> list[list[slice]]:
    """Ways that go on where the one before ended, after a pause, together."""
    together: list[list[slice]] = []
    for way in ways:
        if together:
            last = laid.end[together[-1][-1].stop - 1]
            off = np.abs(laid.start[way.start] - last)
            if off[:2].max() < _NEAR and off[2] < 0.002:
                together[-1].append(way)
                continue
        together.append([way])
    return together


def _way(laid: Strands, pieces: list[slice]) -> _Way | None:
    """The way of some pieces; None where it falls anywhere, or is too short."""
    bead = np.concatenate([np.arange(piece.start, piece.stop) for piece in pieces])
    start, end = laid.start[bead], laid.end[bead]
    if (end[:, 2] < start[:, 2] - 1e-6).any() or (np.diff(start[:, 2]) < -0.002).any():
        return None
    length = np.hypot(*(end - start)[:, :2].T)
    ends = np.cumsum(length)
    if ends[-1] < _SHORTEST or end[-1, 2] - start[0, 2] < _LOWEST:
        return None
    return _Way(bead, start, end, ends - length, ends)


def _turns(laid: Strands, way: _Way, usual: float, below: _Below) -> Turns | None:
    """The turns of one way; None where it has none."""
    pitch = _period(way)
    low, high = _PITCHES
    once = pitch <= 0.0
    if once:
        pitch = _first_return(way, usual)
        if usual:
            low, high = max(low, _USUAL[0] * usual), min(high, _USUAL[1] * usual)
    if not low <= pitch <= high:
        return None
    if (way.end[-1, 2] - way.start[0, 2]) / pitch > _MOST_TURNS:
        return None
    bounds, partial = _bounds(way, pitch)
    height = np.array([way.at(along)[1][2] for along in bounds])
    even = _evened(height[:-1] if partial else height)
    height = np.append(even, height[-1]) if partial else even
    if _over_itself(way, bounds, height, below):
        return None
    stands = _first(way, bounds, height, below)
    around = float(np.hypot(*(way.end[-1] - way.start[0])[:2])) <= _PASSES
    if stands is None and once and not around:
        return None
    return _cut(laid, way, bounds, height, stands, partial)


def _period(way: _Way) -> float:
    """After how much height places of a way come again, mm; 0 where none do."""
    rise = float(way.end[-1, 2] - way.start[0, 2])
    over = min(rise, _OVER)
    count = int(over / _STEP)
    if count < 80:
        return 0.0
    low = float(way.start[0, 2]) + (rise - over) / 2
    z = np.append(way.start[:, 2], way.end[-1, 2])
    # Where heights are rounded some are alike: those lie evenly along the way.
    along = np.append(way.begins, way.length)
    z = np.maximum.accumulate(z) + along * (1e-6 / max(way.length, 1.0))
    at = low + (np.arange(count) + 0.5) * (over / count)
    x, y = (np.interp(at, z, np.append(way.start[:, axis], way.end[-1, axis])) for axis in range(2))
    place = (x - x.mean()) + 1j * (y - y.mean())
    spread = float(np.sqrt(np.mean(np.abs(place) ** 2)))
    if spread < 1e-6:
        return 0.0
    lags = np.arange(max(1, int(_PITCHES[0] / _STEP)), int(0.6 * count))
    if not len(lags):
        return 0.0
    size = 1 << (2 * count - 1).bit_length()
    spectrum = np.fft.fft(place, size)
    shared = np.fft.ifft(np.abs(spectrum) ** 2).real[lags]
    power = np.append(0.0, np.cumsum(np.abs(place) ** 2))
    total = power[count - lags] + power[count] - power[lags]
    off = np.sqrt(np.maximum(total - 2 * shared, 0.0) / (count - lags))
    # Only valleys: right beside no shift at all all places agree.
    padded = np.concatenate([[-np.inf], off, [np.inf]])
    valley = (off <= padded[:-2]) & (off <= padded[2:])
    valley[0] = False
    valleys = np.flatnonzero(valley)
    if not len(valleys):
        return 0.0
    best = float(off[valleys].min())
    if best > _PERIODIC * spread:
        return 0.0
    good = valleys[off[valleys] <= max(1.5 * best, best + min(_AS_GOOD, 0.1 * spread))]
    return float(lags[good[0]] * (over / count))


def _first_return(way: _Way, usual: float) -> float:
    """How high a way of about one turn rises until it comes by its beginning again, mm; the rise of
    all of it where it does not."""
    rise = float(way.end[-1, 2] - way.start[0, 2])
    least = max(_PITCHES[0], _USUAL[0] * usual)
    late = np.flatnonzero((way.end[:, 2] - way.start[0, 2] >= least) & (way.begins > _SHORTEST))
    if not len(late):
        return rise
    off, along = _passes(way, late, way.start[0], way.end[0] - way.start[0])
    near = np.flatnonzero(off <= _LEAST)
    if not len(near):
        return rise
    _, place = way.at(float(along[near[0]]))
    return float(place[2] - way.start[0, 2])


def _passes(way: _Way, among: _Ints, place: _Floats, direction: _Floats) -> tuple[_Floats, _Floats]:
    """How far some beads of a way pass a place, in the direction given; and where along the way."""
    start, run = way.start[among, :2], (way.end - way.start)[among, :2]
    length = np.maximum(np.hypot(*run.T), 1e-12)
    share = (((place[:2] - start) * run).sum(axis=1) / length**2).clip(0.0, 1.0)
    off = np.hypot(*(start + share[:, None] * run - place[:2]).T)
    size = max(float(np.hypot(*direction[:2])), 1e-12)
    same = (run * direction[:2]).sum(axis=1) >= _SAME_WAY * length * size
    along = way.begins[among] + share * (way.ends - way.begins)[among]
    return np.where(same, off, np.inf), along


def _bounds(way: _Way, pitch: float) -> tuple[_Floats, bool]:
    """Where along a way each turn begins, and the last one ends, mm; whether that one does not come
    around."""
    bounds = [0.0]
    z_begins, z_ends = way.start[:, 2], way.end[:, 2]
    last = float(z_ends[-1])
    turn = way.length
    while bounds[-1] < way.length - 1e-9 and len(bounds) <= _MOST_TURNS + 1:
        index, place = way.at(bounds[-1])
        expected = float(place[2]) + pitch
        first = int(np.searchsorted(z_ends, expected - _WINDOW * pitch))
        stop = int(np.searchsorted(z_begins, expected + _WINDOW * pitch, side="right"))
        near = min(_PASSES, max(_LEAST, _SHARE * turn))
        among = np.arange(max(first, index), stop)
        after: float | None = None
        if len(among):
            direction = way.end[index] - way.start[index]
            off, along = _passes(way, among, place, direction)
            off = np.where(along > bounds[-1] + 1e-6, off, np.inf)
            best = int(off.argmin())
            if off[best] <= near:
                after = float(along[best])
        ends = float(np.hypot(*(way.end[-1, :2] - place[:2])))
        if after is None and abs(last - expected) <= _WINDOW * pitch and ends <= near:
            after = way.length
        if after is None and expected <= last - _WINDOW * pitch:
            # The outline jumps: the turn ends at its height.
            along = np.append(way.begins, way.length)
            height = np.append(z_begins, last) + along * 1e-12
            after = float(np.interp(expected, height, along))
        if after is None or after <= bounds[-1] + 1e-6:
            bounds.append(way.length)
            return np.array(bounds), True
        if way.length - after < 1e-3 * (after - bounds[-1]):
            after = way.length
        turn = after - bounds[-1]
        bounds.append(after)
        pitch = pitch + 0.5 * (float(way.at(after)[1][2] - place[2]) - pitch)
    return np.array(bounds), False


def _evened(height: _Floats) -> _Floats:
    """Heights of the bounds of turns on an even rise, where they lie on it but for rounding."""
    even = np.linspace(height[0], height[-1], len(height))
    return even if np.abs(even - height).max() <= _ROUNDED else height


def _over_itself(way: _Way, bounds: _Floats, height: _Floats, below: _Below) -> bool:
    """Whether a way runs over itself within a turn, as one does that goes there and back."""
    if len(bounds) < 4:
        return False
    turn = (len(bounds) - 1) // 2
    rise = float(height[turn + 1] - height[turn])
    along = np.linspace(bounds[turn], bounds[turn + 1], _PLACES + 2)[1:-1]
    places = np.array([way.at(place)[1] for place in along])
    # Not the bead itself, which is as high.
    lower = places - [0.0, 0.0, _EVEN * rise]
    down = places[:, 2] - below.under(lower, int(way.bead[-1]) + 1, _BELOW * rise)
    known = np.isfinite(down)
    return bool(known.any() and np.median(down[known]) < _ITSELF * rise)


class _Stands(NamedTuple):
    """What a first turn stands on: heights (q,) below places along the way (q,), mm."""

    along: _Floats
    bottom: _Floats


def _first(way: _Way, bounds: _Floats, height: _Floats, below: _Below) -> _Stands | None:
    """What the first turn stands on; None where nothing is known to lie under it."""
    end = float(bounds[1])
    along = (np.arange(_PLACES) + 0.5) / _PLACES * end
    places = np.array([way.at(place)[1] for place in along])
    places[:, 2] = np.interp(along, [0.0, end], height[:2])
    rise = float(height[1] - height[0])
    reach = _BELOW * rise
    found = below.under(places, int(way.bead[0]), reach)
    known = np.isfinite(found)
    if known.mean() < _FOUND:
        if height[0] <= reach:
            return _Stands(along[[0, -1]], np.zeros(2))
        return None
    level, down = found[known], (places[:, 2] - found)[known]
    if _scatter(level) <= _EVEN * rise:
        return _Stands(along[[0, -1]], np.full(2, np.median(level)))
    if _scatter(down) <= _EVEN * rise:
        return _Stands(along, places[:, 2] - np.median(down))
    return _Stands(along, np.interp(along, along[known], level))


def _scatter(values: _Floats) -> float:
    return float(np.median(np.abs(values - np.median(values))))


def _cut(
    laid: Strands,
    way: _Way,
    bounds: _Floats,
    height: _Floats,
    stands: _Stands | None,
    partial: bool,
) -> Turns:
    """The turns between bounds."""
    # Cut every bead that a bound lies in.
    inner = bounds[1:-1]
    holds = np.searchsorted(way.ends, inner)
    kept = (inner - way.begins[holds] > 1e-6) & (way.ends[holds] - inner > 1e-6)
    begin = np.sort(np.concatenate([way.begins, inner[kept]]), kind="stable")
    end = np.append(begin[1:], way.length)
    index = np.searchsorted(way.ends, (begin + end) / 2).clip(0, len(way.ends) - 1)
    span = np.maximum(way.ends - way.begins, 1e-12)[index]
    middle = (begin + end) / 2
    turn = (np.searchsorted(bounds, middle, side="right") - 1).clip(0, len(bounds) - 2)
    share = (middle - bounds[turn]) / np.maximum(np.diff(bounds), 1e-9)[turn]
    rise = np.diff(height)
    if partial:
        # As it would rise if it came around.
        rise[-1] = rise[-2] if len(rise) > 1 else rise[-1]
    before = np.append(rise[0], rise[:-1])
    own = before[turn] + share * (rise - before)[turn]
    first = turn == 0
    ground = height[0] - rise[0]
    if stands is not None:
        bottom = np.interp(middle[first], stands.along, stands.bottom)
        own[first] = height[0] + share[first] * rise[0] - bottom
        ground = float(np.average(bottom, weights=(end - begin)[first]))
    area = laid.area[way.bead[index]]
    width = bead_width(area, np.maximum(own, 1e-3 * rise[turn]))
    usual = _whole(area, own / rise[0]) if first.all() else float(np.median(area[turn == 1]))
    width[first] = _faded(area[first], own[first], usual, float(rise[0]))
    top = (height[:-1] + height[1:]) / 2
    below = np.append(ground if stands is not None else top[0] - rise[0], top[:-1])
    return Turns(
        way.bead[index],
        ((begin - way.begins[index]) / span).clip(0.0, 1.0),
        ((end - way.begins[index]) / span).clip(0.0, 1.0),
        turn.astype(np.int64),
        width,
        first & (own < _LOWER * rise[0]),
        top,
        top - below,
        height[1:],
        partial,
    )


def _whole(area: _Floats, share: _Floats) -> float:
    """The cross-section (mm^2) to which beads of a single turn grow, as high as shares of a layer:
    by the straight line through them."""
    if np.ptp(share) < 1 - _LOWER:
        return float(np.median(area))
    slope, base = np.polyfit(share, area, 1).tolist()
    return float(np.clip(base + slope, area.min(), 2 * area.max()))


def _faded(area: _Floats, own: _Floats, usual: float, pitch: float) -> _Floats:
    """How wide beads are that are lower than the pitch, mm: see above. usual: the cross-section of
    the others, mm^2."""
    share = np.maximum(own / pitch, 1e-3)
    one, other = bead_width(area, share * pitch), bead_width(area / share, np.full(len(own), pitch))
    wide = float(bead_width(np.array([usual]), np.array([pitch]))[0])
    # Where nearly nothing is fed its last digit makes the width.
    width: _Floats = np.where(share < _FAINT, wide, np.minimum(np.maximum(one, other), wide))
    return np.where(share < _LOWER, width, one)


class _Below:
    """What was laid before, looked up by place and height."""

    def __init__(self, laid: Strands) -> None:
        self.laid = laid
        self._order: _Ints | None = None
        self._high = np.zeros(0)

    def under(self, places: _Floats, before: int, reach: float) -> _Floats:
        """The height (q,) of the highest bead under each place (q, 3), of those laid before the one
        of this number; nan where none is within `reach` below. mm."""
        if self._order is None:
            middle = (self.laid.start[:, 2] + self.laid.end[:, 2]) / 2
            self._order = np.argsort(middle, kind="stable")
            self._high = middle[self._order]
        first, stop = np.searchsorted(
            self._high, [places[:, 2].min() - reach, places[:, 2].max() + 1e-3]
        ).tolist()
        chosen = self._order[first:stop]
        chosen = chosen[chosen < before]
        one, other = self.laid.start[chosen], self.laid.end[chosen]
        low, high = places[:, :2].min(axis=0) - _NEAR, places[:, :2].max(axis=0) + _NEAR
        here = (np.minimum(one, other)[:, :2] <= high).all(axis=1)
        here &= (np.maximum(one, other)[:, :2] >= low).all(axis=1)
        one, other = one[here], other[here]
        found = np.full(len(places), -np.inf)
        step = max(1, _AT_ONCE // len(places))
        for some in range(0, len(one), step):
            off, height = _nearest(places, one[some : some + step], other[some : some + step])
            z = places[:, 2:]
            near = (off <= _NEAR) & (height <= z + 1e-3) & (height >= z - reach)
            np.maximum(found, np.where(near, height, -np.inf).max(axis=1), out=found)
        return np.where(np.isfinite(found), found, np.nan)


def _nearest(places: _Floats, start: _Floats, end: _Floats) -> tuple[_Floats, _Floats]:
    """How far each place (q, 3) lies beside each bead (m), and how high that is there: (q, m)."""
    run = end - start
    size = np.maximum((run[:, :2] ** 2).sum(axis=1), 1e-12)
    x, y = (places[:, axis, None] - start[:, axis] for axis in range(2))
    share = ((x * run[:, 0] + y * run[:, 1]) / size).clip(0.0, 1.0)
    off = np.hypot(x - share * run[:, 0], y - share * run[:, 1])
    return off, start[:, 2] + share * run[:, 2]


def closing(laid: Strands, turns: Turns, level: _Bools) -> Turns | None:
    """The level turn that closes the top of rising ones, fading; None where none follows.

    level  (n,) which beads are level
    """
    last = int(turns.bead[-1])
    if turns.partial or len(turns.top) < 2:
        return None
    top = float(laid.end[last, 2])
    own = turns.turn == turns.turn[-1]
    way = float((turns.high - turns.low)[own] @ np.hypot(*_run(laid, turns.bead[own]).T))
    stop, gone = last + 1, 0.0
    at = laid.end[last]
    while stop < len(level) and level[stop] and gone < 1.01 * way - 1e-3:
        if np.abs(laid.start[stop] - at).max() > 1e-4:
            break
        gone += float(np.hypot(*(laid.end[stop] - laid.start[stop])[:2]))
        at = laid.end[stop]
        stop += 1
    if gone < _CLOSED * way:
        return None
    bead = np.arange(last + 1, stop)
    middle = (laid.start[bead] + laid.end[bead]) / 2
    below = turns.bead[own]
    lies = np.full(len(bead), np.nan)
    step = max(1, _AT_ONCE // len(below))
    for some in range(0, len(bead), step):
        here = slice(some, some + step)
        off, height = _nearest(middle[here], laid.start[below], laid.end[below])
        best = off.argmin(axis=1)
        rows = np.arange(len(best))
        lies[here] = np.where(off[rows, best] <= _NEAR, height[rows, best], np.nan)
    known = np.flatnonzero(np.isfinite(lies))
    if len(known) < _CLOSED * len(bead):
        return None
    stands = top - np.interp(np.arange(len(bead)), known, lies[known])
    usual = float(np.median(laid.area[below]))
    return Turns(
        bead,
        np.zeros(len(bead)),
        np.ones(len(bead)),
        np.zeros(len(bead), np.int64),
        _faded(laid.area[bead], stands, usual, float(turns.height[-1])),
        stands < _LOWER * turns.height[-1],
        np.array([top]),
        np.array([top - turns.top[-1]]),
        np.array([top]),
        False,
    )


def _run(laid: Strands, bead: _Ints) -> _Floats:
    run: _Floats = (laid.end - laid.start)[bead, :2]
    return run
