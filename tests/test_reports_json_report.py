"""The report as JSON, and back."""

import json
import math
from dataclasses import asdict, replace
from typing import Any

import pytest
from report_samples import (
    BRACKET,
    COMPARED,
    EMPTY,
    LID,
    ORDINARY,
    PASSED,
    finding,
    hostile,
    many,
    part,
    wall,
)

from wallguard.base.errors import InputError
from wallguard.findings.model import Body, Breach, Printed, Report, Spread, Subject
from wallguard.reports import order
from wallguard.reports.json_report import REPORT, read, text, walls_text


def data(report: Report) -> Any:
    return REPORT.data(order.whole(report))


REPORTS = [ORDINARY, EMPTY, PASSED, COMPARED, hostile(), many()]


def refuse(constant: str) -> float:
    raise AssertionError(constant)


def test_the_contract() -> None:
    made = data(ORDINARY)
    assert made["schema"] == "wallguard-report/2"
    assert made["frame"] == "Coordinates and heights are in the part file's own frame, in mm."
    assert made["caution"].endswith("It never says that a part is safe to use.")
    counts = {"parts": 5, "files": 5, "passed": 2, "failed": 1, "indeterminate": 1, "errors": 1}
    counts |= dict.fromkeys(("new", "unchanged", "fixed", "lost", "waived"), 0)
    counts |= {"not_covered": 1, "troubles": 1}
    assert made["summary"] == {**counts, "findings": {"fail": 3, "warn": 2, "note": 1}}
    bracket = made["parts"][1]
    assert (bracket["path"], bracket["rules"], bracket["status"]) == (
        "parts/bracket.stl",
        "rules/petg.yaml",
        "failed",
    )
    assert bracket["mesh"] == {
        "triangles": 1204,
        "watertight": True,
        "extents": [60.0, 40.0, 20.0],
        "unit": "mm",
        "names": [],
        "chord_error": 0.0,
    }
    assert bracket["walls"][1] == {
        "thickness": {"min": 1.5, "typical": 1.5, "max": 1.5},
        "length": 40.0,
        "z": [0.0, 20.0],
        "location": [12.0, 3.5, 4.0],
        "fill": "hollow",
        "printed": {"value": 1.5, "uncertainty": 0.05},
        "box": [[-8.0, 2.75, 0.0], [32.0, 4.25, 20.0]],
        "sides": 3,
        "source": "section",
        **{"margin": None, "beyond": ""},
        **{"air": 0.0, "bead": 0.0, "laid_in": [0, 0], "copy": 0, "lean": 0.0, "callipers": None},
    }
    assert bracket["checks"][3] == {"name": "gap", "status": "warned", "note": ""}
    assert made["parts"][3]["error"] == "parts/lost.stl: the file is empty. Export it again."


def test_a_finding_has_its_limits_its_subject_and_the_facts_of_the_worst_limit() -> None:
    thin = Breach("wall", "warn", 1.50001, 1.6, "mm", "is below the minimum", waived="A. Person")
    rib = replace(
        finding(),
        breaches=(*finding().breaches, thin),
        subject=Subject("wall", Spread(1.4, 1.5, 1.6), length=40.0, height=20.0, sides=3),
    )
    (made,) = data(Report((part(findings=(rib,)),)))["parts"][0]["findings"]
    told = ("check", "severity", "measured", "limit", "unit", "indeterminate", "waived", "z")
    assert {key: made[key] for key in told} == {
        "check": "fill",
        "severity": "fail",
        "measured": 1.5,
        "limit": None,
        "unit": "mm",
        "indeterminate": False,
        "waived": "",
        "z": [0.0, 20.0],
    }
    assert made["breaches"][1] == {
        "check": "wall",
        "severity": "warn",
        "measured": 1.5,
        "limit": 1.6,
        "unit": "mm",
        "says": "is below the minimum",
        "indeterminate": False,
        "waived": "A. Person",
    }
    assert made["subject"]["thickness"] == {"min": 1.4, "typical": 1.5, "max": 1.6}
    assert made["subject"]["axis"] is None
    again = read(text(Report((part(findings=(rib,)),)))).parts[0].findings[0]
    assert again.subject == rib.subject
    assert again.breaches[1] == replace(thin, measured=1.5)


