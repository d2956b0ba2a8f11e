"""`wallguard chart`: the band table of a rule file, and which thicknesses are good to draw.

As a picture it is a page for the wall, as Markdown a table for a repository's pages.
"""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

from wallguard.bands.chart import chart_of
from wallguard.base.write import write_bytes
from wallguard.commands.arguments import Commands, command
from wallguard.commands.replacing import refuse_inputs, refuse_others
from wallguard.drawings import kinds
from wallguard.drawings.png import png as render
from wallguard.drawings.wall_chart import WIDTH, wall_chart
from wallguard.jobs.provenance import remarks
from wallguard.reports.chart_markdown import TITLE, chart_markdown
from wallguard.reports.chart_text import chart_text
from wallguard.rules.load import load_rules


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

    Raises InputError where the rule file cannot be used, a file cannot be written or is no earlier
    chart, or `png` is asked for and the extra `pictures` is not installed.
    """
    chart = chart_of(load_rules(rules_path))
    for path, option, wrote in (
        (svg, "--svg", _is_drawn),
        (png, "--png", _is_drawn),
        (markdown, "--markdown", _is_written),
    ):
        if path is not None:
            refuse_others(path, option, wrote)
    refuse_inputs(filter(None, (svg, png, markdown)), [rules_path])
    made: list[tuple[Path, bytes]] = []
    if svg is not None or png is not None:
        drawn = wall_chart(chart)
        if svg is not None:
            made.append((svg, drawn.encode("utf-8")))
        if png is not None:
            made.append((png, render(drawn, WIDTH, png, kinds.CHART)))
    if markdown is not None:
        made.append((markdown, chart_markdown(chart).encode("utf-8")))
    for path, content in made:
        write_bytes(path, content)
    odd = remarks(chart.rules, None, date.today())
    return chart_text(chart) + "".join(f"note: {each}\n" for each in odd)


def _is_drawn(content: str) -> bool:
    return kinds.is_drawn(kinds.CHART, content)


def _is_written(content: str) -> bool:
    return content.startswith(TITLE)
