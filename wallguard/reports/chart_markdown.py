"""The chart of a process as Markdown: its bands, and which thicknesses are good to draw."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.bands.advice import NOTHING_GOOD, range_text
from wallguard.bands.chart import HEADS, Chart, rows, spacing_remark
from wallguard.bands.table import BandTable
from wallguard.reports.markdown_text import code, prose


def chart_markdown(chart: Chart) -> str:
    """GFM: a heading, the good thicknesses first, then a table of bands for each machine axis."""
    return "\n".join(_lines(chart)) + "\n"


def _lines(chart: Chart) -> Iterator[str]:
    yield f"# Wall chart: {prose(chart.rules.name)}"
    yield ""
    yield f"{', '.join(map(prose, chart.about))}. Rule file: {code(chart.rules.path)}"
    yield ""
    ranges = ", ".join(range_text(*ends) for ends in chart.good)
    yield f"**Good to draw: {ranges} mm**" if ranges else f"**Good to draw:** {NOTHING_GOOD}"
    yield ""
    yield f"Good is: {chart.asked}."
    yield ""
    if remark := spacing_remark(chart.rules):
        yield f"{remark}."
        yield ""
    yield from _table(chart.table)
    for axis, table in chart.axes.items():
        yield ""
        yield f"Walls that run along {axis}:"
        yield ""
        yield from _table(table)
    if chart.rules.notes:
        yield ""
        yield prose(chart.rules.notes)


def _table(table: BandTable) -> Iterator[str]:
    yield f"| {' | '.join(HEADS)} |"
    yield "|" + " --- |" * len(HEADS)
    for row in rows(table):
        yield f"| {' | '.join(row)} |"
