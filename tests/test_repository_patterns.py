"""Patterns over paths."""

import unicodedata

import pytest

from wallguard.repository.patterns import matches


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("a.stl", "a.stl"),
        ("*.stl", "a.stl"),
        ("*.stl", "a.STL"),
        ("*.STL", "a.stl"),
        ("./a.stl", "a.stl"),
        ("?.stl", "é.stl"),
        ("**/*.stl", "a.stl"),
        ("**/*.stl", "x/y/a.stl"),
        ("brackets/**/*.stl", "brackets/a.stl"),
        ("brackets/**/*.stl", "brackets/left/upper/a.stl"),
        ("**/left/**/*.stl", "x/left/y/a.stl"),
        ("**/left/*.stl", "left/left/a.stl"),
        ("archive/**", "archive/2020/a.stl"),
        ("archive/", "archive/2020/a.stl"),
        ("*/a*b*.stl", "x/a--b--.stl"),
        ("part [v2]/{a}.stl", "part [v2]/{a}.stl"),
        ("with space/*.3mf", "with space/my part.3mf"),
        ("**", "x/y/z.obj"),
        ("*", "no-suffix"),
        ("*.v2.stl", "a.v2.stl"),
    ],
)
def test_these_match(pattern: str, path: str) -> None:
    assert matches(pattern, path)


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("*.stl", "x/a.stl"),
        ("a.stl", "A.stl"),
        ("*.stl", "a.3mf"),
        ("*.stl", "a.stl.bak"),
        ("brackets/*.stl", "brackets/left/a.stl"),
        ("brackets/**/*.stl", "Brackets/a.stl"),
        ("brackets/**/*.stl", "other/brackets/a.stl"),
        ("archive", "archive/a.stl"),
        ("archive/", "archived/a.stl"),
        ("?.stl", "ab.stl"),
        ("[ab].stl", "a.stl"),
        ("*/*/*.stl", "x/a.stl"),
        ("a.stl/**", "b/a.stl"),
    ],
)
def test_these_do_not(pattern: str, path: str) -> None:
    assert not matches(pattern, path)


def test_both_spellings_of_an_accent_are_one_name() -> None:
    # Unicode Standard Annex 15: NFC and NFD are canonically equivalent.
    name = "Bügel/äußerer Halter.stl"
    composed, split = (unicodedata.normalize(form, name) for form in ("NFC", "NFD"))
    assert composed != split
    for pattern in (composed, split, "B?gel/*.stl"):
        assert matches(pattern, composed)
        assert matches(pattern, split)


def test_hostile_patterns_take_bounded_time() -> None:
    assert not matches("*a" * 400 + "b", "a" * 900)
    assert not matches("**/a/" * 150 + "b", "a/" * 400 + "c")
