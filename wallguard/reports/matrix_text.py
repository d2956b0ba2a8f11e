"""Several processes beside each other for a terminal, in 80 columns: a bar for each, and what is
good on all of them."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from itertools import count

from wallguard.bands.advice import NOTHING_GOOD, range_words, ranges_words
from wallguard.bands.chart import Chart, basis_remark
from wallguard.bands.common import Common
from wallguard.base.plain import listed, plain
from wallguard.reports.chart_text import BAR, GOOD, MARKS, mark, ruler
from wallguard.rules.origin import origin

_WIDTH = 80


def matrix_text(common: Common) -> str:
    """The matrix as text; ends with a line break."""
    paragraphs = (*map(_about, common.charts, count(1)), _bars(common), verdict(common))
    return "\n\n".join("\n".join(lines) for lines in map(list, paragraphs)) + "\n"


def verdict(common: Common) -> list[str]:
    """What is good on every printer, in lines."""
    return textwrap.wrap(good_everywhere(common), _WIDTH, subsequent_indent="  ")


def good_everywhere(common: Common) -> str:
    """What is good on every printer, in one sentence: "good on every printer: 1.70 to 1.80 mm"."""
    if common.good:
        return f"good on every printer: {ranges_words(common.good)}"
    most, ranges = common.most
    if most < 2:
        return "good on every printer: nothing, nor on any two of them"
    charts = len(common.charts)
    if len(ranges) > 1:
        return f"good on every printer: nothing; on {most} of {charts}: {ranges_words(ranges)}"
    lacking = listed([plain(chart.rules.path) for chart in common.against(ranges)])
    return (
        f"good on every printer: nothing; {range_words(*ranges[0])} is on {most} of "
        f"{charts}, all but {lacking}"
    )


def _about(chart: Chart, number: int) -> Iterator[str]:
    rules = chart.rules
    yield from textwrap.wrap(f"{number}  {plain(rules.name)}", _WIDTH)
    yield from textwrap.wrap(f"{plain(rules.path)}, {', '.join(map(plain, chart.about))}", _WIDTH)
    for said in (origin(rules), basis_remark(chart).partition(":")[0]):
        yield from textwrap.wrap(plain(said), _WIDTH)
    good = ranges_words(chart.good) if chart.good else NOTHING_GOOD
    yield from textwrap.wrap(f"good to draw: {good}", _WIDTH, subsequent_indent="  ")


def _bars(common: Common) -> Iterator[str]:
    """A row of one character per step for each process, and one for all of them."""
    reach = max(chart.reach for chart in common.charts)
    per_column = math.ceil(reach * 100 / BAR)
    columns = [(at * per_column, (at + 1) * per_column - 1) for at in range(BAR)]
    for number, chart in enumerate(common.charts, 1):
        yield f"{number:<8}{''.join(mark(chart.table, *column) for column in columns)}"
        yield f"{'  good':<8}{_goods(chart.good, columns)}".rstrip()
    yield f"{'all':<8}{_goods(common.good, columns)}".rstrip()
    yield from ruler(per_column)
    fills = "   ".join(f"{sign} {fill}" for fill, sign in reversed(MARKS.items()))
    yield f"        {fills}   {GOOD} good to draw"
    yield f"        one character is {per_column / 100:.2f} mm and shows the worst in it"


def _goods(ranges: tuple[tuple[float, float], ...], columns: list[tuple[int, int]]) -> str:
    return "".join(
        GOOD if any(low <= first / 100 and last / 100 <= high for low, high in ranges) else " "
        for first, last in columns
    )
