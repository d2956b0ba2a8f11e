"""The report as JUnit XML, for the pipelines that read it.

Written with xml.etree: the junit-xml library puts attributes on `testsuites` that the schema of
the Apache Ant tasks does not allow, and leaves out elements that it requires.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from xml.etree import ElementTree as ET

from wallguard.findings import Finding, PartReport, Report
from wallguard.reports import order
from wallguard.reports.plain import lines, one_line, plain
from wallguard.text import limit_text, mm, place

# The schema demands a time; a report without one gets the beginning of time as computers count it.
_NO_TIME = "1970-01-01T00:00:00"


@dataclass(frozen=True)
class _Case:
    """One case; `kind` is the element that says why it did not simply pass, empty if it did."""

    name: str
    kind: str = ""
    message: str = ""
    type: str = ""
    text: str = ""


@dataclass(frozen=True)
class _Suite:
    """One suite; its name and package are plain already."""

    name: str
    package: str
    cases: Sequence[_Case]
    properties: Sequence[tuple[str, str]] = ()
    seconds: float = 0.0
    out: Sequence[str] = ()
    error: Sequence[str] = ()


def xml(report: Report) -> str:
    """The report as JUnit XML: one suite per part and rule file, one case per check.

    Findings that fail are failures, one per check, with all places and advice in its text; warnings
    and notes stand in system-out. A file that could not be used is a suite with an error, a part
    that no rule file answers for a suite with a skipped case. The time is `started` in UTC.
    """
    root = ET.Element("testsuites")
    timestamp = _timestamp(report.started)
    for number, suite in enumerate(_suites(report)):
        _write(root, suite, number, timestamp)
    ET.indent(root)
    body = ET.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _suites(report: Report) -> Iterator[_Suite]:
    for part in order.parts(report):
        yield _part(part, report.version)
    for trouble in order.troubles(report):
        case = _error("usable", trouble.message)
        yield _Suite(_token(trouble.path), "wallguard", [case], error=lines(trouble.message))
    for path in sorted(report.not_covered):
        case = _Case("covered", "skipped", "no rule file answers for this part: it was not checked")
        yield _Suite(_token(path), "wallguard", [case])


def _part(part: PartReport, version: str) -> _Suite:
    found = order.findings(part.findings)
    names = [run.name for run in part.checks]
    # A finding is never lost, even if its check is not listed as run.
    names += sorted({finding.check for finding in found} - set(names))
    cases = [_case(name, part, found) for name in names]
    if part.status == "error":
        cases.append(_error("usable", part.error))
    quiet = [line for one in found if one.severity != "fail" for line in _lines(one)]
    quiet += [f"{plain(run.name)}: {one_line(run.note)}" for run in order.limited(part)]
    return _Suite(
        name=_token(f"{part.path} ({part.rules})"),
        package=_token(part.path),
        cases=cases,
        properties=list(_properties(part, version)),
        seconds=part.seconds,
        out=quiet,
        error=lines(part.error) if part.error else (),
    )


def _case(name: str, part: PartReport, found: Sequence[Finding]) -> _Case:
    failing = [one for one in found if one.check == name and one.severity == "fail"]
    run = next((run for run in part.checks if run.name == name), None)
    if failing:
        text = "\n".join(line for finding in failing for line in _lines(finding))
        return _Case(name, "failure", one_line(failing[0].message), name, text)
    if run is None or run.status in ("passed", "warned", "indeterminate"):
        return _Case(name)
    if run.status == "skipped":
        return _Case(name, "skipped", one_line(run.note))
    if run.status == "error":
        return _error(name, run.note)
    return _Case(name, "failure", one_line(run.note), name)


def _error(name: str, message: str) -> _Case:
    return _Case(name, "error", one_line(message), "InputError", "\n".join(lines(message)))


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


def _write(root: ET.Element, suite: _Suite, number: int, timestamp: str) -> None:
    kinds = [case.kind for case in suite.cases]
    element = ET.SubElement(
        root,
        "testsuite",
        {
            "name": suite.name,
            "package": suite.package,
            "id": str(number),
            "hostname": "localhost",
            "timestamp": timestamp,
            "tests": str(len(kinds)),
            "failures": str(kinds.count("failure")),
            "errors": str(kinds.count("error")),
            "skipped": str(kinds.count("skipped")),
            "time": f"{suite.seconds:.3f}",
        },
    )
    properties = ET.SubElement(element, "properties")
    for name, value in suite.properties:
        ET.SubElement(properties, "property", name=name, value=value)
    for case in suite.cases:
        attributes = {"name": _token(case.name), "classname": suite.package, "time": "0"}
        made = ET.SubElement(element, "testcase", attributes)
        if case.kind:
            why = ET.SubElement(made, case.kind, message=case.message)
            if case.type:
                why.set("type", _token(case.type))
            why.text = case.text or None
    ET.SubElement(element, "system-out").text = "\n".join(suite.out) or None
    ET.SubElement(element, "system-err").text = "\n".join(suite.error) or None


def _token(name: str) -> str:
    """A name as the schema wants it: never empty."""
    return plain(name).strip() or "(no name)"


def _timestamp(started: str) -> str:
    """An ISO 8601 time as the schema wants it: UTC, whole seconds, no zone."""
    try:
        moment = datetime.fromisoformat(started)
        if moment.tzinfo is not None:
            moment = moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return _NO_TIME
    return moment.replace(tzinfo=None).isoformat(timespec="seconds")
