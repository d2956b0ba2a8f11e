"""Undersides: surfaces that look down, flatter than an angle, with nothing to lie on.

Facets that look down and are flatter than asked are patches where they meet. Seen from above, a
patch is a region; its rim is *carried* where material goes on down from it, and free elsewhere:

      ████████████████              ████████████████
      ████▁▁▁▁▁▁▁▁████              ████▁▁▁▁▁▁▁▁▁▁▁▁
      ████   ↔    ████              ████     ↔
          a span                      a reach

Each point of the region is printed as well as the better of two ways allows:

    reach  beads are laid outward from the nearest carried rim: the distance to that
    span   beads are laid across: the shortest straight line through the point, within the region,
           that is carried at both of its ends; none where no line is, nor in a region of which no
           point lies farther from what carries it than a quarter of such a line is long, where its
           rim would have to move less for the reach to be free than both ends of the line for it
           to be short enough: along a collar within a bore there are lines, and it is no bridge

so a point within the free length of a carried rim asks for nothing, be it ever so far to the other
side, nor does one that lies so near to a line across, beside which its beads are laid: where the
free rim of a bridge is curved or ragged, no straight line runs along it. Of all other points the
largest span is the patch's span and, of those without one, the largest reach its reach.

Points are those of a grid, and of the rim; lines go square to every direction of the rim, in eight
others and, at each point, along the nearest free rim. So a span between parallel rims is exact;
elsewhere it is off by no more than the grid is wide, and it is never too short.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.base.arrays import connected, grouped, ranges
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh
from wallguard.shapes.regions import overlaid

Point = tuple[float, float, float]
Box = tuple[Point, Point]
_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Surfaces this near to one another touch: far below any layer, mm.
_TOUCHES = 0.01
# Points of a grid in a region, directions of its rim that are tried, and what is looked at in one
# go (points x directions x pieces of rim).
_POINTS, _DIRECTIONS, _AT_ONCE = 300, 24, 4_000_000
# Of fewer (points x directions x pieces) all are looked at together.
_FEW = 20_000
# The most pieces of rim: a rim of more is simplified by the second, mm, and by ever more.
_PIECES, _SIMPLER = 2_000, 0.01
# Spans and reaches that differ by less are equal, mm.
_EQUAL = 1e-4
# A region that reaches no further than this share of a line across is laid outward: half the width
# of what lies between two sides is its reach, so that is twice as far as a strip along the line.
_NARROW = 0.25
# An angle that is smaller by no more than this, degrees, is meant: files keep single precision,
# and small facets of a large part turn by as much.
_AS_STEEP = 0.05
# A region is as wide as the smallest where arcs drawn as polygons leave room: so much less may do.
_ROOM = 0.95
# Rounding of what is compared, and what is far above rounding, mm.
_TINY, _INSET = 1e-6, 1e-5


@dataclass(frozen=True)
class Underside:
    """A patch that reaches beyond the free length. Lengths in mm, in the print frame.

    angle   of its flattest facets from level, degrees
    area    of its surface, mm²
    reach   the farthest that a point without a span lies from what carries it; 0: all have one
    out     from what carries it to that point
    span    the longest of the shortest lines across, or of any that can be laid across air where
            all can; 0: there is none
    across  that line
    carried  whether anything carries it at all; where nothing does, `reach` is to its own middle
    point   in the middle of the worst line
    box     of the patch
    """

    angle: float
    area: float
    reach: float
    out: tuple[Point, Point]
    span: float
    across: tuple[Point, Point]
    carried: bool
    point: Point
    box: Box


@dataclass(frozen=True)
class Ask:
    """Which undersides are wanted.

    flatter   than so many degrees from level
    free      which reach beyond this from what carries them, mm
    smallest  which are wider than this somewhere, mm
    layer     what is lower than this, mm above the lowest point, lies on the build surface
    bridged   which span can be laid across air, mm; None: nobody says, so every line across counts
    """

    flatter: float
    free: float
    smallest: float
    layer: float
    bridged: float | None = None


def find_undersides(mesh: Mesh, ask: Ask) -> list[Underside]:
    """The undersides that are wanted, the longest span or reach first."""
    corner = mesh.vertices[mesh.triangles]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    double = np.linalg.norm(cross, axis=1)
    if not len(corner):
        return []
    floor = float(corner[..., 2].min()) + ask.layer
    steep = -cross[:, 2] <= double * math.cos(math.radians(max(ask.flatter - _AS_STEEP, 0.0)))
    hangs = ~steep & (double > 0) & (corner[..., 2].max(axis=1) > floor)
    if not hangs.any():
        return []
    down = -cross[:, 2] / np.where(double > 0, double, 1.0)
    angles = np.degrees(np.arccos(np.clip(down, -1.0, 1.0)))
    rims, tops = _Rims(mesh, corner, hangs), _Tops(corner, cross)
    made = []
    for chosen, carried in rims.patches(ask):
        patch = _Patch(corner[chosen], angles[chosen], double[chosen] / 2)
        underside = _measured(patch, carried, tops.under(patch, floor), ask)
        if underside is not None:
            made.append(underside)
    return sorted(made, key=lambda each: (-max(each.span, each.reach), each.point))


@dataclass(frozen=True, eq=False)
class _Patch:
    """Facets of one patch: corners (k, 3, 3), angles from level (k,), areas (k,)."""

    corner: _Floats
    angle: _Floats
    area: _Floats

    def height(self, point: _Floats) -> float:
        """How high it lies at a point (2,) of it."""
        plan = shapely.polygons(self.corner[..., :2])
        nearest = int(np.argmin(shapely.distance(plan, shapely.Point(point))))
        a, b, c = self.corner[nearest]
        normal = np.cross(b - a, c - a)
        return float(a[2] - ((point - a[:2]) @ normal[:2]) / normal[2])


class _Rims:
    """The patches of facets that hang, and which edges of their rims carry."""

    def __init__(self, mesh: Mesh, corner: _Floats, hangs: _Bools) -> None:
        self._corner = corner
        edges = edges_of(mesh.triangles, np.ones(len(mesh.triangles), bool))
        two = edges.start[np.flatnonzero(edges.count == 2)]
        one, other = edges.sides[two], edges.sides[two + 1]
        pairs = np.concatenate((np.column_stack((one, other)), np.column_stack((other, one))))
        own, beyond = pairs[hangs[pairs[:, 0] // 3]].T
        both = hangs[beyond // 3]
        self._facets = np.flatnonzero(hangs)
        which = np.cumsum(hangs) - 1
        count, label = connected(which[own[both] // 3], which[beyond[both] // 3], len(self._facets))
        self._count, self._label = count, label
        own, beyond = own[~both], beyond[~both]
        carries = self._carries(own, beyond)
        self._carried, self._of = own[carries], label[which[own[carries] // 3]]

    def _carries(self, own: _Ints, beyond: _Ints) -> _Bools:
        """Of edges between a facet that hangs and one that does not: whether that goes down."""
        start, end = self._ends(own)
        tip = self._corner[beyond // 3, (beyond % 3 + 2) % 3]
        way = end - start
        square = np.einsum("ij,ij->i", way, way)
        share = np.einsum("ij,ij->i", tip - start, way) / np.where(square > 0, square, 1.0)
        into = tip - start - share[:, None] * way
        return np.asarray(into[:, 2] < -_TINY * np.linalg.norm(into, axis=1) - 1e-12)

    def _ends(self, sides: _Ints) -> tuple[_Floats, _Floats]:
        triangle, first = sides // 3, sides % 3
        return self._corner[triangle, first], self._corner[triangle, (first + 1) % 3]

    def _large(self, ask: Ask) -> _Bools:
        """(count,) which patches may be wanted: a disc as wide as the smallest may have room in
        them, seen from above, and what is carried may reach beyond the free length. A surface of
        many small facets, as a thread has, has tens of thousands of others."""
        plan = self._corner[self._facets, :, :2]
        low = grouped(np.minimum, self._label, self._count, plan.min(axis=1))
        high = grouped(np.maximum, self._label, self._count, plan.max(axis=1))
        (x, y), (to_x, to_y) = ((plan[:, i] - plan[:, 0]).T for i in (1, 2))
        area = np.bincount(self._label, np.abs(x * to_y - y * to_x) / 2, self._count)
        carried = np.bincount(self._of, minlength=self._count) > 0
        width = _ROOM * ask.smallest
        large = ((high - low).min(axis=1) >= width) & (area >= math.pi / 4 * width**2)
        large &= ~carried | (np.hypot(*(high - low).T) > ask.free)
        return np.asarray(large)

    def patches(self, ask: Ask) -> Iterator[tuple[_Ints, _Floats]]:
        """The facets of each patch that may be wanted, and its carried edges seen from above
        (k, 2, 2)."""
        order, carried = np.argsort(self._label, kind="stable"), np.argsort(self._of, kind="stable")
        number = np.arange(self._count + 1)
        cut = np.searchsorted(self._label[order], number)
        edge = np.searchsorted(self._of[carried], number)
        start, end = self._ends(self._carried[carried])
        lines = np.stack((start, end), axis=1)[..., :2]
        for at in np.flatnonzero(self._large(ask)).tolist():
            yield (
                self._facets[order[cut[at] : cut[at + 1]]],
                lines[edge[at] : edge[at + 1]],
            )


class _Tops:
    """What a patch may lie on without an edge in common: level tops of other pieces that touch it,
    and the build surface."""

    def __init__(self, corner: _Floats, cross: _Floats) -> None:
        size = np.linalg.norm(cross, axis=1)
        tops = corner[(cross[:, 2] > 0.9999 * size) & (size > 0)]
        order = np.argsort(tops[:, 0, 2], kind="stable")
        self._tops, self._height = tops[order], tops[order, 0, 2]

    def under(self, patch: _Patch, floor: float) -> shapely.Geometry:
        """What of a patch lies on something, seen from above; `floor`: what lies lower lies on the
        build surface."""
        low, high = patch.corner[..., 2].min(), patch.corner[..., 2].max()
        if high - low <= _TOUCHES:
            first, last = np.searchsorted(self._height, [low - _TOUCHES, high + _TOUCHES])
            tops = self._tops[first:last]
            own = patch.corner[..., :2]
            near = (tops[..., :2].min(axis=1) <= own.max(axis=(0, 1))).all(axis=1)
            near &= (tops[..., :2].max(axis=1) >= own.min(axis=(0, 1))).all(axis=1)
            return _plan(tops[near])
        return _plan(_below(patch.corner, floor)) if low < floor else shapely.Polygon()


def _below(corner: _Floats, floor: float) -> _Floats:
    """What of triangles (n, 3, 3) lies below a height, in triangles (m, 3, 3)."""
    under = corner[..., 2] <= floor
    made = [corner[under.all(axis=1)]]
    for count in (1, 2):
        some = corner[under.sum(axis=1) == count]
        # The corner that lies alone on its side comes first.
        alone = (some[..., 2] <= floor) == (count == 1)
        turn = (alone.argmax(axis=1)[:, None] + np.arange(3)) % 3
        a, b, c = np.take_along_axis(some, turn[..., None], axis=1).transpose(1, 0, 2)
        ab = a + ((floor - a[:, 2]) / (b[:, 2] - a[:, 2]))[:, None] * (b - a)
        ac = a + ((floor - a[:, 2]) / (c[:, 2] - a[:, 2]))[:, None] * (c - a)
        if count == 1:
            made.append(np.stack((a, ab, ac), axis=1))
        else:
            made += [np.stack((ab, b, c), axis=1), np.stack((ab, c, ac), axis=1)]
    return np.concatenate(made)


def _plan(corner: _Floats) -> shapely.Geometry:
    """Triangles (n, 3, 3) seen from above, as one region."""
    plan = shapely.polygons(corner[..., :2])
    with suppress(shapely.GEOSException):
        # Facets of one patch lie side by side, mostly: many times as fast as any union.
        region = shapely.coverage_union_all(plan)
        whole = shapely.area(plan).sum()
        if shapely.is_valid(region) and abs(region.area - whole) <= _TINY * max(whole, 1.0):
            return region
    # What rounding leaves open between neighbours is closed.
    wider = shapely.buffer(shapely.union_all(plan), _TINY, join_style="mitre")
    return shapely.buffer(wider, -_TINY, join_style="mitre")


def _measured(
    patch: _Patch, carried: _Floats, lying: shapely.Geometry, ask: Ask
) -> Underside | None:
    """A patch whose points do not all lie within the free length; None: they do."""
    region = _plan(patch.corner)
    lines = shapely.multilinestrings(list(carried)) if len(carried) else shapely.LineString()
    if not lying.is_empty:
        rest = overlaid(shapely.difference, region, lying)
        edge = overlaid(shapely.intersection, rest.boundary, shapely.buffer(lying, _INSET))
        lines = shapely.union(lines, edge)
        region = rest
    if region.area < _TINY:
        return None
    worst = _Worst(0.0, None, 0.0, None)
    for part in shapely.get_parts(region):
        if part.geom_type == "Polygon" and not part.buffer(-ask.smallest / 2).is_empty:
            worst = worst.and_also(_worst_of(part, lines, ask))
    if worst.out is None and worst.across is None:
        return None
    return _made(patch, worst, not lines.is_empty)


@dataclass(frozen=True, eq=False)
class _Worst:
    """The longest reach and the longest span of points beyond the free length, and their lines
    (2, 2)."""

    reach: float
    out: _Floats | None
    span: float
    across: _Floats | None

    def and_also(self, other: _Worst) -> _Worst:
        out = self if self.reach >= other.reach else other
        span = self if self.span >= other.span else other
        return _Worst(out.reach, out.out, span.span, span.across)


def _worst_of(region: shapely.Polygon, carried: shapely.Geometry, ask: Ask) -> _Worst:
    shape = region
    tolerance = _SIMPLER
    while shapely.get_num_coordinates(shape) > _PIECES:
        shape = region.simplify(tolerance)
        tolerance *= 2
    points = _points(shape)
    if carried.is_empty:
        middle = shapely.get_coordinates(shapely.maximum_inscribed_circle(region, 0.01))
        return _Worst(float(np.linalg.norm(middle[1] - middle[0])), middle, 0.0, None)
    shapely.prepare(carried)
    reach = shapely.distance(shapely.points(points), carried)
    beyond = reach > ask.free + _TINY
    if not beyond.any():
        return _Worst(0.0, None, 0.0, None)
    points, reach = points[beyond], reach[beyond]
    span, line = _spans(points, _Border.of(shape, carried), ask.bridged or 0.0)
    has = np.isfinite(span)
    if has.any() and not has.all():
        laid = shapely.multilinestrings(list(line[has]))
        kept = has | (shapely.distance(shapely.points(points), laid) > ask.free)
        points, reach, span, line, has = (each[kept] for each in (points, reach, span, line, has))
    if ask.bridged is not None:
        far, long = float(reach.max()), float(span[has].max(initial=0.0))
        if far <= _NARROW * long and far - ask.free + _EQUAL < (long - ask.bridged) / 2:
            has[:] = False
    out = across = None
    if not has.all():
        at = _middle(points, np.where(has, -1.0, reach))
        out = shapely.get_coordinates(shapely.shortest_line(carried, shapely.Point(points[at])))
    if has.any():
        at = _middle(points, np.where(has, span, -1.0))
        across = line[at]
    return _Worst(
        float(reach[~has].max(initial=0.0)), out, float(span[has].max(initial=0.0)), across
    )


def _middle(points: _Floats, value: _Floats) -> int:
    """Of the points (n, 2) of the largest value the one in their middle."""
    largest = np.flatnonzero(value >= value.max() - _EQUAL)
    off = np.linalg.norm(points[largest] - points[largest].mean(axis=0), axis=1)
    return int(largest[int(np.argmin(np.round(off, 6)))])


def _points(region: shapely.Polygon) -> _Floats:
    """Points of a grid within a region, and those of its rim."""
    left, front, right, back = region.bounds
    step = math.sqrt(region.area / _POINTS)

    def along(low: float, high: float) -> _Floats:
        count = max(1, min(_POINTS, math.ceil((high - low) / step)))
        return low + (high - low) * (np.arange(count) + 0.5) / count

    grid = np.stack(np.meshgrid(along(left, right), along(front, back)), axis=-1).reshape(-1, 2)
    inside = grid[shapely.contains_xy(region, grid[:, 0], grid[:, 1])]
    middle = shapely.get_coordinates(shapely.maximum_inscribed_circle(region, step / 10))[:1]
    # A little within, where rounding does not decide whether a line along the rim is in the region.
    inner = region.buffer(-_INSET, join_style="mitre")
    rim = shapely.get_coordinates(shapely.segmentize(inner, max(step, region.length / _POINTS)))
    rim = rim[:: max(1, len(rim) // (2 * _POINTS))]
    return np.concatenate((inside, middle, rim))


@dataclass(frozen=True, eq=False)
class _Border:
    """The rim of a region in pieces: from `start` by `way` (n, 2), and which are carried (n,)."""

    start: _Floats
    way: _Floats
    carries: _Bools

    @classmethod
    def of(cls, region: shapely.Polygon, carried: shapely.Geometry) -> _Border:
        starts, ways = [], []
        for ring in (region.exterior, *region.interiors):
            points = shapely.get_coordinates(ring)
            starts.append(points[:-1])
            ways.append(np.diff(points, axis=0))
        start, way = np.concatenate(starts), np.concatenate(ways)
        off = shapely.distance(shapely.points(start + way / 2), carried)
        return cls(start, way, off < _SIMPLER)

    def directions(self) -> _Floats:
        """Square to the longest directions of the rim, and eight others: (k, 2), unit."""
        length = np.linalg.norm(self.way, axis=1)
        angle = np.mod(np.arctan2(self.way[:, 1], self.way[:, 0]) + math.pi / 2, math.pi)
        steps, which = np.unique(np.round(angle / 1e-4), return_inverse=True)
        weight = np.bincount(which, length, len(steps))
        first = np.argsort(-weight, kind="stable")[:_DIRECTIONS]
        # The direction itself, not that of its step, so that a span is exact.
        own = np.array([angle[which == at][0] for at in first.tolist()])
        every = np.concatenate((own, np.arange(8) * math.pi / 8))
        return np.column_stack((np.cos(every), np.sin(every)))

    def past(self, points: _Floats) -> _Floats:
        """For each point (n, 2) the way (n, 2) along the nearest free rim, unit: past a hole a
        bridge's beads run so; 0 where no rim is free."""
        if self.carries.all():
            return np.zeros(points.shape)
        start, way = self.start[~self.carries], self.way[~self.carries]
        free = shapely.multilinestrings(list(np.stack((start, start + way), axis=1)))
        lines = shapely.shortest_line(free, shapely.points(points))
        ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
        toward = ends[:, 1] - ends[:, 0]
        length = np.linalg.norm(toward, axis=1, keepdims=True)
        square = np.column_stack((-toward[:, 1], toward[:, 0]))
        return np.asarray(square / np.where(length > _TINY, length, np.inf))


