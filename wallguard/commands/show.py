"""What a check shows beyond text: pictures of findings, and the page for a browser."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib import util
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from wallguard.base.errors import InputError
from wallguard.commands.publish import Outputs
from wallguard.findings.model import PartReport, Report
from wallguard.rules.model import Rules
from wallguard.views.model import What

if TYPE_CHECKING:
    from wallguard.reports.html import Viewer


@dataclass(frozen=True)
class ShownOutputs(Outputs):
    """Also pictures, into a folder, and a page."""

    pictures: Path | None = None
    html: Path | None = None

    @property
    def views(self) -> What | None:
        """What has to be worked out for them while parts are checked."""
        return "page" if self.html else "pictures" if self.pictures else None


def ready(outputs: ShownOutputs) -> None:
    """Raises InputError where what is asked for needs an extra that is not installed, before
    anything is checked for nothing, or where the folder for pictures cannot be made."""
    if outputs.html and util.find_spec("plotly") is None:
        raise InputError(
            outputs.html,
            "the page needs the library that shows parts in space",
            remedy="Install it, in a clone of wallguard, with `pip install .[web]`",
        )
    if outputs.pictures:
        try:
            outputs.pictures.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                outputs.pictures,
                f"the folder cannot be made: {error.strerror}",
                remedy="Name another folder for the pictures",
            ) from None


def page(report: Report, rules: Mapping[str, Rules | None]) -> str:
    """The report for a browser, with the wall chart of every rule file that was used."""
    from wallguard.bands.chart import chart_of
    from wallguard.drawings.wall_chart import wall_chart
    from wallguard.reports.html import html

    used = {part.rules for part in report.parts}
    charts = {}
    for one in rules.values():
        if one is not None and one.path in used:
            try:
                charts[one.path] = wall_chart(chart_of(one))
            except InputError:  # said for every part that answers to it
                continue
    return html(report, viewer(), charts)


def viewer() -> Viewer:
    """The library of the extra `web`, as it goes into the page."""
    from plotly.colors import sequential
    from plotly.offline import get_plotlyjs

    from wallguard.reports.html import Viewer

    return Viewer(get_plotlyjs(), tuple(sequential.Cividis))


def pictures(report: Report, folder: Path) -> Iterator[tuple[Path, str | bytes]]:
    """The files of all pictures: SVG, and PNG where its renderer is installed."""
    from wallguard.drawings import finding as drawing

    raster = _can_raster(folder)
    for part, _ in _pictured(report):
        findings = {finding.id: finding for finding in part.findings}
        for view in part.views.pictures if part.views else ():
            finding = findings.get(view.finding)
            if finding is None:
                continue
            svg = drawing.picture(view, part, finding)
            yield folder / drawing.file_name(finding, "svg"), svg
            if raster:
                from wallguard.drawings.png import png

                path = folder / drawing.file_name(finding, "png")
                yield path, png(svg, drawing.WIDTH, path)


def links(report: Report, folder: Path, beside: Path) -> dict[str, str]:
    """For each finding with a picture, by id, the address of it from a file `beside`."""
    from wallguard.drawings import finding as drawing

    suffix = "png" if _installed() else "svg"
    try:
        there = Path(os.path.relpath(folder, beside.parent)).as_posix()
    except ValueError:  # on another drive: no address leads there from here
        return {}
    return {
        finding.id: quote(f"{there}/{drawing.file_name(finding, suffix)}")
        for part, shown in _pictured(report)
        for finding in part.findings
        if finding.id in shown
    }


def _pictured(report: Report) -> Iterator[tuple[PartReport, set[str]]]:
    for part in report.parts:
        if part.views:
            yield part, {view.finding for view in part.views.pictures}


def _installed() -> bool:
    return util.find_spec("resvg_py") is not None and util.find_spec("font_roboto") is not None


def _can_raster(folder: Path) -> bool:
    if not _installed():
        print(
            f"wallguard: {folder}: the pictures are SVG only, since PNG needs a renderer. "
            "Install it, in a clone of wallguard, with `pip install .[pictures]`.",
            file=sys.stderr,
        )
        return False
    return True
