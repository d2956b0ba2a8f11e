"""The shapes that a coupon is put together from, before there is any mesh.

A module is a rectangle with what belongs together: a comb of walls, a column of gaps, holes or
pins. Its frame has its origin at the lower left corner and z = 0 at the underside of the base.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from wallguard.coupon.marks import Outline, Pen
from wallguard.coupon.marks import Point as Point2
from wallguard.coupon.plan import Feature

Point = tuple[float, float, float]
Box = tuple[Point, Point]
Across = Literal["x", "y", "diameter"]
_Move = Callable[[float, float], Point2]

# Corners of a circle: a hole of 10 mm has a sagitta of 0.003 mm.
SIDES = 96


@dataclass(frozen=True)
class Prism:
    """An upright solid: an outline (counter-clockwise) drawn up from z = low to high, mm."""

    outline: Outline
    low: float
    high: float


@dataclass(frozen=True)
class Bore:
    """A lying hole: a cylinder that begins at `start` and runs along `along`, mm."""

    start: Point
    along: Literal["x", "y"]
    length: float
    diameter: float


@dataclass(frozen=True)
class Mark:
    """A text that stands on the base: its lower left corner, as it is read; turned: it is read
    from the right, upward."""

    text: str
    at: Point2
    turned: bool = False

    def strokes(self, pen: Pen) -> Iterator[Outline]:
        x, y = self.at
        for outline in pen.strokes(self.text):
            yield tuple((x - v, y + u) if self.turned else (x + u, y + v) for u, v in outline)


@dataclass(frozen=True)
class Placed:
    """A feature where it stands. All in mm.

    box      (lowest corner, highest corner) of the wall, gap, hole or pin
    measure  the points at which to measure it: in its middle
    across   in which direction
    """

    feature: Feature
    box: Box
    measure: tuple[Point, ...]
    across: Across


@dataclass(frozen=True)
class Module:
    """What stands on `width` x `depth` mm of a base."""

    width: float
    depth: float
    prisms: tuple[Prism, ...] = ()
    cuts: tuple[Prism, ...] = ()
    bores: tuple[Bore, ...] = ()
    marks: tuple[Mark, ...] = ()
    placed: tuple[Placed, ...] = ()

    def moved(self, dx: float, dy: float) -> Module:
        return self._mapped(lambda x, y: (x + dx, y + dy))

    def turned(self) -> Module:
        """The module turned by 90 degrees counter-clockwise; its marks are read from the right."""
        if self.bores or any(mark.turned for mark in self.marks):
            raise ValueError("only a module that is not turned yet, without bores, can be turned")
        turned = self._mapped(lambda x, y: (self.depth - y, x))
        other: dict[Across, Across] = {"x": "y", "y": "x", "diameter": "diameter"}
        return replace(
            turned,
            width=self.depth,
            depth=self.width,
            marks=tuple(replace(each, turned=True) for each in turned.marks),
            placed=tuple(replace(each, across=other[each.across]) for each in turned.placed),
        )

    def _mapped(self, move: _Move) -> Module:
        """All that stands in it, each point moved in the plane."""

        def up(point: Point) -> Point:
            return (*move(point[0], point[1]), point[2])

        def box(corners: Box) -> Box:
            (x1, y1, low), (x2, y2, high) = up(corners[0]), up(corners[1])
            return (min(x1, x2), min(y1, y2), low), (max(x1, x2), max(y1, y2), high)

        def prism(solid: Prism) -> Prism:
            return replace(solid, outline=tuple(move(*point) for point in solid.outline))

        return replace(
            self,
            prisms=tuple(map(prism, self.prisms)),
            cuts=tuple(map(prism, self.cuts)),
            bores=tuple(replace(each, start=up(each.start)) for each in self.bores),
            marks=tuple(replace(each, at=move(*each.at)) for each in self.marks),
            placed=tuple(
                replace(each, box=box(each.box), measure=tuple(map(up, each.measure)))
                for each in self.placed
            ),
        )


def circle(x: float, y: float, diameter: float) -> Outline:
    """A circle as SIDES corners that lie on it, counter-clockwise."""
    turns = (2 * math.pi * (at + 0.5) / SIDES for at in range(SIDES))
    radius = diameter / 2
    return tuple((x + radius * math.cos(turn), y + radius * math.sin(turn)) for turn in turns)


def block(corner: Point2, width: float, depth: float, low: float, high: float) -> Prism:
    """A block whose lower left corner stands there."""
    x, y = corner
    return Prism(((x, y), (x + width, y), (x + width, y + depth), (x, y + depth)), low, high)
