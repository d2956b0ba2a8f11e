"""Text from files made safe to show."""

import pytest
from report_samples import HOSTILE

from wallguard.base.plain import clipped, counted, lines, listed, one_line, plain, without_path


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[31m", "\\x1b[31m"),
        ("a\nb\r\tc", "a\\nb\\r\\tc"),
        ("\u202egpj.stl", "\\u202egpj.stl"),
        ("caf\udce9", "caf\\xe9"),
        ("\ud800", "\\ud800"),
        ("\U000e0001", "\\U000e0001"),
        ("\u00e9\u65e5 ok.stl", "\u00e9\u65e5 ok.stl"),
    ],
)
def test_what_cannot_be_seen_is_spelled(text: str, shown: str) -> None:
    assert plain(text) == shown


@pytest.mark.parametrize("name", HOSTILE)
def test_plain_text_is_printable_and_encodable(name: str) -> None:
    assert plain(name).isprintable()
    assert plain(name).encode("utf-8").decode("utf-8") == plain(name)


def test_a_message_keeps_its_own_lines() -> None:
    assert lines("two\nlines\x07") == ["two", "lines\\x07"]
    assert one_line("two\n\n  lines ") == "two; lines"


def test_long_text_is_clipped_in_the_middle() -> None:
    assert clipped("abcdefghij", 9) == "abc...hij"
    assert clipped("abcdefghij", 10) == "abcdefghij"
    assert len(clipped("x" * 50, 8)) == 8


def test_the_file_is_not_named_twice() -> None:
    assert without_path("a.stl", "a.stl: is empty.") == "is empty."
    assert without_path("a.yaml", "a.yaml:3:1: no key.") == "a.yaml:3:1: no key."


def test_numbers_agree_with_their_nouns() -> None:
    assert [counted(number, "part") for number in (0, 1, 2)] == ["0 parts", "1 part", "2 parts"]
    assert counted(2, "part without", "parts without") == "2 parts without"
    assert [listed(items) for items in ([], ["a"], ["a", "b", "c"])] == ["", "a", "a, b and c"]
