"""In which order a report names things, and how many there are; the same in every report."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import TypeAlias

from wallguard.base.plain import counted, listed, plain
from wallguard.findings.counts import Counts, grouped, summary
from wallguard.findings.groups import Group, groups
from wallguard.findings.model import (
    CheckRun,
    Finding,
    Gate,
    PartReport,
    Report,
    Trouble,
    Wall,
    in_force,
)
from wallguard.findings.outcomes import SEVERITIES, causes_first, doubtful, is_cause, worst_first


def kinds(findings: Sequence[Finding]) -> str:
    """How many of each severity: "3 fail, 1 note"."""
    severities = [finding.severity for finding in findings]
    return ", ".join(
        f"{severities.count(severity)} {severity}"
        for severity in SEVERITIES
        if severity in severities
    )


def checked(counts: Counts) -> str:
    """What was checked: "12 parts", or "14 results on 12 parts" where some had several rules."""
    parts = counted(counts.files, "part")
    return (
        parts if counts.files == counts.parts else f"{counted(counts.parts, 'result')} on {parts}"
    )


def severities(report: Report) -> str:
    """The findings in force by severity, alike ones once: "7 fail, 2 warn", and in how many places
    where that is more; empty where there are none."""
    counts, each = grouped(report).findings, summary(report).findings
    pairs = ((counts.fail, "fail"), (counts.warn, "warn"), (counts.note, "note"))
    said = ", ".join(f"{number} {severity}" for number, severity in pairs if number)
    places = each.fail + each.warn + each.note
    return said + (f", in {places} places" if counts != each else "")


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


def results(counts: Counts) -> list[str]:
    """How parts came out: "1 of 3 parts failed", "1 part could not be checked"; how many passed
    only where there is nothing worse to say."""
    said = [f"{counts.failed} of {checked(counts)} failed"] if counts.failed else []
    if undone(counts):
        said.append(f"{undone(counts)} could not be checked")
    if counts.parts and not said:
        said.append(f"{counts.passed} of {checked(counts)} passed")
    return said + ([f"{counts.indeterminate} indeterminate"] if counts.indeterminate else [])


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


# A part and findings of it that are alike.
Pair: TypeAlias = tuple[PartReport, Group]


def by_part(report: Report, chosen: Callable[[Finding], bool]) -> list[Pair]:
    """The chosen findings in groups, by part: the part with the worst first; see `ranked`."""
    blocks = []
    for part in report.parts:
        findings = ranked(finding for finding in part.findings if chosen(finding))
        if findings:
            worst = min(map(badness, findings))
            blocks.append((worst, part.path, part.rules, part, groups(findings)))
    blocks.sort(key=lambda block: block[:3])
    return [(part, group) for *_, part, gathered in blocks for group in gathered]


def counts(finding: Finding, gate: Gate, *, old: bool) -> bool:
    """Whether a finding is in force, and the base has it already or not."""
    return in_force(finding, gate) and (finding.state == "unchanged") == old


def ranked(findings: Iterable[Finding]) -> list[Finding]:
    """Findings of one part: new ones before old ones, causes before walls, the worst first."""
    return sorted(
        findings, key=lambda finding: (finding.state == "unchanged", causes_first(finding))
    )


def following(pairs: Sequence[Pair]) -> list[bool]:
    """For each group whether it means nothing before its cause is settled: the part's unit is
    doubtful, and this is about what has been measured in it."""
    parts = {id(part): part for part, _ in pairs}
    unsure = {at for at, part in parts.items() if doubtful(part.findings)}
    return [id(part) in unsure and not is_cause(group.first) for part, group in pairs]


def loud(pairs: Sequence[Pair]) -> list[bool]:
    """For each group whether it is for all to see: no mere note, and not to be read before its
    cause."""
    return [
        group.first.severity != "note" and not follows
        for (_, group), follows in zip(pairs, following(pairs), strict=True)
    ]


def split(pairs: Sequence[Pair]) -> tuple[list[Pair], list[Pair]]:
    """What is for all to see, see `loud`, and the rest."""
    visible = loud(pairs)
    return (
        [pair for pair, seen in zip(pairs, visible, strict=True) if seen],
        [pair for pair, seen in zip(pairs, visible, strict=True) if not seen],
    )


def alike(group: Group) -> str:
    """That there are more like it; empty where there are none."""
    return one_of(len(group.findings))


def one_of(number: int) -> str:
    """That what is told is one of so many; empty where it is the only one."""
    return f"one of {number} places alike; the JSON report lists each" if number > 1 else ""


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


def findings(findings: Iterable[Finding]) -> list[Finding]:
    """Findings, worst first."""
    return sorted(findings, key=badness)


def badness(finding: Finding) -> tuple[object, ...]:
    """A key that sorts the worst finding first, and no two alike."""
    return worst_first(finding)


def walls(walls: Iterable[Wall]) -> list[Wall]:
    """Walls, thinnest first."""
    return sorted(
        walls,
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
