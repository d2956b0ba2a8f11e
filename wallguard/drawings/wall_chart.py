"""The wall chart: one landscape page that says how thick to draw a wall for one process.

Top left the outcome: printed against nominal, over bands by fill. Below it, on the same axis, a
strip of the fills and one of the thicknesses that are good to draw. On the right the good
thicknesses in words, and what the signs mean.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from wallguard.bands.advice import NOTHING_GOOD, range_words
from wallguard.bands.chart import Chart
from wallguard.bands.table import BandTable
from wallguard.base.plain import counted
from wallguard.drawings import kinds
from wallguard.drawings.plot import Plot
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

WIDTH, HEIGHT = 297.0, 210.0  # ISO 216, A4

_MARGIN = 13.0
_ACROSS, _DOWN = (29.0, 203.0), (44.0, 140.0)  # where the plot stands
_MARKS = 12
_PANEL = 215.0
_ROOM = WIDTH - _MARGIN - _PANEL


def wall_chart(chart: Chart) -> str:
    """The chart of a process as SVG of WIDTH x HEIGHT mm."""
    plot = Plot.reaching(chart.reach, _MARKS, _ACROSS, _DOWN)
    body = [
        patterns(),
        rect(0, 0, WIDTH, HEIGHT, fill=PAPER),
        *_heading(chart),
        *_plot(chart, plot),
        *_strips(chart, plot),
        *_panel(chart),
        *_foot(chart),
    ]
    return document(WIDTH, HEIGHT, f"Wall chart: {chart.rules.name}", body, kinds.CHART)


def _heading(chart: Chart) -> Iterator[str]:
    yield text(_MARGIN, 17, "HOW THICK TO DRAW A WALL", 4, fill=PALE, letter_spacing=0.6)
    room, name = WIDTH - 2 * _MARGIN, chart.rules.name
    size = max(5.2, min(10.0, 10.0 * room / text_width(name, 10.0)))
    named = wrapped(name, size, room, 2)
    for at, said in enumerate(named):
        y = 28.0 if len(named) == 1 else 23.5 + 6 * at
        yield text(_MARGIN, y, said, size, font_weight="bold")
    about = [*chart.about]
    if beads := chart.rules.beads:
        contours = counted(beads.contours, "contour")
        about.append(f"beads {beads.width:g} mm wide, {contours} a side")
    (said,) = wrapped(" · ".join(about), 4.2, room, 1)
    yield text(_MARGIN, 35.5, said, 4.2)


def _plot(chart: Chart, plot: Plot) -> Iterator[str]:
    for band in plot.seen(chart.table):
        yield plot.behind(band.fill, plot.x(band.lower), plot.x(band.upper), 0.28)
    yield from plot.grid()
    yield from _tolerance(chart.rules.tolerance, plot)
    for band in plot.seen(chart.table):
        if band.fill == "missing":
            ends = [plot.x(band.lower), plot.x(band.upper)]
            yield line(ends[0], plot.bottom - 0.45, ends[1], plot.bottom - 0.45, stroke_width=0.9)
            continue
        dash = {"stroke_dasharray": "1.5 1"} if band.fill == "uncertain" else {}
        yield from plot.line(band, INK, 0.3, stroke_width=0.9, **dash)
    yield plot.frame()


def _tolerance(tolerance: tuple[float, float], plot: Plot) -> Iterator[str]:
    """As drawn, and how far from it the rules let a wall be."""
    thinner, thicker = tolerance
    size = (plot.right - plot.left, plot.bottom - plot.top)
    clip = element("clipPath", rect(plot.left, plot.top, *size), id="plot")
    yield element("defs", clip)
    lower, upper = plot.slanted(-thinner), plot.slanted(thicker)
    inside = "url(#plot)"
    yield path([[*upper, *reversed(lower)]], fill=PAPER, fill_opacity=0.75, clip_path=inside)
    outline: dict[str, str | float] = {"fill": "none", "stroke": PALE, "clip_path": inside}
    yield path([lower, upper], closed=False, stroke_width=0.25, **outline)
    drawn = plot.slanted(0)
    yield path([drawn], closed=False, stroke_width=0.3, stroke_dasharray="2 1.2", **outline)


def _strips(chart: Chart, plot: Plot) -> Iterator[str]:
    """What is inside, and what is good to draw, on the axis of the plot."""
    top = plot.bottom + 13.5
    tables: dict[str, BandTable] = {"inside": chart.table}
    tables |= {f"along {axis}": table for axis, table in chart.axes.items()}
    height = 10.0 if len(tables) == 1 else 6.0
    for name, table in tables.items():
        yield from plot.strip(name, table, top, height)
        top += height + 1.2
    yield from _good(chart, plot, top + 1.3)


def _good(chart: Chart, plot: Plot, top: float) -> Iterator[str]:
    middle = (plot.left + plot.right) / 2
    yield text(plot.left - 2, top + 4.6, "good", 3.8, text_anchor="end", font_weight="bold")
    yield rect(
        plot.left, top, plot.right - plot.left, 7, fill="none", stroke=PALE, stroke_width=0.2
    )
    if not chart.good:
        yield text(middle, top + 4.7, NOTHING_GOOD, 3.6, text_anchor="middle")
    free = -math.inf
    for first, last in chart.good:
        left, right = plot.x(first - 0.005), plot.x(last + 0.005)
        yield rect(left, top, max(right - left, 0.6), 7, fill=INK)
        if math.isinf(last):
            tip = ((plot.right, top), (plot.right + 4, top + 3.5), (plot.right, top + 7))
            yield path([tip], fill=INK)
        room = right - left
        word = "good to draw" if room > 26 else "good" if room > 10 else ""
        if word:
            bold = {"text_anchor": "middle", "fill": PAPER, "font_weight": "bold"}
            yield text((left + right) / 2, top + 4.8, word, 3.8, **bold)
        ends = (first,) if math.isinf(last) or first == last else (first, last)
        for end, at in zip(ends, (left, right), strict=False):
            half = text_width(f"{end:.2f}", 3.6) / 2
            if at - half >= free:
                yield line(at, top + 7, at, top + 9, stroke_width=0.3)
                yield text(at, top + 12.4, f"{end:.2f}", 3.6, text_anchor="middle")
                free = at + half


def _panel(chart: Chart) -> Iterator[str]:
    """The good thicknesses in words, and what the signs mean."""
    good = chart.good
    yield text(_PANEL, _DOWN[0] + 4, "Draw walls of", 5.5, font_weight="bold")
    y = _DOWN[0] + 6.0
    if not good:
        for said in wrapped(f"{NOTHING_GOOD}: change the process", 4.5, _ROOM, 4):
            y += 6
            yield text(_PANEL, y, said, 4.5)
    shown = good if len(good) <= 7 else (*good[:3], *good[-3:])
    size = 6.0 if len(shown) <= 4 else 4.6
    for at, ends in enumerate(shown):
        if len(good) > 7 and at == 3:
            y += 4.5
            yield text(_PANEL + 6, y, f"and {len(good) - 6} more, see the strip", 3.6)
        y += size * 1.5
        tick = ((_PANEL, y - 1.8), (_PANEL + 1.4, y - 0.3), (_PANEL + 4.2, y - 4))
        green = FILLS["solid"].colour
        yield path([tick], closed=False, fill="none", stroke=green, stroke_width=1.2)
        yield text(_PANEL + 6.5, y, range_words(*ends), size, font_weight="bold")
    y += 4
    for said in wrapped(f"Good is: {chart.asked}.", 3.4, _ROOM, 4):
        y += 4.4
        yield text(_PANEL, y, said, 3.4, fill=PALE)
    yield from _legend(chart, max(y + 9, 118.0))


def _legend(chart: Chart, y: float) -> Iterator[str]:
    tables = (chart.table, *chart.axes.values())
    seen = {band.fill for table in tables for band in table.bands if band.readings}
    for fill, style in FILLS.items():
        if fill in seen:
            yield rect(_PANEL, y - 4, 10, 5.5, fill=paint(fill), stroke=INK, stroke_width=0.25)
            yield text(_PANEL + 12.5, y, style.words, 3.7)
            y += 8
    yield rect(_PANEL, y - 3.2, 10, 3.6, fill=INK, fill_opacity=0.3)
    yield line(_PANEL, y - 1.4, _PANEL + 10, y - 1.4, stroke_width=0.9)
    yield text(_PANEL + 12.5, y, "printed, and ± (95 %)", 3.7)
    y += 8
    for at, dash in ((-3.4, ""), (-1.4, "2 1.2"), (0.6, "")):
        extra = {"stroke_dasharray": dash} if dash else {}
        yield line(_PANEL, y + at, _PANEL + 10, y + at, stroke=PALE, stroke_width=0.25, **extra)
    yield text(_PANEL + 12.5, y, "as drawn, and tolerance", 3.7)


def _foot(chart: Chart) -> Iterator[str]:
    """Notes, where the outcomes are from, and what they say nothing about."""
    y = 189.0 + (4.5 if chart.axes else 0)
    room = WIDTH - 2 * _MARGIN
    for said in wrapped(chart.rules.notes, 3.8, room, 1 if chart.axes else 2):
        yield text(_MARGIN, y, said, 3.8)
        y += 4.9
    yield line(_MARGIN, 200, WIDTH - _MARGIN, 200, stroke=PALE, stroke_width=0.2)
    sources = " and ".join(sorted({band.source for band in chart.table.bands}))
    sources += ", never measured" * (chart.table.basis in ("calculated", "assumed"))
    said = (
        f"Outcomes {sources}. Geometry only: nothing here speaks of strength, fit or safety. "
        f"Rule file: {chart.rules.path}"
    )
    (said,) = wrapped(said, 3.2, room, 1)
    yield text(_MARGIN, 204.5, said, 3.2, fill=PALE)
