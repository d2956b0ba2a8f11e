"""The README shows what the program really prints."""

from refresh_readme import README, refreshed


def test_the_readme_shows_the_real_output():
    text = README.read_text(encoding="utf-8")
    assert refreshed(text) == text, "run `python tests/refresh_readme.py`"
