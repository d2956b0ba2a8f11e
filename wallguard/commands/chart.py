"""`wallguard chart`: the band table of a rule file, and which thicknesses are good to draw.

As a picture it is a page for the wall, as Markdown a table for a repository's pages. Of several
rule files it shows what is good on every printer.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from wallguard.bands.chart import Chart, chart_of
from wallguard.bands.common import Common
from wallguard.base.errors import InputError
from wallguard.base.write import write_bytes
from wallguard.commands.arguments import Commands, command
from wallguard.commands.replacing import refuse_inputs, refuse_others
from wallguard.drawings import kinds
from wallguard.drawings.png import png as render
from wallguard.drawings.wall_chart import WIDTH, wall_chart
from wallguard.jobs.provenance import remarks
from wallguard.reports import chart_markdown, matrix_markdown
from wallguard.reports.chart_text import chart_text
from wallguard.reports.matrix_text import matrix_text
from wallguard.rules.load import load_rules


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "chart",
        "wallguard chart rules/petg.yaml",
        _command,
    )
    parser.add_argument(
        "rules",
        nargs="+",
        type=Path,
        metavar="RULES",
        help="a rule file, or several: then what is good on every printer",
    )
    parser.add_argument("--svg", type=Path, metavar="FILE", help="draw it, to pin to the wall")
    parser.add_argument("--png", type=Path, metavar="FILE", help="the same as PNG")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write it as Markdown")


def _command(arguments: argparse.Namespace) -> int:
    text = run(*arguments.rules, svg=arguments.svg, png=arguments.png, markdown=arguments.markdown)
    print(text, end="")
    return 0


def run(
    *rules: Path,
    svg: Path | None = None,
    png: Path | None = None,
    markdown: Path | None = None,
) -> str:
    """The chart of the rule files, as text; written to the files named as well.

    Nothing is written before all that is asked for is made.

    Raises InputError where a rule file cannot be used, a file cannot be written or is no earlier
    chart, a picture of several is asked for, or `png` and the extra `pictures` is not installed.
    """
    charts = [chart_of(load_rules(path)) for path in rules]
    picture = svg or png
    if picture is not None and len(charts) > 1:
        raise InputError(
            picture, "a picture shows one process", remedy="Name one rule file, or use --markdown"
        )
    for path, option, wrote in (
        (svg, "--svg", _is_drawn),
        (png, "--png", _is_drawn),
        (markdown, "--markdown", _is_written),
    ):
        if path is not None:
            refuse_others(path, option, wrote)
    refuse_inputs(filter(None, (svg, png, markdown)), rules)
    made: list[tuple[Path, bytes]] = []
    if picture is not None:
        drawn = wall_chart(charts[0])
        if svg is not None:
            made.append((svg, drawn.encode("utf-8")))
        if png is not None:
            made.append((png, render(drawn, WIDTH, png, kinds.CHART)))
    if markdown is not None:
        made.append((markdown, _markdown(charts).encode("utf-8")))
    for path, content in made:
        write_bytes(path, content)
    return _text(charts)


def _text(charts: Sequence[Chart]) -> str:
    text = chart_text(charts[0]) if len(charts) == 1 else matrix_text(Common(tuple(charts)))
    notes = (
        f"note: {chart.rules.path}: {odd}\n"
        for chart in charts
        for odd in remarks(chart.rules, None, date.today())
    )
    return text + "".join(notes)


def _markdown(charts: Sequence[Chart]) -> str:
    if len(charts) == 1:
        return chart_markdown.chart_markdown(charts[0])
    return matrix_markdown.matrix_markdown(Common(tuple(charts)))


def _is_drawn(content: str) -> bool:
    return kinds.is_drawn(kinds.CHART, content)


def _is_written(content: str) -> bool:
    return content.startswith((chart_markdown.TITLE, matrix_markdown.TITLE))