def test_what_is_derived_is_never_read_back() -> None:
    made = data(ORDINARY)
    made["parts"][1]["findings"][0]["severity"] = "note"
    made["summary"] = None
    assert read(json.dumps(made)) == order.whole(ORDINARY)


@pytest.mark.parametrize("report", REPORTS)
def test_text_is_the_data(report: Report) -> None:
    assert json.loads(text(report), parse_constant=refuse) == data(report)


@pytest.mark.parametrize("report", REPORTS)
def test_text_can_be_shown_and_stored(report: Report) -> None:
    written = text(report)
    assert all(line.isprintable() for line in written.split("\n"))
    assert written.encode("utf-8").decode("utf-8") == written
    assert written.endswith("}\n")


@pytest.mark.parametrize("report", REPORTS)
def test_a_report_that_was_read_writes_the_same(report: Report) -> None:
    assert text(read(text(report))) == text(report)


def test_a_report_comes_back_whole() -> None:
    assert read(text(ORDINARY)) == order.whole(ORDINARY)


def test_names_come_back_but_for_bytes_that_json_cannot_hold() -> None:
    names = ("\x1b[31m\n", "\u202e", "\U000e0001", "caf\udce9")
    assert read(text(Report((), removed=names))).removed == tuple(
        sorted(["\x1b[31m\n", "\u202e", "\U000e0001", "caf\\xe9"])
    )


def test_lists_of_numbers_stand_on_one_line() -> None:
    tricky = Report((part(findings=(finding(message="[\n1,\n2\n]"),)),))
    assert '"location": [12.0, 3.5, 4.0],' in text(tricky)
    assert read(text(tricky)).parts[0].findings[0].message == "[\n1,\n2\n]"


def test_numbers_are_rounded_and_have_no_negative_zero() -> None:
    rough = wall(
        thickness=0.0,
        length=1.23456,
        location=(-0.00001, 1 / 3, 2.0),
        printed=Printed(1.100049, 0.05),
    )
    rough = replace(rough, thickness=Spread(0.800049, 0.80006, 1.0))
    made = json.loads(walls_text([rough]))["walls"][0]
    assert made["thickness"] == {"min": 0.8, "typical": 0.8001, "max": 1.0}
    assert made["length"] == 1.235
    assert math.copysign(1, made["location"][0]) == 1
    assert made["location"] == [0.0, 0.333, 2.0]
    assert made["printed"] == {"value": 1.1, "uncertainty": 0.05}


def test_numbers_that_are_not_finite_become_null() -> None:
    odd = finding(
        measured=math.nan,
        limit=math.inf,
        location=(math.nan, 0.0, 0.0),
        box=((0.0, 0.0, 0.0), (0.0, 0.0, math.inf)),
    )
    made = data(Report((part(findings=(odd,)),)))["parts"][0]["findings"][0]
    assert [made[key] for key in ("measured", "limit", "location", "box", "z")] == [None] * 5


def test_a_wall_without_a_size_is_refused() -> None:
    with pytest.raises(ValueError, match="nan cannot stand in a report"):
        data(Report((part(walls=(wall(math.nan),)),)))


def test_walls_alone_are_those_of_a_report() -> None:
    made = json.loads(walls_text(BRACKET.walls[::-1]))
    assert made["walls"] == data(Report((BRACKET,)))["parts"][0]["walls"]
    assert made["frame"] == data(EMPTY)["frame"]


def test_the_order_given_makes_no_difference() -> None:
    turned = replace(
        ORDINARY,
        parts=tuple(replace(one, findings=one.findings[::-1]) for one in ORDINARY.parts[::-1]),
    )
    assert text(turned) == text(ORDINARY)


