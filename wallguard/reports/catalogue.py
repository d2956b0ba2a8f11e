"""The catalogue of a library of rule files, as Markdown and as one page: which wall comes out well
on all printers, and of each its chart, what is good to draw, and where its numbers are from."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.bands.advice import NOTHING_GOOD, range_text, ranges_words
from wallguard.bands.chart import basis_remark
from wallguard.base import cautions
from wallguard.base.plain import capital, one_line
from wallguard.jobs.catalogue import Catalogue, Process
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.matrix_markdown import WORDS, lead, matrix
from wallguard.reports.matrix_text import good_everywhere
from wallguard.reports.templates import encoded, render
from wallguard.rules.origin import origin

# By these an earlier one is known.
TITLE, HTML_TITLE = "# Catalogue of printers", "<title>Catalogue of printers - wallguard</title>"


def catalogue_markdown(made: Catalogue) -> str:
    """GFM."""
    return "\n".join(_lines(made)) + "\n"


def catalogue_page(made: Catalogue) -> str:
    """One page for a browser: no script, nothing fetched, every text from files escaped."""
    from wallguard.drawings.wall_chart import wall_chart

    common = made.common
    rows = [
        (range_text(*row.range), [(cell, WORDS[cell]) for cell in row.cells], row.good)
        for row in common.rows
    ]
    processes = [
        {
            "name": process.chart.rules.name,
            "path": process.chart.rules.path,
            "about": ", ".join(process.chart.about),
            "good": _good(process),
            "facts": list(_facts(process)),
            "mend": process.mend,
            "picture": encoded(wall_chart(process.chart)),
        }
        for process in made.processes
    ]
    return render(
        "catalogue.html",
        said=capital(_everywhere(made)),
        day=str(made.day),
        rows=rows,
        processes=processes,
        troubles=[one_line(trouble.message) for trouble in made.troubles],
        caution=cautions.PARTS,
    )


def _everywhere(made: Catalogue) -> str:
    if len(made.processes) == 1:
        return f"good to draw: {_good(made.processes[0])}"
    return good_everywhere(made.common)


def _good(process: Process) -> str:
    good = process.chart.good
    return ranges_words(good) if good else NOTHING_GOOD


def _facts(process: Process) -> Iterator[str]:
    """Where its numbers are from, how old they are, and what they rest on."""
    said = (origin(process.chart.rules), process.age, basis_remark(process.chart))
    yield from (f"{capital(text)}." for text in said if text)


def _lines(made: Catalogue) -> Iterator[str]:
    yield TITLE
    yield ""
    yield lead(_everywhere(made), bool(made.common.good))
    yield ""
    yield f"As of {made.day}. {cautions.PARTS}"
    yield ""
    yield from matrix(made.common)
    for number, process in enumerate(made.processes, 1):
        rules = process.chart.rules
        yield ""
        yield f"## {number}. {prose(rules.name)}"
        yield ""
        yield f"{', '.join(map(prose, process.chart.about))}. Rule file: {code(rules.path)}"
        yield ""
        yield f"**Good to draw: {_good(process)}**"
        for fact in _facts(process):
            yield ""
            yield prose(fact)
        for said in process.mend:
            yield ""
            yield f"**To be mended:** {prose(said)}."
        if rules.notes:
            yield ""
            yield prose(one_line(rules.notes))
    if made.troubles:
        yield ""
        yield "## Files that could not be used"
        yield ""
        yield from (f"- {prose(one_line(trouble.message))}" for trouble in made.troubles)
