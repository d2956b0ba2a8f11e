"""SARIF: valid against the standard's own schema, and what services make of it."""

import json
import re

import cmarkgfm
import pytest
from cmarkgfm.cmark import Options
from jsonschema import Draft4Validator
from report_samples import (
    COMPARED,
    EMPTY,
    HOSTILE,
    ORDINARY,
    PASSED,
    THIN,
    changed,
    finding,
    hostile,
    many,
    part,
)

from wallguard.base.plain import plain
from wallguard.checks.registry import CHECKS
from wallguard.findings.model import Report, Trouble
from wallguard.reports import sarif
from wallguard.reports.sentence import mark


def run(report: Report, **options: str) -> dict:
    (made,) = json.loads(sarif.text(report, **options))["runs"]
    return made


@pytest.mark.parametrize(
    "report", [EMPTY, PASSED, ORDINARY, COMPARED, hostile(), many(20)], ids=lambda _: ""
)
def test_it_has_the_standards_schema(shared, report):
    schema = json.loads((shared / "standards" / "sarif-schema-2.1.0.json").read_bytes())
    errors = Draft4Validator(schema).iter_errors(json.loads(sarif.text(report)))
    assert [error.message for error in errors] == []


def test_the_schema_finds_faults(shared):
    schema = json.loads((shared / "standards" / "sarif-schema-2.1.0.json").read_bytes())
    broken = json.loads(sarif.text(ORDINARY))
    broken["runs"][0]["results"][0]["level"] = "fatal"
    assert not Draft4Validator(schema).is_valid(broken)
    assert schema["id"] == sarif.SCHEMA


def test_rules_are_our_checks_with_their_meaning():
    rules = run(EMPTY)["tool"]["driver"]["rules"]
    assert [rule["id"] for rule in rules] == list(CHECKS)
    fill = rules[list(CHECKS).index("fill")]
    assert fill["shortDescription"] == {"text": "Walls come out solid and as thick as drawn"}
    assert "Fails: a wall that comes out hollow" in fill["help"]["text"]


def test_a_check_that_is_not_ours_is_a_rule_too():
    made = run(Report((part(findings=(finding(check="fit"),)),)))
    (result,) = made["results"]
    assert made["tool"]["driver"]["rules"][result["ruleIndex"]] == {"id": "fit"}


def test_a_result():
    made = run(Report((part("parts/a b#1é.stl", status="failed", findings=(THIN,)),)))
    (result,) = made["results"]
    assert made["tool"]["driver"]["rules"][result["ruleIndex"]]["id"] == result["ruleId"] == "wall"
    assert result["level"] == "error"
    assert result["message"]["text"] == (
        "wall 0.60 mm thick at (1.0, 2.0, 3.0), 12.00 mm long, is below the minimum of 0.80 mm. "
        "Instead: draw ≥ 0.80 mm"
    )
    (location,) = result["locations"]
    assert location["physicalLocation"] == {
        "artifactLocation": {"uri": "parts/a%20b%231%C3%A9.stl"},
        "region": {"startLine": 1},
    }
    assert result["partialFingerprints"] == {
        sarif.FINGERPRINT: f"{mark(part('parts/a b#1é.stl'), THIN)}"
    }
    assert result["properties"]["location"] == [1.0, 2.0, 3.0]
    assert (result["properties"]["measured"], result["properties"]["limit"]) == (0.6, 0.8)
    assert "baselineState" not in result
    assert "suppressions" not in result


def test_levels():
    levels = [result["level"] for result in run(ORDINARY)["results"]]
    assert levels == ["error"] * 3 + ["warning"] * 2 + ["note"]


def test_the_fingerprint_is_that_of_the_finding_whatever_else_changes():
    moved = changed(THIN, location=(9.0, 9.0, 9.0), message="other", measured=0.61)
    marks = [
        run(Report((part(findings=(one,)),)))["results"][0]["partialFingerprints"]
        for one in (THIN, moved)
    ]
    assert marks[0] == marks[1]


def test_paths_are_seen_from_the_top_of_the_repository():
    made = run(ORDINARY, folder="designs/stage")
    uris = {
        result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
        for result in made["results"]
    }
    assert uris == {"designs/stage/parts/bracket.stl", "designs/stage/parts/lid.3mf"}


