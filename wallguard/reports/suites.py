"""JUnit XML: suites of cases as text.

Written with xml.etree: the junit-xml library puts attributes on `testsuites` that the schema of
the Apache Ant tasks does not allow, and leaves out elements that it requires.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from xml.etree import ElementTree as ET

from wallguard.base.plain import lines, one_line, plain

# The schema demands a time; a report without one gets the beginning of time as computers count it.
_NO_TIME = "1970-01-01T00:00:00"


@dataclass(frozen=True)
class Case:
    """One case; `kind` is the element that says why it did not simply pass, empty if it did."""

    name: str
    kind: str = ""
    message: str = ""
    type: str = ""
    text: str = ""


@dataclass(frozen=True)
class Suite:
    """One suite; its name and package are plain already."""

    name: str
    package: str
    cases: Sequence[Case]
    properties: Sequence[tuple[str, str]] = ()
    seconds: float = 0.0
    out: Sequence[str] = ()
    error: Sequence[str] = ()


def document(suites: Iterable[Suite], started: str) -> Iterator[str]:
    """The suites as JUnit XML, piece by piece. The time is `started` (ISO 8601) in UTC."""
    timestamp = _timestamp(started)
    opening = "<testsuites>"
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    # Each as text at once: as elements thousands of them take five times as much memory.
    for number, suite in enumerate(suites):
        yield f"{opening}\n  {_text(suite, number, timestamp)}"
        opening = ""
    yield "<testsuites />\n" if opening else "\n</testsuites>\n"


def error(name: str, message: str) -> Case:
    """A case that could not be worked out, and why."""
    return Case(name, "error", one_line(message), "InputError", "\n".join(lines(message)))


def _text(suite: Suite, number: int, timestamp: str) -> str:
    kinds = [case.kind for case in suite.cases]
    element = ET.Element(
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
        attributes = {"name": token(case.name), "classname": suite.package, "time": "0"}
        made = ET.SubElement(element, "testcase", attributes)
        if case.kind:
            why = ET.SubElement(made, case.kind, message=case.message)
            if case.type:
                why.set("type", token(case.type))
            why.text = case.text or None
    ET.SubElement(element, "system-out").text = "\n".join(suite.out) or None
    ET.SubElement(element, "system-err").text = "\n".join(suite.error) or None
    ET.indent(element, level=1)
    return ET.tostring(element, encoding="unicode")


def token(name: str) -> str:
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
