"""The README files show what the program really prints."""

import pytest
from refresh_readme import READMES, refreshed


@pytest.mark.parametrize("readme", READMES, ids=["project", "example"])
def test_a_readme_shows_the_real_output(readme):
    text = readme.read_text(encoding="utf-8")
    assert refreshed(text) == text, "run `python tests/refresh_readme.py`"