def test_states_against_a_base():
    states = [
        (result["partialFingerprints"][sarif.FINGERPRINT][-10:], result["baselineState"])
        for result in run(COMPARED)["results"]
    ]
    assert states == [
        ("5555555555", "new"),
        ("0a1b2c3d4e", "new"),
        ("8888888888", "unchanged"),
        ("1111111111", "unchanged"),
        ("2222222222", "unchanged"),
        ("4444444444", "unchanged"),
    ]


def test_all_results_have_suppressions_where_one_is_waived():
    found = {
        result["partialFingerprints"][sarif.FINGERPRINT][-10:]: result["suppressions"]
        for result in run(COMPARED)["results"]
    }
    assert found.pop("1111111111") == [
        {"kind": "external", "justification": "A. Person, until 2031-05-31: not loaded"}
    ]
    assert set(map(str, found.values())) == {"[]"}


def test_the_worst_are_kept_and_what_was_cut_is_said():
    made = run(many(6000))
    assert len(made["results"]) == 5000
    assert [result["level"] for result in made["results"]] == ["error"] * 3000 + ["warning"] * 2000
    (notification,) = made["invocations"][0]["toolExecutionNotifications"]
    assert notification["message"]["text"].startswith("1000 findings of 6000 left out")


def test_nothing_is_said_to_be_cut_where_nothing_is():
    made = run(many(5000))
    assert len(made["results"]) == 5000
    assert made["invocations"][0]["toolExecutionNotifications"] == []


def test_what_could_not_be_checked_is_notified():
    (invocation,) = run(ORDINARY)["invocations"]
    assert (invocation["executionSuccessful"], invocation["exitCode"]) == (False, 2)
    told = [
        (
            one["level"],
            one["locations"][0]["physicalLocation"]["artifactLocation"]["uri"],
            one["message"]["text"],
        )
        for one in invocation["toolExecutionNotifications"]
    ]
    assert told == [
        ("error", "rules/pla.yaml", "rules/pla.yaml:3:1: `wal` is no key. Write `wall`."),
        ("error", "parts/lost.stl", "the file is empty. Export it again."),
        ("note", "spare/knob.stl", "not checked: no rule file answers for this part"),
    ]


def test_findings_that_fail_are_no_failure_of_the_tool():
    (invocation,) = run(COMPARED)["invocations"]
    assert (invocation["executionSuccessful"], invocation["exitCode"]) == (True, 1)


def test_numbers_that_are_none_are_left_out():
    odd = finding(measured=float("nan"), location=(float("inf"), 0.0, 0.0), message="x")
    (result,) = run(Report((part(findings=(odd,)),)))["results"]
    assert not {"measured", "limit", "location"} & set(result["properties"])


def test_plain_texts_hold_no_link_and_no_placeholder():
    text = r"see [this](https://evil.example) and {0} \x"
    made = run(Report((part(findings=(finding(message=text, location=None),)),)))
    shown = made["results"][0]["message"]["text"]
    assert shown.startswith(r"see \[this\](https://evil.example) and {{0}} \\x. Instead")


def test_hostile_texts_are_text_as_markdown():
    for result in run(hostile())["results"]:
        rendered = cmarkgfm.markdown_to_html_with_extensions(
            result["message"]["markdown"],
            options=Options.CMARK_OPT_UNSAFE,
            extensions=["table", "autolink", "strikethrough"],
        )
        assert set(re.findall(r"<(\w+)", rendered)) <= {"p", "code", "br"}


def test_names_that_are_no_utf_8_keep_their_bytes():
    name = HOSTILE[11]
    (result,) = run(Report((part(name, findings=(THIN,)),)))["results"]
    uri = result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
    assert (name.encode("utf-8", "surrogateescape"), uri) == (
        b"not-utf-8-\xe9.stl",
        "not-utf-8-%E9.stl",
    )


def test_the_same_report_is_the_same_bytes():
    assert sarif.text(hostile()) == sarif.text(hostile())
    assert sarif.text(ORDINARY).isascii()


def test_remarks_are_warnings():
    report = Report((), remarks=(Trouble("waivers.yaml", "waivers.yaml: matches nothing"),))
    (notification,) = run(report)["invocations"][0]["toolExecutionNotifications"]
    assert (notification["level"], notification["message"]["text"]) == (
        "warning",
        plain("matches nothing"),
    )
