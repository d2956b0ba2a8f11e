"""Two toolpaths of one part: which walls come out otherwise, and which get worse.

Walls of both are measured in the part's own frame, so the same wall has the same place in both,
wherever the copies lie. It may come out in pieces, and in other pieces on the other side:

    before   |------ solid ------|            pairs     solid  -> solid
    after    |-- solid --|missing|                      solid  -> missing, from where that begins

So every piece before is paired with every piece after that lies where it does. Copies are paired
in the order in which they lie; a copy too many with the first. Changes that are alike on several
copies are one pair, which names them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from wallguard.base.arrays import weighted_median
from wallguard.findings.model import Point, Trouble
from wallguard.findings.outcomes import has_air, loss
from wallguard.part.geometry import Geometry
from wallguard.rules.model import TOLERANCE_DEFAULT
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.comparison import UNCERTAINTY, Comparison, LaidWall
from wallguard.toolpath.placement import Placement
from wallguard.toolpath.verdict import deviation_of, outcome_of, same_place

# Air that grows by more than this got worse, mm: more than two measures of it may lie apart.
_MORE_AIR = max(0.05, 2 * UNCERTAINTY)
# Pieces of walls are paired where so much of the smaller one lies where the other does.
_SHARED = 0.3


@dataclass(frozen=True)
class Side:
    """One of the two toolpaths. Lengths in mm, volumes in mm^3.

    volume  of all beads; width: usual bead; layers, height: usual layer height; copies of the part
    skipped from where to where (mm above the plate) nothing is laid though the part goes on
    turned  by how many degrees each copy is turned; mirrored: whether it is laid as in a mirror
    """

    path: str
    volume: float
    width: float
    layers: int
    height: float
    copies: int
    skipped: tuple[tuple[float, float], ...] = ()
    turned: tuple[float, ...] = ()
    mirrored: bool = False


@dataclass(frozen=True)
class Pair:
    """A wall before and after, where both have it; in the part file's own frame, mm.

    location  where what changes begins; z: from where to where it reaches
    copies    on which copies of the later toolpath, from 1
    """

    thickness: float
    length: float
    location: Point
    z: tuple[float, float]
    before: str
    after: str
    air: tuple[float, float]
    printed: tuple[float | None, float | None]
    copies: tuple[int, ...] = (1,)

    @property
    def worse(self) -> bool:
        """Whether it comes out worse afterwards."""
        same = self.before == self.after and has_air(self.after)
        more = same and self.air[1] > self.air[0] + _MORE_AIR
        return more or loss(self.after) > loss(self.before)

    @property
    def better(self) -> bool:
        """Whether it comes out better afterwards."""
        return loss(self.after) < loss(self.before)

    @property
    def changed(self) -> bool:
        """Whether it comes out otherwise at all."""
        if self.before != self.after:
            return True
        if self.printed[0] is None or self.printed[1] is None:
            return False
        moved = abs(self.printed[1] - self.printed[0]) > 2 * UNCERTAINTY
        return moved or abs(self.air[1] - self.air[0]) > 2 * UNCERTAINTY


@dataclass(frozen=True)
class Against:
    """The comparison: both sides, and every wall in both, what gets worse first.

    troubles  why it could not be made, if it could not: then both sides are empty
    """

    part: str
    before: Side
    after: Side
    pairs: tuple[Pair, ...]
    notes: tuple[str, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    version: str = ""
    started: str = ""

    @property
    def worse(self) -> tuple[Pair, ...]:
        """The walls that come out worse."""
        return tuple(pair for pair in self.pairs if pair.worse)

    @property
    def fewer_layers(self) -> bool:
        """Whether layers are missing that were there before."""
        return bool(set(self.after.skipped) - set(self.before.skipped))

    @property
    def mirrored(self) -> bool:
        """Whether one of them lays the part as in a mirror, and the other does not."""
        return self.before.mirrored != self.after.mirrored

    @property
    def exit_code(self) -> int:
        """1 where a wall gets worse, layers or copies go missing, or it is mirrored, 2 where it
        could not be made; else 0."""
        if self.troubles:
            return 2
        lost = self.fewer_layers or self.after.copies < self.before.copies or self.mirrored
        return int(bool(self.worse) or lost)


class Change(NamedTuple):
    """A pair with the walls it is made of."""

    pair: Pair
    before: LaidWall
    after: LaidWall

    @property
    def shown_before(self) -> LaidWall:
        """What was there, at the place of the change."""
        return replace(self.before, stretch=_smaller(self.before, self.after).stretch)

    @property
    def shown_after(self) -> LaidWall:
        """What is there now."""
        return replace(self.after, stretch=_smaller(self.before, self.after).stretch)


def side(
    path: str, laid: Beads, comparisons: Sequence[Comparison], places: Sequence[Placement] = ()
) -> Side:
    """What is said of one toolpath as a whole."""
    good = ~laid.odd
    usual = weighted_median(laid.width[good], laid.volume[good]) if good.any() else 0.0
    skipped = {
        (round(low, 3), round(high, 3))
        for comparison in comparisons
        for low, high in comparison.skipped
    }
    return Side(
        path,
        float(laid.volume.sum()),
        usual,
        len(laid.layer_z),
        float(np.median(laid.layer_height)),
        len(comparisons),
        tuple(sorted(skipped)),
        tuple(round(place.angle, 2) for place in places),
        any(place.mirrored for place in places),
    )


def changes(
    geometry: Geometry,
    before: Sequence[Comparison],
    after: Sequence[Comparison],
    tolerance: tuple[float, float] = (TOLERANCE_DEFAULT, TOLERANCE_DEFAULT),
) -> tuple[Change, ...]:
    """Every wall that both have, on all copies; what gets worse first."""
    changes: dict[Pair, Change] = {}
    for number, comparison in enumerate(after):
        first = before[number] if number < len(before) else before[0]
        for one, other in _paired(first.walls, comparison.walls):
            pair = _pair(geometry, one, other, tolerance)
            known = changes.get(pair)
            copies = (*known.pair.copies, number + 1) if known else (number + 1,)
            copies = tuple(dict.fromkeys(copies))
            # The key is the pair on the first copy; the copies are counted up beside it.
            changes[pair] = Change(replace(pair, copies=copies), one, other)
    return tuple(
        sorted(
            changes.values(),
            key=lambda change: (
                not change.pair.worse,
                not change.pair.better,
                not change.pair.changed,
                round(change.pair.thickness, 3),
                change.pair.location,
                change.pair.copies,
            ),
        )
    )


def _paired(
    before: Sequence[LaidWall], after: Sequence[LaidWall]
) -> list[tuple[LaidWall, LaidWall]]:
    """Pieces of walls that lie where the other does."""
    boxes = np.array([wall.stretch.box for wall in before]).reshape(-1, 2, 3)
    walls = []
    for other in after:
        low, high = np.array(other.stretch.box)
        near = ((boxes[:, 0] <= high) & (boxes[:, 1] >= low)).all(axis=1)
        walls += [
            (before[index], other)
            for index in np.flatnonzero(near).tolist()
            if same_place(before[index], other) >= _SHARED
        ]
    return walls


def _pair(
    geometry: Geometry, before: LaidWall, after: LaidWall, tolerance: tuple[float, float]
) -> Pair:
    place = _smaller(before, after).stretch
    low = max(before.stretch.low, after.stretch.low)
    high = max(low, min(before.stretch.high, after.stretch.high))
    x, y, z = place.point
    (x0, y0, _), (x1, y1, _) = place.box
    box = geometry.box(((x0, y0, low), (x1, y1, high)))
    return Pair(
        thickness=round(place.typical, 4),
        length=round(place.length, 3),
        location=_rounded(geometry.location((x, y, min(max(z, low), high)))),
        z=(round(box[0][2], 3), round(box[1][2], 3)),
        before=outcome_of(before, tolerance),
        after=outcome_of(after, tolerance),
        air=(round(before.air, 3), round(after.air, 3)),
        printed=(_printed(before, place.typical), _printed(after, place.typical)),
        copies=(),
    )


def _smaller(before: LaidWall, after: LaidWall) -> LaidWall:
    """The one that tells where: one of them may be only a piece of the other."""

    def size(wall: LaidWall) -> float:
        return wall.stretch.length * (wall.stretch.high - wall.stretch.low)

    return min((after, before), key=size)


def _printed(wall: LaidWall, thickness: float) -> float | None:
    return None if wall.printed is None else round(thickness + deviation_of(wall), 3)


def _rounded(point: Point) -> Point:
    x, y, z = (round(value, 3) for value in point)
    return x, y, z
