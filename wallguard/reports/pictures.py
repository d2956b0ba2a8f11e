"""Pictures of findings as files: SVG, and PNG where its renderer is installed."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from importlib import util
from pathlib import Path
from urllib.parse import quote

from wallguard.findings.model import PartReport, Report
from wallguard.reports.formats import Setting
from wallguard.reports.sentence import Key, key


def show_report(report: Report, setting: Setting) -> Iterator[tuple[Path, str | bytes]]:
    """The files of all pictures."""
    return pictures(report, setting.path)


def pictures(report: Report, folder: Path) -> Iterator[tuple[Path, str | bytes]]:
    """The files of all pictures: SVG, and PNG where its renderer is installed."""
    from wallguard.drawings import finding as drawing
    from wallguard.drawings import kinds

    raster = _can_raster(folder)
    for part, _ in _pictured(report):
        findings = {finding.id: finding for finding in part.findings}
        for view in part.views.pictures if part.views else ():
            finding = findings.get(view.finding)
            if finding is None:
                continue
            svg = drawing.picture(view, part, finding)
            yield folder / drawing.file_name(part, finding, "svg"), svg
            if raster:
                from wallguard.drawings.png import png

                path = folder / drawing.file_name(part, finding, "png")
                yield path, png(svg, drawing.WIDTH, path, kinds.PLACE)


def links(report: Report, folder: Path, beside: Path) -> dict[Key, str]:
    """For each finding with a picture, by key, the address of it from a file `beside`."""
    from wallguard.drawings import finding as drawing

    suffix = "png" if _installed() else "svg"
    try:
        there = Path(os.path.relpath(folder, beside.parent)).as_posix()
    except ValueError:  # on another drive: no address leads there from here
        return {}
    return {
        key(part, finding): quote(f"{there}/{drawing.file_name(part, finding, suffix)}")
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
            'Install it, in a clone of wallguard, with `pip install ".[pictures]"`.',
            file=sys.stderr,
        )
        return False
    return True
