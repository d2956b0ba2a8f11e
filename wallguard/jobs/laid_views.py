"""What can be shown of a toolpath: a layer around a wall, and the whole plate; plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wallguard.jobs.verify import Verified
from wallguard.part.geometry import Geometry
from wallguard.sections.cut import cut_at
from wallguard.toolpath.comparison import LaidWall
from wallguard.toolpath.levels import Level
from wallguard.toolpath.placement import Placement

if TYPE_CHECKING:
    from shapely import Geometry as Shape

Point = tuple[float, float]
# More strands than this are not drawn one by one.
MOST = 4000
# A layer is shown so far around a wall: mm, and times its thickness. The plate has this margin, mm.
_AROUND, _TIMES, _MARGIN = 2.5, 2.5, 2.0


@dataclass(frozen=True)
class LayerView:
    """One layer around a wall, in the part as printed, mm.

    middle, half  the square that is shown; top: of the layer
    drawn    the part; left: what no bead covers of it
    strands  middle lines with their widths
    """

    middle: Point
    half: float
    top: float
    drawn: Shape
    left: Shape
    strands: tuple[tuple[tuple[Point, Point], float], ...] = ()


@dataclass(frozen=True)
class PlateView:
    """The plate from above, mm: the box of what is laid, middle lines, and for each copy of a part
    where it lies and its outlines in the middle of its height."""

    low: Point
    high: Point
    strands: tuple[tuple[Point, Point], ...]
    places: tuple[Placement, ...]
    outlines: tuple[tuple[tuple[Point, ...], ...], ...]


def layer_view(verified: Verified, geometry: Geometry, wall: LaidWall) -> LayerView:
    """The layer of the wall's copy in the middle of the wall, around its point."""
    import shapely

    from wallguard.toolpath.beads import footprint
    from wallguard.toolpath.placing import polygon

    x, y, z = wall.stretch.point
    half = max(_AROUND, _TIMES * wall.stretch.typical)
    laid, place = verified.laid, verified.places[wall.copy]
    levels = verified.comparisons[wall.copy].levels
    level = min(levels, key=lambda level: abs(level.top - level.height / 2 - place.lift - z))
    window = shapely.box(x - half, y - half, x + half, y + half)
    drawn = shapely.intersection(polygon(_rings_at(geometry, level, place.lift)), window)
    if level.layer < 0:
        return LayerView((x, y), half, level.top, drawn, drawn)
    chosen = laid.in_layer(level.layer)
    start, end = place.to_part(laid.start[chosen]), place.to_part(laid.end[chosen])
    far = half + laid.width[chosen].clip(0, 5)
    centre = np.array([x, y])
    near = (np.minimum(start, end) <= centre + far[:, None]).all(axis=1)
    near &= (np.maximum(start, end) >= centre - far[:, None]).all(axis=1)
    near &= ~laid.odd[chosen]
    there = shapely.transform(footprint(laid, chosen[near]), place.to_part)
    lines = _pairs(start[near][:MOST], end[near][:MOST])
    widths = laid.width[chosen[near]][:MOST].tolist()
    left = shapely.difference(drawn, there)
    strands = tuple(zip(lines, widths, strict=True))
    return LayerView((x, y), half, level.top, drawn, left, strands)


def plate_view(verified: Verified, geometry: Geometry) -> PlateView:
    """The whole plate; of more than MOST strands, as many spread evenly over the toolpath."""
    laid = verified.laid
    good = np.flatnonzero(~laid.odd)
    low = np.minimum(laid.start, laid.end)[good].min(axis=0) - _MARGIN
    high = np.maximum(laid.start, laid.end)[good].max(axis=0) + _MARGIN
    some = good[np.linspace(0, len(good) - 1, min(len(good), MOST)).astype(np.int64)]
    outlines = []
    for copy, place in enumerate(verified.places):
        levels = verified.comparisons[copy].levels
        rings = _rings_at(geometry, levels[len(levels) // 2], place.lift) if levels else []
        outlines.append(tuple(_points(place.to_plate(ring)) for ring in rings))
    return PlateView(
        low=(float(low[0]), float(low[1])),
        high=(float(high[0]), float(high[1])),
        strands=_pairs(laid.start[some], laid.end[some]),
        places=verified.places,
        outlines=tuple(outlines),
    )


def _points(points: NDArray[np.float64]) -> tuple[Point, ...]:
    return tuple((x, y) for x, y in points.tolist())


def _pairs(start: NDArray[np.float64], end: NDArray[np.float64]) -> tuple[tuple[Point, Point], ...]:
    return tuple(zip(_points(start), _points(end), strict=True))


def _rings_at(geometry: Geometry, level: Level, lift: float) -> list[NDArray[np.float64]]:
    """The outlines of a layer, in the part as printed."""
    height = np.array([level.top - level.height / 2 - lift])
    sections = cut_at(geometry.placed.mesh, height, level.height, untangle=not geometry.sound)
    return sections.rings(0) if sections.distinct[0] >= 0 else []
