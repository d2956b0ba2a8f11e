"""A plot of printed against drawn thickness, and strips of what is inside on the same axis."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from wallguard.bands.table import Band, BandTable
from wallguard.drawings.svg import (
    INK,
    PALE,
    PAPER,
    Point,
    line,
    paint,
    path,
    rect,
    text,
    text_width,
)
from wallguard.rules.model import Fill

_SAME = 1e-9


@dataclass(frozen=True)
class Plot:
    """Where a plot stands on its page, and how far its axes reach. All in mm.

    reach  of both axes: whole steps of `tick`
    tick   from one mark on an axis to the next
    """

    left: float
    right: float
    top: float
    bottom: float
    reach: float
    tick: float

    @classmethod
    def reaching(
        cls, reach: float, most: int, across: tuple[float, float], down: tuple[float, float]
    ) -> Plot:
        """Axes that reach at least so far, with at most so many steps between marks, from left
        to right and from top to bottom."""
        tick = _tick(reach, most)
        return cls(*across, *down, math.ceil(reach / tick - 1e-6) * tick, tick)

    def x(self, nominal: float) -> float:
        return self.left + (self.right - self.left) * min(nominal, self.reach) / self.reach

    def y(self, printed: float) -> float:
        printed = max(0.0, min(printed, self.reach))
        return self.bottom - (self.bottom - self.top) * printed / self.reach

    def seen(self, table: BandTable) -> Iterator[Band]:
        """The bands that the plot reaches and that are ever looked up."""
        for band in table.bands:
            if band.lower < self.reach - _SAME and band.readings is not None:
                yield band

    def behind(self, fill: Fill, left: float, right: float, opacity: float) -> str:
        """What is inside, behind the plot from left to right."""
        height = self.bottom - self.top
        return rect(left, self.top, right - left, height, fill=paint(fill), fill_opacity=opacity)

    def grid(self) -> Iterator[str]:
        """Lines, marks and numbers, and what the axes are."""
        decimals = max(0, -math.floor(math.log10(self.tick) + _SAME))
        for at in range(round(self.reach / self.tick) + 1):
            value = at * self.tick
            x, y, label = self.x(value), self.y(value), f"{value:.{decimals}f}"
            yield line(x, self.top, x, self.bottom, stroke=PALE, stroke_width=0.12)
            yield line(self.left, y, self.right, y, stroke=PALE, stroke_width=0.12)
            yield line(x, self.bottom, x, self.bottom + 1.2, stroke_width=0.3)
            yield line(self.left, y, self.left - 1.2, y, stroke_width=0.3)
            yield text(x, self.bottom + 5, label, 3.8, text_anchor="middle")
            yield text(self.left - 2, y + 1.3, label, 3.8, text_anchor="end")
        middle = (self.left + self.right) / 2
        said = "thickness as drawn, mm"
        yield text(middle, self.bottom + 10.3, said, 4.2, text_anchor="middle")
        x, middle = self.left - 14.5, (self.top + self.bottom) / 2
        turned = f"rotate(-90 {x:g} {middle:g})"
        said = "printed thickness, mm"
        yield text(x, middle, said, 4.2, text_anchor="middle", transform=turned)

    def frame(self) -> str:
        size = (self.right - self.left, self.bottom - self.top)
        return rect(self.left, self.top, *size, fill="none", stroke=INK, stroke_width=0.4)

    def slanted(self, offset: float) -> list[Point]:
        """Both ends of the line on which walls come out `offset` mm thicker than drawn."""
        scale = (self.bottom - self.top) / self.reach
        return [(self.x(t), self.bottom - (t + offset) * scale) for t in (0, self.reach)]

    def line(self, band: Band, colour: str, shade: float, **stroke: str | float) -> Iterator[str]:
        """Printed thickness over one band, with its uncertainty around it in a shade."""
        ends = (band.lower, min(band.upper, self.reach))
        values = [(self.x(end), band.offset + band.slope * end) for end in ends]
        u = band.uncertainty
        if u > 0:
            above = [(x, self.y(value + u)) for x, value in values]
            below = [(x, self.y(value - u)) for x, value in reversed(values)]
            yield path([[*above, *below]], fill=colour, fill_opacity=shade)
        drawn = [(x, self.y(value)) for x, value in values]
        yield path([drawn], closed=False, fill="none", stroke=colour, **stroke)

    def runs(self, table: BandTable, narrowest: float = 0.0) -> list[tuple[Fill, float, float]]:
        """Fill, left and right end of what has one fill; the narrow last, and none narrower than
        `narrowest` mm on the page: a single wall is known on either side of which nothing is."""
        runs: list[tuple[Fill, float, float]] = []
        for fill, run in groupby(self.seen(table), key=lambda band: band.fill):
            bands = list(run)
            left, right = self.x(bands[0].lower), self.x(bands[-1].upper)
            lack = max(0.0, narrowest - (right - left)) / 2
            runs.append((fill, left - lack, right + lack))
        return sorted(runs, key=lambda run: run[2] - run[1] <= narrowest)

    def strip(
        self, name: str, table: BandTable, top: float, height: float, narrowest: float = 0.0
    ) -> Iterator[str]:
        """What is inside, by name, on the axis of the plot."""
        yield text(self.left - 2, top + height / 2 + 1.3, name, 3.8, text_anchor="end")
        for fill, left, right in self.runs(table, narrowest):
            size, middle = (right - left, height), (left + right) / 2
            yield rect(left, top, *size, fill=paint(fill), stroke=INK, stroke_width=0.25)
            wide = text_width(fill, 3.8)
            if right - left > wide + 1:
                x, y = middle - wide / 2, top + height / 2
                yield rect(x, y - 2.3, wide, 4.6, fill=PAPER, fill_opacity=0.9, rx=1)
                yield text(middle, y + 1.3, fill, 3.8, text_anchor="middle")


def _tick(reach: float, most: int) -> float:
    """Distance of marks on an axis of this length: 1, 2 or 5 times a power of ten."""
    power: float = 10.0 ** math.floor(math.log10(reach / most))
    return next(power * step for step in (1, 2, 5, 10) if reach <= most * power * step)
