"""The report as JUnit XML, for the pipelines that read it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wallguard.findings import Finding, PartReport, Report
from wallguard.reports import order
from wallguard.reports.plain import lines, one_line, plain
from wallguard.reports.suites import Case, Suite, document, error, token
from wallguard.text import limit_text, mm, place


def xml(report: Report) -> str:
    """The report as JUnit XML: one suite per part and rule file, one case per check.

    Findings that fail are failures, one per check, with all places and advice in its text; warnings
    and notes stand in system-out. A file that could not be used is a suite with an error, a part
    that no rule file answers for a suite with a skipped case. The time is `started` in UTC.
    """
    return document(_suites(report), report.started)


def _suites(report: Report) -> Iterator[Suite]:
    for part in order.parts(report):
        yield _part(part, report.version)
    for trouble in order.troubles(report):
        case = error("usable", trouble.message)
        yield Suite(token(trouble.path), "wallguard", [case], error=lines(trouble.message))
    for path in sorted(report.not_covered):
        case = Case("covered", "skipped", "no rule file answers for this part: it was not checked")
        yield Suite(token(path), "wallguard", [case])


def _part(part: PartReport, version: str) -> Suite:
    found = order.findings(part.findings)
    names = [run.name for run in part.checks]
    # A finding is never lost, even if its check is not listed as run.
    names += sorted({finding.check for finding in found} - set(names))
    cases = [_case(name, part, found) for name in names]
    if part.status == "error":
        cases.append(error("usable", part.error))
    quiet = [line for one in found if one.severity != "fail" for line in _lines(one)]
    quiet += [f"{plain(run.name)}: {one_line(run.note)}" for run in order.limited(part)]
    return Suite(
        name=token(f"{part.path} ({part.rules})"),
        package=token(part.path),
        cases=cases,
        properties=list(_properties(part, version)),
        seconds=part.seconds,
        out=quiet,
        error=lines(part.error) if part.error else (),
    )


def _case(name: str, part: PartReport, found: Sequence[Finding]) -> Case:
    failing = [one for one in found if one.check == name and one.severity == "fail"]
    run = next((run for run in part.checks if run.name == name), None)
    if failing:
        text = "\n".join(line for finding in failing for line in _lines(finding))
        return Case(name, "failure", one_line(failing[0].message), name, text)
    if run is None or run.status in ("passed", "warned", "indeterminate"):
        return Case(name)
    if run.status == "skipped":
        return Case(name, "skipped", one_line(run.note))
    if run.status == "error":
        return error(name, run.note)
    return Case(name, "failure", one_line(run.note), name)


def _lines(finding: Finding) -> Iterator[str]:
    """A finding as text: what, where and what to draw instead."""
    unsure = ", indeterminate" if finding.indeterminate else ""
    yield f"{finding.severity}{unsure}: {one_line(finding.message)}"
    if finding.location is not None:
        heights = ""
        if finding.z is not None:
            heights = f", z {mm(finding.z[0])} to {mm(finding.z[1])}"
        yield f"  place: {place(finding.location)}{heights}, in mm in the part file's own frame"
    if finding.measured is not None and finding.limit is not None:
        lengths = finding.unit == "mm"
        measured = mm(finding.measured) if lengths else f"{finding.measured:g}"
        limit = limit_text(finding.limit) if lengths else f"{finding.limit:g}"
        yield f"  measured: {measured}, limit: {limit} ({plain(finding.unit)})"
    if finding.advice:
        yield f"  instead: {one_line(finding.advice)}"
    yield f"  id: {plain(finding.id)}"


def _properties(part: PartReport, version: str) -> Iterator[tuple[str, str]]:
    yield "part", plain(part.path)
    yield "rules", plain(part.rules)
    yield "process", plain(part.rules_name)
    if part.mesh is not None:
        yield "triangles", str(part.mesh.triangles)
        yield "watertight", "yes" if part.mesh.watertight else "no"
        yield "extents in mm", " ".join(mm(length) for length in part.mesh.extents)
        yield "unit", plain(part.mesh.unit)
    yield "frame", "coordinates are in the part file's own frame, in mm"
    yield "wallguard", plain(version)
