"""The report on a terminal, and the progress line."""

import io
import re
from dataclasses import replace

import pytest
from report_samples import COMPARED, EMPTY, LID, ORDINARY, PASSED, hostile, many, part

from wallguard.base.plain import plain
from wallguard.findings.model import Report
from wallguard.reports.console import Progress, text, verdict

COLOUR = re.compile(r"\x1b\[(?:38;5;\d+|0)m")


def test_a_failed_part_says_what_where_and_what_to_draw() -> None:
    shown = text(ORDINARY)
    assert (
        "x failed  parts/bracket.stl  (rules/petg.yaml)\n"
        "    fail  wall 0.30 mm thick at (40.0, 2.0, 5.0), 15.00 mm long, will not be\n"
        "          printed [5555555555]\n"
        "          -> draw ≤ 1.22 or ≥ 1.73 mm\n"
        "    fail  wall 1.50 mm thick at (12.0, 3.5, 4.0), 40.00 mm long, will print\n"
        "          hollow, with about 0.35 mm of air [0a1b2c3d4e]\n"
    ) in shown


def test_parts_with_nothing_to_say_come_first_and_take_one_line() -> None:
    lines = text(ORDINARY).splitlines()
    assert lines[:2] == [
        "+ passed  parts/arm.obj  (rules/petg.yaml)",
        "+ passed  parts/plate.stl  (rules/petg.yaml)",
    ]
    assert lines[2].startswith("x failed")


def test_notes_are_counted_and_not_shown() -> None:
    assert "doubled faces" not in text(ORDINARY)
    assert "1 note" in text(ORDINARY)


def test_an_error_and_a_trouble_say_why() -> None:
    shown = text(ORDINARY)
    assert "! error  parts/lost.stl  (rules/petg.yaml)\n    the file is empty. Export it" in shown
    assert "! error  rules/pla.yaml\n    rules/pla.yaml:3:1: `wal` is no key." in shown


def test_many_parts_that_one_rule_file_keeps_from_being_checked_are_one_line() -> None:
    broken = replace(ORDINARY.parts[0], findings=(), walls=(), status="error")
    why = "not checked, because rules/grey.yaml cannot be used."
    names = [f"parts/{number:02d}.stl" for number in range(12)]
    parts = tuple(replace(broken, path=name, error=f"{name}: {why}") for name in names)
    shown = text(replace(ORDINARY, parts=parts), width=1000)
    assert shown.count("not checked, because") == 1
    assert f"! error  12 parts  ({plain(broken.rules)})\n" in shown
    assert f"{', '.join(names[:8])} and 4 more: {why}\n" in shown
    # A few are told one by one.
    assert text(replace(ORDINARY, parts=parts[:3])).count("not checked, because") == 3


def test_what_could_not_be_done_whole_is_said() -> None:
    shown = text(Report((LID,)))
    assert "(drawn 0.90) (indeterminate)" in " ".join(shown.split())
    assert "    gap: two bodies touch\n" in shown


@pytest.mark.parametrize(
    ("report", "last"),
    [
        (
            ORDINARY,
            "NOT DONE: 1 part and 1 file could not be checked; 1 of 5 parts failed, "
            "1 indeterminate, 2 passed (3 fail, 2 warn, 1 note); 1 part not covered by any rule "
            "file; 1 part removed",
        ),
        (EMPTY, "NOTHING CHECKED: there was no part to check"),
        (PASSED, "PASSED: 2 of 2 parts passed (1 warn)"),
        (many(), "FAILED: 1 of 1 part failed (250 fail, 250 warn)"),
        (
            Report((), not_covered=("a.stl", "b.stl")),
            "NOTHING CHECKED: 2 parts not covered by any rule file",
        ),
    ],
)
def test_the_verdict_closes_the_report(report: Report, last: str) -> None:
    assert verdict(report) == last
    assert " ".join(text(report).split()).endswith(f"{last} {report.caution}")


def test_hundreds_of_findings_are_cut_to_the_worst() -> None:
    shown = text(many())
    assert shown.count("    fail  ") == 10
    assert "    and 490 more (240 fail, 250 warn); the JSON report has them all\n" in shown


def test_many_parts_not_covered_are_cut() -> None:
    shown = text(Report((), not_covered=tuple(f"{number:02}.stl" for number in range(30))))
    assert "- not covered  09.stl" in shown
    assert "10.stl" not in shown
    assert "- not covered  20 more; the JSON report names them all\n" in shown


def test_colour_only_adds_to_the_words() -> None:
    coloured = text(ORDINARY, colour=True)
    assert "\x1b[38;5;166mx failed\x1b[0m  parts/bracket.stl" in coloured
    assert COLOUR.sub("", coloured) == text(ORDINARY)


@pytest.mark.parametrize("width", [10, 60, 80, 120])
def test_lines_fit_the_terminal(width: int) -> None:
    assert max(map(len, text(ORDINARY, width=width).splitlines())) <= max(width, 60)


