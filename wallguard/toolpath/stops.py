"""Lines right behind the ends of strands, so that no gap along a wall falls between two lines.

=====o  o=====        o  the round end of a strand; the line is drawn 0.02 mm behind it, where
     ^                   the wall goes on and the strand runs along it
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.toolpath.across import Across, Lines, Plate
from wallguard.toolpath.outcome import Stops

# Right behind the end of a strand, mm.
_BEHIND = 0.02
# The nearest line of the wall lies no further off than this along the wall, mm: they are drawn
# 0.5 mm apart, so half as far and a little more. Further off the wall has ended, at a corner.
_NEAR = 0.3
# A strand runs along a wall if it is turned from it by no more than 30 degrees: the cosine.
_ALONG = 0.866
# A wall goes on behind a strand if there is a line of it within this of where one is expected, mm.
_GOES_ON = 0.6
# And if the sides lie straight across there and so far beside it, mm: else another wall joins.
_BESIDE = (-1.0, -0.5, 0.5, 1.0)
# Layers lie this far apart for the search, mm, so that only lines of the same one are near.
_FAR = 1e4

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


class _Ends(NamedTuple):
    """Ends of strands that no other strand continues: the places right behind them and the ways
    on (n, 2), in the part as printed, and the levels (n,)."""

    place: _Floats
    way: _Floats
    level: _Ints


def find_stops(plate: Plate, lines: Lines, whole: _Ints, straight: NDArray[np.bool_]) -> Stops:
    """Measure right behind each end of a strand in a wall that goes on there.

    whole  (n,) the wall in its layer that each of `lines` belongs to
    straight  (n,) whether the wall's two sides lie straight across from each other
    """
    from scipy.spatial import cKDTree

    ends = _ends(plate)
    none = Stops(np.zeros(0, np.int64), Across.nothing(0))
    if not len(ends.level):
        return none
    tree = cKDTree(np.column_stack([lines.centre, lines.level * _FAR]))
    here = np.column_stack([ends.place, ends.level * _FAR])
    distance, near = tree.query(here, distance_upper_bound=2.5 + plate.usual)
    good = np.isfinite(distance)
    near, here, way = near[good], here[good], ends.way[good]
    normal, thickness = lines.normal[near], lines.thickness[near]
    off = here[:, :2] - lines.centre[near]
    aside = (off * normal).sum(axis=1)
    tangent = np.column_stack([-normal[:, 1], normal[:, 0]])
    along = (off * tangent).sum(axis=1)
    on = (way * tangent).sum(axis=1)
    # In the wall, pointing along it, and the wall goes on both behind and before: else it is an
    # end or a corner.
    kept = (
        straight[near]
        & (np.abs(aside) <= thickness / 2)
        & (np.abs(along) <= _NEAR)
        & (np.abs(on) >= _ALONG)
    )
    far = np.maximum(thickness, plate.usual)
    steps = [(far, _GOES_ON), (-far, _GOES_ON)]
    steps += [(np.full(len(far), side), _NEAR) for side in _BESIDE]
    for step, least in steps:
        further = here.copy()
        further[:, :2] = lines.centre[near] + (along + step)[:, None] * tangent
        distance, beyond = tree.query(further, distance_upper_bound=least)
        kept &= np.isfinite(distance)
        kept[kept] &= whole[beyond[kept]] == whole[near[kept]]
        if least == _NEAR:
            kept[kept] &= straight[beyond[kept]]
    chosen = np.flatnonzero(kept)
    if not len(chosen):
        return none
    chosen = chosen[np.argsort(lines.level[near[chosen]], kind="stable")]
    spot = near[chosen]
    across, _ = plate.across(
        Lines(
            lines.level[spot],
            lines.centre[spot] + along[chosen, None] * tangent[chosen],
            lines.normal[spot],
            lines.thickness[spot],
        )
    )
    return Stops(spot, across)


def _ends(plate: Plate) -> _Ends:
    laid, placement = plate.laid, plate.placement
    points, ways, radii = [np.zeros((0, 2))], [np.zeros((0, 2))], [np.zeros(0)]
    levels = [np.zeros(0, np.int64)]
    for index, level in enumerate(plate.levels):
        if level.layer < 0:
            continue
        chosen = laid.in_layer(level.layer)
        chosen = chosen[~laid.odd[chosen]]
        one, other = laid.start[chosen], laid.end[chosen]
        along = (other - one) / np.maximum(np.hypot(*(other - one).T), 1e-12)[:, None]
        joins = (np.abs(one[1:] - other[:-1]) < 1e-6).all(axis=1)
        begins = ~np.append(False, joins)[: len(chosen)]
        stops = ~np.append(joins, False)[: len(chosen)]
        points += [one[begins], other[stops]]
        ways += [-along[begins], along[stops]]
        radii += [laid.width[chosen[begins]] / 2, laid.width[chosen[stops]] / 2]
        levels.append(np.full(np.count_nonzero(begins) + np.count_nonzero(stops), index))
    point, way, radius = (np.concatenate(parts) for parts in (points, ways, radii))
    behind = placement.to_part(point + (radius + _BEHIND)[:, None] * way)
    return _Ends(behind, placement.ways_to_part(way), np.concatenate(levels))
