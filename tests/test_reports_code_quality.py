"""Code-quality JSON: what forges that read it need of each entry."""

import json
from dataclasses import replace

from report_samples import COMPARED, EMPTY, LOST_RIB, ORDINARY, THIN, hostile, part

from wallguard.findings.model import Report, Trouble
from wallguard.reports import code_quality
from wallguard.reports.sentence import mark


def entries(report: Report, **options: str) -> list[dict]:
    return json.loads(code_quality.text(report, **options))


def test_an_entry():
    assert entries(Report((part(findings=(THIN,)),)), folder="designs") == [
        {
            "description": "wall 0.60 mm thick at (1.0, 2.0, 3.0), 12.00 mm long, is below the "
            "minimum of 0.80 mm. Instead: draw ≥ 0.80 mm",
            "check_name": "wall",
            "fingerprint": mark(part(), THIN),
            "severity": "major",
            "location": {"path": "designs/parts/bracket.stl", "lines": {"begin": 1}},
        }
    ]


def test_nothing_is_an_empty_list():
    assert entries(EMPTY) == []


def test_grades_worst_first():
    grades = [entry["severity"] for entry in entries(ORDINARY)]
    assert grades == ["blocker"] * 2 + ["critical"] + ["major"] * 2 + ["minor"] * 2 + ["info"]


def test_a_lost_wall_is_worse_than_a_thin_one():
    grades = [entry["severity"] for entry in entries(Report((part(findings=(THIN, LOST_RIB)),)))]
    assert grades == ["critical", "major"]


def test_waived_findings_are_left_out():
    marks = [entry["fingerprint"] for entry in entries(COMPARED)]
    assert not any(mark.endswith("1111111111") for mark in marks)
    assert len(marks) == 5


def test_fingerprints_are_stable_and_apart():
    troubles = tuple(Trouble(f"rules/{name}.yaml", "broken") for name in "abc")
    marks = [entry["fingerprint"] for entry in entries(Report((), troubles=troubles))]
    assert len(set(marks)) == 3
    assert marks == [entry["fingerprint"] for entry in entries(Report((), troubles=troubles))]


def test_hostile_texts_are_one_printable_line():
    for entry in entries(hostile()):
        assert entry["description"].isprintable()
        assert entry["location"]["path"].isprintable()


def test_findings_of_two_parts_or_rule_files_with_one_id_are_two():
    parts = [part("a.stl"), part("b.stl"), part("a.stl", rules="rules/pla.yaml")]
    report = Report(tuple(replace(one, findings=(THIN,)) for one in parts))
    assert len({entry["fingerprint"] for entry in entries(report)}) == 3