def test_nothing_from_files_reaches_the_terminal_as_a_code() -> None:
    shown = text(hostile())
    assert all(line.isprintable() for line in shown.split("\n"))
    assert "\\x1b[31mred\\x1b]0;title\\x07" in shown
    assert "\\u202egpj.stl" in shown
    assert "\u00fcn\u00ef c\u00f6d\u00e9 \u65e5\u672c.stl" in shown


def test_a_line_break_in_a_name_cannot_forge_a_line() -> None:
    shown = text(Report((part("a.stl\n+ passed  b.stl"),)))
    assert "+ passed  a.stl\\n+ passed  b.stl  (rules/petg.yaml)\n" in shown
    assert "\n+ passed  b.stl" not in shown


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_on_a_terminal_is_one_line_that_goes_away(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "70")
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    with Progress(4, stream) as progress:
        for path in ("a.stl", "b\x1b[2J.stl", "x" * 200, "d.stl"):
            progress.step(path)
    drawn = stream.getvalue()
    assert "\n" not in drawn
    assert "[#####---------------] checked 1 of 4 parts  a.stl\x1b[K" in drawn
    assert "[####################] checked 4 of 4 parts  d.stl\x1b[K" in drawn
    assert drawn.endswith("\r\x1b[K")
    assert "\x1b[2J" not in drawn
    frames = drawn.replace("\x1b[K", "").split("\r")
    assert max(map(len, frames)) < 70


def test_a_terminal_that_cannot_go_back_gets_plain_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "dumb")
    stream = Terminal()
    with Progress(1, stream, every=0.0) as progress:
        progress.step("a.stl")
    assert stream.getvalue() == "checked 1 of 1 part, last a.stl\n"


def test_progress_leaves_the_line_when_interrupted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    with pytest.raises(KeyboardInterrupt), Progress(2, stream):
        raise KeyboardInterrupt
    assert stream.getvalue().endswith("\r\x1b[K")


def test_progress_elsewhere_is_a_plain_line_now_and_then() -> None:
    stream = io.StringIO()
    times = iter(range(0, 1000, 3))
    with Progress(6, stream, every=5.0, clock=lambda: float(next(times))) as progress:
        for number in range(6):
            progress.step(f"p{number}.stl")
    assert stream.getvalue() == (
        "checked 2 of 6 parts, last p1.stl\n"
        "checked 4 of 6 parts, last p3.stl\n"
        "checked 6 of 6 parts, last p5.stl\n"
    )


def test_against_a_base_new_findings_come_first_and_old_ones_are_counted() -> None:
    shown = text(COMPARED, width=100)
    assert (
        "x failed  parts/bracket.stl  (rules/petg.yaml)\n"
        "    fail  wall 0.30 mm thick at (40.0, 2.0, 5.0), 15.00 mm long, will not be printed "
        "[5555555555]\n"
        "          main has it too, but it got worse: missing now, hollow before\n"
        "          -> draw ≤ 1.22 or ≥ 1.73 mm\n"
        "    fail  wall 1.50 mm thick at (12.0, 3.5, 4.0), 40.00 mm long, will print hollow, with "
        "about 0.35\n"
        "          mm of air (new) [0a1b2c3d4e]\n"
        "          -> draw ≤ 1.22 or ≥ 1.73 mm\n"
        "    waived  wall 0.60 mm thick at (1.0, 2.0, 3.0), 12.00 mm long, is below the minimum of "
        "0.80 mm\n"
        "            (by A. Person, until 2031-05-31: not loaded)\n"
        "    main has these too: 1 warn, 1 note\n"
        "    fixed since main: 1 fail\n"
    ) in shown
    assert "    not compared with main: it cannot be read there\n" in shown
    assert "- to mend  waivers.yaml:7: the waiver of A. Person matches nothing.\n" in shown


def test_the_verdict_counts_against_the_base() -> None:
    assert verdict(COMPARED) == (
        "FAILED: 1 of 3 parts failed, 2 passed (2 fail); against main: 2 new, 3 unchanged, "
        "1 fixed; only new findings fail; 1 waived"
    )


def test_where_all_findings_fail_old_ones_are_shown_after_new_ones() -> None:
    shown = text(replace(COMPARED, gate="all"), width=110)
    assert shown.index("(new)") < shown.index("(unchanged)")
    assert "has these too" not in shown


def test_progress_on_a_terminal_tells_the_time_left(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "90")
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    times = iter([0.0, 1.0, 10.0, 300.0, 400.0])
    with Progress(4, stream, clock=lambda: next(times)) as progress:
        progress.step("a.stl", 0.1)
        progress.step("b.stl", 0.5)
        progress.step("c.stl", 0.6)
        progress.note("two at a time\x1b[2J")
        progress.step("d.stl", 1.0)
    drawn = stream.getvalue()
    assert "checked 1 of 4 parts  a.stl" in drawn
    assert "checked 2 of 4 parts, about 10 s left  b.stl" in drawn
    assert "checked 3 of 4 parts, about 3 min left  c.stl" in drawn
    assert "\r\x1b[Ktwo at a time" in drawn and "\x1b[2J" not in drawn
    assert "checked 4 of 4 parts  d.stl" in drawn
