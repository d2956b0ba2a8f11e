"""Raised and sunken strokes: details that stand out of a face, or are sunk into it.

                 top                          w = width
              ┌───w───┐                       h = height, or depth
              │       h
    ──────────┘       └──────────   face      face ────────┐       ┌────────
                                                           h       │
      raised: its top is a patch                           └───w───┘  floor
      with convex edges, and the face              sunken: the same, upside down
      lies at the foot of its sides

A *stroke* is a patch (`patches.py`), its top or floor,

    from whose outline sides go down, 45° from its own level at least, to a face beneath that is
        level with it; from two thirds of the outline at least, so that a stroke may run off the
        part, or into something else, at its ends
    whose outline has one height: lower and higher parts of it count as what they are, other details
    that has sides of no more than four times its own area: so a line is no higher than twice its
        width, and a dot no higher than its diameter; what is higher is a wall or a pin, what is
        deeper a gap or a hole
    that stands out of something thicker than it is high (only if raised; a floor may be thin, and
        that is told)
    whose face is at least twice as large as it: what is not is a comb, a thread or teeth, of which
        nobody can say which is the face
    that has no other hole than what its own face lies in: a boss for a screw and a counterbore have

The counter of a raised "O" is a part of the face, though it lies deep in the "O". So what lies in a
stroke of the other kind and is as deep as that is high is none where it is the wider one. All these
bounds are of our own, and meant to be on the safe side: what is no stroke stays a wall, a gap, a
hole or a pin.

Height is measured square to the top, over the foot of the sides (between level faces exactly), and
width in the top laid out flat (`unfolded.py`): as walls in a layer are, by the largest disc that
touches two edges that face each other (`walls.trace`), over a run of about one width that is at
least as long as wide, twice as long where the stroke goes on wider. So corners and joints do not
count, nor do tapering ends, if not so long that they are strokes themselves; of these the usual
width does. A dot is as wide as the largest disc in it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.base.arrays import connected, dot, ranges
from wallguard.mesh.mesh import Mesh
from wallguard.sections.sections import Sections
from wallguard.shapes.patches import CREASE, Patches, patches_of
from wallguard.shapes.unfolded import Unfolded, unfold
from wallguard.walls.flats import frames
from wallguard.walls.stretch import Stretch, gathered
from wallguard.walls.trace import find_walls

Point = tuple[float, float, float]
Box = tuple[Point, Point]
Kind = Literal["raised", "sunken"]
_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# How far sides turn from the top, degrees: drafted by 45 at most, undercut by 15.
_LEAST_TURN, _MOST_TURN = 44.0, 105.0
# A face is level with the top where the two differ by no more than this, degrees: facets of a
# curve need not lie over each other.
_LEVEL = 20.0
# What share of an outline needs sides; heights that differ by less are one (of it, and mm).
_SHARE, _ONE, _ONE_MM = 2 / 3, 0.1, 0.01
# Sides over top, face over top: see above. Facets take a little off a round top.
_STEEP, _BROAD, _ROUNDING = 4.0, 2.0, 1.02
# What is lower than this, mm, is no detail.
_LOW = 0.005
# Widths are sorted into so many steps, each so many times the one before: what lies within two of
# them is of about one width, and even where its usual width is no more than the third times its
# least.
_STEPS, _STEP, _EVEN = 12, 1.15, 1.04
# A narrow run within a wider stroke is at least so many times as long as it is wide. What narrows
# to less than this share is a taper; it is a stroke where it is so many times as long as wide.
_RUN, _TAPERS, _LONG = 2.0, 0.5, 8.0
# A piece of a run counts for its width where it is at least this share as long as the longest.
_NEARLY = 0.5
# Walls in a top are looked for up to so many times what is asked for; so many sides are a circle.
_WIDER, _CIRCLE = 1.5, 8
# Pairs of edges of an outline and of feet that are looked at, at most.
_PAIRS = 4_000_000
# A point lies in a stroke that lies no farther outside of it than this, mm.
_OUT = 0.05


@dataclass(frozen=True)
class Stroke:
    """A detail, and where it is narrowest. Lengths in mm, in the print frame.

    height  over the face, or below it
    width   where it runs narrowest; 0: nowhere as narrow as was asked for
    facets  by how much the facets of a curve may have taken off that
    length  of that run; area: of all of its top or floor, mm²
    within  whether it lies in a stroke of the other kind that is as high, as the counter of an "O"
            does: the height is that one's
    behind  how much material is behind the floor, or below the face; inf where that is not closed
    across  the two ends of the width; rise: from the face to the top, or from the floor to the face
    normal  of the top or floor, unit, out of the material
    point   in the middle of the narrowest run, on the top or floor; where there is none, in the
            middle of it; box: around the detail
    face    the number of the patch that it stands on, or is sunk into
    top     the triangles of its top or floor
    """

    kind: Kind
    height: float
    width: float
    facets: float
    length: float
    area: float
    behind: float
    within: bool
    across: tuple[Point, Point]
    rise: tuple[Point, Point]
    normal: Point
    point: Point
    box: Box
    face: int
    top: tuple[tuple[Point, Point, Point], ...]


def find_strokes(mesh: Mesh, narrower: tuple[float, float]) -> list[Stroke]:
    """All raised and sunken details, the narrowest first; the widths of raised and of sunken ones
    where these are less than `narrower`, mm (0: no width is asked for)."""
    if not len(mesh.triangles):
        return []
    patches = patches_of(mesh)
    details = list(_settled([*_details(patches, "raised"), *_details(patches, "sunken")]))
    made = []
    for kind, most in zip(("raised", "sunken"), narrower, strict=True):
        made += _measured(patches, [each for each in details if each[0].kind == kind], most)
    return sorted(made, key=lambda each: (each.width or math.inf, each.height, each.point))


def lying_in(
    strokes: Sequence[Stroke], points: Sequence[Point], boxes: Sequence[Box], out: Sequence[float]
) -> list[bool]:
    """Of things with a point in their middle, and a box, whether they lie in one of the strokes:
    the point in it, the box in its box, or no more than `out` (mm, of each) beyond."""
    held = [False] * len(points)
    if not held:
        return held
    low, high = (np.array([box[i] for box in boxes]) for i in (0, 1))
    beyond = np.array(out)[:, None]
    for stroke in strokes:
        least, most = np.array(stroke.box)
        inside = ((low >= least - beyond) & (high <= most + beyond)).all(axis=1)
        for at in np.flatnonzero(inside).tolist():
            held[at] = held[at] or _holds(stroke, np.array(points[at]))
    return held


def lying_between(
    strokes: Sequence[Stroke], points: Sequence[Point], boxes: Sequence[Box], out: Sequence[float]
) -> list[float]:
    """The same between the strokes of one face and height, no higher and no deeper than they: how
    far each reaches along that face, mm; below zero where it does not lie there."""
    held = [-1.0] * len(points)
    low, high = (np.array([box[i] for box in boxes]).reshape(-1, 3) for i in (0, 1))
    place, beyond = np.array(points).reshape(-1, 3), np.array(out)[:, None]
    for group in by_face(strokes):
        ends = np.array([stroke.box for stroke in group])
        least, most = ends[:, 0].min(axis=0), ends[:, 1].max(axis=0)
        middle, normal = (
            np.array([getattr(stroke, name) for stroke in group]) for name in ("point", "normal")
        )
        inside = ((low >= least - beyond) & (high <= most + beyond)).all(axis=1)
        for at in np.flatnonzero(inside).tolist():
            near = int(np.linalg.norm(middle - place[at], axis=1).argmin())
            over = float((place[at] - middle[near]) @ normal[near])
            over *= -1.0 if group[near].kind == "raised" else 1.0
            if -_OUT <= over <= group[near].height + _OUT:
                held[at] = float(np.linalg.norm((high - low)[at] * (1 - np.abs(normal[near]))))
    return held


def by_face(strokes: Sequence[Stroke]) -> list[list[Stroke]]:
    """Strokes of one kind and height on one face together."""
    groups: dict[tuple[str, int, float], list[Stroke]] = {}
    for stroke in strokes:
        groups.setdefault((stroke.kind, stroke.face, round(stroke.height, 2)), []).append(stroke)
    return list(groups.values())


def _holds(stroke: Stroke, point: _Floats) -> bool:
    """Whether a point (3,) lies below its top, or over its floor, and no farther off than the
    face."""
    corner = np.array(stroke.top)
    a, b, c = corner.transpose(1, 0, 2)
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]
    over = dot(point - a, normal) * (-1.0 if stroke.kind == "raised" else 1.0)
    deep = (over >= -_OUT) & (over <= stroke.height + _OUT)
    for start, end in ((a, b), (b, c), (c, a)):
        way = end - start
        outward = np.cross(way, normal)
        outward /= np.maximum(np.linalg.norm(outward, axis=1), 1e-12)[:, None]
        deep &= dot(point - start, outward) <= _OUT
    return bool(deep.any())


@dataclass(frozen=True, eq=False)
class _Detail:
    """A detail: the patch of its top or floor, its height, the patch that is its face, the top or
    floor laid out flat without other details on it, how wide that is (its area over half of its
    outline), what is behind it, see `Stroke`, and the box around it."""

    kind: Kind
    patch: int
    height: float
    face: int
    flat: Unfolded
    wide: float
    behind: float
    box: tuple[_Floats, _Floats]


def _details(patches: Patches, kind: Kind) -> Iterator[_Detail]:
    """What may be a detail, by its own shape and that of its feet."""
    sides = _Sides(patches, kind)
    for patch, simple in sides.candidates():
        detail = _detail(patches, sides, patch, simple)
        if detail is not None:
            yield detail


class _Sides:
    """The creases of a surface as one kind of detail sees them."""

    def __init__(self, patches: Patches, kind: Kind) -> None:
        self.patches, self.kind = patches, kind
        self.sign = 1.0 if kind == "raised" else -1.0
        turn = self.sign * patches.turn
        rim = patches.rim
        order = np.argsort(patches.patch[rim // 3], kind="stable")
        self.rim = rim[order]
        self._first = np.searchsorted(patches.patch[self.rim // 3], np.arange(patches.count + 1))
        # Where sides may begin, and the feet of sides, which are sides of what stands on them.
        self.down = (turn >= _LEAST_TURN) & (turn <= _MOST_TURN)
        feet = self.rim[turn[self.rim] <= -CREASE]
        self._feet, self._patch_of = feet, patches.patch[feet // 3]

    def of(self, patch: int) -> _Ints:
        """The sides at which a patch ends."""
        return self.rim[self._first[patch] : self._first[patch + 1]]

    def feet_of(self, patches: _Ints) -> _Ints:
        """The sides of these patches at which they have their feet."""
        low = np.searchsorted(self._patch_of, patches, side="left")
        high = np.searchsorted(self._patch_of, patches, side="right")
        parts = [self._feet[a:b] for a, b in zip(low.tolist(), high.tolist(), strict=True)]
        return np.concatenate([self._feet[:0], *parts])

    def candidates(self) -> list[tuple[int, bool]]:
        """Patches of which at least one ring of the outline has sides all along, nearly; and
        whether it is the only one."""
        patches, rim = self.patches, self.rim
        if not self.down[rim].any() or not len(self._feet):
            return []
        own = patches.patch[rim // 3]
        start, end = patches.ends(rim)
        length = np.linalg.norm(end - start, axis=1)
        has = np.zeros(patches.count, bool)
        has[self._patch_of] = True
        good = self.down[rim] & has[patches.patch[patches.opposite[rim] // 3]]
        maybe = np.bincount(own, good, patches.count) > 0
        some = np.flatnonzero(maybe[own])
        if not len(some):
            return []
        flat = patches.vertex.ravel()
        after = 3 * (rim[some] // 3) + (rim[some] + 1) % 3
        size = int(flat.max()) + 1
        key = np.concatenate([own[some] * size + flat[rim[some]], own[some] * size + flat[after]])
        node = np.unique(key, return_inverse=True)[1].reshape(-1)
        count, label = connected(node[: len(some)], node[len(some) :], int(node.max()) + 1)
        ring = label[node[: len(some)]]
        whole = np.bincount(ring, length[some], count)
        sided = np.bincount(ring, length[some] * good[some], count)
        found = sided[ring] >= _SHARE * whole[ring]
        _, first = np.unique(ring, return_index=True)
        rings = np.bincount(own[some][first], minlength=patches.count)
        chosen: list[int] = np.unique(own[some][found]).tolist()
        return [(patch, bool(rings[patch] == 1)) for patch in chosen]


def _detail(patches: Patches, sides: _Sides, patch: int, simple: bool) -> _Detail | None:
    """A patch, which has one ring only where it is `simple`, as the top or floor of a detail; None
    where it is none."""
    whole = sides.of(patch)
    rim = whole[sides.down[whole]]
    feet = sides.feet_of(np.unique(patches.patch[patches.opposite[rim] // 3]))
    sided = _sided(patches, sides.sign, rim, feet)
    if sided is None or (simple and not _may_be(patches, sided, whole)):
        return None
    flat = unfold(patches, patches.facets(patch))
    if flat is None:
        return None
    high = sided.usual(flat.rings[0][1])
    if high < _LOW or sided.share(patches, flat.rings[0][1], high) < _SHARE:
        return None
    rings = [flat.rings[0]]
    for ring in flat.rings[1:]:
        if sided.share(patches, ring[1], high) >= _SHARE:
            rings.append(ring)
        elif not _is_other(patches, sides, sided, ring[1]):
            return None
    flat = replace(flat, rings=tuple(rings))
    around = sum(float(shapely.LinearRing(points).length) for points, _ in rings)
    area = flat.area
    face = sided.below(flat.rings[0][1], patches.areas)
    steep = around * high > _STEEP * _ROUNDING * area.area
    if steep or not area.is_valid or patches.areas[face] < _BROAD * area.area:
        return None
    behind = _behind(patches, flat)
    if sides.kind == "raised":
        behind -= high
        if not high <= behind < math.inf:
            return None
    corner = patches.corner[flat.facets].reshape(-1, 3)
    corner = np.concatenate([corner, sided.foot[sided.height > 0]])
    box = corner.min(axis=0), corner.max(axis=0)
    return _Detail(sides.kind, patch, high, face, flat, 2 * area.area / around, behind, box)


def _may_be(patches: Patches, sided: _Sided, ring: _Ints) -> bool:
    """Whether a patch of one ring is low, and small beside its face: what can be told before it is
    laid out."""
    high, area = sided.usual(ring), float(patches.areas[patches.patch[ring[0] // 3]])
    if not high or sided.share(patches, ring, high) < _SHARE:
        return False
    start, end = patches.ends(ring)
    around = float(np.linalg.norm(end - start, axis=1).sum())
    broad = patches.areas[sided.below(ring, patches.areas)] >= _BROAD * area / _ROUNDING
    return bool(broad) and around * high <= _STEEP * _ROUNDING**2 * area


@dataclass(frozen=True, eq=False)
class _Sided:
    """What is at the foot of sides (k,) of a patch: how far below (0: nothing is), the patch of the
    face there, and where (k, 3)."""

    number: dict[int, int]
    height: _Floats
    length: _Floats
    face: _Ints
    foot: _Floats

    def _of(self, ring: _Ints) -> _Ints:
        known = [self.number[side] for side in ring.tolist() if side in self.number]
        return np.array([at for at in known if self.height[at] > 0], np.int64)

    def usual(self, ring: _Ints) -> float:
        """The median height along a ring of sides (n,); 0 where there is none."""
        own = self._of(ring)
        if not len(own):
            return 0.0
        order = own[np.argsort(self.height[own], kind="stable")]
        total = np.cumsum(self.length[order])
        return float(self.height[order[np.searchsorted(total, total[-1] / 2)]])

    def share(self, patches: Patches, ring: _Ints, high: float) -> float:
        """The share of a ring whose sides are so high."""
        start, end = patches.ends(ring[ring >= 0])
        whole = float(np.linalg.norm(end - start, axis=1).sum())
        own = self._of(ring)
        own = own[np.abs(self.height[own] - high) <= _ONE * high + _ONE_MM]
        return float(self.length[own].sum()) / whole if whole > 0 else 0.0

    def below(self, ring: _Ints, areas: _Floats) -> int:
        """The largest face at the foot of a ring."""
        faces = self.face[self._of(ring)]
        return int(faces[np.argmax(areas[faces])])


def _sided(patches: Patches, sign: float, rim: _Ints, feet: _Ints) -> _Sided | None:
    """What lies at the feet of the sides that begin at a rim (k,); feet (f,) are theirs, by patch.
    None where nothing does, or where there is too much to look at."""
    start, end = patches.ends(rim)
    begin, finish = patches.ends(feet)
    # No detail is higher than it is wide.
    low, high = start.min(axis=0), start.max(axis=0)
    reach = 1.5 * float(np.linalg.norm(high - low))
    near = (np.minimum(begin, finish) <= high + reach) & (np.maximum(begin, finish) >= low - reach)
    feet, begin, finish = (each[near.all(axis=1)] for each in (feet, begin, finish))
    of, side = patches.patch[feet // 3], patches.patch[patches.opposite[rim] // 3]
    first = np.searchsorted(of, side, side="left")
    number = np.searchsorted(of, side, side="right") - first
    if not 0 < number.sum() <= _PAIRS:
        return None
    own, foot = ranges(first, number)
    beyond = patches.opposite[feet] // 3
    normal = patches.normal[rim // 3]
    level = dot(normal[own], patches.normal[beyond[foot]]) >= math.cos(math.radians(_LEVEL))
    level &= patches.patch[beyond[foot]] != patches.patch[rim[0] // 3]
    own, foot = own[level], foot[level]
    middle, way = ((start + end) / 2)[own], (finish - begin)[foot]
    away = middle - begin[foot]
    along = np.clip(dot(away, way) / np.maximum(dot(way, way), 1e-18), 0.0, 1.0)
    away -= along[:, None] * way
    rise, far = sign * dot(away, normal[own]), dot(away, away)
    # Right below, or as far aside as sides of 45 degrees reach.
    fits = np.flatnonzero((rise >= _LOW) & (far <= 2.1 * rise**2))
    if not len(fits):
        return None
    order = fits[np.lexsort((far[fits], own[fits]))]
    best = order[np.diff(own[order], prepend=-1) > 0]
    count = len(rim)
    height, face, spot = np.zeros(count), np.full(count, -1), np.zeros((count, 3))
    height[own[best]], face[own[best]] = rise[best], patches.patch[beyond[foot[best]]]
    spot[own[best]] = middle[best] - away[best]
    numbers = {edge: at for at, edge in enumerate(rim.tolist())}
    return _Sided(numbers, height, np.linalg.norm(end - start, axis=1), face, spot)


def _is_other(patches: Patches, sides: _Sides, sided: _Sided, ring: _Ints) -> bool:
    """Whether something else begins at a ring in a top or floor: what is lower, or stands on it;
    not what goes down from a floor, as a bore does, or right through."""
    high = sided.usual(ring)
    if high > 0 and sided.share(patches, ring, high) >= _SHARE:
        return True
    return sides.kind == "raised" and bool((patches.turn[ring[ring >= 0]] < 0).all())


def _behind(patches: Patches, flat: Unfolded) -> float:
    """How much material (mm) is below the middle of a top or floor; inf where it has no end."""
    spot = shapely.get_coordinates(flat.area.representative_point())[0]
    facet = flat.at(spot)
    return _depth(patches, flat.lift(spot, patches.corner), facet)


def _depth(patches: Patches, point: _Floats, facet: int) -> float:
    """How far (mm) it is from a point on a facet straight through the material; inf: no end."""
    normal = patches.normal[facet]
    along, across = (each[0] for each in frames(normal[None]))
    frame = np.column_stack([along, across, -normal])
    near = _near(patches, point, frame)
    a, b, c = ((patches.corner[near] - point) @ frame).transpose(1, 0, 2)

    def side(one: _Floats, other: _Floats) -> _Floats:
        return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])

    weight = np.stack([side(b, c), side(c, a), side(a, b)], axis=1)
    whole = weight.sum(axis=1)
    # Leaving the material: seen from within, its triangles run the other way.
    hit = ((weight >= 0).all(axis=1) | (weight <= 0).all(axis=1)) & (np.abs(whole) > 1e-15)
    deep = (weight[hit] * np.stack([a[hit, 2], b[hit, 2], c[hit, 2]], axis=1)).sum(axis=1)
    deep /= whole[hit]
    return float(deep[deep > _LOW].min(initial=math.inf))


def _near(patches: Patches, point: _Floats, frame: _Floats) -> _Ints:
    """The facets that a line through a point, along the last axis of a frame, may meet."""
    left = np.arange(len(patches.corner))
    for axis in range(2):
        at = (patches.corner[left] - point) @ frame[:, axis]
        left = left[(at.min(axis=1) <= 0) & (at.max(axis=1) >= 0)]
    return left


def _settled(details: Sequence[_Detail]) -> Iterator[tuple[_Detail, bool]]:
    """The details, without those of which another reading holds; and whether each lies in one of
    the other kind that is as high as it: its height is that one's."""
    tops = {(detail.patch, detail.kind): detail for detail in details}
    for detail in details:
        around = tops.get((detail.face, "sunken" if detail.kind == "raised" else "raised"))
        within = around is not None and _one(around.height, detail.height)
        if around is None or not within:
            yield detail, False
        elif around.wide >= detail.wide:
            yield detail, True


