"""Details with a flat top or floor: letters, lines, rings and dots that stand out of a face, or are
sunk into it.

                 top                          w = width
              ┌───w───┐                       h = height, or depth
              │       h
    ──────────┘       └──────────   face      face ────────┐       ┌────────
                                                           h       │
      raised: its top is a patch                           └───w───┘  floor
      with convex edges, and the face              sunken: the same, upside down
      lies at the foot of its sides

Such a *detail* is a patch (`patches.py`), its top or floor,

    from whose outline sides go down, 45° from its own level at least, to a face beneath that is
        level with it; from two thirds of the outline at least, so that a stroke may run off the
        part, or into something else, at its ends
    whose outline has one height: lower and higher parts of it count as what they are, other details
    that is no higher than `is_low` says
    that stands out of something thicker than it is high (only if raised; a floor may be thin, and
        that is told)
    whose face is at least twice as large as it: what is not is a comb, a thread or teeth, of which
        nobody can say which is the face
    that has no other hole than what its own face lies in: a boss for a screw and a counterbore have

Height is measured square to the top, over the foot of the sides: between level faces exactly.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.base.arrays import connected, dot, ranges
from wallguard.shapes.patches import CREASE, Patches
from wallguard.shapes.unfolded import Unfolded, unfold
from wallguard.walls.flats import frames

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
SHARE, _ONE, _ONE_MM = 2 / 3, 0.1, 0.01
# Face over top: see above. Facets take a little off a round top.
BROAD, ROUNDING = 2.0, 1.02
# Sides over top of what is a line by its outline over its width, and of a dot: see `is_low`.
_LINE, _STEEP, _STUBBY = 12.0, 8.0, 4.0
# What is lower than this, mm, is no detail.
LOW = 0.005
# Pairs of edges of an outline and of feet that are looked at, at most.
_PAIRS = 4_000_000


@dataclass(frozen=True, eq=False)
class Detail:
    """A detail: the patch of its top or floor, its height, the patch that is its face, the top or
    floor laid out flat without other details on it, how wide that is (its area over half of its
    outline), what is behind it, see `Stroke`, and the box around it.

    Of one without a flat top or floor (`mouths.py`) `patch` is -1, `flat` its outline in its face
    with the facets that lie beneath, `normal` square to that, and `deepest` its tip; else None.
    """

    kind: Kind
    patch: int
    height: float
    face: int
    flat: Unfolded
    wide: float
    behind: float
    box: tuple[_Floats, _Floats]
    normal: _Floats | None = None
    deepest: _Floats | None = None


def is_low(high: float, area: float, around: float) -> bool:
    """Whether a detail of this height, area and outline is a stroke, and no wall, pin, gap or hole.

    A line, longer than about four times its width, is no higher than four times that: a published
    table asks raised and sunken details for 0.6 mm of width and 2 mm of height (guide to extrusion,
    from memory), and ribs, which are walls, are drawn higher. What is shorter is a dot, and no
    higher than its diameter, as pins and blind holes are. Both by its sides over its area.
    """
    line = around * around > _LINE * 2 * area
    most = _STEEP if line else _STUBBY
    return around * high <= most * ROUNDING * area


def flat_details(patches: Patches, kind: Kind) -> Iterator[Detail]:
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
        found = sided[ring] >= SHARE * whole[ring]
        _, first = np.unique(ring, return_index=True)
        rings = np.bincount(own[some][first], minlength=patches.count)
        chosen: list[int] = np.unique(own[some][found]).tolist()
        return [(patch, bool(rings[patch] == 1)) for patch in chosen]


def _detail(patches: Patches, sides: _Sides, patch: int, simple: bool) -> Detail | None:
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
    if high < LOW or sided.share(patches, flat.rings[0][1], high) < SHARE:
        return None
    rings = [flat.rings[0]]
    for ring in flat.rings[1:]:
        if sided.share(patches, ring[1], high) >= SHARE:
            rings.append(ring)
        elif not _is_other(patches, sides, sided, ring[1]):
            return None
    flat = replace(flat, rings=tuple(rings))
    around = sum(float(shapely.LinearRing(points).length) for points, _ in rings)
    area = flat.area
    face = sided.below(flat.rings[0][1], patches.areas)
    low = is_low(high, area.area, around)
    if not low or not area.is_valid or patches.areas[face] < BROAD * area.area:
        return None
    behind = _behind(patches, flat)
    if sides.kind == "raised":
        behind -= high
        if not high <= behind < math.inf:
            return None
    corner = patches.corner[flat.facets].reshape(-1, 3)
    corner = np.concatenate([corner, sided.foot[sided.height > 0]])
    box = corner.min(axis=0), corner.max(axis=0)
    return Detail(sides.kind, patch, high, face, flat, 2 * area.area / around, behind, box)


def _may_be(patches: Patches, sided: _Sided, ring: _Ints) -> bool:
    """Whether a patch of one ring is low, and small beside its face: what can be told before it is
    laid out."""
    high, area = sided.usual(ring), float(patches.areas[patches.patch[ring[0] // 3]])
    if not high or sided.share(patches, ring, high) < SHARE:
        return False
    start, end = patches.ends(ring)
    around = float(np.linalg.norm(end - start, axis=1).sum())
    broad = patches.areas[sided.below(ring, patches.areas)] >= BROAD * area / ROUNDING
    return bool(broad) and is_low(high, ROUNDING * area, around)


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
    # No detail is higher than it is long.
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
    fits = np.flatnonzero((rise >= LOW) & (far <= 2.1 * rise**2))
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
    if high > 0 and sided.share(patches, ring, high) >= SHARE:
        return True
    return sides.kind == "raised" and bool((patches.turn[ring[ring >= 0]] < 0).all())


def _behind(patches: Patches, flat: Unfolded) -> float:
    """How much material (mm) is below the middle of a top or floor; inf where it has no end."""
    spot = shapely.get_coordinates(flat.area.representative_point())[0]
    facet = flat.at(spot)
    return depth(patches, flat.lift(spot, patches.corner), patches.normal[facet])


def depth(patches: Patches, point: _Floats, normal: _Floats) -> float:
    """How far (mm) it is from a point of the surface against a normal, straight through the
    material; inf: no end."""
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
    return float(deep[deep > LOW].min(initial=math.inf))


def _near(patches: Patches, point: _Floats, frame: _Floats) -> _Ints:
    """The facets that a line through a point, along the last axis of a frame, may meet."""
    left = np.arange(len(patches.corner))
    for axis in range(2):
        at = (patches.corner[left] - point) @ frame[:, axis]
        left = left[(at.min(axis=1) <= 0) & (at.max(axis=1) >= 0)]
    return left


def is_one(height: float, other: float) -> bool:
    """Whether heights are those of one detail, mm."""
    return abs(height - other) <= _ONE * other + _ONE_MM
