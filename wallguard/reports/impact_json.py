"""An impact as JSON."""

from __future__ import annotations

from dataclasses import replace

from wallguard.base import cautions
from wallguard.findings.impact import Impact, PartImpact, kind, summary
from wallguard.reports.json_codec import Format
from wallguard.reports.json_report import FRAME, WORST


def result(part: PartImpact) -> str:
    """`error`, `worse`, `other`, `better` or `same`."""
    return kind(part)


def caution(impact: Impact) -> str:
    """What it does not say."""
    return cautions.PARTS


IMPACT = Format(
    name="wallguard-impact/2",
    title="wallguard impact",
    of=Impact,
    frame=FRAME,
    told={
        **WORST,
        Impact: (caution, summary),
        PartImpact: (result, "starts_failing", "stops_failing"),
    },
)


def text(impact: Impact) -> str:
    """The impact as JSON text with a final line break. Raises ValueError: a size is not finite."""
    whole = replace(
        impact,
        parts=tuple(sorted(impact.parts, key=lambda part: part.path)),
        left_out=tuple(sorted(impact.left_out)),
        troubles=tuple(sorted(impact.troubles, key=lambda one: (one.path, one.message))),
    )
    return IMPACT.text(whole)
