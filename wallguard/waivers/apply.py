"""Waivers against findings: which finding each one accepts, and whether it still holds."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date

from wallguard.findings.model import Finding, PartReport, Point, Trouble
from wallguard.findings.worsening import Before, worsening
from wallguard.waivers.load import FILE_NAME, Waiver

# A place is that of a finding if it lies within its box or so near to it, mm, or so near to its
# point where it has no box.
_FROM_BOX, _FROM_POINT = 1.0, 2.0


def apply(
    parts: Sequence[PartReport],
    waivers: Sequence[Waiver],
    today: date,
    *,
    gone: Callable[[str], bool] = lambda part: False,
    complete: bool = False,
) -> tuple[list[PartReport], list[Trouble]]:
    """The reports with accepted findings marked, and what to mend in `waivers.yaml`.

    A waiver holds through its last day, and as long as the finding is not worse than it was when
    accepted; of one that no longer holds the finding's remark tells why. A waiver that matches no
    finding is named where the part it is for was checked, or is `gone`; one that names no part
    where the run was `complete`.
    """
    matched: set[int] = set()
    reports = []
    for report in parts:
        findings = list(report.findings)
        for number, waiver in enumerate(waivers):
            if waiver.part not in ("", report.path, report.was):
                continue
            if waiver.rules not in ("", report.rules):
                continue
            at = _find(waiver, report.findings)
            if at is None:
                continue
            matched.add(number)
            if not findings[at].waived:
                findings[at] = _judged(waiver, findings[at], today)
        reports.append(replace(report, findings=tuple(findings)))
    remarks = [
        _remark(waiver, why)
        for number, waiver in enumerate(waivers)
        if number not in matched and (why := _idle(waiver, parts, gone, complete))
    ]
    return reports, remarks


def stem(name: str) -> str:
    """A finding's id without the number that tells those apart that are alike but for place."""
    return name.partition("-")[0]


def _find(waiver: Waiver, findings: Sequence[Finding]) -> int | None:
    """The number of the finding that a waiver accepts.

    By its id, where it is at the place too. Where alike findings have come or gone their numbers
    have shifted, so that the place decides; where the file's origin has moved their number is
    the same as it was, and the id decides.
    """
    if waiver.finding:
        family = [at for at, one in enumerate(findings) if stem(one.id) == stem(waiver.finding)]
        named = [at for at in family if findings[at].id == waiver.finding]
        if waiver.place is None or (named and findings[named[0]].location is None):
            return named[0] if named else None
        here = _nearest(waiver.place, findings, family)
        if here is not None:
            return here
        if named and len(family) == waiver.alike and findings[named[0]].state != "new":
            return named[0]
    if waiver.place is not None:
        alike = [at for at, one in enumerate(findings) if one.check == waiver.check]
        return _nearest(waiver.place, findings, alike)
    return None


def _nearest(place: Point, findings: Sequence[Finding], among: Sequence[int]) -> int | None:
    near = []
    for at in among:
        one = findings[at]
        from_point = math.dist(place, one.location) if one.location else math.inf
        from_box = _from_box(place, one.box) if one.box else math.inf
        if from_box <= _FROM_BOX or (one.box is None and from_point <= _FROM_POINT):
            near.append((round(from_box, 1), from_point, at))
    return min(near)[2] if near else None


def _from_box(place: Point, box: tuple[Point, Point]) -> float:
    nearest = [min(max(value, low), high) for value, low, high in zip(place, *box, strict=True)]
    return math.dist(place, nearest)


def _judged(waiver: Waiver, finding: Finding, today: date) -> Finding:
    """The finding as waived, or with a remark on why the waiver does not hold."""
    why_not = _why_not(waiver, finding, today)
    if why_not:
        said = (finding.remark, f"the waiver of {waiver.who} ({FILE_NAME}:{waiver.line}) {why_not}")
        return replace(finding, remark="; ".join(part for part in said if part))
    issue = f" ({waiver.issue})" if waiver.issue else ""
    waived = f"{waiver.who}, until {waiver.until}: {waiver.why}{issue}"
    breaches = tuple(replace(breach, waived=waived) for breach in finding.breaches)
    return replace(finding, breaches=breaches)


def _why_not(waiver: Waiver, finding: Finding, today: date) -> str:
    if today > waiver.until:
        return f"ran out on {waiver.until}"
    lacks = []
    if waiver.measured is None and finding.measured is not None:
        lacks.append(f"`measured: {finding.measured:.4g}`")
    if waiver.fill is None and finding.check == "fill" and finding.fill:
        lacks.append(f"`fill: {finding.fill}`")
    if lacks:
        return f"does not hold: it lacks {' and '.join(lacks)}, so nobody can see if it got worse"
    was = Before(waiver.measured, waiver.fill, waiver.size, not waiver.certain)
    how = worsening(was, finding)
    return f"does not hold: it got worse since, {how}" if how else ""


def _idle(
    waiver: Waiver, parts: Sequence[PartReport], gone: Callable[[str], bool], complete: bool
) -> str:
    """Why a waiver that matches no finding should go; empty where that cannot be told."""
    if not waiver.part:
        return "matches no finding: remove it" if complete else ""
    checked = any(_checked(waiver, report) for report in parts)
    if checked:
        return f"matches no finding of {waiver.part} any more: remove it"
    if gone(waiver.part):
        return f"is for {waiver.part}, which is not there: remove it, or name the part anew"
    return ""


def _checked(waiver: Waiver, report: PartReport) -> bool:
    return (
        waiver.part in (report.path, report.was)
        and waiver.rules in ("", report.rules)
        and report.status != "error"
    )


def _remark(waiver: Waiver, why: str) -> Trouble:
    return Trouble(FILE_NAME, f"{FILE_NAME}:{waiver.line}: the waiver of {waiver.who} {why}.")
