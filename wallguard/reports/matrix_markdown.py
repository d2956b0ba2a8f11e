"""Several processes beside each other as Markdown: a matrix of thickness against process."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.bands.advice import range_text, ranges_words
from wallguard.bands.common import Cell, Common
from wallguard.base.plain import capital
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.matrix_text import good_everywhere

# By it an earlier one is known.
TITLE = "# Walls on several printers"
WORDS: dict[Cell, str] = {
    "good": "good",
    "thin": "below the minimum",
    "solid": "good",
    "hollow": "hollow",
    "missing": "missing",
    "thickened": "too thick",
    "thinned": "too thin",
    "porous": "porous",
    "indeterminate": "uncertain",
}


def matrix_markdown(common: Common) -> str:
    """GFM: what is good everywhere first, then the processes, then the matrix."""
    return "\n".join(_lines(common)) + "\n"


def _lines(common: Common) -> Iterator[str]:
    yield TITLE
    yield ""
    yield lead(good_everywhere(common), bool(common.good))
    yield ""
    for number, chart in enumerate(common.charts, 1):
        good = ranges_words(chart.good) if chart.good else "nothing"
        yield f"{number}. {prose(chart.rules.name)}, {code(chart.rules.path)}: {good}"
    yield ""
    yield from matrix(common)


def lead(said: str, good: bool) -> str:
    """What is said first: what is good to draw, or that nothing is."""
    return f"**{capital(said)}**" if good else f"{prose(said)}."


def matrix(common: Common) -> Iterator[str]:
    """The table: a row for each range of thickness, a column for each process."""
    numbers = range(1, len(common.charts) + 1)
    yield f"| nominal, mm | {' | '.join(map(str, numbers))} | on all |"
    yield "|---|" + "---|" * (len(common.charts) + 1)
    for row in common.rows:
        cells = [f"**{WORDS[cell]}**" if cell == "good" else WORDS[cell] for cell in row.cells]
        every = "**good**" if row.good == len(row.cells) else ""
        yield f"| {range_text(*row.range)} | {' | '.join(cells)} | {every} |"
