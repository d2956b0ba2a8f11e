"""The picture of a fit: nominal against printed thickness, the readings with bars, and the bands.

Above, the mean of each wall's readings with its uncertainty, and the line that each band says with
the uncertainty around it, over bands by fill. Below, strips of the fills: of each axis where they
differ.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.bands.chart import Chart
from wallguard.bands.table import Band, BandTable
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
    wrapped,
)
from wallguard.fitting.fit import Fit
from wallguard.fitting.steps import Step
from wallguard.rules.model import Axis

WIDTH, HEIGHT = 297.0, 210.0  # ISO 216, A4
_MARGIN = 13.0
_ACROSS, _DOWN = (30.0, 208.0), (34.0, 150.0)  # where the plot stands
_MARKS = 8
_PANEL = 217.0
_ROOM = WIDTH - _MARGIN - _PANEL
_NARROWEST = 1.4
# Of Okabe and Ito's set, apart from those of the fills.
_COLOURS: dict[Axis, str] = {"x": "#0072b2", "y": "#cc79a7"}
_CALCULATED, _UNCERTAIN, _AS_DRAWN = "0.8 0.8", "2 1", "2 1.2"


def plot(fitted: Fit, chart: Chart) -> str:
    """The picture of a fit as SVG of WIDTH x HEIGHT mm; `chart` is of the rules made of it."""
    walls = _walls(fitted)
    largest = max(value for _, step in walls for value in (step.nominal, *step.readings))
    drawn = Plot.reaching(1.05 * largest, _MARKS, _ACROSS, _DOWN)
    body = [
        patterns(),
        rect(0, 0, WIDTH, HEIGHT, fill=PAPER),
        *_heading(fitted, chart),
        *_plot(fitted, chart, drawn),
        *_strips(chart, drawn),
        *_panel(fitted),
    ]
    return document(WIDTH, HEIGHT, f"Fit: {chart.rules.name}", body, kinds.FIT)


def _walls(fitted: Fit) -> list[tuple[Axis, Step]]:
    return [(axis, step) for axis, steps in fitted.measured.items() for step in steps]


def _heading(fitted: Fit, chart: Chart) -> Iterator[str]:
    room = WIDTH - 2 * _MARGIN
    (name,) = wrapped(chart.rules.name, 7.0, room, 1) or [""]
    yield text(_MARGIN, 18, name, 7.0, font_weight="bold")
    files = ", ".join(file.path for file in fitted.files)
    said = wrapped(f"Fitted to {files or 'readings'}", 4.0, room, 1)
    yield text(_MARGIN, 26, said[0], 4.0, fill=PALE)


def _plot(fitted: Fit, chart: Chart, drawn: Plot) -> Iterator[str]:
    for run in drawn.runs(chart.table, _NARROWEST):
        yield drawn.behind(*run, 0.3)
    yield from drawn.grid()
    dash: dict[str, str | float] = {"stroke_width": 0.3, "stroke_dasharray": _AS_DRAWN}
    yield path([drawn.slanted(0)], closed=False, fill="none", stroke=PALE, **dash)
    tables: list[tuple[str, BandTable]] = [(_COLOURS[a], table) for a, table in chart.axes.items()]
    for colour, table in tables or [(INK, chart.table)]:
        for band in drawn.seen(table):
            if band.fill != "missing":
                yield from drawn.line(band, colour, 0.22, stroke_width=0.5, **_dashed(band))
    for axis, step in _walls(fitted):
        yield from _reading(fitted, axis, step, drawn)
    yield drawn.frame()


def _dashed(band: Band) -> dict[str, str]:
    dash = _CALCULATED if band.source == "calculated" else ""
    dash = _UNCERTAIN if band.fill == "uncertain" else dash
    return {"stroke_dasharray": dash} if dash else {}


def _reading(fitted: Fit, axis: Axis, step: Step, drawn: Plot) -> Iterator[str]:
    # The axes a little to either side, so that one does not hide the other.
    x = drawn.x(step.nominal) + (-0.5 if axis == "x" else 0.5)
    colour = _COLOURS[axis]
    if not step.readings:
        yield from _mark(axis, x, drawn.y(0) - 1.6, colour, full=False)
        return
    half = fitted.uncertainty_of(step)
    low, high = drawn.y(step.mean - half), drawn.y(step.mean + half)
    yield line(x, low, x, high, stroke=colour, stroke_width=0.4)
    for end in (low, high):
        yield line(x - 0.7, end, x + 0.7, end, stroke=colour, stroke_width=0.4)
    yield from _mark(axis, x, drawn.y(step.mean), colour, full=True)


def _strips(chart: Chart, drawn: Plot) -> Iterator[str]:
    named: dict[str, BandTable] = {"inside": chart.table}
    named |= {f"along {axis}": table for axis, table in chart.axes.items()}
    top, height = drawn.bottom + 15, 10.0 if len(named) == 1 else 7.0
    for name, table in named.items():
        yield from drawn.strip(name, table, top, height, _NARROWEST)
        top += height + 1.5


def _panel(fitted: Fit) -> Iterator[str]:
    """What the signs mean, and what the fit told besides."""
    y = _DOWN[0] + 3
    for fill, style in FILLS.items():
        yield rect(_PANEL, y - 4, 10, 5.5, fill=paint(fill), stroke=INK, stroke_width=0.25)
        for said in wrapped(style.words, 3.6, _ROOM - 12, 2):
            yield text(_PANEL + 12, y, said, 3.6)
            y += 4.4
        y += 3.4
    for axis in fitted.measured:
        middle, colour = _PANEL + 5, _COLOURS[axis]
        yield from _mark(axis, middle, y - 1.2, colour, full=True)
        yield line(middle, y - 4, middle, y + 1.6, stroke=colour, stroke_width=0.4)
        yield text(_PANEL + 12, y, f"read along {axis}, ± (95 %)", 3.6)
        y += 8
    if any(not step.readings for _, step in _walls(fitted)):
        yield from _mark("x", _PANEL + 5, y - 1.2, INK, full=False)
        yield text(_PANEL + 12, y, "empty: nothing printed", 3.6)
        y += 8
    yield rect(_PANEL, y - 3.2, 10, 4, fill=INK, fill_opacity=0.22)
    for said, ink, dash, step in (
        ("fitted, ± (95 %)", INK, "", 7),
        ("calculated from beads", INK, _CALCULATED, 6),
        ("fill uncertain", INK, _UNCERTAIN, 6),
        ("as drawn", PALE, _AS_DRAWN, 9),
    ):
        extra = {"stroke_dasharray": dash} if dash else {}
        yield line(_PANEL, y - 1.2, _PANEL + 10, y - 1.2, stroke=ink, stroke_width=0.5, **extra)
        yield text(_PANEL + 12, y, said, 3.6)
        y += step
    for said in _words(fitted):
        for row in wrapped(said, 3.4, _ROOM, 3):
            yield text(_PANEL, y, row, 3.4)
            y += 4.3
        y += 1.2


def _words(fitted: Fit) -> Iterator[str]:
    settings = fitted.found
    if settings is not None:
        width = [
            f"{key} {interval.value:g} ({interval.low:.2f} to {interval.high:.2f})"
            for key, interval in settings.ranges.items()
            if key in ("width", "narrowest bead", "widest bead")
        ]
        yield f"Beads: {', '.join(width)} mm"
    yield f"One reading scatters by {fitted.scatter.solid.u:.3f} mm"
    yield f"The instrument may be off by {fitted.scatter.limit:g} mm"
    if not fitted.claimed:
        yield "Too few readings to claim k = 2"
    if fitted.odd:
        yield f"{len(fitted.odd)} odd things: see the rule file's first lines"


def _mark(axis: Axis, x: float, y: float, colour: str, *, full: bool) -> Iterator[str]:
    """A circle for x, a square for y: never told apart by colour alone."""
    fill = colour if full else PAPER
    if axis == "x":
        yield element("circle", "", cx=x, cy=y, r=0.9, fill=fill, stroke=colour, stroke_width=0.35)
    else:
        yield rect(x - 0.8, y - 0.8, 1.6, 1.6, fill=fill, stroke=colour, stroke_width=0.35)