def _one(height: float, other: float) -> bool:
    return abs(height - other) <= _ONE * other + _ONE_MM


def _measured(
    patches: Patches, chosen: Sequence[tuple[_Detail, bool]], narrower: float
) -> list[Stroke]:
    """Details with their widths."""
    runs: list[list[Stretch]] = [[] for _ in chosen]
    if chosen and narrower > 0:
        sections = _as_sections([detail.flat for detail, _ in chosen])
        splits = narrower / _STEP ** np.arange(_STEPS)[::-1]
        for wall in find_walls(sections, _WIDER * narrower, tuple(splits.tolist())):
            # Every second layer has nothing in it.
            runs[int(wall.low) // 2].append(wall)
    made = []
    for (detail, within), walls in zip(chosen, runs, strict=True):
        run = _narrowest(walls, detail.flat.is_cut)
        if run is None and narrower > 0 and detail.flat.area.buffer(-narrower / 2).is_empty:
            run = _inscribed(detail.flat.area)
        made.append(_stroke(patches, detail, within, run))
    return made


def _as_sections(shapes: Sequence[Unfolded]) -> Sections:
    """Flat shapes as the sections of a part, with an empty layer after each."""
    rings = [points for shape in shapes for points, _ in shape.rings]
    count = [len(shape.rings) for shape in shapes]
    points = np.concatenate(rings)
    distinct = np.full(2 * len(shapes), -1, np.int32)
    distinct[::2] = np.arange(len(shapes))
    return Sections(
        heights=0.5 + np.arange(2 * len(shapes), dtype=np.float64),
        layer_height=1.0,
        distinct=distinct,
        points=points,
        ring_start=np.append(0, np.cumsum([len(ring) for ring in rings])),
        ring_section=np.repeat(np.arange(len(shapes)), count).astype(np.int32),
        slope=np.zeros(len(points)),
        loose=np.zeros(0, np.int32),
    )


@dataclass(frozen=True)
class _Run:
    """A run of a stroke: how wide it is, what facets took off that, how long it is, and where."""

    width: float
    facets: float
    length: float
    spots: tuple[tuple[float, float], ...]

    @classmethod
    def of(cls, pieces: Sequence[Stretch], cut: bool) -> _Run:
        """Of about one width: the least of the longest and of what is nearly as long, or the usual
        one of the longest where that was cut."""
        longest = max(pieces, key=lambda piece: (piece.length, piece.point))
        long = [piece for piece in pieces if piece.length >= _NEARLY * longest.length]
        least = min(long, key=lambda piece: (round(piece.minimum, 4), piece.point))
        chosen, width = (longest, longest.typical) if cut else (least, least.minimum)
        length = sum(piece.length for piece in pieces)
        return cls(width, chosen.facets, length, (chosen.point[:2],))

    @classmethod
    def of_taper(cls, pieces: Sequence[Stretch]) -> _Run:
        """Of one that is narrower and narrower: that of the middle of its length."""
        ordered = sorted(pieces, key=lambda piece: (piece.typical, piece.point))
        total = np.cumsum([piece.length for piece in ordered])
        usual = ordered[int(np.searchsorted(total, total[-1] / 2))]
        (x, y, _), (to_x, to_y, _) = usual.box
        spots = ((x + to_x) / 2, (y + to_y) / 2), usual.point[:2]
        return cls(usual.typical, usual.facets, float(total[-1]), spots)


def _narrowest(walls: Sequence[Stretch], cut: bool) -> _Run | None:
    """The narrowest run, of pieces of which those of a group below `_STEPS` are narrow; None: none
    is. cut: whether the top was cut open, so that it tapers there."""
    for step in range(_STEPS):
        found = [
            _Run.of(run, cut)
            for run in gathered(
                [wall for wall in walls if step - 1 <= wall.group <= step], lambda _: (0.0, 0.0)
            )
            if _runs(run, walls, step)
        ]
        if found:
            return min(found, key=lambda run: (round(run.width, 4), -run.length, run.spots))
    tapers: dict[int, list[Stretch]] = {}
    for wall in walls:
        if wall.group < _STEPS:
            tapers.setdefault(wall.wall, []).append(wall)
    found = [_Run.of_taper(pieces) for pieces in tapers.values() if _is_long_taper(pieces)]
    return min(found, key=lambda run: (round(run.width, 4), -run.length, run.spots), default=None)


def _is_long_taper(pieces: Sequence[Stretch]) -> bool:
    low, high = min(piece.minimum for piece in pieces), max(piece.maximum for piece in pieces)
    return low < _TAPERS * high and sum(piece.length for piece in pieces) >= _LONG * high


def _runs(run: Sequence[Stretch], walls: Sequence[Stretch], step: int) -> bool:
    """Whether pieces of about one width, at one place, are where a stroke runs: no corner or joint,
    nor a part of a taper."""
    low, high = min(wall.minimum for wall in run), max(wall.maximum for wall in run)
    same = [wall for wall in walls if wall.wall == run[0].wall]
    longest = max(run, key=lambda wall: (wall.length, wall.point))
    uneven = longest.typical > _EVEN * longest.minimum
    narrows = uneven and any(wall.group < step - 1 for wall in same)
    goes_on = any(wall.group > step for wall in same)
    length = sum(wall.length for wall in run)
    long = length >= (_RUN * high if goes_on else low)
    return long and low >= _TAPERS * high and not narrows


def _inscribed(area: shapely.Polygon) -> _Run:
    """The largest disc in an area."""
    size = math.sqrt(area.area)
    middle, rim = shapely.get_coordinates(shapely.maximum_inscribed_circle(area, 1e-4 * size))
    width = 2 * float(np.linalg.norm(rim - middle))
    # As a circle of so many facets.
    sides = len(area.exterior.coords) - 1
    facets = width * (1 / math.cos(math.pi / sides) - 1) if sides >= _CIRCLE else 0.0
    return _Run(width, facets, width, ((float(middle[0]), float(middle[1])),))


def _stroke(patches: Patches, detail: _Detail, within: bool, run: _Run | None) -> Stroke:
    flat, area = detail.flat, detail.flat.area
    spot = shapely.get_coordinates(area.representative_point())[0]
    width = run.width if run else 0.0
    if run:
        good = [each for each in run.spots if area.covers(shapely.Point(each))]
        spot = np.array((good or run.spots)[0])
    rim = area.boundary
    nearest = shapely.get_coordinates(shapely.shortest_line(shapely.Point(spot), rim))[1]
    way = nearest - spot
    way = way / max(float(np.linalg.norm(way)), 1e-12)
    middle = nearest - way * width / 2 if run else spot
    point, facet = flat.lift(middle, patches.corner), flat.at(middle)
    normal = patches.normal[facet]
    across = [flat.lift(middle + at * way * width, patches.corner) for at in (-0.5, 0.5)]
    face = point - normal * detail.height * (1.0 if detail.kind == "raised" else -1.0)
    behind = detail.behind
    if detail.kind == "sunken" and run:
        behind = _depth(patches, point, facet)
    low, high = detail.box
    return Stroke(
        kind=detail.kind,
        height=detail.height,
        width=width,
        facets=run.facets if run else 0.0,
        length=run.length if run else 0.0,
        area=float(area.area),
        behind=behind,
        within=within,
        across=(_point(across[0]), _point(across[1])),
        rise=(_point(face), _point(point)),
        normal=_point(normal),
        point=_point(point),
        box=(_point(low), _point(high)),
        face=detail.face,
        top=tuple((_point(a), _point(b), _point(c)) for a, b, c in patches.corner[flat.facets]),
    )


def _point(values: _Floats) -> Point:
    x, y, z = values.tolist()
    return x, y, z
