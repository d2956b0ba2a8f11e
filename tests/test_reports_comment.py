"""The comment: what its first screen says, what is folded, and that it is cut to the limit."""

import re
from dataclasses import replace

import pytest
from report_samples import (
    BRACKET,
    COMPARED,
    EMPTY,
    HOSTILE,
    LID,
    LOST_RIB,
    ORDINARY,
    PASSED,
    THIN,
    TIGHT,
    finding,
    hostile,
    many,
    part,
)
from test_reports_markdown import OWN, Page

from wallguard.base.errors import InputError
from wallguard.base.plain import plain
from wallguard.findings.model import Report
from wallguard.reports.comment import text
from wallguard.reports.page import SMALLEST, size

MARKER = "<!-- wallguard comment: walls -->"


def first_screen(report: Report) -> str:
    """What is seen before anything is unfolded."""
    return text(report).partition("<details>")[0]


@pytest.mark.parametrize(
    ("report", "verdict"),
    [
        (EMPTY, "Nothing was checked"),
        (PASSED, "✓ May be merged as far as walls go"),
        (
            Report((LID,)),
            "✓ May be merged as far as walls go, but 1 part cannot be told for certain",
        ),
        (Report((BRACKET,)), "✗ Do not merge: 3 findings fail"),
        (
            Report((part(status="failed", findings=(finding(),)),)),
            "✗ Do not merge: 1 finding fails",
        ),
        (ORDINARY, "✗ Do not merge: 1 part and 1 file could not be checked, 3 findings fail"),
        (COMPARED, "✗ Do not merge: 2 new findings fail"),
        (
            replace(COMPARED, gate="all"),
            "✗ Do not merge: 3 findings fail, 2 of them new",
        ),
    ],
)
def test_verdicts(report, verdict):
    assert text(report, marker=MARKER).splitlines()[:2] == [MARKER, f"## {verdict}"]


def test_the_first_screen_answers_what_a_reviewer_asks():
    shown = first_screen(COMPARED)
    assert shown.startswith(
        "## ✗ Do not merge: 2 new findings fail\n\n"
        "3 parts checked. Against `main` (`1a2b3c4d5e`): 2 new, 3 unchanged, 1 fixed, 1 waived. "
        "Only new findings fail.\n\n### New\n\n"
        "- **fail** `parts/bracket.stl` (fill, `rules/petg.yaml`, `5555555555`)<br>"
        "wall 0.30 mm thick at (40.0, 2.0, 5.0), 15.00 mm long, will not be printed; main has it "
        "too, but it got worse: missing now, hollow before<br>"
        "**Instead:** draw ≤ 1.22 or ≥ 1.73 mm\n"
    )
    assert "unchanged finding" not in shown


def test_what_does_not_count_is_folded():
    folded = re.findall("<summary>(.+?)</summary>", text(COMPARED))
    assert folded == [
        "3 unchanged findings",
        "1 fixed finding",
        "1 waived finding",
        "1 remark",
        "1 part not compared",
    ]
    assert "**Waived:** A. Person, until" in text(COMPARED)


def test_what_counts_though_it_is_not_new_is_shown():
    assert "### Unchanged\n\n- **fail** `parts/lid.3mf`" in first_screen(
        replace(COMPARED, gate="all")
    )


def test_files_that_could_not_be_checked_come_first():
    shown = first_screen(ORDINARY)
    assert shown.index("`rules/pla.yaml`") < shown.index("`parts/lost.stl`")
    assert shown.index("`parts/lost.stl`") < shown.index("### What to change")


def test_every_part_has_its_worst_finding_on_the_first_screen():
    bad = part(
        "a.stl",
        status="failed",
        findings=tuple(finding(id=f"{number:010x}") for number in range(20)),
    )
    others = [part(f"{name}.stl", status="failed", findings=(THIN,)) for name in "bcde"]
    shown = first_screen(Report((bad, *others)))
    assert [shown.count(f"`{name}.stl`") for name in "abcde"] == [3, 1, 1, 1, 1]
    assert shown.count("<br>and 17 more in this part, see below\n- **fail** `b.stl`") == 1
    assert "<summary>17 more findings</summary>" in text(Report((bad, *others)))


def test_the_worst_comes_first():
    report = Report(
        (
            part("a.stl", findings=(TIGHT,)),
            part("b.stl", status="failed", findings=(THIN,)),
            part("c.stl", status="failed", findings=(LOST_RIB,)),
        )
    )
    assert re.findall(r"\*\* `(.)\.stl`", first_screen(report)) == ["c", "b", "a"]


def test_the_files_of_the_run_are_linked():
    shown = text(PASSED, artifacts="https://ci.example.org/runs/7?a=b&c#(x) y")
    assert "[All reports of this run](https://ci.example.org/runs/7?a=b&c#%28x%29%20y)\n" in shown
    assert "(https://ci.example.org/?)" in text(PASSED, artifacts="https://ci.example.org/\ud800")


@pytest.mark.parametrize("url", ["javascript:alert(1)", "ftp://a.example", "//a", "https://[", "x"])
def test_what_is_no_web_address_is_refused(url):
    with pytest.raises(InputError, match="no web address"):
        text(PASSED, artifacts=url)


@pytest.mark.parametrize("limit", [SMALLEST, 5000, 65536])
def test_the_limit_is_kept_and_what_was_cut_is_said(limit):
    shown = text(many(5000), marker=MARKER, artifacts="https://ci.example.org/7", limit=limit)
    assert size(shown) <= limit
    cut = int(re.search(rf"Cut at {limit} characters\. .*: (\d+) findings", shown)[1])
    assert cut + shown.count("- **fail**") + shown.count("- **warn**") == 5000
    assert shown.count("<details>") == shown.count("</details>")
    assert shown.endswith("It never says that a part is safe to use.\n")


def test_characters_that_services_count_twice_are_counted_twice():
    report = Report(
        tuple(part(f"{'𝒲' * 90}{n}.stl", status="failed", findings=(THIN,)) for n in range(400))
    )
    shown = text(report, limit=20000)
    assert len(shown.encode("utf-16-le")) // 2 <= 20000
    assert "Cut at 20000 characters" in shown


def test_an_ordinary_comment_is_not_cut():
    assert "Cut at" not in text(ORDINARY) + text(COMPARED)


def test_a_limit_that_holds_nothing_is_refused():
    with pytest.raises(ValueError, match="no page fits"):
        text(EMPTY, limit=SMALLEST - 1)


def test_the_smallest_limit_holds_the_worst_case():
    longest = "https://ci.example.org/" + "x" * 970
    assert size(text(hostile(), marker=MARKER, artifacts=longest, limit=SMALLEST)) <= SMALLEST


def test_hostile_texts_stay_texts():
    page = Page(text(hostile(), artifacts="https://ci.example.org/7"))
    assert set(page.tags) <= OWN | {"a", "h2"}
    assert page.attributes == [("href", "https://ci.example.org/7")]
    assert not re.search(r"[@<#\[\]`*_~$\\&]|www\.|://", page.outside)
    for name in HOSTILE:
        assert " ".join(plain(name).split()) in " ".join(page.text.split())
