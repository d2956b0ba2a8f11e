"""Cups: hollows that seal against the film while a vat process prints them.

Layers are laid from the bottom of the print frame to its top; the film lies where the last one was
laid. Air that a layer encloses is then shut on that side, and open only by ways through the layers
before:

    film   ─────────────────────────────────────────────
    last   ████      ████      █████████      ███   ███      left: a cup, its floor is laid;
           ████      ████      ███   ███      ███   ███      middle: one, too, the plate shuts it;
           ██████████████      ███   ███      ███            right: vented by a hole in its side
    plate  ─────────────────────────────────────────────

Regions of air are followed from layer to layer, as those of material are in `footprints`. What is
joined, through layers that are laid, with the air around the part is vented; what is not is sealed
for as long as it grows. The first layer is laid onto the build plate, without a gap: the plate
shuts what it encloses, and a hollow with no other way out is a cup (common practice, no published
source). One that is open above, too, as a tube is, counts as open at its first layer.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.sections.sections import Sections, ring_areas
from wallguard.shapes.regions import SHARED, Joined, material, overlaid, parts

Point = tuple[float, float, float]
Box = tuple[Point, Point]
_Shapes = NDArray[np.object_]


@dataclass(frozen=True)
class Cup:
    """A hollow that seals. Lengths in mm, in the print frame.

    area    the largest that a layer encloses of it while it is sealed, mm²
    low, high  over which heights it is sealed
    vented  whether it is open from there on, or sealed to its rim
    plate   whether it is the build plate that shuts it below
    point   within it where it is largest; across: a line across it there
    box     around it there, from `low` to `high`
    """

    area: float
    low: float
    high: float
    vented: bool
    plate: bool
    point: Point
    across: tuple[Point, Point]
    box: Box


@dataclass
class _Hollow:
    """Air that is followed upward. `plate`: whether the build plate shuts it; `shape`: its largest
    layer while it is sealed, at height `at`; None: it has not been sealed yet."""

    low: float
    high: float
    vented: bool
    plate: bool
    shape: shapely.Geometry | None = None
    at: float = 0.0

    @property
    def area(self) -> float:
        return 0.0 if self.shape is None else float(self.shape.area)


class _Hollows:
    """Hollows by number; what is joined has one number at the root."""

    def __init__(self) -> None:
        self.cups: list[Cup] = []
        self._hollows: list[_Hollow] = []
        self._pieces = Joined()
        self.outside = self.begin(0.0, vented=True, plate=False)

    def begin(self, low: float, *, vented: bool, plate: bool) -> int:
        self._hollows.append(_Hollow(low, low, vented, plate))
        return self._pieces.add()

    def __getitem__(self, number: int) -> _Hollow:
        return self._hollows[self._pieces.first(number)]

    def join(self, one: int, other: int) -> None:
        """From here on two hollows are one. A cup that is vented so has been one until here."""
        joined = self._pieces.join(one, other)
        if joined is None:
            return
        keep, gone = (self._hollows[number] for number in joined)
        if keep.plate != gone.plate and not (keep.vented or gone.vented):
            # What has a floor is no longer shut by that alone.
            self._end(gone if keep.plate else keep, vented=True)
        if keep.vented or gone.vented:
            self._end(keep, vented=True)
            self._end(gone, vented=True)
            keep.vented = True
        elif gone.area > keep.area:
            keep.shape, keep.at = gone.shape, gone.at
        keep.low = min(keep.low, gone.low)
        keep.plate |= gone.plate

    def _end(self, hollow: _Hollow, *, vented: bool) -> None:
        if hollow.shape is not None and not (vented and hollow.plate):
            self.cups.append(_cup(hollow, hollow.shape, vented))
        hollow.shape = None

    def grow(self, number: int, shape: shapely.Geometry, height: float, half: float) -> None:
        """A layer more of a hollow."""
        hollow = self[number]
        if hollow.vented:
            return
        hollow.high = height + half
        if shape.area > hollow.area:
            hollow.shape, hollow.at = shape, height

    def end(self, last: list[int]) -> list[Cup]:
        """All cups, the largest first; `last`: the hollows that are open at the last layer."""
        top = {self._pieces.first(number) for number in last}
        for at, hollow in enumerate(self._hollows):
            if self._pieces.first(at) == at:
                self._end(hollow, vented=hollow.plate and at in top)
        return sorted(self.cups, key=lambda each: (-each.area, each.point))


def find_cups(sections: Sections) -> list[Cup]:
    """The cups, the largest first."""
    half = sections.layer_height / 2
    hollows = _Hollows()
    encloses = set(np.unique(sections.ring_section[ring_areas(sections) < 0]).tolist())
    air = cache(partial(_air, sections))
    none = np.zeros(0, object)
    below: tuple[_Shapes, list[int]] = none, []
    before: int | None = None
    for height, section in zip(sections.heights.tolist(), sections.distinct.tolist(), strict=True):
        own = below
        if section != before:
            holes = air(section)[0] if section in encloses else none
            over = _over(holes, below)
            leaves = np.zeros(len(holes), bool)
            if len(holes) and before is not None:
                leaves = _leaves(holes, air(before)[1])
            numbers = []
            for found, leaving in zip(over, leaves.tolist(), strict=True):
                lies = found + [hollows.outside] * leaving
                numbers += lies[:1] or [
                    hollows.begin(height - half, vented=False, plate=before is None)
                ]
                for other in lies[1:]:
                    hollows.join(lies[0], other)
            if len(below[0]):
                for at in np.flatnonzero(_leaves(below[0], air(section)[1])):
                    hollows.join(below[1][at], hollows.outside)
            own = holes, numbers
        for hole, number in zip(*own, strict=True):
            hollows.grow(number, hole, height, half)
        below, before = own, section
    return hollows.end(below[1])


def _air(sections: Sections, section: int) -> tuple[_Shapes, _Shapes]:
    """What a section encloses, and what it fills together with that: both as regions apart."""
    regions = parts(material(sections, section))
    rings, owner = shapely.get_rings(regions, return_index=True)
    outer = np.diff(owner, prepend=-1) > 0
    filled, holes = shapely.polygons(rings[outer]), shapely.polygons(rings[~outer])
    hole, within = shapely.STRtree(regions).query(holes, predicate="contains")
    if not len(hole):
        return holes, filled
    # What lies within a hole of another fills no more, and takes its place from the hole.
    for at in np.unique(hole).tolist():
        islands = shapely.union_all(filled[within[hole == at]])
        holes[at] = overlaid(shapely.difference, holes[at], islands)
    alone = np.ones(len(regions), bool)
    alone[within] = False
    return parts(holes), filled[alone]


def _over(holes: _Shapes, below: tuple[_Shapes, list[int]]) -> list[list[int]]:
    """Of each hole the numbers of those below that it shares some area with."""
    shapes, numbers = below
    over: list[list[int]] = [[] for _ in holes]
    if len(holes) and len(shapes):
        upper, lower = shapely.STRtree(shapes).query(holes, predicate="intersects")
        shared = shapely.area(overlaid(shapely.intersection, holes[upper], shapes[lower])) > SHARED
        order = np.lexsort((lower[shared], upper[shared]))
        for one, other in zip(upper[shared][order], lower[shared][order], strict=True):
            over[one].append(numbers[other])
    return over


def _leaves(shapes: _Shapes, filled: _Shapes) -> NDArray[np.bool_]:
    """(n,) whether some of each region lies beyond what another layer fills and encloses."""
    beyond = np.ones(len(shapes), bool)
    if len(shapes) and len(filled):
        beyond[shapely.STRtree(shapes).query(filled, predicate="covers")[1]] = False
        rest = np.flatnonzero(beyond)
        if len(rest):
            outside = overlaid(shapely.difference, shapes[rest], shapely.union_all(filled))
            beyond[rest] = shapely.area(outside) > SHARED
    return beyond


def _cup(hollow: _Hollow, shape: shapely.Geometry, vented: bool) -> Cup:
    inner = shape.representative_point()
    left, front, right, back = (float(value) for value in shape.bounds)
    y = float(inner.y)
    line = shapely.intersection(shapely.LineString([(left - 1, y), (right + 1, y)]), shape)
    longest = max(shapely.get_parts(line), key=lambda part: float(part.length))
    (x, _), *_, (end, _) = np.asarray(longest.coords).tolist()
    return Cup(
        float(shape.area),
        hollow.low,
        hollow.high,
        vented,
        hollow.plate,
        (float(inner.x), y, hollow.at),
        ((x, y, hollow.at), (end, y, hollow.at)),
        ((left, front, hollow.low), (right, back, hollow.high)),
    )