def _spans(points: _Floats, border: _Border, enough: float) -> tuple[_Floats, _Floats]:
    """For each point (n, 2) the shortest line through it with both ends on a carried rim: how long
    (n,), infinite where there is none, and its ends (n, 2, 2). Where one is no longer than
    `enough`, mm, a shorter one is not looked for."""
    best = np.full(len(points), np.inf)
    ends = np.zeros((len(points), 2, 2))

    def shorten(some: _Ints, way: _Floats, ahead: _Floats, back: _Floats) -> None:
        shorter = np.flatnonzero(ahead + back < best[some] - _TINY)
        way, ahead, back = way[shorter], ahead[shorter, None], back[shorter, None]
        some = some[shorter]
        best[some] = (ahead + back)[:, 0]
        ends[some, 0], ends[some, 1] = points[some] - back * way, points[some] + ahead * way

    def in_ways(some: _Ints, way: _Floats) -> None:
        """In ways (d, n, 2) of each point's own."""
        step = max(1, _AT_ONCE // max(1, len(border.start)))
        both = []
        for toward in (way.reshape(-1, 2), -way.reshape(-1, 2)):
            start = np.tile(points[some], (len(way), 1))
            parts = range(0, len(start), step)
            far = [_hits(start[i : i + step], toward[i : i + step], border) for i in parts]
            both.append(np.concatenate(far).reshape(way.shape[:2]))
        at = (both[0] + both[1]).argmin(axis=0), np.arange(len(some))
        shorten(some, way[at], both[0][at], both[1][at])

    left = np.arange(len(points))
    directions = border.directions()
    for number, direction in enumerate(directions):
        if not len(left):
            break
        if len(left) * len(directions) * len(border.start) <= _FEW:
            every = directions[number:, None]
            in_ways(left, np.broadcast_to(every, (len(every), len(left), 2)))
            break
        way = np.broadcast_to(direction, (len(left), 2))
        shorten(left, way, *_along(points[left], direction, border))
        left = left[best[left] > enough]
    left = left[best[left] > enough]
    if len(left):
        in_ways(left, border.past(points[left])[None])
    return best, ends


def _along(points: _Floats, toward: _Floats, border: _Border) -> tuple[_Floats, _Floats]:
    """How far (n,) the carried rim lies from points ahead in one direction (2,), and how far back;
    infinite where the rim that is met first does not carry."""
    square = np.array([-toward[1], toward[0]])
    # Seen along the direction pieces are ranges, and points meet those that they lie in.
    aside = points @ square
    start, way = border.start @ square, border.way @ square
    crosses = np.flatnonzero(np.abs(way) > 1e-12)
    ends = np.sort(np.stack((start, start + way))[:, crosses], axis=0)
    slack = 1e-9 * (ends[1] - ends[0])
    order = np.argsort(aside, kind="stable")
    first = np.searchsorted(aside[order], ends[0] - slack, "left")
    last = np.searchsorted(aside[order], ends[1] + slack, "right")
    owner, place = ranges(first, last - first)
    piece, point = crosses[owner], order[place]
    share = (aside[point] - start[piece]) / way[piece]
    met = border.start[piece] + share[:, None] * border.way[piece]
    far = (met - points[point]) @ toward
    return _nearest(point, far, piece, border, len(points)), _nearest(
        point, -far, piece, border, len(points)
    )


def _nearest(point: _Ints, far: _Floats, piece: _Ints, border: _Border, count: int) -> _Floats:
    """How far each point's nearest piece ahead is, (count,); infinite where that does not carry."""
    ahead = far > _TINY
    point, far, piece = point[ahead], far[ahead], piece[ahead]
    least = np.full(count, np.inf)
    np.minimum.at(least, point, far)
    carries = np.zeros(count, bool)
    hit = far == least[point]
    carries[point[hit]] = border.carries[piece[hit]]
    return np.where(carries, least, np.inf)


def _hits(points: _Floats, toward: _Floats, border: _Border) -> _Floats:
    """How far (n,) rays from points, each toward its own direction (n, 2), go to the rim; infinite
    where it does not carry there."""
    way, gap = border.way, border.start[None] - points[:, None]
    x, y = toward[:, :1], toward[:, 1:]
    cross = x * way[:, 1] - y * way[:, 0]
    safe = np.where(np.abs(cross) > 1e-12, cross, np.nan)
    with np.errstate(invalid="ignore"):
        far = (gap[..., 0] * way[:, 1] - gap[..., 1] * way[:, 0]) / safe
        share = (gap[..., 0] * y - gap[..., 1] * x) / safe
        hits = (far > _TINY) & (share >= -1e-9) & (share <= 1 + 1e-9)
    far = np.where(hits, far, np.inf)
    first = far.argmin(axis=1)
    rows = np.arange(len(points))
    return np.where(border.carries[first], far[rows, first], np.inf)


def _made(patch: _Patch, worst: _Worst, carried: bool) -> Underside:
    low, high = patch.corner.min(axis=(0, 1)), patch.corner.max(axis=(0, 1))
    # The bridge is told where there is one: what ends free may be the lesser part of it.
    longest = worst.across if worst.span >= worst.reach else worst.out
    assert longest is not None
    middle = longest.mean(axis=0)

    def lifted(line: _Floats | None) -> tuple[Point, Point]:
        ends = np.zeros((2, 2)) if line is None else line
        first, second = (
            (float(x), float(y), patch.height(np.array([x, y]))) for x, y in ends.tolist()
        )
        return first, second

    # Slivers say nothing of how flat a patch is.
    large = patch.area >= 0.01 * patch.area.max()
    return Underside(
        angle=float(patch.angle[large].min()),
        area=float(patch.area.sum()),
        reach=worst.reach,
        out=lifted(worst.out),
        span=worst.span,
        across=lifted(worst.across),
        carried=carried,
        point=(float(middle[0]), float(middle[1]), patch.height(middle)),
        box=(_point(low), _point(high)),
    )


def _point(values: _Floats) -> Point:
    x, y, z = values.tolist()
    return x, y, z
