"""Workflow commands: one line each, nothing in them that a service would take for more."""

import re

from report_samples import COMPARED, EMPTY, HOSTILE, LOST, THIN, finding, hostile, many, part

from wallguard.findings.model import Report
from wallguard.reports import annotations

LINE = re.compile(r"::(error|warning|notice) file=([^:,]*),line=1,title=([^:,]*)::(.*)")


def lines(report: Report, **options: str) -> list[str]:
    shown = annotations.text(report, **options)
    assert shown == "" or shown.endswith("\n")
    return shown.splitlines()


def test_a_finding_is_one_line():
    (line,) = lines(Report((part(status="failed", findings=(THIN,)),)))
    assert line == (
        "::error file=parts/bracket.stl,line=1,title=walls%3A wall%2C PETG%2C 0.4 mm nozzle::"
        "wall 0.60 mm thick at (1.0, 2.0, 3.0), 12.00 mm long, is below the minimum of 0.80 mm. "
        "Instead: draw ≥ 0.80 mm"
    )


def test_nothing_says_nothing():
    assert lines(EMPTY) == []


def test_states_and_waivers():
    shown = [LINE.fullmatch(line).group(1, 3) for line in lines(COMPARED)]
    assert [(kind, title.partition("%2C")[0]) for kind, title in shown] == [
        ("error", "walls%3A fill"),
        ("error", "walls%3A fill"),
        ("warning", "walls%3A to be mended"),
        ("notice", "walls%3A gap (not new)"),
        ("notice", "walls%3A mesh (not new)"),
        ("notice", "walls%3A fill (not new)"),
    ]
    assert "1111111111" not in "".join(lines(COMPARED))


def test_files_that_could_not_be_checked_come_first():
    first = lines(Report((LOST, part(status="failed", findings=(THIN,)))))[0]
    assert first == (
        "::error file=parts/lost.stl,line=1,title=walls%3A could not be checked::"
        "the file is empty. Export it again."
    )


def test_paths_are_seen_from_the_top_of_the_repository():
    (line,) = lines(Report((part(findings=(THIN,)),)), folder="designs")
    assert LINE.fullmatch(line)[2] == "designs/parts/bracket.stl"


def test_no_more_than_services_show_of_a_kind():
    shown = lines(many(50))
    assert [line.split(" ")[0].split("::")[1] for line in shown] == ["error"] * 10 + [
        "warning"
    ] * 10
    assert shown[0].endswith(
        "wall 0 is hollow; at (12.0, 3.5, 4.0). Instead: draw ≤ 1.22 or ≥ 1.73 mm"
    )
    assert shown[9] == "::error::16 more errors; the report has them all"


def test_ten_of_a_kind_are_all_shown():
    assert "more" not in annotations.text(many(20))


def test_hostile_texts_stay_in_their_line():
    odd = (*HOSTILE, "a%0A::error::b", "50% c:d,e", "::add-mask::x")
    for name in odd:
        one = finding(check=name, message=name, advice=name)
        (line,) = lines(Report((part(name, rules_name=name, findings=(one,)),)))
        assert LINE.fullmatch(line), line
        # A percent sign only as one of the escapes.
        assert not re.search(r"%(?!25|3A|2C|0A|0D)", line)
    assert all(line.startswith(("::error", "::warning")) for line in lines(hostile()))


def test_a_file_keeps_its_name_whatever_is_in_it():
    (line,) = lines(Report((part("a,b:c%\nd\x1b.stl", findings=(THIN,)),)))
    assert line.startswith("::error file=a%2Cb%3Ac%25%0Ad\\x1b.stl,line=1,")
