"""Shapes that are more than a number or a text."""

import pytest
from test_rules_fields import node

from wallguard.documents.scalars import Days


@pytest.mark.parametrize(("text", "days"), [("1 day", 1), ("365 days", 365), ("99999 days", 99999)])
def test_a_length_of_time_is_days(text: str, days: int) -> None:
    assert list(Days().problems(node(text), "longest")) == []
    assert Days().value(node(text)) == days
    assert Days().plain(days) == text


@pytest.mark.parametrize("wrong", ["365", 365, "0 days", "-1 days", "1 year", "365 days\n", None])
def test_what_is_no_length_of_time_is_told_with_what_is(wrong: object) -> None:
    (problem,) = Days().problems(node(wrong), "longest")
    assert 'such as "365 days"' in problem.text
    assert (problem.remedy == "Write the unit too: 365 days") == (wrong == 365)
