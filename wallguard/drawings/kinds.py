"""The kinds of picture, and how the file of one is known again, so that it may be replaced."""

from __future__ import annotations

import re

CHART, FIT, PLACE, TOOLPATH = "wall chart", "fit of a coupon", "place of a finding", "toolpath"


def mark(kind: str) -> str:
    """What a picture of this kind says of itself, in a comment."""
    return f"Drawn by wallguard: {kind}."


def pattern(kind: str) -> str:
    """A regular expression (DOTALL) for the beginning of such a picture's file, SVG or PNG."""
    return rf"(?:<svg [^>]*>\n<!-- |.PNG\r\n.{{,100}}?tEXtComment\0){re.escape(mark(kind))}"


def is_drawn(kind: str, content: str) -> bool:
    """Whether a file that begins so is a picture of this kind."""
    return re.match(pattern(kind), content, re.DOTALL) is not None
