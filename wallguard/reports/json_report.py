"""Reports, impacts and the walls of a part as JSON; a report also back."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from wallguard.base import cautions
from wallguard.base.errors import InputError
from wallguard.findings import counts
from wallguard.findings.impact import Impact, PartImpact, kind, summary
from wallguard.findings.model import Finding, PartReport, Report, Wall
from wallguard.findings.rehearsal import Edge, Printer, Rehearsal
from wallguard.reports import impact_order, order
from wallguard.reports.formats import Setting
from wallguard.reports.json_codec import Format, Tellers

if TYPE_CHECKING:
    from wallguard.toolpath.against import Against

FRAME = "Coordinates and heights are in the part file's own frame, in mm."
# What a finding says of the worst limit that it breaks.
_TOLD = ("check", "severity", "measured", "limit", "unit", "indeterminate", "waived", "z")
WORST: Tellers = {Finding: _TOLD}
REPORT = Format(
    name="wallguard-report/2",
    title="wallguard report",
    of=Report,
    frame=FRAME,
    beyond={**WORST, Report: ("caution", counts.summary)},
    left_out={PartReport: ("views",), Report: ("versioned",)},
)
_AGAIN = "Write it anew with `wallguard check --json`"


@dataclass(frozen=True)
class Walls:
    """The walls of a part, thinnest first."""

    walls: tuple[Wall, ...]

    @property
    def caution(self) -> str:
        """What it does not say."""
        return cautions.PARTS


WALLS = Format(
    name="wallguard-walls/1",
    title="wallguard walls",
    of=Walls,
    frame=FRAME,
    beyond={Walls: ("caution",)},
)


def text(report: Report) -> str:
    """The report as JSON text with a final line break.

    Raises ValueError: a size of a wall or a mesh is not finite.
    """
    return "".join(_pieces(report))


def _pieces(report: Report) -> Iterator[str]:
    return REPORT.pieces(order.whole(report))


def walls_text(walls: Iterable[Wall]) -> str:
    """Walls alone, as JSON text: as in a report. Raises ValueError: a size is not finite."""
    return WALLS.text(Walls(tuple(order.walls(walls))))


def read(content: str, shown: str = "the report") -> Report:
    """A report from JSON text; `shown` names it in errors. Keys that are not known are ignored.

    Raises InputError: not JSON, not a report, or of another version of the format. One of version 1
    is not read: its findings are single limits, which stand for no place.
    """
    old = re.search(r'"schema": *"(wallguard-report/1)"', content[:1000])
    if old:
        raise InputError(
            shown,
            f"not a report of the format {REPORT.name}: it is of the older {old[1]}",
            remedy=_AGAIN,
        )
    return REPORT.read(content, shown, _AGAIN)


def result(part: PartImpact) -> str:
    """`error`, `worse`, `other`, `better` or `same`."""
    return kind(part)


def caution(result: Impact | Rehearsal) -> str:
    """What it does not say."""
    return cautions.PARTS if isinstance(result, Impact) else cautions.REHEARSALS


IMPACT = Format(
    name="wallguard-impact/2",
    title="wallguard impact",
    of=Impact,
    frame=FRAME,
    beyond={
        **WORST,
        Impact: (caution, summary),
        PartImpact: (result, "starts_failing", "stops_failing"),
    },
)


REHEARSAL = Format(
    name="wallguard-rehearsal/2",
    title="wallguard rehearsal",
    of=Rehearsal,
    frame=FRAME,
    beyond={
        **IMPACT.beyond,
        Rehearsal: (caution, "verdict", "hold_back", "matrix"),
        Printer: ("verdict", "hold_back"),
        Edge: ("shift",),
    },
)


def rehearsal_text(rehearsal: Rehearsal) -> str:
    """The rehearsal as JSON text with a final line break. Raises ValueError: a size is not
    finite."""
    return REHEARSAL.text(
        replace(rehearsal, printers=tuple(map(_ordered_printer, rehearsal.printers)))
    )


def _ordered_printer(printer: Printer) -> Printer:
    made = (replace(toolpath, impact=_ordered(toolpath.impact)) for toolpath in printer.toolpaths)
    return replace(printer, toolpaths=tuple(made))


def impact_text(impact: Impact) -> str:
    """The impact as JSON text with a final line break. Raises ValueError: a size is not finite."""
    return IMPACT.text(_ordered(impact))


def _ordered(impact: Impact) -> Impact:
    return replace(
        impact,
        parts=tuple(sorted(impact.parts, key=lambda part: part.path)),
        left_out=tuple(sorted(impact.left_out)),
        troubles=tuple(impact_order.troubles(impact)),
    )


def show_report(report: Report, setting: Setting) -> Iterator[str]:
    """See `text`; piece by piece."""
    return _pieces(report)


def show_impact(impact: Impact, setting: Setting) -> str:
    """See `impact_text`."""
    return impact_text(impact)


def show_rehearsal(rehearsal: Rehearsal, setting: Setting) -> str:
    """See `rehearsal_text`."""
    return rehearsal_text(rehearsal)


def show_against(compared: Against, setting: Setting) -> str:
    """Two toolpaths as JSON text."""
    from wallguard.reports.against import AGAINST

    return AGAINST.text(compared)
