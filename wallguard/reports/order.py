"""In which order a report names things, and how many there are; the same in every report."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from wallguard.base.plain import counted, listed, plain
from wallguard.findings.counts import SEVERITIES, Counts
from wallguard.findings.model import (
    CheckRun,
    Finding,
    PartReport,
    Report,
    Trouble,
    Wall,
    in_force,
)

# Of two findings of one severity the one that costs the whole wall comes first.
_FILLS = {"missing": 0, "hollow": 1}


def checked(counts: Counts) -> str:
    """What was checked: "12 parts", or "14 results on 12 parts" where some had several rules."""
    parts = counted(counts.files, "part")
    return (
        parts if counts.files == counts.parts else f"{counted(counts.parts, 'result')} on {parts}"
    )


def found(counts: Counts) -> str:
    """The findings by severity: "7 fail, 2 warn"; empty where there are none."""
    found = counts.findings
    pairs = ((found.fail, "fail"), (found.warn, "warn"), (found.note, "note"))
    return ", ".join(f"{number} {severity}" for number, severity in pairs if number)


def against(report: Report, counts: Counts) -> str:
    """What the base says, as "against main: 1 new, 3 unchanged, 2 fixed"; empty without one."""
    if not report.base:
        return ""
    numbers = f"{counts.new} new, {counts.unchanged} unchanged, {counts.fixed} fixed"
    return f"against {plain(report.base)}: {numbers}"


def undone(counts: Counts) -> str:
    """What could not be checked: "1 part and 2 files"; empty where all was."""
    pairs = ((counts.errors, "part"), (counts.troubles, "file"))
    return listed([counted(number, what) for number, what in pairs if number])


def whole(report: Report) -> Report:
    """The same report in this order."""
    return replace(
        report,
        parts=tuple(
            replace(
                part,
                walls=tuple(walls(part.walls)),
                findings=tuple(findings(part.findings)),
                fixed=tuple(findings(part.fixed)),
                lost=tuple(findings(part.lost)),
            )
            for part in parts(report)
        ),
        not_covered=tuple(sorted(report.not_covered)),
        troubles=tuple(troubles(report)),
        remarks=tuple(remarks(report)),
        removed=tuple(sorted(report.removed)),
        unseen=tuple(sorted(report.unseen)),
    )


def parts(report: Report) -> list[PartReport]:
    """Parts by path, then rule file."""
    return sorted(report.parts, key=lambda part: (part.path, part.rules))


def troubles(report: Report) -> list[Trouble]:
    """Files that could not be used, by name."""
    return sorted(report.troubles, key=lambda trouble: (trouble.path, trouble.message))


def remarks(report: Report) -> list[Trouble]:
    """What should be mended, by file and place."""
    return sorted(report.remarks, key=lambda remark: (remark.path, remark.message))


def unusable(report: Report) -> list[Trouble]:
    """All that could not be checked and why: files that could not be used, then parts."""
    broken = [Trouble(part.path, part.error) for part in parts(report) if part.status == "error"]
    return troubles(report) + list(dict.fromkeys(broken))


def every(report: Report) -> list[tuple[PartReport, Finding]]:
    """Every finding with its part: those in force first, then worst first over all parts."""
    pairs = [(part, finding) for part in report.parts for finding in part.findings]
    return sorted(
        pairs,
        key=lambda pair: (
            not in_force(pair[1], report.gate),
            pair[1].state == "unchanged",
            badness(pair[1]),
            pair[0].path,
            pair[0].rules,
        ),
    )


def findings(found: Iterable[Finding]) -> list[Finding]:
    """Findings, worst first."""
    return sorted(found, key=badness)


def badness(finding: Finding) -> tuple[object, ...]:
    """A key that sorts the worst finding first, and no two alike."""
    return (
        SEVERITIES.index(finding.severity),
        finding.indeterminate,
        _FILLS.get(finding.fill or "", len(_FILLS)),
        finding.check,
        finding.measured is None,
        round(finding.measured or 0.0, 3),  # computing error does not decide
        finding.location or (),
        finding.message,
        finding.id,
    )


def walls(found: Iterable[Wall]) -> list[Wall]:
    """Walls, thinnest first."""
    return sorted(
        found,
        key=lambda wall: (
            wall.thickness.min,
            wall.thickness.typical,
            wall.thickness.max,
            wall.z,
            wall.location,
            wall.length,
            wall.box,
        ),
    )


def limited(part: PartReport) -> list[CheckRun]:
    """The checks that ran but could not do all of their job, and say why."""
    return [run for run in part.checks if run.note and run.status not in ("skipped", "error")]
