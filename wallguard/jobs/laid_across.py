"""What lines across the features of a coupon meet in a toolpath that makes it.

A wall's thickness is what its beads reach, and at least what their material fills: beads that are
forced on each other push each other outward. A bead of width w in layers of height h holds as much
as w - o of wall, o = h (1 - pi / 4) (conservation of volume, see `bands.beads`), so beads together
are as thick as the sum of w - o, and o for the round ends outside.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.bands.section import round_ends
from wallguard.coupon.laid import Strand
from wallguard.coupon.rows import Feature
from wallguard.jobs.verify import Verified
from wallguard.toolpath.across import Own
from wallguard.toolpath.comparison import free_across, strands_across
from wallguard.toolpath.levels import Level

Box = NDArray[np.float64]

# Lines across a feature at each height, over the middle of its length.
_LINES, _MIDDLE = 25, 0.6
# Layers one above the other in which strands are looked for: filling turns from one to the next.
_LAYERS = 8
# A strand is one if its middle and width change by less from layer to layer, mm, in this share.
_STILL, _MOST = 0.06, 0.75
# Filling takes up at least this share of the lines or layers.
_SOME = 0.1


@dataclass(frozen=True)
class Drawn:
    """A feature of a coupon as its manifest says. Lengths in mm.

    box      (2, 3) lowest and highest corner
    across   0 or 1: the direction in which it is measured; None: its diameter
    heights  at which it is measured
    """

    feature: Feature
    axis: str
    nominal: float
    box: Box
    across: int | None
    heights: tuple[float, ...]


class WallAcross(NamedTuple):
    """A wall: its thickness at each height (mm; empty: nothing was found), the strands that run
    along it in all layers alike, whether there is filling, and the widest air in it (usually, mm).
    """

    thickness: tuple[float, ...]
    strands: tuple[Strand, ...]
    filled: bool
    air: float


def wall_across(drawn: Drawn, verified: Verified) -> WallAcross:
    """What is laid across a wall."""
    levels = verified.comparisons[0].levels
    read = [_nearest(levels, height) for height in drawn.heights]
    middle = read[len(read) // 2]
    first = max(0, min(middle - _LAYERS // 2, len(levels) - _LAYERS))
    several = list(range(first, min(first + _LAYERS, len(levels))))
    numbers = [*read, *several]
    points, normal = _lines(drawn, 0 if drawn.across is None else drawn.across)
    own = strands_across(
        verified.laid,
        verified.places[0],
        [levels[number] for number in numbers],
        points,
        normal,
        drawn.nominal,
    )
    starts = np.searchsorted(own.line, np.arange(len(numbers) * _LINES + 1))
    lines = [
        own.part(low, high)
        for low, high in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True)
    ]
    blocks = [lines[at * _LINES : (at + 1) * _LINES] for at in range(len(numbers))]
    thickness = [
        _thickness(block, levels[number]) for block, number in zip(blocks, read, strict=False)
    ]
    layers = blocks[len(read) :]
    strands, filled = _strands(layers)
    air = float(np.median([_air(own) for layer in layers for own in layer]))
    return WallAcross(tuple(one for one in thickness if one > 0), strands, filled, air)


def _air(own: Own) -> float:
    """The widest air between the beads that a line meets, mm."""
    if len(own.line) < 2:
        return 0.0
    reached = np.maximum.accumulate(own.high)
    return max(0.0, float((own.low[1:] - reached[:-1]).max()))


def free_room(drawn: Drawn, verified: Verified) -> tuple[float, ...]:
    """The free room (mm) across a gap or a hole; empty where it is closed."""
    low, high = drawn.box
    # A hole that lies is as wide as its diameter at the height of its middle only.
    lying = drawn.axis == "horizontal"
    shares = (0.5,) if lying else (0.35, 0.6, 0.85)
    ways = [drawn.across] if drawn.across is not None else _round_ways(drawn)
    rooms = []
    for share in shares:
        level = _level(verified, float(low[2] + share * (high[2] - low[2])))
        for way in ways:
            points, normal = _lines(drawn, way, one=drawn.across is None and not lying)
            free = free_across(
                verified.laid, verified.places[0], level, points, normal, drawn.nominal
            )
            rooms.append(float(np.median(free)))
    return _read(rooms)


def outer_size(drawn: Drawn, verified: Verified) -> tuple[float, ...]:
    """The diameter (mm) of a pin; empty where nothing is laid."""
    sizes = []
    for height in drawn.heights:
        level = _level(verified, height)
        for way in (0, 1):
            points, normal = _lines(drawn, way, one=True)
            own = strands_across(
                verified.laid, verified.places[0], [level], points, normal, drawn.nominal
            )
            sizes.append(float(own.high.max() - own.low.min()) if len(own.line) else 0.0)
    return _read(sizes)


def _read(sizes: list[float]) -> tuple[float, ...]:
    """Readings in thousandths; none where most of them are nothing."""
    if np.median(sizes) <= 0:
        return ()
    return tuple(round(size, 3) for size in sizes if size > 0)


def _round_ways(drawn: Drawn) -> list[int]:
    """Directions in which a hole's box is as wide as the hole."""
    size = drawn.box[1] - drawn.box[0]
    return [way for way in (0, 1) if abs(float(size[way]) - drawn.nominal) < 1e-3]


