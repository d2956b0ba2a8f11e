"""JUnit XML: valid against the strict schema, and read back."""

from xml.etree import ElementTree as ET

import pytest
from junitparser import Error, Failure, JUnitXml, Skipped
from lxml import etree
from report_samples import (
    COMPARED,
    EMPTY,
    HOSTILE,
    ORDINARY,
    PASSED,
    THIN,
    finding,
    hostile,
    many,
    part,
)

from wallguard.base.plain import plain
from wallguard.findings.model import CheckRun, Report
from wallguard.reports.junit import xml

REPORTS = [ORDINARY, EMPTY, PASSED, COMPARED, hostile(), many()]


def suites(report: Report) -> dict[str, ET.Element]:
    return {suite.get("name", ""): suite for suite in ET.fromstring(xml(report))}


@pytest.mark.parametrize("report", REPORTS)
def test_reports_are_valid(report: Report, junit_schema) -> None:
    junit_schema.assertValid(etree.fromstring(xml(report).encode()))


def test_the_schema_notices_what_is_not_valid(junit_schema) -> None:
    broken = xml(ORDINARY).replace(' hostname="localhost"', "", 1)
    assert not junit_schema.validate(etree.fromstring(broken.encode()))


def test_junitparser_reads_the_report_back() -> None:
    read = JUnitXml.fromstring(xml(ORDINARY).encode())
    found = {suite.name: suite for suite in read}
    assert list(found) == [
        "parts/arm.obj (rules/petg.yaml)",
        "parts/bracket.stl (rules/petg.yaml)",
        "parts/lid.3mf (rules/petg.yaml)",
        "parts/lost.stl (rules/petg.yaml)",
        "parts/plate.stl (rules/petg.yaml)",
        "rules/pla.yaml",
        "spare/knob.stl",
    ]
    bracket = found["parts/bracket.stl (rules/petg.yaml)"]
    assert (bracket.tests, bracket.failures, bracket.errors, bracket.skipped) == (5, 2, 0, 1)
    results = {case.name: case.result for case in bracket}
    assert list(results) == ["mesh", "fill", "wall", "gap", "floor"]
    assert [type(result) for result in results["fill"]] == [Failure]
    assert results["gap"] == []
    assert [type(result) for result in results["floor"]] == [Skipped]
    assert results["floor"][0].message == "the rules set no limit to the thickness of a floor"
    lost = next(iter(found["parts/lost.stl (rules/petg.yaml)"]))
    assert [type(result) for result in lost.result] == [Error]
    assert lost.result[0].message == "parts/lost.stl: the file is empty. Export it again."


def test_a_failure_holds_all_findings_of_its_check_and_says_the_worst() -> None:
    fill = suites(ORDINARY)["parts/bracket.stl (rules/petg.yaml)"].find(
        "testcase[@name='fill']/failure"
    )
    assert fill is not None
    assert fill.get("message", "").endswith("15.00 mm long, will not be printed")
    assert fill.text is not None
    assert "will print hollow, with about 0.35 mm of air\n  place: (12.0, 3.5, 4.0), z" in fill.text
    assert "z 0.00 to 20.00, in mm in the part file's own frame\n" in fill.text
    assert fill.text.count("  instead: draw ≤ 1.22 or ≥ 1.73 mm\n  id: ") == 2


def test_measured_and_limit_stand_in_the_text() -> None:
    suite = next(iter(suites(Report((part(status="failed", findings=(THIN,)),))).values()))
    assert "  measured: 0.60, limit: 0.80 (mm)\n" in (suite.findtext("testcase/failure") or "")


def test_warnings_and_notes_stand_in_system_out() -> None:
    out = suites(ORDINARY)["parts/bracket.stl (rules/petg.yaml)"].findtext("system-out") or ""
    assert out.startswith("warn: gap 0.25 mm wide at (5.0, 5.0, 1.0)")
    assert "\nnote: 2 doubled faces" in out
    lid = suites(ORDINARY)["parts/lid.3mf (rules/petg.yaml)"]
    assert lid.get("failures") == "0"
    assert "warn, indeterminate: wall 0.90 mm" in (lid.findtext("system-out") or "")
    assert (lid.findtext("system-out") or "").endswith("gap: two bodies touch")


def test_an_indeterminate_finding_fails_only_where_it_is_to_fail() -> None:
    unsure = finding(indeterminate=True)
    made = part(status="failed", checks=(CheckRun("fill", "indeterminate"),), findings=(unsure,))
    suite = next(iter(suites(Report((made,))).values()))
    assert suite.get("failures") == "1"
    assert (suite.findtext("testcase/failure") or "").startswith("fail, indeterminate: wall")


