"""`wallguard library catalogue`: every process of a library on one page, and all together."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

from wallguard.base.write import write
from wallguard.commands.arguments import Commands, command
from wallguard.commands.replacing import refuse_foreign

MARKDOWN, HTML = "CATALOGUE.md", "catalogue.html"


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "catalogue",
        "wallguard library catalogue",
        _command,
        summary=f"write {MARKDOWN} and {HTML} of the rule files in a folder",
    )
    parser.add_argument("folder", nargs="?", type=Path, default=Path(), metavar="FOLDER")


def _command(arguments: argparse.Namespace) -> int:
    lines, code = run(arguments.folder)
    print("\n".join(lines))
    return code


def run(folder: Path, today: date | None = None) -> tuple[list[str], int]:
    """Write the catalogue of the rule files in `folder`; returns what to tell, and the exit code: 2
    where some rule file cannot be used.

    Raises InputError: none can be used, or a file that is no earlier catalogue stands in the way.
    """
    from wallguard.jobs.catalogue import catalogue
    from wallguard.reports import catalogue as pages
    from wallguard.reports.matrix_text import good_everywhere

    markdown, html = folder / MARKDOWN, folder / HTML
    refuse_foreign(markdown, "the catalogue", lambda content: content.startswith(pages.TITLE))
    refuse_foreign(html, "the catalogue", lambda content: pages.HTML_TITLE in content[:2000])
    made = catalogue(folder, today)
    write(markdown, pages.catalogue_markdown(made))
    write(html, pages.catalogue_page(made))
    lines = [f"trouble: {trouble.message}" for trouble in made.troubles]
    if len(made.processes) > 1:
        lines.append(good_everywhere(made.common))
    return [*lines, f"wrote: {markdown}", f"wrote: {html}"], 2 if made.troubles else 0
