"""The picture of a fit: nominal against printed thickness, the readings with bars, and the bands.

Above, the mean of each wall's readings with its U, and the line that each band says with U around
it, over bands by fill. Below, strips of the fills: of each axis where they differ.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby

from wallguard.bands.declared import band_table
from wallguard.bands.table import Band, BandTable
from wallguard.drawings.svg import (
    FILLS,
    INK,
    PALE,
    PAPER,
    document,
    element,
    line,
    paint,
    path,
    patterns,
    rect,
    text,
    text_width,
    wrapped,
)
from wallguard.fit.fit import Fit
from wallguard.fit.steps import Step
from wallguard.fit.uncertainty import Component, combined, expanded
from wallguard.rules.model import Axis, Fill, Rules

# The first line of what we draw: only a file that begins so is ever written over.
MARK = "<!-- Drawn by `wallguard coupon fit`. -->"
WIDTH, HEIGHT = 297.0, 210.0  # ISO 216, A4
_MARGIN = 13.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 30.0, 208.0, 34.0, 150.0  # of the plot
_PANEL = 217.0
_NARROWEST = 1.4
_ROOM = WIDTH - _MARGIN - _PANEL
# Of Okabe and Ito's set, apart from those of the fills.
_COLOURS: dict[Axis, str] = {"x": "#0072b2", "y": "#cc79a7"}


def plot(fitted: Fit, rules: Rules) -> str:
    """The picture of a fit as SVG of WIDTH x HEIGHT mm; `rules` are those that were made of it.

    Raises InputError where no band table follows from the rules.
    """
    drawn = _Plot(fitted, rules)
    body = [
        patterns(),
        rect(0, 0, WIDTH, HEIGHT, fill=PAPER),
        *drawn.heading(),
        *drawn.plot(),
        *drawn.strips(),
        *drawn.panel(),
    ]
    return f"{MARK}\n" + document(WIDTH, HEIGHT, f"Fit: {rules.name}", body)


class _Plot:
    def __init__(self, fitted: Fit, rules: Rules) -> None:
        self.fitted = fitted
        self.rules = rules
        axes: tuple[Axis | None, ...] = (None, *sorted(rules.axes))
        self.tables: dict[Axis | None, BandTable] = {axis: band_table(rules, axis) for axis in axes}
        walls = [(axis, step) for axis, found in fitted.measured.items() for step in found]
        self.walls: list[tuple[Axis, Step]] = walls
        largest = max(value for _, step in walls for value in (step.nominal, *step.readings))
        self.tick = _tick(1.05 * largest)
        self.reach = math.ceil(1.05 * largest / self.tick - 1e-6) * self.tick

    def x(self, nominal: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * min(nominal, self.reach) / self.reach

    def y(self, printed: float) -> float:
        return _BOTTOM - (_BOTTOM - _TOP) * max(0.0, min(printed, self.reach)) / self.reach

    def heading(self) -> Iterator[str]:
        (name,) = wrapped(self.rules.name, 7.0, WIDTH - 2 * _MARGIN, 1) or [""]
        yield text(_MARGIN, 18, name, 7.0, font_weight="bold")
        files = ", ".join(file.path for file in self.fitted.files)
        said = wrapped(f"Fitted to {files or 'readings'}", 4.0, WIDTH - 2 * _MARGIN, 1)
        yield text(_MARGIN, 26, said[0], 4.0, fill=PALE)

    def plot(self) -> Iterator[str]:
        for fill, left, right in self._runs(self.tables[None]):
            yield rect(left, _TOP, right - left, _BOTTOM - _TOP, fill=paint(fill), fill_opacity=0.3)
        yield from self._grid()
        single = len(self.tables) == 1
        for axis, table in self.tables.items():
            if single or axis is not None:
                colour = INK if axis is None else _COLOURS[axis]
                for band in _seen(table, self.reach):
                    yield from self._line(band, colour)
        for axis, step in self.walls:
            yield from self._reading(axis, step)
        yield rect(
            _LEFT, _TOP, _RIGHT - _LEFT, _BOTTOM - _TOP, fill="none", stroke=INK, stroke_width=0.4
        )
        middle = (_TOP + _BOTTOM) / 2
        turned = f"rotate(-90 {_LEFT - 15:g} {middle:g})"
        said = "printed thickness, mm"
        yield text(_LEFT - 15, middle, said, 4.2, text_anchor="middle", transform=turned)

    def _grid(self) -> Iterator[str]:
        decimals = max(0, -math.floor(math.log10(self.tick) + 1e-9))
        for at in range(round(self.reach / self.tick) + 1):
            x, y = self.x(at * self.tick), self.y(at * self.tick)
            label = f"{at * self.tick:.{decimals}f}"
            yield line(x, _TOP, x, _BOTTOM, stroke=PALE, stroke_width=0.12)
            yield line(_LEFT, y, _RIGHT, y, stroke=PALE, stroke_width=0.12)
            yield text(x, _BOTTOM + 5, label, 3.8, text_anchor="middle")
            yield text(_LEFT - 2, y + 1.3, label, 3.8, text_anchor="end")
        yield line(
            self.x(0),
            self.y(0),
            self.x(self.reach),
            self.y(self.reach),
            stroke=PALE,
            stroke_width=0.3,
            stroke_dasharray="2 1.2",
        )
        middle = (_LEFT + _RIGHT) / 2
        yield text(middle, _BOTTOM + 10.5, "thickness as drawn, mm", 4.2, text_anchor="middle")

    def _line(self, band: Band, colour: str) -> Iterator[str]:
        """Printed thickness over one band, and U around it."""
        if band.fill == "missing":
            return
        ends = (band.lower, min(band.upper, self.reach))
        values = [(end, band.offset + band.slope * end) for end in ends]
        above = [(self.x(end), self.y(value + band.uncertainty)) for end, value in values]
        below = [(self.x(end), self.y(value - band.uncertainty)) for end, value in values]
        yield path([[*above, *reversed(below)]], fill=colour, fill_opacity=0.22)
        dash = "0.8 0.8" if band.source == "calculated" else ""
        dash = "2 1" if band.fill == "uncertain" else dash
        extra = {"stroke_dasharray": dash} if dash else {}
        yield path(
            [[(self.x(end), self.y(value)) for end, value in values]],
            closed=False,
            fill="none",
            stroke=colour,
            stroke_width=0.5,
            **extra,
        )

    def _reading(self, axis: Axis, step: Step) -> Iterator[str]:
        # The axes a little to either side, so that one does not hide the other.
        x = self.x(step.nominal) + (-0.5 if axis == "x" else 0.5)
        colour = _COLOURS[axis]
        if not step.readings:
            yield from _mark(axis, x, self.y(0) - 1.6, colour, full=False)
            return
        one = self.fitted.scatter.of(step.fill)
        mean = Component(one.u / math.sqrt(len(step.readings)), one.freedom)
        half = expanded(combined((mean,)), self.fitted.limit)
        low, high = self.y(step.mean - half), self.y(step.mean + half)
        yield line(x, low, x, high, stroke=colour, stroke_width=0.4)
        for end in (low, high):
            yield line(x - 0.7, end, x + 0.7, end, stroke=colour, stroke_width=0.4)
        yield from _mark(axis, x, self.y(step.mean), colour, full=True)

    def strips(self) -> Iterator[str]:
        named: list[tuple[str, BandTable]] = [("inside", self.tables[None])]
        named += [
            (f"along {axis}", table) for axis, table in self.tables.items() if axis is not None
        ]
        top, height = _BOTTOM + 15, 10.0 if len(named) == 1 else 7.0
        for name, table in named:
            yield text(_LEFT - 2, top + height / 2 + 1.3, name, 3.8, text_anchor="end")
            for fill, left, right in self._runs(table):
                yield rect(
                    left,
                    top,
                    right - left,
                    height,
                    fill=paint(fill),
                    stroke=INK,
                    stroke_width=0.25,
                )
                wide = text_width(fill, 3.6)
                if right - left > wide + 1:
                    middle = (left + right) / 2
                    yield rect(
                        middle - wide / 2,
                        top + height / 2 - 2.2,
                        wide,
                        4.4,
                        fill=PAPER,
                        fill_opacity=0.9,
                    )
                    yield text(middle, top + height / 2 + 1.2, fill, 3.6, text_anchor="middle")
            top += height + 1.5

    def _runs(self, table: BandTable) -> list[tuple[Fill, float, float]]:
        """Fill, left and right end of what has one fill; the narrow last, and never too narrow to
        be seen: a single wall is known on either side of which nothing is."""
        found: list[tuple[Fill, float, float]] = []
        for fill, run in groupby(_seen(table, self.reach), key=lambda band: band.fill):
            bands = list(run)
            left, right = self.x(bands[0].lower), self.x(bands[-1].upper)
            lack = max(0.0, _NARROWEST - (right - left)) / 2
            found.append((fill, left - lack, right + lack))
        return sorted(found, key=lambda one: one[2] - one[1] <= _NARROWEST)

    def panel(self) -> Iterator[str]:
        y = _TOP + 3
        for fill, style in FILLS.items():
            yield rect(_PANEL, y - 4, 10, 5.5, fill=paint(fill), stroke=INK, stroke_width=0.25)
            for said in wrapped(style.words, 3.6, _ROOM - 12, 2):
                yield text(_PANEL + 12, y, said, 3.6)
                y += 4.4
            y += 3.4
        for axis in self.fitted.measured:
            yield from _mark(axis, _PANEL + 5, y - 1.2, _COLOURS[axis], full=True)
            yield line(
                _PANEL + 5, y - 4, _PANEL + 5, y + 1.6, stroke=_COLOURS[axis], stroke_width=0.4
            )
            yield text(_PANEL + 12, y, f"read along {axis}, ± U", 3.6)
            y += 8
        if any(not step.readings for _, step in self.walls):
            yield from _mark("x", _PANEL + 5, y - 1.2, INK, full=False)
            yield text(_PANEL + 12, y, "empty: nothing printed", 3.6)
            y += 8
        yield rect(_PANEL, y - 3.2, 10, 4, fill=INK, fill_opacity=0.22)
        yield line(_PANEL, y - 1.2, _PANEL + 10, y - 1.2, stroke_width=0.5)
        yield text(_PANEL + 12, y, "fitted, ± U (k = 2)", 3.6)
        y += 7
        for dash, said in (
            ("0.8 0.8", "calculated from beads"),
            ("2 1", "fill uncertain"),
            ("2 1.2", "as drawn"),
        ):
            ink = PALE if said == "as drawn" else INK
            yield line(
                _PANEL,
                y - 1.2,
                _PANEL + 10,
                y - 1.2,
                stroke=ink,
                stroke_width=0.5,
                stroke_dasharray=dash,
            )
            yield text(_PANEL + 12, y, said, 3.6)
            y += 6
        y += 3
        for said in self._words():
            for row in wrapped(said, 3.4, _ROOM, 3):
                yield text(_PANEL, y, row, 3.4)
                y += 4.3
            y += 1.2

    def _words(self) -> Iterator[str]:
        found = self.fitted.found
        if found is not None:
            width = [
                f"{key} {one.value:g} ({one.low:.2f} to {one.high:.2f})"
                for key, one in found.ranges.items()
                if key in ("width", "narrowest bead", "widest bead")
            ]
            yield f"Beads: {', '.join(width)} mm"
        yield f"One reading scatters by {self.fitted.scatter.solid.u:.3f} mm"
        yield f"The instrument may be off by {self.fitted.limit:g} mm"
        if not self.fitted.claimed:
            yield "Too few readings to claim k = 2"
        if self.fitted.odd:
            yield f"{len(self.fitted.odd)} odd things: see the rule file's first lines"


def _mark(axis: Axis, x: float, y: float, colour: str, *, full: bool) -> Iterator[str]:
    """A circle for x, a square for y: never told apart by colour alone."""
    fill = colour if full else PAPER
    if axis == "x":
        yield element("circle", "", cx=x, cy=y, r=0.9, fill=fill, stroke=colour, stroke_width=0.35)
    else:
        yield rect(x - 0.8, y - 0.8, 1.6, 1.6, fill=fill, stroke=colour, stroke_width=0.35)


def _seen(table: BandTable, reach: float) -> Iterator[Band]:
    for band in table.bands:
        if band.lower < reach - 1e-9 and band.readings is not None:
            yield band


def _tick(reach: float) -> float:
    """Distance of marks on an axis of this length: 1, 2 or 5 times a power of ten."""
    power: float = 10.0 ** math.floor(math.log10(reach / 8))
    return next(power * step for step in (1, 2, 5, 10) if reach <= 8 * power * step)
