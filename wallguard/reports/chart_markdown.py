"""The chart of a process as Markdown: its bands, and which thicknesses are good to draw."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.bands.advice import NOTHING_GOOD, range_text
from wallguard.bands.declared import band_table
from wallguard.bands.rows import HEADS, asked, rows
from wallguard.bands.table import BandTable
from wallguard.reports.markdown_text import code, prose
from wallguard.rules.model import Rules


def chart_markdown(rules: Rules) -> str:
    """GFM: a heading, the good thicknesses first, then a table of bands for each machine axis.

    Raises InputError where no band table follows from the rules.
    """
    return "\n".join(_lines(rules)) + "\n"


def _lines(rules: Rules) -> Iterator[str]:
    table = band_table(rules)
    yield f"# Wall chart: {prose(rules.name)}"
    yield ""
    about = [
        *(prose(part) for part in (rules.printer, rules.material) if part),
        rules.category,
        f"layers of {rules.layer_height:g} mm",
    ]
    yield f"{', '.join(about)}. Rule file: {code(rules.path)}"
    yield ""
    good = table.good_ranges(rules.tolerance, rules.least("wall"))
    ranges = ", ".join(range_text(*ends) for ends in good)
    yield f"**Good to draw: {ranges} mm**" if ranges else f"**Good to draw:** {NOTHING_GOOD}"
    yield ""
    yield f"Good is: {asked(rules)}."
    yield ""
    yield from _table(table)
    for axis in sorted(rules.axes):
        yield ""
        yield f"Walls that run along {axis}:"
        yield ""
        yield from _table(band_table(rules, axis))
    if rules.notes:
        yield ""
        yield prose(rules.notes)


def _table(table: BandTable) -> Iterator[str]:
    yield f"| {' | '.join(HEADS)} |"
    yield "|" + " --- |" * len(HEADS)
    for row in rows(table):
        yield f"| {' | '.join(row)} |"
