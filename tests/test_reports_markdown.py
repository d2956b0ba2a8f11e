"""The report for a reviewer: what it says, and that text from files stays text."""

import random
import re
from dataclasses import replace
from html.parser import HTMLParser

import cmarkgfm
import pytest
from cmarkgfm.cmark import Options
from report_samples import (
    COMPARED,
    EMPTY,
    HOSTILE,
    LID,
    ORDINARY,
    PASSED,
    finding,
    hostile,
    many,
    part,
)

from wallguard.base.plain import plain
from wallguard.findings.model import Report, Trouble
from wallguard.reports.markdown import markdown
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.page import SMALLEST

# All that the page itself makes; everything else came from a file.
OWN = {
    "br", "code", "details", "em", "h3", "li", "p", "strong", "summary", "table", "tbody", "td",
    "th", "thead", "tr", "ul",
}  # fmt: skip
# GFM without its tag filter, so that raw HTML would show.
EXTENSIONS = ["table", "autolink", "strikethrough"]


class Page(HTMLParser):
    """The tags of rendered Markdown, its text, and the text outside of code."""

    def __init__(self, markdown_text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.outside = ""
        self.cells: list[int] = []
        self.depth = 0
        self.feed(
            cmarkgfm.markdown_to_html_with_extensions(
                markdown_text, options=Options.CMARK_OPT_UNSAFE, extensions=EXTENSIONS
            )
        )

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        self.depth += tag == "code"
        if tag == "tr":
            self.cells.append(0)
        if tag in ("td", "th"):
            self.cells[-1] += 1

    def handle_endtag(self, tag: str) -> None:
        self.depth -= tag == "code"

    def handle_data(self, data: str) -> None:
        self.text += data
        if not self.depth:
            self.outside += data


def assert_harmless(page: Page) -> None:
    assert set(page.tags) <= OWN
    assert page.attributes == []
    assert not re.search(r"[@<#\[\]`*_~$\\&]|www\.|://", page.outside)


def test_the_verdict_comes_first_and_the_caution_last() -> None:
    shown = markdown(ORDINARY)
    assert shown.startswith(
        "**Do not merge**: 1 of 5 parts failed; 1 part and 1 file could not be checked; "
        "1 indeterminate; 1 part not covered by any rule file. "
        "Findings: 3 fail, 2 warn, 1 note.\n"
    )
    assert shown.endswith("It never says that a part is safe to use.\n")
    assert "Coordinates are in the part file's own frame, in mm.\n" in shown


@pytest.mark.parametrize(
    ("report", "first"),
    [
        (EMPTY, "**Nothing was checked**: there was no part to check."),
        (
            PASSED,
            "**May be merged** as far as walls go: 2 of 2 parts passed. Findings: 1 warn.",
        ),
        (
            Report((LID,)),
            "**May be merged** as far as walls go: 0 of 1 part passed; 1 indeterminate. "
            "Findings: 1 warn.",
        ),
        (
            Report((), not_covered=("a.stl",)),
            "**Nothing was checked**: 1 part not covered by any rule file.",
        ),
        (
            Report((), troubles=(Trouble("a.yaml", "a.yaml: no."),)),
            "**Do not merge**: 1 file could not be checked.",
        ),
    ],
)
def test_verdicts(report: Report, first: str) -> None:
    assert markdown(report).splitlines()[0] == first


def test_the_table_has_the_worst_parts_first() -> None:
    rows = [line for line in markdown(ORDINARY).splitlines() if line.startswith("| `")]
    assert rows[0] == (
        "| `parts/lost.stl` | `rules/petg.yaml` | ! **error** | the file is empty. Export it "
        "again. |"
    )
    assert rows[1] == (
        "| `parts/bracket.stl` | `rules/petg.yaml` | ✗ **failed**: 3 fail, 1 warn, 1 note | wall "
        "0.30 mm thick at (40.0, 2.0, 5.0), 15.00 mm long, will not be printed |"
    )
    assert rows[-1] == "| `parts/plate.stl` | `rules/petg.yaml` | ✓ passed |  |"


def test_a_finding_says_what_where_and_what_to_draw() -> None:
    assert (
        "- **fail** `parts/bracket.stl` (fill, `rules/petg.yaml`, `0a1b2c3d4e`)<br>"
        "wall 1.50 mm thick at (12.0, 3.5, 4.0), 40.00 mm long, will print hollow, with about "
        "0.35 mm of air<br>**Instead:** draw ≤ 1.22 or ≥ 1.73 mm\n"
    ) in markdown(ORDINARY)


def test_a_place_that_the_message_leaves_out_is_added() -> None:
    shown = markdown(Report((part(status="failed", findings=(finding(message="too thin"),)),)))
    assert "<br>too thin, at (12.0, 3.5, 4.0)<br>" in shown


def test_the_rest_is_folded() -> None:
    shown = markdown(many(), limit=10**6)
    head, _, folded = shown.partition("<details>\n<summary>490 more findings</summary>\n")
    assert head.count("\n- **fail** ") == 10
    assert folded.count("\n- **") == 490
    assert folded.count("</details>") == 1


def test_many_parts_are_folded_too() -> None:
    shown = markdown(Report(tuple(part(f"{number:03}.stl") for number in range(50))))
    head, _, folded = shown.partition("<summary>30 more parts</summary>\n\n| part |")
    assert head.count("✓ passed") == 20
    assert folded.count("✓ passed") == 30


@pytest.mark.parametrize("limit", [SMALLEST, 5000, 12345, 30000, 65000])
@pytest.mark.parametrize("report", [many(), hostile(), ORDINARY])
def test_a_long_report_is_cut_whole(report: Report, limit: int) -> None:
    shown = markdown(report, limit=limit)
    assert len(shown) <= limit
    assert shown.splitlines().count("<details>") == shown.splitlines().count("</details>")
    assert shown.endswith("It never says that a part is safe to use.\n")
    complete = markdown(report, limit=10**9).splitlines()
    items = [line for line in shown.splitlines() if line.startswith(("- ", "| "))]
    assert set(items) <= set(complete)
    assert_harmless(Page(shown))


def test_what_was_cut_is_said() -> None:
    shown = markdown(many(), limit=20000)
    left = 500 - shown.count("\n- **")
    assert 0 < left < 490
    assert f"Cut at 20000 characters. Left out, but in the JSON report: {left} findings.\n" in shown
    assert "Cut at" not in markdown(many(20))


def test_nothing_is_cut_where_it_just_fits() -> None:
    whole = markdown(ORDINARY)
    roomy = markdown(ORDINARY, limit=len(whole) + 200)
    assert roomy == whole


def test_a_limit_too_small_for_the_verdict_is_refused() -> None:
    with pytest.raises(ValueError, match="no page fits in 100 characters"):
        markdown(ORDINARY, limit=100)


def test_hostile_text_renders_as_itself() -> None:
    page = Page(markdown(hostile(), limit=10**6))
    assert_harmless(page)
    assert set(page.cells) == {4}
    for name in HOSTILE:
        assert plain(name) in page.text


@pytest.mark.parametrize("seed", range(20))
def test_any_mixture_of_marks_renders_as_itself(seed: int) -> None:
    chance = random.Random(seed)
    marks = [*"`|\\<>&@*_~[]()!#:$ -+.\n", "``", "](", "a", "x.y", "http://", "www.", "<b>", "1"]
    names = ["".join(chance.choices(marks, k=chance.randint(1, 20))) for _ in range(40)]
    for name in names:
        page = Page(f"| {code(name)} |\n|---|\n| x {prose(name)} {code(name)} |\n")
        assert_harmless(page)
        assert page.cells == [1, 1]
        assert page.text.count(plain(name)) >= 2
        listed = Page(f"- {code(name)}: {prose(name)}\n")
        assert_harmless(listed)
        assert plain(name) in listed.text


def test_plain_words_stay_plain() -> None:
    said = 'draw ≤ 1.22 or ≥ 1.73 mm (drawn 0.90), scaled 1:500: "well-known" and/or it\'s 12%.'
    assert prose(said) == said
    assert prose("state the unit in wallguard.yaml, or") == "state the unit in `wallguard.yaml`, or"
    assert prose("(rules/petg.yaml): see a_b c_d.") == "(`rules/petg.yaml`): see `a_b c_d`."
    assert prose("set `unit: inch` in a.yaml; `b`.") == "set `unit: inch` in `a.yaml`; `b`."
    assert prose("it`s a `b") == "``it`s a `b``"


def test_long_names_and_messages_are_clipped() -> None:
    assert len(code("x" * 5000)) == 202
    assert prose("word " * 5000).startswith("word word ")
    assert len(prose("word " * 5000)) < 1010
    shown = markdown(Report(tuple(part("`|" * 2000) for _ in range(3))))
    assert "more" not in shown
    assert len(shown) < 20000


def test_a_name_of_nothing_is_shown() -> None:
    assert code("") == "(no name)"


def test_against_a_base_the_page_shows_what_is_new_and_folds_the_rest() -> None:
    shown = markdown(COMPARED)
    assert shown.startswith(
        "**Do not merge**: 1 of 3 parts failed. Findings: 2 fail. Against `main` (`1a2b3c4d5e`): "
        "2 new, 3 unchanged, 1 fixed. Only new findings fail. 1 waived.\n"
    )
    new, _, rest = shown.partition("### New")[2].partition("<details>")
    assert new.count("- **fail**") == 2
    assert "; main has it too, but it got worse: missing now, hollow before" in new
    for summary in (
        "3 unchanged findings",
        "1 fixed finding",
        "1 waived finding",
        "1 remark",
        "1 part not compared",
    ):
        assert f"<summary>{summary}</summary>" in "<details>" + rest
    assert "**Waived:** A. Person, until 2031-05-31: not loaded" in rest
    assert "✗ **failed**: 2 fail, 2 unchanged, 1 fixed, 1 waived |" in shown


def test_where_all_findings_fail_those_of_the_base_have_a_section_of_their_own() -> None:
    shown = markdown(replace(COMPARED, gate="all"))
    assert shown.index("### New") < shown.index("### Unchanged")
    assert "unchanged findings" not in shown