def _lines(drawn: Drawn, across: int, *, one: bool = False) -> tuple[Box, Box]:
    """Lines across a feature, over the middle of its length, or one through its middle."""
    along, count = 1 - across, 1 if one else _LINES
    middle = drawn.box.mean(axis=0)
    reach = (drawn.box[1] - drawn.box[0])[along] * _MIDDLE / 2
    points = np.zeros((count, 2))
    points[:, across] = middle[across]
    points[:, along] = middle[along] + (np.linspace(-reach, reach, count) if count > 1 else 0.0)
    normal = np.zeros((count, 2))
    normal[:, across] = 1.0
    return points, normal


def _nearest(levels: tuple[Level, ...], height: float) -> int:
    """The number of the level whose middle is nearest to a height (mm)."""
    off = [abs(level.top - level.height / 2 - height) for level in levels]
    return off.index(min(off))


def _level(verified: Verified, height: float) -> Level:
    levels = verified.comparisons[0].levels
    return levels[_nearest(levels, height)]


def _thickness(lines: list[Own], level: Level) -> float:
    """Of a wall in one level, the median of the lines (mm); 0 where nothing is laid."""
    share = round_ends(level.height)
    thicknesses = []
    for own in lines:
        if not len(own.line):
            continue
        along = own.along if own.along.any() else np.ones(len(own.line), bool)
        reached = float(own.high[along].max() - own.low[along].min())
        # Where one strand goes on in its next segment there are no two beads beside each other.
        beside = bool((own.along & own.amid).all())
        filled = float((own.width[along] - share).sum()) + share if beside else 0.0
        thicknesses.append(max(reached, filled))
    return round(float(np.median(thicknesses)), 3) if thicknesses else 0.0


def _strands(layers: list[list[Own]]) -> tuple[tuple[Strand, ...], bool]:
    """The strands that run along a wall at the same place in nearly all layers, and whether
    there is more."""
    each = [layer for layer in map(_layer, layers) if layer]
    if not each:
        return (), False
    crossed = sum(not own.along.all() for layer in layers for own in layer)
    filled = crossed > _SOME * sum(len(layer) for layer in layers)
    strands = sorted(strand for layer in each for strand in layer)
    kept: list[Strand] = []
    while strands:
        first = strands[0]
        same = [
            abs(strand.middle - first.middle) < _STILL and abs(strand.width - first.width) < _STILL
            for strand in strands
        ]
        near = [strand for strand, is_ in zip(strands, same, strict=True) if is_]
        strands = [strand for strand, is_ in zip(strands, same, strict=True) if not is_]
        number = round(len(near) / len(each))
        if len(near) >= _MOST * len(each):
            # Two that are forced to one place are two.
            middle, width = np.median(np.array(near), axis=0).tolist()
            kept += [Strand(middle, width)] * max(1, number)
        else:
            filled |= len(near) > _SOME * len(each)
    return tuple(kept), filled


def _layer(lines: list[Own]) -> list[Strand]:
    """The strands along a wall in one layer: as most of the lines meet them, of those that meet
    them amid their segments if any do."""
    lines = [own for own in lines if own.amid[own.along].all()] or lines
    met = [
        sorted(
            Strand((low + high) / 2, width)
            for low, high, width in zip(
                own.low[own.along].tolist(),
                own.high[own.along].tolist(),
                own.width[own.along].tolist(),
                strict=True,
            )
        )
        for own in lines
    ]
    usual, _ = Counter(map(len, met)).most_common(1)[0]
    alike = np.array([strands for strands in met if len(strands) == usual])
    return [Strand(*row) for row in np.median(alike, axis=0).tolist()] if usual else []
