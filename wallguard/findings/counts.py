"""How many there are of what in a report, as every output says it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from wallguard.findings.groups import groups
from wallguard.findings.model import Finding, Report, in_force
from wallguard.findings.outcomes import SEVERITIES


@dataclass(frozen=True)
class Severities:
    """How many of each severity."""

    fail: int
    warn: int
    note: int


@dataclass(frozen=True)
class Counts:
    """What a report holds. Alike findings are counted one by one.

    parts  part and rule file, each pair once; files: part files
    findings  those in force: not waived and, where only new ones fail, new
    new, unchanged, fixed  against a base, 0 where there is none; those that are waived left out
    lost  findings that are gone only because less is asked than in the base
    waived  findings that somebody accepted
    """

    parts: int
    files: int
    passed: int
    failed: int
    indeterminate: int
    errors: int
    findings: Severities
    new: int
    unchanged: int
    fixed: int
    lost: int
    waived: int
    not_covered: int
    troubles: int


def summary(report: Report) -> Counts:
    """The counts of a report, every finding counted."""
    return _counts(report, lambda findings: findings)


def grouped(report: Report) -> Counts:
    """The counts as a reader is told them: alike findings of one part are one."""
    return _counts(report, lambda findings: tuple(group.first for group in groups(findings)))


_Choice = Callable[[tuple[Finding, ...]], tuple[Finding, ...]]


def _counts(report: Report, choice: _Choice) -> Counts:
    statuses = [part.status for part in report.parts]
    findings = [finding for part in report.parts for finding in choice(part.findings)]
    severities = [finding.severity for finding in findings if in_force(finding, report.gate)]
    states = [finding.state for finding in findings if not finding.waived]
    return Counts(
        parts=len(report.parts),
        files=len({part.path for part in report.parts}),
        passed=statuses.count("passed"),
        failed=statuses.count("failed"),
        indeterminate=statuses.count("indeterminate"),
        errors=statuses.count("error"),
        findings=Severities(*(severities.count(severity) for severity in SEVERITIES)),
        new=states.count("new"),
        unchanged=states.count("unchanged"),
        fixed=sum(len(choice(part.fixed)) for part in report.parts),
        lost=sum(len(choice(part.lost)) for part in (*report.parts, *report.dropped)),
        waived=sum(bool(finding.waived) for finding in findings),
        not_covered=len(report.not_covered),
        troubles=len(report.troubles),
    )
