"""Which body of an assembly a finding is about, where the file names them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from wallguard.base.text import place
from wallguard.checks.case import Case
from wallguard.findings.model import Finding


def of_bodies(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings, each with the names of the bodies that it is about, also in its message."""
    facts = case.geometry.facts
    placed = [finding for finding in findings if finding.location is not None]
    if len(facts.names) < 2 or not placed:
        return list(findings)
    places = tuple(
        (finding.location, finding.subject is not None and finding.subject.kind == "gap")
        for finding in placed
        if finding.location is not None
    )
    owners = dict(zip(map(id, placed), case.geometry.owners(places), strict=True))
    return [_named(finding, owners.get(id(finding), ())) for finding in findings]


def _named(finding: Finding, names: tuple[str, ...]) -> Finding:
    if not names or finding.location is None:
        return finding
    of = "between {} and {}" if len(names) > 1 else "of {}"
    said = of.format(*(f'"{name}"' for name in names))
    where = place(finding.location)
    before, found, after = finding.message.partition(where)
    message = f"{before}{where} {said}{after}" if found else f"{finding.message} ({said})"
    return replace(finding, bodies=names, message=message)
