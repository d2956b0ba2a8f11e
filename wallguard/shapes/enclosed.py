"""How much air a surface with ways out encloses: exactly, up to the planes that shut its ways.

Each way is shut by the plane square to it at its inner end, where it widens into the cavity:

    █████████████│  │█████        p   where it is narrowest, and a plane through that
    █            │p │             From there the plane is moved inward as long as the section of
    █           ─┴──┴─ plane      the way is at most 2 % larger than at p. What is beyond it is the
    █   cavity                    way, whose air is not counted; how much that is, is told.

Where the way bends, or has a corner, the plane is set square to it anew beyond that, and moved on.

The plane is square to the way: along the direction from which the surface at its section turns
least (the least eigenvector of the sum of its normals' squares, by length of section), which is the
axis of every prism, cylinder and cone. The surface is divided along the sections, and of what is
joined on the cavity's side volumes are summed (divergence theorem), the sections' areas included.

For a way whose narrowest stretch has an end this is exact. Where a way widens slowly the plane lies
where its section has grown by 2 %: a convention, as good as any other between its ends.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.base.arrays import connected, cross, dot
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh, volume
from wallguard.mesh.nesting import nesting
from wallguard.shapes.shells import Shells
from wallguard.walls.flats import frames
from wallguard.walls.rounds import first_hits

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# By how much a section may be larger where the way still is as narrow.
_GROWS = 1.02
# How often a plane is set square to the way anew.
_TURNS = 4
# Steps of a search along a way, each a share of the width; then it is halved so often.
_STEP, _STEPS, _HALVES = 0.5, 60, 26
# How many bends and corners are followed; a plane is turned where its section gets smaller by this
# share, after a stretch at least this share of its width long.
_BENDS, _BENDS_BY, _GAINED = 40, 5e-3, 0.02
# In a corner balls are no wider than this times those in the way; how far beyond its middle, in
# halves of the way's width, the next stretch is looked for, how much larger a section may be that
# is not yet square to it, and how far about it the surface is looked at.
_CORNER, _PAST, _SLANTED, _LOCAL = 1.15, 1.6, 1.2, 5.0
# In which directions: on, and aside.
_ROUND_IT = np.array(
    [
        (math.cos(turn), math.sin(turn) * math.cos(about), math.sin(turn) * math.sin(about))
        for turn in np.radians([45.0, 67.5, 90.0, 112.5])
        for about in np.radians(np.arange(0.0, 360.0, 22.5))
    ]
)
# The plane lies so far within the way, mm, so that it divides its sides and not their ends.
_WITHIN = 1e-5
# Of so many facets near to it directions are made, at most.
_NEAR = 500
# Where along a way its section is looked for, radii off its middle; none smaller is looked for than
# this many times the ball's own.
_OFFS = (0.01, 0.02, 0.03, 0.05, 0.07, 0.1, 0.13, 0.17, 0.21, 0.26, 0.32, 0.4, 0.5)
_ROUND = 1.3
_BESIDE = (0.0, *(sign * off for off in _OFFS for sign in (1, -1)))
# Where about the middle of a slit lines are drawn: radii off it, and at which angle.
_ABOUT = ((0.0, 0.0), *((far, at * math.pi / 4) for far in (0.1, 0.3, 0.6) for at in range(8)))
# A corner counts as off a plane by this at least, mm.
_OFF = 1e-9
# Directions in which the surface turns by less than this share of its most are along the way.
_ALONG = 0.1


@dataclass(frozen=True, eq=False)
class Way:
    """A way out: the ball of `radius`, mm, at its narrowest place `point` (3,), roughly the
    direction `out` (3,) from the cavity to there and on, and how uncertain the diameter is, mm."""

    point: _Floats
    radius: float
    out: _Floats
    uncertainty: float = 0.0


@dataclass(frozen=True, eq=False)
class Enclosed:
    """What is enclosed: mm³, the air in its ways out, which is not counted, mm³, the corners (2, 3)
    of the box around it, mm, and how uncertain the volume is, mm³."""

    volume: float
    ways: float
    box: _Floats
    uncertainty: float = 0.0


@dataclass(frozen=True, eq=False)
class _Cut:
    """A section of a way: the plane through `point` (3,) along `out` (3,), unit; the facets (k,)
    that it divides around the way, how long each is cut (k,); the section's area, mm², its middle
    (3,), and half of its width and length, mm."""

    point: _Floats
    out: _Floats
    facets: _Ints
    length: _Floats
    area: float
    middle: _Floats
    halves: tuple[float, float]


def enclosed(
    mesh: Mesh, label: _Ints, inner: _Floats, wall: int, ways: Sequence[Way]
) -> Enclosed | None:
    """What a cavity encloses that holds a ball about the point `inner` (3,), which touches the
    triangle `wall`; None where its ways, one at least, do not shut it. label (m,): the connected
    surface that each triangle is of."""
    vertices, triangles = mesh.vertices, mesh.triangles.astype(np.int64)
    cuts: list[_Cut] = []
    lengths: list[float] = []
    for way in ways:
        found = _shut(vertices, triangles, way)
        if found is None:
            return None
        if any(np.array_equal(found[0].facets, cut.facets) for cut in cuts):
            continue  # the same way was given twice
        cuts.append(found[0])
        lengths.append(found[1])
    own_shells = np.isin(label, label[np.concatenate([cut.facets for cut in cuts])])
    if not own_shells[wall]:
        # The ball touches something that lies loose in the cavity.
        from wallguard.walls.tangent import Surface

        some = np.flatnonzero(own_shells)
        corners = vertices[triangles[some]]
        found_wall = Surface(corners, np.zeros((len(some), 3))).nearest(inner[None])[1]
        wall = int(some[found_wall[0]])
    surface = _Divided(vertices, triangles, wall, _touched(vertices[triangles[wall]], inner))
    for cut in cuts:
        if not surface.divide(cut):
            return None
    own = surface.behind()
    if own is None:
        return None
    shell, facets, shut = own
    ends = surface.vertices[shell].reshape(-1, 3)
    box = np.array([ends.min(axis=0), ends.max(axis=0)])
    # Facets of a part face the air: from within, inward.
    air = -volume(surface.vertices - box[0], shell)
    air -= _loose(mesh, label, facets, (surface.vertices, shell))
    beyond = sum(cuts[number].area * lengths[number] for number in shut)
    return Enclosed(air, beyond, box) if air > 0 else None


def _loose(mesh: Mesh, label: _Ints, facets: _Ints, surface: tuple[_Floats, _Ints]) -> float:
    """The volume of the bodies that lie within a closed surface, its vertices (n, 3) and triangles
    (k, 3), without those that it is of: the numbers (m,) of facets of the mesh."""
    shells = Shells.of(mesh, label)
    own = set(label[facets].tolist())
    others = [
        number
        for number in range(len(shells.volumes))
        if number not in own and shells.around.get(number, -1) in (-1, *own)
    ]
    if not others:
        return 0.0
    first = [int(np.argmax(label == number)) for number in others]
    points = mesh.vertices[mesh.triangles[first]].mean(axis=1)
    vertices, triangles = surface
    one = np.zeros(len(triangles), np.int32)
    held = nesting(points, np.full(len(points), -1), vertices, triangles.astype(np.int32), one)
    return math.fsum(shells.volumes[others[at]] for at in held.point.tolist())


def _shut(vertices: _Floats, triangles: _Ints, way: Way) -> tuple[_Cut, float] | None:
    """The section at the inner end of a way, and how long (mm) its narrowest stretch is."""
    cuts = [
        _squared(vertices, triangles, way, out) for out in _directions(vertices, triangles, way)
    ]
    cut = min((each for each in cuts if each), key=lambda each: each.area, default=None)
    if cut is None:
        return None
    most = _GROWS * cut.area
    inner, inward = _followed(vertices, triangles, cut, way.radius, most)
    _, outward = _followed(vertices, triangles, replace(cut, out=-cut.out), way.radius, most)
    place = inner.point + min(inward, _WITHIN) * inner.out
    moved = _cut(vertices, triangles, place, inner.out)
    return None if moved is None else (moved, inward + outward)


def _followed(
    vertices: _Floats, triangles: _Ints, cut: _Cut, radius: float, most: float
) -> tuple[_Cut, float]:
    """The last section of a way, against its direction, that is no larger than `most`, mm², and
    how far it is along the way to there: straight on, and round bends and corners."""
    total = 0.0
    for _ in range(_BENDS):
        far = _reach(vertices, triangles, cut, radius, most)
        total += far
        end = _cut(vertices, triangles, cut.point - far * cut.out, cut.out)
        if end is None:
            break
        cut = end
        after = _bent(vertices, triangles, end, far)
        after = after or _round_corner(vertices, triangles, end, radius, most)
        if after is None:
            break
        total += math.dist(after.middle, end.middle)
        cut = replace(after, point=after.middle)
    return cut, total


def _reach(vertices: _Floats, triangles: _Ints, cut: _Cut, radius: float, most: float) -> float:
    """How far against its direction the way is as narrow."""

    def fits(far: float) -> bool:
        other = _cut(vertices, triangles, cut.point - far * cut.out, cut.out)
        return other is not None and other.area <= most

    step = max(_STEP * radius, 10 * _WITHIN)
    low = 0.0
    for _ in range(_STEPS):
        if not fits(low + step):
            break
        low += step
    high = low + step
    for _ in range(_HALVES):
        middle = (low + high) / 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _bent(vertices: _Floats, triangles: _Ints, end: _Cut, far: float) -> _Cut | None:
    """The section at the end of a stretch `far` long, set square to a way that bends there; None
    where it is square already, or nothing was gained by turning it before."""
    if far <= _GAINED * math.sqrt(end.area):
        return None
    turned = _turned(vertices, triangles, replace(end, point=end.middle))
    is_less = turned.area < end.area * (1 - _BENDS_BY) and turned.out @ end.out > 0
    return turned if is_less else None


def _round_corner(
    vertices: _Floats, triangles: _Ints, end: _Cut, radius: float, most: float
) -> _Cut | None:
    """The first section beyond a corner where a way ends straight on; None where there is none: no
    place as narrow is seen from the middle of the corner, which is no wider itself."""
    from wallguard.walls.tangent import Surface

    for deep in (radius, *(half for half in end.halves if half > _CORNER * radius)):
        centre = end.middle - deep * end.out
        local = _about(vertices, triangles, centre, _LOCAL * max(deep, end.halves[-1]))
        corner = vertices[triangles[local]]
        if not len(local):
            continue
        surface = Surface(corner, np.zeros((len(corner), 3)))  # only asked for distances
        if surface.nearest(centre[None])[0][0] > _CORNER * radius:
            continue
        best: _Cut | None = None
        for way in _ROUND_IT @ np.array([-end.out, *(each[0] for each in frames(end.out[None]))]):
            spot = centre + _PAST * deep * way
            other = _cut(vertices, triangles[local], spot, -way)
            if other is None or other.area > _SLANTED * most or not _sees(corner, centre, spot):
                continue
            other = _turned(vertices, triangles[local], other)
            beyond = (end.middle - other.middle) @ end.out > 0 and other.out @ way < 0
            fits = beyond and other.area <= most
            fits = fits and surface.nearest(other.middle[None])[0][0] <= _CORNER * radius
            if fits and (best is None or other.area < best.area):
                best = replace(other, facets=local[other.facets])
        if best is not None:
            return best
    return None


def _about(vertices: _Floats, triangles: _Ints, point: _Floats, reach: float) -> _Ints:
    """The triangles whose boxes come within a reach of a point."""
    corner = vertices[triangles]
    near = (corner.min(axis=1) <= point + reach) & (corner.max(axis=1) >= point - reach)
    return np.flatnonzero(near.all(axis=1))


def _sees(corner: _Floats, start: _Floats, end: _Floats) -> bool:
    """Whether no triangle (n, 3, 3) lies between two points."""
    way = end - start
    far = float(np.linalg.norm(way))
    return bool(first_hits(start, way[None] / far, corner)[0] >= far)


def _directions(vertices: _Floats, triangles: _Ints, way: Way) -> list[_Floats]:
    """Directions (3,), unit, from which that of a way is found: that which was given, those in
    which the surface near to where it is narrowest turns least, more and most, and that of a slit
    between faces square to the last."""
    reach = 1.1 * way.radius
    corner = vertices[triangles]
    near = (corner.min(axis=1) <= way.point + reach) & (corner.max(axis=1) >= way.point - reach)
    corner = corner[near.all(axis=1)][:_NEAR]
    to = np.array([_touched(each, way.point) for each in corner]).reshape(-1, 3) - way.point
    off = np.maximum(np.linalg.norm(to, axis=1), 1e-12)
    normal = _normals(corner)
    # What the ball touches squarely counts, and hardly the end of the way beside it.
    normal *= ((dot(normal, to) / off) ** 4 * (off <= reach))[:, None]
    values, vectors = np.linalg.eigh(normal.T @ normal)
    vectors = vectors.T
    slit = None
    if values[1] <= _ALONG * values[2]:
        slit = _shortest(vertices, triangles, way, vectors[-1])
    found = [way.out / np.linalg.norm(way.out), *vectors]
    return found if slit is None else [*found, slit]


def _squared(vertices: _Floats, triangles: _Ints, way: Way, out: _Floats) -> _Cut | None:
    """The section where a way is narrowest, square to it, from about its direction. Where a way is
    short the ball at its narrowest place is known less well along it than it is long, so that the
    section is looked for before and behind, too."""
    cut: _Cut | None = None
    for off in _BESIDE:
        other = _cut(vertices, triangles, way.point + off * way.radius * out, out)
        if other is not None and (cut is None or other.area < cut.area):
            cut = other
        if cut is not None and cut.area <= _ROUND * math.pi * way.radius**2:
            break  # no section is smaller than the ball's
    if cut is None:
        return None
    cut = _turned(vertices, triangles, cut)
    return replace(cut, out=-cut.out) if cut.out @ way.out < 0 else cut


def _turned(vertices: _Floats, triangles: _Ints, cut: _Cut) -> _Cut:
    """A section turned about its point until it is square to the way."""
    for _ in range(_TURNS):
        normal = _normals(vertices[triangles[cut.facets]])
        again = _cut(vertices, triangles, cut.point, _along(normal, cut.length, cut.out))
        if again is None or again.area >= cut.area * (1 - 1e-9):
            break
        cut = again
    return cut


def _normals(corner: _Floats) -> _Floats:
    normal = cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None])


def _along(normal: _Floats, weight: _Floats, out: _Floats) -> _Floats:
    """The direction (3,), unit, along which surfaces of these normals (n, 3) turn least; where
    they turn as little in several, that nearest to `out`, which tells its sign, too."""
    values, vectors = np.linalg.eigh((normal * weight[:, None]).T @ normal)
    count = max(1, int((values <= _ALONG * max(values[-1], 1e-300)).sum()))
    chosen = vectors[:, :count] if len(normal) else np.eye(3)
    best = chosen @ (chosen.T @ out)
    length = float(np.linalg.norm(best))
    if length < 1e-9:
        best, length = chosen[:, 0], 1.0
    return np.asarray(best / length)


@dataclass(frozen=True, eq=False)
class _Section:
    """Where a plane crosses a surface: the facets (k,) that it divides; the places (n, 2) at which
    it crosses their sides, in the plane about its point, which axes (3, 2) it has in space; and the
    two places (k, 2) of each facet."""

    facets: _Ints
    flat: _Floats
    axes: _Floats
    sides: _Ints

    @classmethod
    def of(
        cls, vertices: _Floats, triangles: _Ints, point: _Floats, out: _Floats
    ) -> _Section | None:
        """By the plane through a point, square to `out` (3,); None where there is nothing."""
        high = _heights(vertices, point, out)
        above = high > 0
        one, other, last = above.take(triangles.T)
        facets = np.flatnonzero((one != other) | (other != last))
        if not len(facets):
            return None
        (low, top), sides = _sides(triangles[facets], above)
        share = high[low] / (high[low] - high[top])
        places = vertices[low] + share[:, None] * (vertices[top] - vertices[low]) - point
        axes = np.column_stack([each[0] for each in frames(out[None])])
        return cls(facets, places @ axes, axes, sides)


def _cut(vertices: _Floats, triangles: _Ints, point: _Floats, out: _Floats) -> _Cut | None:
    """The section of the air around a point; None where it is not closed there."""
    section = _Section.of(vertices, triangles, point, out)
    if section is None:
        return None
    flat, sides = section.flat, section.sides
    spot = shapely.Point(0.0, 0.0)
    faces = shapely.get_parts(shapely.polygonize(shapely.linestrings(flat[sides])))
    found = [face for face in faces if face.covers(spot)]
    if not found:
        return None
    face = min(found, key=lambda each: float(each.area))
    # Its rings, whole: those of which a corner is one of its own.
    _, label = connected(sides[:, 0], sides[:, 1], len(flat))
    corners = {tuple(place) for place in shapely.get_coordinates(face).tolist()}
    on = np.array([tuple(place) in corners for place in flat.tolist()])
    own = np.isin(label[sides[:, 0]], np.unique(label[on]))
    length = np.linalg.norm(flat[sides[:, 1]] - flat[sides[:, 0]], axis=1)
    middle = point + section.axes @ shapely.get_coordinates(face.centroid)[0]
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(face))
    short, long = sorted(np.linalg.norm(np.diff(box[:3], axis=0), axis=1) / 2)
    halves = float(short), float(long)
    return _Cut(point, out, section.facets[own], length[own], float(face.area), middle, halves)


def _shortest(vertices: _Floats, triangles: _Ints, way: Way, normal: _Floats) -> _Floats | None:
    """The direction (3,) square to the shortest line through a way that is square to a normal:
    along a slit, where the normal is that of its faces. None where no line ends.

    Lines go through the middle of the way and through places about it, as the ball may lie beyond
    the end of a slit by a little.
    """
    section = _Section.of(vertices, triangles, way.point, normal)
    if section is None:
        return None
    start, end = section.flat[section.sides].transpose(1, 0, 2)
    turn = np.radians(np.arange(0.5, 360.0))[:, None]
    along, aside = np.cos(turn), np.sin(turn)
    best, least = 0.0, math.inf
    for far, angle in _ABOUT:
        spot = far * way.radius * np.array([math.cos(angle), math.sin(angle)])
        (x, y), (to_x, to_y) = (start - spot).T, (end - spot).T
        one, other = x * aside - y * along, to_x * aside - to_y * along
        met = (one > 0) != (other > 0)
        share = np.divide(one, one - other, out=np.zeros_like(one), where=met)
        at = (x * along + y * aside) * (1 - share) + (to_x * along + to_y * aside) * share
        ray = np.where(met & (at > 0), at, math.inf).min(axis=1)
        whole = ray[:180] + ray[180:]
        number = int(whole.argmin())
        if whole[number] < least:
            best, least = float(turn[number, 0]), float(whole[number])
    if not math.isfinite(least):
        return None
    return np.asarray(section.axes @ [-math.sin(best), math.cos(best)])


def _heights(vertices: _Floats, point: _Floats, out: _Floats) -> _Floats:
    high = (vertices - point) @ out
    return np.where(np.abs(high) < _OFF, _OFF, high)


def _sides(triangles: _Ints, above: _Bools) -> tuple[tuple[_Ints, _Ints], _Ints]:
    """The sides that a plane crosses of triangles (k, 3) that it divides: the corners below and
    above it of each, and the numbers (k, 2) of those of each triangle."""
    one, other = triangles, triangles[:, [1, 2, 0]]
    crossed = above[one] != above[other]
    start, end = one[crossed], other[crossed]  # two of each triangle, in turn
    low, top = np.where(above[start], end, start), np.where(above[start], start, end)
    size = int(triangles.max()) + 1
    key, number = np.unique(low * size + top, return_inverse=True)
    return (key // size, key % size), number.reshape(-1, 2)


def _touched(corner: _Floats, point: _Floats) -> _Floats:
    """The place (3,) of a triangle (3, 3) nearest to a point."""
    a, b, c = corner
    normal = np.cross(b - a, c - a)
    flat = point - normal * ((point - a) @ normal) / max(float(normal @ normal), 1e-300)
    inside = all(
        float(np.cross(end - start, flat - start) @ normal) >= 0
        for start, end in ((a, b), (b, c), (c, a))
    )
    if inside:
        return np.asarray(flat)
    ends = []
    for start, end in ((a, b), (b, c), (c, a)):
        way = end - start
        share = float((point - start) @ way) / max(float(way @ way), 1e-300)
        ends.append(start + min(max(share, 0.0), 1.0) * way)
    return min(ends, key=lambda each: math.dist(each, point))


@dataclass(frozen=True, eq=False)
class _Pieces:
    """What a section makes: the numbers of pieces below and above it, the sides along it as pairs
    of corners (k, 2), lower one first, and the triangles (k, 3) that shut what is below."""

    below: _Ints
    above: _Ints
    along: _Ints
    lid: _Ints


class _Divided:
    """A surface of vertices (n, 3) and triangles (m, 3) that is divided along sections, one after
    the other; wall: the triangle that `touch` (3,) lies on."""

    def __init__(self, vertices: _Floats, triangles: _Ints, wall: int, touch: _Floats) -> None:
        self.vertices, self.triangles = vertices, triangles
        self._wall, self._touch = wall, touch
        self._of = np.arange(len(triangles))
        self._whole = np.ones(len(triangles), bool)
        self._sections: list[_Pieces] = []

    def divide(self, cut: _Cut) -> bool:
        """Divide along a section; False where another has divided the same facets."""
        if not self._whole[cut.facets].all():
            return False
        above = _heights(self.vertices, cut.point, cut.out) > 0
        old = self.triangles[cut.facets]
        # The corner that is alone on its side comes first, and is a.
        is_above = above[old].sum(axis=1) == 1
        alone = (above[old] == is_above[:, None]).argmax(axis=1)
        a, b, c = (old[np.arange(len(old)), (alone + i) % 3] for i in range(3))
        size, first, count = len(self.vertices), len(self.vertices), len(self.triangles)
        pairs = np.sort(np.concatenate([np.column_stack([a, b]), np.column_stack([a, c])]), axis=1)
        key, number = np.unique(pairs[:, 0] * size + pairs[:, 1], return_inverse=True)
        ab, ac = first + number.reshape(2, -1)
        start, end = self.vertices[key // size], self.vertices[key % size]
        from_, to = (_heights(each, cut.point, cut.out)[:, None] for each in (start, end))
        places = start + from_ / (from_ - to) * (end - start)
        middle = np.full(len(old), first + len(places))
        self.vertices = np.concatenate([self.vertices, places, cut.point[None]])
        new = [np.column_stack(each) for each in ((a, ab, ac), (ab, b, c), (ab, c, ac))]
        self.triangles = np.concatenate([self.triangles, *new])
        self._of = np.concatenate([self._of, np.tile(cut.facets, 3)])
        self._whole = np.concatenate([self._whole, np.ones(3 * len(old), bool)])
        self._whole[cut.facets] = False
        piece = count + np.arange(3 * len(old))
        up = np.concatenate([is_above, ~is_above, ~is_above])
        # Below it the side along the section runs from the one to the other, above it back.
        one, other = np.where(is_above, ab, ac), np.where(is_above, ac, ab)
        lid = np.column_stack([middle, one, other])
        along = np.sort(np.column_stack([ab, ac]), axis=1)
        self._sections.append(_Pieces(piece[~up], piece[up], along, lid))
        at = np.flatnonzero(cut.facets == self._wall)
        if len(at):
            is_up = float((self._touch - cut.point) @ cut.out) > 0
            others = len(old) if is_up != bool(is_above[at[0]]) else 0
            self._wall = count + others + int(at[0])
        return True

    def behind(self) -> tuple[_Ints, _Ints, list[int]] | None:
        """The triangles (k, 3) on the wall's side of the sections, with what shuts them; the
        facets that they are of; and which sections shut them. None where sections do not."""
        whole = np.flatnonzero(self._whole)
        edges = edges_of(self.triangles[whole].astype(np.int32), np.ones(len(whole), bool))
        two = edges.start[np.flatnonzero(edges.count == 2)]
        side, across = edges.sides[two], edges.sides[two + 1]
        start = self.triangles[whole].ravel()[side]
        end = self.triangles[whole][:, [1, 2, 0]].ravel()[side]
        size = len(self.vertices)
        shut = [each.along[:, 0] * size + each.along[:, 1] for each in self._sections]
        key = np.minimum(start, end) * size + np.maximum(start, end)
        free = ~np.isin(key, np.concatenate([*shut, np.zeros(0, np.int64)]))
        label = np.full(len(self.triangles), -1)
        label[whole] = connected(side[free] // 3, across[free] // 3, len(whole))[1]
        held = {int(label[self._wall])}
        used: dict[int, bool] = {}
        grown = True
        while grown:
            grown = False
            for number, section in enumerate(self._sections):
                below, above = (
                    set(label[each].tolist()) for each in (section.below, section.above)
                )
                if held & below and held & above:
                    return None
                if number not in used and held & (below | above):
                    used[number] = bool(held & above)
                    held |= above if used[number] else below
                    grown = True
        own = np.flatnonzero(self._whole & np.isin(label, list(held)))
        shell = [self.triangles[own]]
        for number, is_above in used.items():
            lid = self._sections[number].lid
            shell.append(lid[:, ::-1] if is_above else lid)
        return np.concatenate(shell), np.unique(self._of[own]), list(used)
