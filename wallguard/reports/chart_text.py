"""The chart of a process for a terminal, in 80 columns: its bands, a bar along the thickness, what
is good to draw. Each fill has a character of its own, so the bar needs no colour."""

from __future__ import annotations

import math
import textwrap

from wallguard.bands.advice import NOTHING_GOOD, range_text
from wallguard.bands.chart import HEADS, Chart, basis_remark, growth_remark, rows, spacing_remark
from wallguard.bands.table import BandTable
from wallguard.base.plain import plain
from wallguard.rules.model import Fill
from wallguard.rules.origin import origin

_WIDTH = 80
# From worst to best: where a column of the bar holds several, it shows the worst.
MARKS: dict[Fill, str] = {"missing": ".", "hollow": "o", "uncertain": "?", "solid": "#"}
GOOD = "+"
BAR = 70
_TICK = 10


def chart_text(chart: Chart) -> str:
    """The chart as text; ends with a line break."""
    paragraphs = (_title(chart), _rows(chart), _bar(chart), _good(chart))
    return "\n\n".join("\n".join(lines) for lines in paragraphs) + "\n"


def _title(chart: Chart) -> list[str]:
    rules = chart.rules
    process = ", ".join(text for text in (rules.printer, rules.material) if text)
    texts = (rules.name, process, ", ".join(chart.about[-2:]), origin(rules), rules.path)
    return [line for text in texts if text for line in textwrap.wrap(plain(text), _WIDTH)]


def _rows(chart: Chart) -> list[str]:
    cells = [HEADS, *rows(chart.table, [step for step in chart.steps if step.axis is None])]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in cells
    ]


def _bar(chart: Chart) -> list[str]:
    """Rows of one character per step along the thickness: what is inside, and what is good."""
    table, good = chart.table, chart.good
    per_column = math.ceil(chart.reach * 100 / BAR)
    # A column stands for these readings, in hundredths: first to last, both included.
    columns = [(at * per_column, (at + 1) * per_column - 1) for at in range(BAR)]
    fills = "".join(mark(table, first, last) for first, last in columns)
    goods = "".join(
        GOOD if any(low <= first / 100 and last / 100 <= high for low, high in good) else " "
        for first, last in columns
    )
    shown = {band.fill for band in table.bands if band.readings is not None}
    legend = [f"{mark} {fill}" for fill, mark in reversed(MARKS.items()) if fill in shown]
    legend.append(f"{GOOD} good to draw")
    return [
        f"inside  {fills}",
        f"good    {goods}".rstrip(),
        *ruler(per_column),
        f"        {'   '.join(legend)}",
        f"        one character is {per_column / 100:.2f} mm and shows the worst in it",
    ]


def ruler(per_column: int) -> list[str]:
    """What stands below bars of which a character is so many hundredths of a mm."""
    ticks = "".join(f"{at * per_column / 100:<{_TICK}.2f}" for at in range(0, BAR, _TICK))
    line = "".join("|" if at % _TICK == 0 else "-" for at in range(BAR))
    return [f"        {line}", f"mm      {ticks}".rstrip()]


def mark(table: BandTable, first: int, last: int) -> str:
    """The sign of the worst fill from `first` to `last`, in hundredths of a mm."""
    held = set()
    for band in table.bands:
        lowest, highest = band.steps
        if max(first, lowest) <= min(last, highest):
            held.add(band.fill)
    return next(mark for fill, mark in MARKS.items() if fill in held)


def _good(chart: Chart) -> list[str]:
    ranges = ", ".join(range_text(*ends) for ends in chart.good)
    text = f"good to draw: {ranges} mm" if ranges else f"good to draw: {NOTHING_GOOD}"
    return [
        *textwrap.wrap(text, _WIDTH, subsequent_indent="  "),
        *textwrap.wrap(f"({chart.asked})", _WIDTH),
        *textwrap.wrap(basis_remark(chart), _WIDTH),
        *textwrap.wrap(growth_remark(chart.rules), _WIDTH),
        *textwrap.wrap(spacing_remark(chart.rules), _WIDTH),
        *(
            line
            for step in chart.steps
            for line in textwrap.wrap(step.words, _WIDTH, subsequent_indent="  ")
        ),
    ]