def test_a_check_that_broke_is_an_error_and_a_failed_one_without_findings_a_failure() -> None:
    checks = (CheckRun("gap", "error", "out of memory"), CheckRun("pin", "failed", "no pins"))
    suite = next(iter(suites(Report((part(checks=checks),))).values()))
    assert (suite.get("errors"), suite.get("failures")) == ("1", "1")
    error = suite.find("testcase[@name='gap']/error")
    assert error is not None
    assert error.get("message") == "out of memory"


def test_a_finding_of_a_check_that_is_not_listed_is_not_lost() -> None:
    suite = next(iter(suites(Report((part(checks=(), findings=(finding(),)),))).values()))
    assert suite.find("testcase[@name='fill']/failure") is not None


def test_a_part_without_rules_is_skipped_and_a_trouble_is_an_error() -> None:
    found = suites(ORDINARY)
    knob = found["spare/knob.stl"].find("testcase[@name='covered']/skipped")
    assert knob is not None
    assert "no rule file answers" in knob.get("message", "")
    trouble = found["rules/pla.yaml"].find("testcase/error")
    assert trouble is not None
    assert "`wal` is no key" in trouble.get("message", "")


@pytest.mark.parametrize(
    ("started", "timestamp"),
    [
        ("2024-05-01T14:00:00+02:00", "2024-05-01T12:00:00"),
        ("2024-05-01T14:00:00.123456Z", "2024-05-01T14:00:00"),
        ("2024-05-01 14:00:00", "2024-05-01T14:00:00"),
        ("0001-01-01T00:00:00+12:00", "1970-01-01T00:00:00"),
        ("yesterday", "1970-01-01T00:00:00"),
    ],
)
def test_the_time_is_in_utc_without_a_zone(started: str, timestamp: str) -> None:
    suite = next(iter(suites(Report((part(),), started=started)).values()))
    assert suite.get("timestamp") == timestamp


def test_hostile_names_survive_as_text() -> None:
    read = ET.fromstring(xml(hostile()))
    values = {one.get("value") for one in read.iter("property") if one.get("name") == "part"}
    assert {plain(name) for name in HOSTILE} <= values
    assert "not-utf-8-\\xe9.stl" in values
    messages = [one.get("message", "") for one in read.iter("failure")]
    assert "object ]]> is bad" in messages
    assert "object <img src=x onerror=alert(1)> is bad" in messages


def test_a_waived_finding_is_skipped_with_the_reason_and_its_check_passes() -> None:
    read = {suite.name: suite for suite in JUnitXml.fromstring(xml(COMPARED).encode())}
    results = {case.name: case.result for case in read["parts/bracket.stl (rules/petg.yaml)"]}
    (waived,) = results["wall (waived 1111111111)"]
    assert isinstance(waived, Skipped)
    assert waived.message == "waived by A. Person, until 2031-05-31: not loaded"
    assert results["wall"] == []
    assert [type(result) for result in results["fill"]] == [Failure]


def test_against_a_base_only_new_findings_are_failures() -> None:
    found = suites(COMPARED)
    lid = found["parts/lid.3mf (rules/petg.yaml)"]
    assert (lid.get("failures"), lid.get("skipped")) == ("0", "0")
    assert "fail, unchanged: wall 1.50 mm thick" in (lid.findtext("system-out") or "")
    bracket = found["parts/bracket.stl (rules/petg.yaml)"]
    out = bracket.findtext("system-out") or ""
    assert "fixed: wall 1.45 mm thick" in out
    text = bracket.findtext("testcase[@name='fill']/failure") or ""
    assert "main has it too, but it got worse" in text
    properties = {one.get("name"): one.get("value") for one in bracket.iter("property")}
    assert (properties["base"], properties["gate"]) == ("main", "new")
    assert "matches nothing" in (found["wallguard"].findtext("system-out") or "")


def test_a_suite_at_a_time_is_the_same_as_the_whole_document() -> None:
    """Against xml.etree's own layout of the whole."""
    for report in (ORDINARY, EMPTY, PASSED, COMPARED, many()):
        text = xml(report)
        root = ET.fromstring(text)
        for element in root.iter():
            if len(element):
                element.text = None
            element.tail = None
        ET.indent(root)
        assert text.partition("\n")[2] == ET.tostring(root, encoding="unicode") + "\n"
