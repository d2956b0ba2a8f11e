"""Two toolpaths of one part: which walls come out otherwise, and which get worse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wallguard.base.arrays import weighted_median
from wallguard.findings.model import Point
from wallguard.findings.outcomes import loss
from wallguard.findings.places import overlap
from wallguard.part.geometry import Geometry
from wallguard.rules.model import TOLERANCE_DEFAULT
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.comparison import LaidWall
from wallguard.toolpath.verdict import UNCERTAINTY, deviation_of, outcome_of

# How far two measures of one thickness may lie apart, mm.
_SAME = 0.05


@dataclass(frozen=True)
class Side:
    """One of the two toolpaths. Lengths in mm, volumes in mm^3.

    volume  of all beads; width: usual bead; layers, height: usual layer height; copies of the part
    """

    path: str
    volume: float
    width: float
    layers: int
    height: float
    copies: int


@dataclass(frozen=True)
class Pair:
    """A wall before and after; None: on that side no wall there is like it."""

    thickness: float
    length: float
    location: Point
    before: str
    after: str
    air: tuple[float, float]
    printed: tuple[float | None, float | None]

    @property
    def worse(self) -> bool:
        """Whether it comes out worse afterwards."""
        return loss(self.after) > loss(self.before) or (
            self.before == self.after == "hollow"
            and self.air[1] > self.air[0] + _SAME
            and self.air[1] > self.air[0] + 2 * UNCERTAINTY
        )

    @property
    def better(self) -> bool:
        """Whether it comes out better afterwards."""
        return loss(self.after) < loss(self.before)

    @property
    def changed(self) -> bool:
        """Whether it comes out otherwise at all."""
        if self.before != self.after:
            return True
        if None in self.printed or self.printed[0] is None or self.printed[1] is None:
            return False
        moved = abs(self.printed[1] - self.printed[0]) > 2 * UNCERTAINTY
        return moved or abs(self.air[1] - self.air[0]) > 2 * UNCERTAINTY


@dataclass(frozen=True)
class Against:
    """The comparison: both sides, and every wall in both, what gets worse first."""

    part: str
    before: Side
    after: Side
    pairs: tuple[Pair, ...]
    notes: tuple[str, ...] = ()
    version: str = ""
    started: str = ""

    @property
    def worse(self) -> tuple[Pair, ...]:
        return tuple(pair for pair in self.pairs if pair.worse)

    @property
    def exit_code(self) -> int:
        """1 where a wall gets worse, else 0."""
        return int(bool(self.worse))


def side(path: str, laid: Beads, copies: int) -> Side:
    """What is said of one toolpath as a whole."""
    good = ~laid.odd
    usual = weighted_median(laid.width[good], laid.volume[good]) if good.any() else 0.0
    return Side(
        path,
        float(laid.volume.sum()),
        usual,
        len(laid.layer_z),
        float(np.median(laid.layer_height)),
        copies,
    )


def pairs(
    geometry: Geometry,
    before: Sequence[LaidWall],
    after: Sequence[LaidWall],
    tolerance: tuple[float, float] = (TOLERANCE_DEFAULT, TOLERANCE_DEFAULT),
) -> tuple[Pair, ...]:
    """Every wall afterwards with what was there before, and every wall that is there no more."""
    found = []
    used: set[int] = set()
    for wall in after:
        match = _match(wall, before)
        if match is not None:
            used.add(match)
            found.append(_pair(geometry, before[match], wall, tolerance))
    for index, wall in enumerate(before):
        if index in used:
            continue
        match = _match(wall, after)
        if match is not None:
            found.append(_pair(geometry, wall, after[match], tolerance))
    unique = list(dict.fromkeys(found))
    return tuple(
        sorted(
            unique,
            key=lambda pair: (
                not pair.worse,
                not pair.better,
                not pair.changed,
                round(pair.thickness, 3),
                pair.location,
            ),
        )
    )


def _match(wall: LaidWall, others: Sequence[LaidWall]) -> int | None:
    """The wall that shares most of its box with this one, of about its thickness."""
    alike = [
        at
        for at, other in enumerate(others)
        if abs(other.stretch.typical - wall.stretch.typical) <= max(0.1, 0.1 * wall.stretch.typical)
    ]
    if not alike:
        return None
    low, high = np.array(wall.stretch.box)[:, None]
    boxes = np.array([others[at].stretch.box for at in alike])
    both = overlap(low, high, boxes[:, 0], boxes[:, 1])[0]
    best = int(both.argmax())
    return alike[best] if both[best] > 0 else None


def _pair(
    geometry: Geometry, before: LaidWall, after: LaidWall, tolerance: tuple[float, float]
) -> Pair:
    # The smaller of both tells where: one of them may be only a piece of the other.
    place = min(before, after, key=lambda one: (one.stretch.length, one.stretch.point)).stretch
    return Pair(
        thickness=place.typical,
        length=place.length,
        location=geometry.location(place.point),
        before=outcome_of(before, tolerance),
        after=outcome_of(after, tolerance),
        air=(before.air, after.air),
        printed=tuple(  # type: ignore[arg-type]
            None if one.printed is None else place.typical + deviation_of(one)
            for one in (before, after)
        ),
    )
