"""`wallguard chart`: the band table of a rule file, and which thicknesses are good to draw.

As text it fits 80 columns; each fill has a character of its own, so the bar needs no colour. As a
picture it is a page for the wall, as Markdown a table for a repository's pages.
"""

from __future__ import annotations

import argparse
import math
import textwrap
from pathlib import Path

from wallguard.bands.advice import NOTHING_GOOD, range_text
from wallguard.bands.declared import band_table
from wallguard.bands.rows import HEADS, asked, farthest, rows
from wallguard.bands.table import BandTable
from wallguard.base.write import write_bytes
from wallguard.commands.arguments import Commands, command
from wallguard.drawings.png import png as render
from wallguard.drawings.wall_chart import WIDTH, wall_chart
from wallguard.reports.chart_markdown import chart_markdown
from wallguard.rules.load import load_rules
from wallguard.rules.model import Fill, Rules

_WIDTH = 80
# From worst to best: where a column of the bar holds several, it shows the worst.
_MARKS: dict[Fill, str] = {"missing": ".", "hollow": "o", "uncertain": "?", "solid": "#"}
_GOOD = "+"
_BAR = 70
_TICK = 10


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "chart",
        "wallguard chart rules/petg.yaml",
        _command,
    )
    parser.add_argument("rules", type=Path, metavar="RULES")
    parser.add_argument("--svg", type=Path, metavar="FILE", help="draw it, to pin to the wall")
    parser.add_argument("--png", type=Path, metavar="FILE", help="the same as PNG")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write it as Markdown")


def _command(arguments: argparse.Namespace) -> int:
    text = run(arguments.rules, svg=arguments.svg, png=arguments.png, markdown=arguments.markdown)
    print(text, end="")
    return 0


def run(
    rules_path: Path,
    *,
    svg: Path | None = None,
    png: Path | None = None,
    markdown: Path | None = None,
) -> str:
    """The chart of the rule file at `rules_path`, as text; written to the files named as well.

    Nothing is written before all that is asked for is made.

    Raises InputError where the rule file cannot be used, a file cannot be written, or `png` is
    asked for and the extra `pictures` is not installed.
    """
    rules = load_rules(rules_path)
    text = chart(rules)
    made: list[tuple[Path, bytes]] = []
    if svg is not None or png is not None:
        drawn = wall_chart(rules)
        if svg is not None:
            made.append((svg, drawn.encode("utf-8")))
        if png is not None:
            made.append((png, render(drawn, WIDTH, png)))
    if markdown is not None:
        made.append((markdown, chart_markdown(rules).encode("utf-8")))
    for path, content in made:
        write_bytes(path, content)
    return text


def chart(rules: Rules) -> str:
    """The chart of one process: its bands, a bar along the thickness, what is good to draw.

    Raises InputError where no band table follows from the rules.
    """
    table = band_table(rules)
    good = table.good_ranges(rules.tolerance, rules.least("wall"))
    paragraphs = (_title(rules), _rows(table), _bar(table, good), _good(rules, good))
    return "\n\n".join("\n".join(lines) for lines in paragraphs) + "\n"


def _title(rules: Rules) -> list[str]:
    process = ", ".join(text for text in (rules.printer, rules.material) if text)
    about = f"{rules.category}, layers of {rules.layer_height:g} mm"
    texts = (rules.name, process, about, rules.path)
    return [line for text in texts if text for line in textwrap.wrap(text, _WIDTH)]


def _rows(table: BandTable) -> list[str]:
    cells = [HEADS, *rows(table)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in cells
    ]


def _bar(table: BandTable, good: tuple[tuple[float, float], ...]) -> list[str]:
    """Rows of one character per step along the thickness: what is inside, and what is good."""
    per_column = math.ceil(farthest(table, good) * 100 / _BAR)
    # A column stands for these readings, in hundredths: first to last, both included.
    columns = [(at * per_column, (at + 1) * per_column - 1) for at in range(_BAR)]
    fills = "".join(_mark(table, first, last) for first, last in columns)
    goods = "".join(
        _GOOD if any(low <= first / 100 and last / 100 <= high for low, high in good) else " "
        for first, last in columns
    )
    ticks = "".join(f"{at * per_column / 100:<{_TICK}.2f}" for at in range(0, _BAR, _TICK))
    ruler = "".join("|" if at % _TICK == 0 else "-" for at in range(_BAR))
    shown = {band.fill for band in table.bands if band.readings is not None}
    legend = [f"{mark} {fill}" for fill, mark in reversed(_MARKS.items()) if fill in shown]
    legend.append(f"{_GOOD} good to draw")
    return [
        f"inside  {fills}",
        f"good    {goods}".rstrip(),
        f"        {ruler}",
        f"mm      {ticks}".rstrip(),
        f"        {'   '.join(legend)}",
        f"        one character is {per_column / 100:.2f} mm and shows the worst in it",
    ]


def _mark(table: BandTable, first: int, last: int) -> str:
    held = set()
    for band in table.bands:
        lowest, highest = band.steps
        if max(first, lowest) <= min(last, highest):
            held.add(band.fill)
    return next(mark for fill, mark in _MARKS.items() if fill in held)


def _good(rules: Rules, good: tuple[tuple[float, float], ...]) -> list[str]:
    ranges = ", ".join(range_text(*ends) for ends in good)
    text = f"good to draw: {ranges} mm" if ranges else f"good to draw: {NOTHING_GOOD}"
    return [
        *textwrap.wrap(text, _WIDTH, subsequent_indent="  "),
        *textwrap.wrap(f"({asked(rules)})", _WIDTH),
    ]