def changed(path: str, value: Any) -> str:
    """A report with one value changed, or taken away (...), as text."""
    made = data(Report((BRACKET, LID)))
    *inner, last = [int(key) if key.isdigit() else key for key in path.split("/")]
    target: Any = made
    for key in inner:
        target = target[key]
    if value is ...:
        del target[last]
    else:
        target[last] = value
    return json.dumps(made)


@pytest.mark.parametrize(
    ("path", "value", "problem"),
    [
        ("schema", "wallguard-report/3", "schema: invalid enum value 'wallguard-report/3'"),
        ("parts", ..., "the report: missing: `parts`"),
        ("parts", {}, "parts: expected a list, got an object"),
        ("parts/0", [], r"parts\[0\]: expected an object"),
        ("parts/0/path", None, r"parts\[0\]\.path: expected text, got null"),
        ("parts/1/status", "good", r"parts\[1\]\.status: invalid enum value 'good'"),
        ("parts/0/mesh/triangles", 1.5, r"triangles: expected a whole number"),
        ("parts/0/mesh/watertight", 1, r"watertight: expected true or false"),
        ("parts/0/walls/0/location", [1, 2], r"walls\[0\]\.location: expected a list of length 3"),
        ("parts/0/walls/0/thickness/min", "1", r"thickness\.min: expected a number"),
        ("parts/0/walls/0/length", True, r"length: expected a number"),
        (
            "parts/0/findings/0/breaches/0/severity",
            "bad",
            r"findings\[0\]\.breaches\[0\]\.severity",
        ),
        ("parts/0/findings/0/breaches", [], r"findings\[0\]\.breaches: expected .* length >= 1"),
        ("seconds", None, "seconds: expected a number"),
        (
            "parts/0/bodies",
            [asdict(Body(1, 1, (0, 0, 0), (1,) * 7, (0, 0, 0), ((0, 0, 0), (1, 1, 1))))],
            r"bodies\[0\]\.spread: expected a list of length 6",
        ),
    ],
)
def test_what_is_no_report_is_refused(path: str, value: Any, problem: str) -> None:
    with pytest.raises(InputError, match=f"^old.json: not a report of the format .*{problem}"):
        read(changed(path, value), "old.json")


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        ("", "^the report:1:1: not JSON"),
        ('{"schema": }', "^the report:1:12: not JSON"),
        ('{\n"seconds": NaN}', "^the report:2:12: not JSON"),
        ('{"a":' * 100_000, "nested too deep"),
        ("[]", "the report: expected an object"),
        ("null", "the report: expected an object"),
    ],
)
def test_what_is_no_json_is_refused(content: str, problem: str) -> None:
    with pytest.raises(InputError, match=problem):
        read(content)


def test_a_report_of_the_older_format_says_what_to_do() -> None:
    old = '{\n  "schema": "wallguard-report/1",\n  "parts": []\n}'
    with pytest.raises(InputError, match=r"older wallguard-report/1. Write it anew with"):
        read(old, "old.json")


@pytest.mark.parametrize("huge", ["1e999", "9" * 5000])
def test_a_number_too_large_for_a_float_is_refused(huge: str) -> None:
    content = text(EMPTY).replace('"seconds": 0.0', f'"seconds": {huge}')
    with pytest.raises(InputError, match=r"^the report.*: not "):
        read(content)


def test_a_later_version_may_add_keys() -> None:
    made = data(ORDINARY)
    made["parts"][0]["colour"] = "grey"
    assert text(read(json.dumps(made))) == text(ORDINARY)


@pytest.mark.parametrize("report", [ORDINARY, EMPTY, many()])
def test_an_item_at_a_time_is_the_same_as_the_whole_document(report):
    """Against the standard library's layout of the whole, lists of numbers on one line aside."""
    made = text(report)
    whole = json.dumps(json.loads(made), indent=2, ensure_ascii=False) + "\n"
    assert "".join(made.split()) == "".join(whole.split())
    lines = iter(whole.splitlines())
    assert all(line in lines for line in made.splitlines() if "[" not in line)
