"""The README files show what the program really prints; the hooks are for the files it reads."""

import pytest
from refresh_readme import READMES, ROOT, refreshed


@pytest.mark.parametrize("readme", READMES)
def test_a_readme_shows_the_real_output(readme):
    text = (ROOT / readme).read_text(encoding="utf-8")
    assert refreshed(text) == text, "run `python tests/refresh_readme.py`"
