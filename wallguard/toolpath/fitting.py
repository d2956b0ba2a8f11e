"""From about where a part lies to exactly where: its outline against the edges of what is laid.

At points of the outline a line is drawn along the inward normal n. Where the first bead on it
begins, at the distance s inward of the point, there is the edge of what is laid:

        air            |  wall of the part
                   s   |
    - - - - - (####|###|####)- - -> n        s < 0: the edge lies outside, s > 0: inside
                   edge  outline point p

If the part has to move by (x, y), to turn by the small angle a about the middle c of its outline,
and if all beads together reach g further out than the outline, then to first order

    s = n . (x, y) + a n . (-(p - c)_y, (p - c)_x) - g

Four unknowns, thousands of points: least squares, with less weight for points far off (Cauchy's
weights, from memory), round after round with the edge that is nearest to where it is expected.
Walls that come out thicker or thinner on both sides alike change g only and move nothing; walls
that are left out have no edge in sight and do not count.

Where walls stand close together the nearest edge may be another wall's. So before the first round
the moves within one square of the coarse grid are all tried, for several g: that move counts most
after which most points have an edge where it is expected.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import median
from wallguard.toolpath.lines import Cells, Crossings, crossings
from wallguard.toolpath.placement import NEAR, Placement, plain_angle, turned

# How far around a coarse place all moves are tried and in which steps, mm: the coarse squares are
# 0.4 mm, and the least squares draw in what is 0.2 mm off. For how much all edges lie outside.
_AROUND, _STEP = 0.8, 0.2
_GROWN = (-0.1, 0.0, 0.1, 0.2, 0.3)
# How near to where it is expected an edge counts while moves are tried, mm: less than a step.
_KERNEL = 0.15
# Points used while moves are tried, and for the least squares, round after round with less sight
# (mm): first as far as the steps leave it and an angle of 1 degree shifts the ends of a part.
_TRIED, _FITTED = 400, 1500
_SIGHT = (0.9, 0.6, 0.4, 0.4)
# Within this of where it is expected an edge agrees, mm.
AGREES = NEAR / 2
# Laid on both sides as far as this, without an edge, contradicts an outline, mm: about a bead.
_DEEP = 0.4

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]


class Outline(NamedTuple):
    """Points of the part's outlines, in its own coordinates as printed: (n, 2) mm, their inward
    normals, and the numbers (n,) of the layers they are of."""

    point: _Floats
    normal: _Floats
    layer: _Ints

    def some(self, count: int) -> Outline:
        """At most about so many of the points, evenly spread."""
        if len(self.point) <= count:
            return self
        which = np.linspace(0, len(self.point) - 1, count).astype(np.int64)
        return Outline(self.point[which], self.normal[which], self.layer[which])


class Fit(NamedTuple):
    """A place fitted, and the share of the outline that what is laid contradicts: it goes on
    where the part has an edge."""

    place: Placement
    contradicted: float


class Near(NamedTuple):
    """A place moved by whole steps, how far its edges lie outside there, and how many (as a share
    of the points) lie where they are expected."""

    place: Placement
    grown: float
    share: float


def drawn_near(place: Placement, cells: Cells, outline: Outline) -> Near:
    """The place moved, by whole steps, to where most edges lie where they are expected."""
    move, grown, share = _best_near(cells, outline.some(_TRIED), place)
    return Near(_moved(place, move), grown, share)


def settled(near: Near, cells: Cells, outline: Outline, *, turn: bool = True) -> Fit:
    """The place from there by least squares, and how well it fits."""
    many = outline.some(_FITTED)
    place, grown = near.place, near.grown
    middle = np.array(place.middle)
    for sight in _SIGHT:
        point, direction = place.to_plate(many.point), turned(many.normal, place.angle)
        off = edges_at(cells, many.layer, point, direction, sight, grown).offset
        good = np.isfinite(off)
        if np.count_nonzero(good) < 8:
            break
        arm = (point[good] - middle) * turn
        x, y, angle, grown = _least_squares(direction[good], arm, off[good])
        place = _turned_about(_moved(place, np.array([x, y])), angle)
        middle = np.array(place.middle)
    return _judged(place, cells, outline.some(2 * _FITTED), grown)


def _judged(place: Placement, cells: Cells, outline: Outline, grown: float) -> Fit:
    point, direction = place.to_plate(outline.point), turned(outline.normal, place.angle)
    seen = edges_at(cells, outline.layer, point, direction, _SIGHT[0], grown)
    off = np.where(np.isfinite(seen.offset), seen.offset, np.inf)
    return Fit(
        replace(
            place,
            outline=float(np.mean(np.abs(off) <= NEAR)),
            agrees=float(np.mean(np.abs(off + grown) <= AGREES)),
            grown=grown,
        ),
        float(np.mean(seen.buried)),
    )


def _best_near(cells: Cells, outline: Outline, place: Placement) -> tuple[_Floats, float, float]:
    """The move of those around (2,), and the g, that puts most edges where they are expected; and
    which share of the outline has its edge there."""
    point, direction = place.to_plate(outline.point), turned(outline.normal, place.angle)
    sight = np.full(len(point), 1.5 * _AROUND + max(_GROWN))
    owners, places = [], []
    for met in crossings(cells, outline.layer, point, direction, sight):
        begins = _beginnings(met, float(sight[0]))
        owners.append(met.line[begins])
        places.append(met.low[begins])
    if not owners or not sum(map(len, owners)):
        return np.zeros(2), 0.0, 0.0
    owner, edge = np.concatenate(owners), np.concatenate(places)
    normal = direction[owner]
    first = np.flatnonzero(np.append(True, owner[1:] != owner[:-1]))
    # Most of the outline may run one way; what runs otherwise tells as much. Twelve ways.
    way = np.floor(np.arctan2(normal[:, 1], normal[:, 0]) % np.pi * 12 / np.pi).astype(np.int64)
    way %= 12
    weight = 1 / np.sqrt(np.bincount(way, minlength=12))[way[first]]
    steps = np.arange(-_AROUND, _AROUND + _STEP / 2, _STEP)
    y, grown = (each.ravel() for each in np.meshgrid(steps, _GROWN, indexing="ij"))
    best, chosen = -1.0, (np.zeros(2), 0.0, 0.0)
    seen = len(first) / len(point)
    for x in steps.tolist():
        rest = edge - normal[:, 0] * x - normal[:, 1] * y[:, None]
        near = np.exp(-(((rest + grown[:, None]) / _KERNEL) ** 2))
        scores = (weight * np.maximum.reduceat(near, first, axis=1)).sum(axis=1)
        # Of moves as good the smallest.
        scores -= 1e-6 * (np.hypot(x, y) + np.abs(grown))
        at = int(np.argmax(scores))
        score = float(scores[at])
        if score > best:
            move = np.array([x, y[at]])
            best, chosen = score, (move, float(grown[at]), seen * score / float(weight.sum()))
    return chosen


class Seen(NamedTuple):
    """At each point: how far inward the edge of what is laid lies (nan: none in sight), and
    whether beads cover both sides without an edge."""

    offset: _Floats
    buried: _Bools


def edges_at(
    cells: Cells, layer: _Ints, point: _Floats, direction: _Floats, sight: float, grown: float
) -> Seen:
    """The edge nearest to where it is expected, `grown` outside of each point (n, 2)."""
    nearest = np.full(len(point), np.nan)
    buried = np.zeros(len(point), bool)
    for met in crossings(cells, layer, point, direction, np.full(len(point), sight)):
        begins = _beginnings(met, sight)
        line, low = met.line[begins], met.low[begins]
        order = np.lexsort((np.abs(low + grown), line))
        line, low = line[order], low[order]
        first = np.append(True, line[1:] != line[:-1]) if len(line) else np.zeros(0, bool)
        nearest[line[first]] = low[first]
        buried |= _buried(met, len(point))
    return Seen(nearest, buried)


def _buried(met: Crossings, count: int) -> _Bools:
    """Which lines are covered without a gap from `_DEEP` before their point to as far behind."""
    buried = np.zeros(count, bool)
    if not len(met.line):
        return buried
    before = _covered_up_to(met.line, met.high)
    fresh = np.append(True, (met.line[1:] != met.line[:-1]) | (met.low[1:] > before[:-1] + 1e-6))
    begins = np.flatnonzero(fresh)
    ends = np.append(begins[1:], len(fresh)) - 1
    over = (met.low[begins] < -_DEEP) & (before[ends] > _DEEP)
    buried[met.line[begins[over]]] = True
    return buried


def _beginnings(met: Crossings, sight: float) -> _Bools:
    """Which crossings begin where nothing before covers, looking inward, and within sight."""
    if not len(met.line):
        return np.zeros(0, bool)
    before = _covered_up_to(met.line, met.high)
    begins = np.append(True, met.line[1:] != met.line[:-1])
    begins[1:] |= met.low[1:] > before[:-1] + 0.02
    # What is cut off at the end of sight has its edge elsewhere.
    visible: _Bools = begins & (met.low > -sight + 1e-9)
    return visible


def _covered_up_to(line: _Ints, high: _Floats) -> _Floats:
    """Running greatest of `high` within each line (sorted by line)."""
    if not len(line):
        return high
    span = float(high.max() - high.min()) + 1.0
    reach: _Floats = np.maximum.accumulate(high + line * span) - line * span
    return reach


def _least_squares(
    direction: _Floats, arm: _Floats, off: _Floats
) -> tuple[float, float, float, float]:
    """Move x, y (mm), turn (radians), and how far all edges lie outside (mm); see above."""
    reach = max(float(np.hypot(*arm.T).max()), 1.0)
    turning = (direction[:, 1] * arm[:, 0] - direction[:, 0] * arm[:, 1]) / reach
    columns = np.column_stack([direction, turning, -np.ones(len(off))])
    solution = np.zeros(4)
    for _ in range(10):
        rest = off - columns @ solution
        scale = max(0.02, 1.5 * median(np.abs(rest)))
        weight = 1 / (1 + (rest / scale) ** 2)
        normal = (columns * weight[:, None]).T @ columns
        # Where nothing tells (all walls run one way, all is round) nothing moves.
        normal += 1e-6 * len(off) * np.eye(4)
        before = solution
        solution = np.asarray(
            np.linalg.solve(normal, (columns * weight[:, None]).T @ off), np.float64
        )
        if np.abs(solution - before).max() < 1e-5:
            break
    return float(solution[0]), float(solution[1]), float(solution[2]) / reach, float(solution[3])


def _moved(place: Placement, move: _Floats) -> Placement:
    x, y = float(move[0]), float(move[1])
    return replace(
        place,
        shift=(place.shift[0] + x, place.shift[1] + y),
        middle=(place.middle[0] + x, place.middle[1] + y),
    )


def _turned_about(place: Placement, turn: float) -> Placement:
    """Turned about its middle, by radians."""
    angle = plain_angle(place.angle + math.degrees(turn))
    centre = place.to_part(np.array([place.middle]))
    x, y = (np.array(place.middle) - turned(centre, angle)[0]).tolist()
    return replace(place, angle=angle, shift=(x, y))
