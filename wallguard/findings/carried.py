"""Findings of a body that went from one part into another: two bodies of one file that become two
files, and the reverse. They are neither fixed in the one nor new in the other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from wallguard.findings.bodies import moves
from wallguard.findings.identity import kind_of
from wallguard.findings.model import Finding, PartReport
from wallguard.findings.places import nearest
from wallguard.findings.worsening import before, worsening


@dataclass(frozen=True)
class _Pair:
    """A new finding of a report that is one of an older report, each by its number."""

    part: int
    finding: int
    older: int
    was: int


def carried(
    parts: Sequence[PartReport], older: Sequence[PartReport], name: str
) -> list[PartReport]:
    """The reports, where a finding that counts as new is one that another part had in the base.

    older  parts of the base, each with those of its findings that are nowhere found again
    name   what the base is called
    """
    made = list(parts)
    for pair in _pairs(parts, older):
        was, part = older[pair.older], made[pair.part]
        finding = part.findings[pair.finding]
        how = worsening(before(was.findings[pair.was]), finding)
        now = replace(finding, state="unchanged", cause="")
        if how:
            remark = f"{name} has it in {was.path}, but it got worse: {how}"
            now = replace(finding, worse=True, remark=remark)
        findings = (*part.findings[: pair.finding], now, *part.findings[pair.finding + 1 :])
        made[pair.part] = replace(part, findings=findings)
        for at, report in enumerate(made):
            if (report.was or report.path, report.rules) == (was.path, was.rules):
                left = tuple(old for old in report.fixed if old.id != was.findings[pair.was].id)
                made[at] = replace(report, fixed=left)
    return made


def _pairs(parts: Sequence[PartReport], older: Sequence[PartReport]) -> Iterator[_Pair]:
    """Each finding once, on either side."""
    taken: set[tuple[int, int]] = set()
    for number, part in enumerate(parts):
        new = {
            at
            for at, finding in enumerate(part.findings)
            if finding.state == "new" and finding.cause == "drawing" and not finding.worse
        }
        for other, was in enumerate(older):
            if not new or was.rules != part.rules or was.path in (part.path, part.was):
                continue
            for at, old in enumerate(was.findings):
                here = None if (other, at) in taken else _again(old, was, part, new)
                if here is not None:
                    new.discard(here)
                    taken.add((other, at))
                    yield _Pair(number, here, other, at)


def _again(old: Finding, was: PartReport, part: PartReport, new: set[int]) -> int | None:
    """The number of the finding that `old` is now, of those that are new: of its kind, and at its
    place on a body that both parts have."""
    if old.location is None:
        return None
    among = [at for at in sorted(new) if kind_of(part.findings[at]) == kind_of(old)]
    for body in was.bodies if among else ():
        for now in part.bodies:
            for move in moves(body, now):
                x, y, z = move.apply(np.array([old.location]))[0].tolist()
                here = nearest((x, y, z), part.findings, among)
                if here is not None:
                    return here
    return None
