"""The chart of a process as Markdown: its bands, and which thicknesses are good to draw."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.bands.advice import NOTHING_GOOD, range_text
from wallguard.bands.chart import HEADS, Chart, basis_remark, growth_remark, rows, spacing_remark
from wallguard.base.plain import capital
from wallguard.reports.markdown_text import code, prose
from wallguard.rules.model import Axis
from wallguard.rules.origin import origin

# By it an earlier one is known.
TITLE = "# Wall chart: "


def chart_markdown(chart: Chart) -> str:
    """GFM: a heading, the good thicknesses first, then a table of bands for each machine axis."""
    return "\n".join(_lines(chart)) + "\n"


def _lines(chart: Chart) -> Iterator[str]:
    yield f"{TITLE}{prose(chart.rules.name)}"
    yield ""
    yield f"{', '.join(map(prose, chart.about))}. Rule file: {code(chart.rules.path)}"
    yield ""
    if said := origin(chart.rules):
        yield f"{prose(capital(said))}."
        yield ""
    ranges = ", ".join(range_text(*ends) for ends in chart.good)
    yield f"**Good to draw: {ranges} mm**" if ranges else f"**Good to draw:** {NOTHING_GOOD}"
    yield ""
    yield f"Good is: {chart.asked}."
    yield ""
    rules = chart.rules
    for remark in filter(None, (basis_remark(chart), growth_remark(rules), spacing_remark(rules))):
        yield f"{capital(remark)}."
        yield ""
    for step in chart.steps:
        yield f"{capital(step.words)}."
        yield ""
    yield from _table(chart, None)
    for axis in chart.axes:
        yield ""
        yield f"Walls that run along {axis}:"
        yield ""
        yield from _table(chart, axis)
    if chart.rules.notes:
        yield ""
        yield prose(chart.rules.notes)


def _table(chart: Chart, axis: Axis | None) -> Iterator[str]:
    table = chart.table if axis is None else chart.axes[axis]
    yield f"| {' | '.join(HEADS)} |"
    yield "|" + " --- |" * len(HEADS)
    for row in rows(table, [step for step in chart.steps if step.axis == axis]):
        yield f"| {' | '.join(row)} |"
