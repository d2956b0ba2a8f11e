"""The wall chart: one landscape page that says how thick to draw a wall for one process.

Top left the outcome: printed against nominal, over bands by fill. Below it, on the same axis, a
strip of the fills and one of the thicknesses that are good to draw. On the right the good
thicknesses in words, and what the signs mean.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby

from wallguard.bands.advice import NOTHING_GOOD
from wallguard.bands.declared import band_table
from wallguard.bands.rows import asked, farthest
from wallguard.bands.table import Band, BandTable
from wallguard.drawings.svg import (
    FILLS,
    INK,
    PALE,
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
from wallguard.rules.model import Rules

WIDTH, HEIGHT = 297.0, 210.0  # ISO 216, A4

_MARGIN = 13.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 29.0, 203.0, 44.0, 140.0  # of the plot
_PANEL = 215.0
_STRIP = 10.0
_SAME = 1e-9
_PRINTED: dict[str, str | float] = {"fill": "none", "stroke": INK, "stroke_width": 0.9}


def wall_chart(rules: Rules) -> str:
    """The chart of a process as SVG of WIDTH x HEIGHT mm.

    Raises InputError where no band table follows from the rules.
    """
    table = band_table(rules)
    chart = _Chart(rules, table)
    body = [
        patterns(),
        rect(0, 0, WIDTH, HEIGHT, fill="#ffffff"),
        *chart.heading(),
        *chart.plot(),
        *chart.strips(),
        *chart.panel(),
        *chart.foot(),
    ]
    return document(WIDTH, HEIGHT, f"Wall chart: {rules.name}", body)


def range_words(first: float, last: float) -> str:
    """A range of thicknesses as one says it: "1.05 to 1.22 mm"."""
    if math.isinf(last):
        return f"{first:.2f} mm and thicker"
    return f"{first:.2f} mm" if first == last else f"{first:.2f} to {last:.2f} mm"


class _Chart:
    def __init__(self, rules: Rules, table: BandTable) -> None:
        self.rules = rules
        self.table = table
        self.good = table.good_ranges(rules.tolerance, rules.least("wall"))
        reach = farthest(table, self.good)
        self.tick = _tick(reach)
        self.reach = math.ceil(reach / self.tick - 1e-6) * self.tick

    def x(self, nominal: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * min(nominal, self.reach) / self.reach

    def y(self, printed: float) -> float:
        return _BOTTOM - (_BOTTOM - _TOP) * max(0.0, min(printed, self.reach)) / self.reach

    def heading(self) -> Iterator[str]:
        rules = self.rules
        yield text(_MARGIN, 17, "HOW THICK TO DRAW A WALL", 4, fill=PALE, letter_spacing=0.6)
        room = WIDTH - 2 * _MARGIN
        size = max(5.2, min(10.0, 10.0 * room / text_width(rules.name, 10.0)))
        named = wrapped(rules.name, size, room, 2)
        for at, said in enumerate(named):
            y = 28.0 if len(named) == 1 else 23.5 + 6 * at
            yield text(_MARGIN, y, said, size, font_weight="bold")
        about = [
            *(part for part in (rules.printer, rules.material) if part),
            rules.category,
            f"layers of {rules.layer_height:g} mm",
        ]
        if rules.beads:
            contours = (
                "1 contour" if rules.beads.contours == 1 else f"{rules.beads.contours} contours"
            )
            about.append(f"beads {rules.beads.width:g} mm wide, {contours} a side")
        (said,) = wrapped(" · ".join(about), 4.2, room, 1)
        yield text(_MARGIN, 35.5, said, 4.2)

    def plot(self) -> Iterator[str]:
        width, height = _RIGHT - _LEFT, _BOTTOM - _TOP
        for band in self._bands():
            left, right = self.x(band.lower), self.x(band.upper)
            yield rect(left, _TOP, right - left, height, fill=paint(band.fill), fill_opacity=0.28)
        yield from self._grid()
        yield from self._tolerance()
        for band in self._bands():
            yield from self._line(band)
        yield rect(_LEFT, _TOP, width, height, fill="none", stroke=INK, stroke_width=0.4)
        middle = (_TOP + _BOTTOM) / 2
        yield text(
            _LEFT - 14,
            middle,
            "printed thickness, mm",
            4.2,
            text_anchor="middle",
            transform=f"rotate(-90 {_LEFT - 14:g} {middle:g})",
        )

    def strips(self) -> Iterator[str]:
        """What is inside, and what is good to draw, on the axis of the plot."""
        top = _BOTTOM + 13.5
        tables: list[tuple[str, BandTable]] = [("inside", self.table)]
        for axis in sorted(self.rules.axes):
            tables.append((f"along {axis}", band_table(self.rules, axis)))
        each = _STRIP if len(tables) == 1 else 6.0
        for name, table in tables:
            yield text(_LEFT - 2, top + each / 2 + 1.3, name, 3.8, text_anchor="end")
            yield from self._inside(table, top, each)
            top += each + 1.2
        top += 1.3
        yield text(_LEFT - 2, top + 4.6, "good", 3.8, text_anchor="end", font_weight="bold")
        yield rect(_LEFT, top, _RIGHT - _LEFT, 7, fill="none", stroke=PALE, stroke_width=0.2)
        free = -math.inf
        for first, last in self.good:
            left, right = self.x(first - 0.005), self.x(last + 0.005)
            yield rect(left, top, max(right - left, 0.6), 7, fill=INK)
            room = right - left
            if math.isinf(last):
                tip = ((_RIGHT, top), (_RIGHT + 4, top + 3.5), (_RIGHT, top + 7))
                yield path([tip], fill=INK)
            word = "good to draw" if room > 26 else "good" if room > 10 else ""
            if word:
                yield text(
                    (left + right) / 2,
                    top + 4.8,
                    word,
                    3.8,
                    text_anchor="middle",
                    fill="#ffffff",
                    font_weight="bold",
                )
            ends = (first,) if math.isinf(last) or first == last else (first, last)
            for end, at in zip(ends, (left, right), strict=False):
                half = text_width(f"{end:.2f}", 3.6) / 2
                if at - half >= free:
                    yield line(at, top + 7, at, top + 9, stroke_width=0.3)
                    yield text(at, top + 12.4, f"{end:.2f}", 3.6, text_anchor="middle")
                    free = at + half
        if not self.good:
            yield text((_LEFT + _RIGHT) / 2, top + 4.7, NOTHING_GOOD, 3.6, text_anchor="middle")

    def panel(self) -> Iterator[str]:
        room = WIDTH - _MARGIN - _PANEL
        yield text(_PANEL, _TOP + 4, "Draw walls of", 5.5, font_weight="bold")
        y = _TOP + 6.0
        if not self.good:
            for said in wrapped(f"{NOTHING_GOOD}: change the process", 4.5, room, 4):
                y += 6
                yield text(_PANEL, y, said, 4.5)
        shown = self.good if len(self.good) <= 7 else (*self.good[:3], *self.good[-3:])
        size = 6.0 if len(shown) <= 4 else 4.6
        for at, ends in enumerate(shown):
            if len(self.good) > 7 and at == 3:
                y += 4.5
                yield text(_PANEL + 6, y, f"and {len(self.good) - 6} more, see the strip", 3.6)
            y += size * 1.5
            mark = ((_PANEL, y - 1.8), (_PANEL + 1.4, y - 0.3), (_PANEL + 4.2, y - 4))
            yield path(
                [mark], closed=False, fill="none", stroke=FILLS["solid"].colour, stroke_width=1.2
            )
            yield text(_PANEL + 6.5, y, range_words(*ends), size, font_weight="bold")
        y += 4
        for said in wrapped(f"Good is: {asked(self.rules)}.", 3.4, room, 4):
            y += 4.4
            yield text(_PANEL, y, said, 3.4, fill=PALE)
        yield from self._legend(max(y + 9, 118.0), room)

    def foot(self) -> Iterator[str]:
        y = 189.0 + (4.5 if self.rules.axes else 0)
        room = WIDTH - 2 * _MARGIN
        for said in wrapped(self.rules.notes, 3.8, room, 1 if self.rules.axes else 2):
            yield text(_MARGIN, y, said, 3.8)
            y += 4.9
        yield line(_MARGIN, 200, WIDTH - _MARGIN, 200, stroke=PALE, stroke_width=0.2)
        sources = " and ".join(sorted({band.source for band in self.table.bands}))
        said = (
            f"Outcomes {sources}. Geometry only: nothing here speaks of strength, fit or safety. "
            f"Rule file: {self.rules.path}"
        )
        (said,) = wrapped(said, 3.2, room, 1)
        yield text(_MARGIN, 204.5, said, 3.2, fill=PALE)

    def _bands(self, table: BandTable | None = None) -> Iterator[Band]:
        """The bands that are seen."""
        for band in (table or self.table).bands:
            if band.lower < self.reach - _SAME and band.readings is not None:
                yield band

    def _grid(self) -> Iterator[str]:
        count = round(self.reach / self.tick)
        decimals = max(0, -math.floor(math.log10(self.tick) + _SAME))
        for at in range(count + 1):
            value = at * self.tick
            x, y, label = self.x(value), self.y(value), f"{value:.{decimals}f}"
            for x1, y1, x2, y2 in ((x, _TOP, x, _BOTTOM), (_LEFT, y, _RIGHT, y)):
                yield line(x1, y1, x2, y2, stroke=PALE, stroke_width=0.12)
            yield line(x, _BOTTOM, x, _BOTTOM + 1.2, stroke_width=0.3)
            yield line(_LEFT, y, _LEFT - 1.2, y, stroke_width=0.3)
            yield text(x, _BOTTOM + 5, label, 3.8, text_anchor="middle")
            yield text(_LEFT - 2, y + 1.3, label, 3.8, text_anchor="end")
        middle = (_LEFT + _RIGHT) / 2
        yield text(middle, _BOTTOM + 10.2, "thickness as drawn, mm", 4.2, text_anchor="middle")

    def _tolerance(self) -> Iterator[str]:
        """As drawn, and how far from it the rules let a wall be."""
        thinner, thicker = self.rules.tolerance
        clip = element("clipPath", rect(_LEFT, _TOP, _RIGHT - _LEFT, _BOTTOM - _TOP), id="plot")
        yield element("defs", clip)
        lower, upper = self._slanted(-thinner), self._slanted(thicker)
        yield path(
            [[*upper, *reversed(lower)]], fill="#ffffff", fill_opacity=0.75, clip_path="url(#plot)"
        )
        for edge in (lower, upper):
            yield path(
                [edge],
                closed=False,
                fill="none",
                stroke=PALE,
                stroke_width=0.25,
                clip_path="url(#plot)",
            )
        yield path(
            [self._slanted(0)],
            closed=False,
            fill="none",
            stroke=PALE,
            stroke_width=0.3,
            stroke_dasharray="2 1.2",
            clip_path="url(#plot)",
        )

    def _slanted(self, offset: float) -> list[tuple[float, float]]:
        scale = (_BOTTOM - _TOP) / self.reach
        return [
            (self.x(nominal), _BOTTOM - (nominal + offset) * scale) for nominal in (0, self.reach)
        ]

    def _line(self, band: Band) -> Iterator[str]:
        """Printed thickness over one band, with its uncertainty around it."""
        ends = (band.lower, min(band.upper, self.reach))
        if band.fill == "missing":
            at = self.y(0) - 0.45
            yield path([[(self.x(end), at) for end in ends]], closed=False, **_PRINTED)
            return
        printed = [band.offset + band.slope * end for end in ends]
        u = band.uncertainty
        around = [
            (self.x(end), self.y(value + u)) for end, value in zip(ends, printed, strict=True)
        ]
        below = [(self.x(end), self.y(value - u)) for end, value in zip(ends, printed, strict=True)]
        if u > 0:
            yield path([[*around, *reversed(below)]], fill=INK, fill_opacity=0.3)
        yield path(
            [[(self.x(end), self.y(value)) for end, value in zip(ends, printed, strict=True)]],
            closed=False,
            **_PRINTED,
            **({"stroke_dasharray": "1.5 1"} if band.fill == "uncertain" else {}),
        )

    def _inside(self, table: BandTable, top: float, height: float) -> Iterator[str]:
        for fill, run in groupby(self._bands(table), key=lambda band: band.fill):
            bands = list(run)
            left, right = self.x(bands[0].lower), self.x(bands[-1].upper)
            yield rect(
                left, top, right - left, height, fill=paint(fill), stroke=INK, stroke_width=0.25
            )
            wide = text_width(fill, 3.8)
            if right - left > wide + 1:
                middle = (left + right) / 2
                yield rect(
                    middle - wide / 2,
                    top + height / 2 - 2.3,
                    wide,
                    4.6,
                    fill="#ffffff",
                    fill_opacity=0.9,
                    rx=1,
                )
                yield text(middle, top + height / 2 + 1.3, fill, 3.8, text_anchor="middle")

    def _legend(self, y: float, room: float) -> Iterator[str]:
        tables = [self.table, *(band_table(self.rules, axis) for axis in self.rules.axes)]
        seen = {band.fill for table in tables for band in table.bands if band.readings}
        for fill, style in FILLS.items():
            if fill in seen:
                yield rect(_PANEL, y - 4, 10, 5.5, fill=paint(fill), stroke=INK, stroke_width=0.25)
                yield text(_PANEL + 12.5, y, style.words, 3.7)
                y += 8
        yield rect(_PANEL, y - 3.2, 10, 3.6, fill=INK, fill_opacity=0.3)
        yield line(_PANEL, y - 1.4, _PANEL + 10, y - 1.4, stroke_width=0.9)
        yield text(_PANEL + 12.5, y, "printed, and ± U (k = 2)", 3.7)
        y += 8
        for at, dash in ((-3.4, ""), (-1.4, "2 1.2"), (0.6, "")):
            extra = {"stroke_dasharray": dash} if dash else {}
            yield line(_PANEL, y + at, _PANEL + 10, y + at, stroke=PALE, stroke_width=0.25, **extra)
        yield text(_PANEL + 12.5, y, "as drawn, and tolerance", 3.7)


def _tick(reach: float) -> float:
    """Distance of marks on an axis of this length: 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(reach / 10))
    return next(step * power for step in (1, 2, 5, 10) if reach / (step * power) <= 12)
