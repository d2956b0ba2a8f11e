"""Regions of layers as polygons, and which of them are one piece as they are met layer by layer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.sections.sections import Sections

# Regions of two layers that share less than this, mm², only touch.
SHARED = 1e-4
# Where rounding keeps regions from being laid over one another they are rounded to this, mm.
_GRID = 1e-6


def overlaid(function: Callable[..., Any], one: Any, other: Any) -> Any:
    """What `function`, shapely's `difference` or `intersection`, makes of regions or arrays of
    them. Corners that nearly lie on one another are rounded where it cannot be computed without."""
    try:
        return function(one, other)
    except shapely.GEOSException:
        sound = [shapely.make_valid(each, method="structure") for each in (one, other)]
        return function(*sound, grid_size=_GRID)


def material(sections: Sections, section: int) -> shapely.Geometry:
    """The material of one distinct section; -1: none."""
    if section < 0:
        return shapely.Polygon()
    rings = [shapely.linearrings(ring) for ring in sections.rings(section) if len(ring) > 2]
    return shapely.build_area(shapely.geometrycollections(rings))


def materials(sections: Sections) -> NDArray[np.object_]:
    """The material of every distinct section, (s,)."""
    start, of = sections.ring_start, sections.ring_section
    count = int(sections.distinct.max(initial=-1)) + 1
    long = np.diff(start) > 2
    own = np.repeat(np.cumsum(long) - 1, np.diff(start))
    whole = np.repeat(long, np.diff(start))
    rings = shapely.linearrings(sections.points[whole], indices=own[whole])
    shapes = np.full(count, shapely.Polygon(), object)
    if len(rings):
        shapely.geometrycollections(rings, indices=of[long], out=shapes)
    return np.asarray(shapely.build_area(shapes), object)


def parts(shape: shapely.Geometry) -> NDArray[np.object_]:
    """The regions that a shape is of."""
    return np.asarray(shapely.get_parts(shape), object)


class Joined:
    """Things that are joined two by two (union-find; Tarjan, "Efficiency of a good but not linear
    set union algorithm", Journal of the ACM 22, 1975; from memory)."""

    def __init__(self, count: int = 0) -> None:
        self._root = list(range(count))

    def add(self) -> int:
        """One more; its number."""
        self._root.append(len(self._root))
        return len(self._root) - 1

    def first(self, number: int) -> int:
        """The one that stands for all that this one is joined with."""
        root = self._root
        while root[number] != number:
            root[number] = root[root[number]]
            number = root[number]
        return number

    def join(self, one: int, other: int) -> tuple[int, int] | None:
        """Join two: which stands for both, and which stood for the other; None: they were one."""
        keep, gone = sorted((self.first(one), self.first(other)))
        if keep == gone:
            return None
        self._root[gone] = keep
        return keep, gone
