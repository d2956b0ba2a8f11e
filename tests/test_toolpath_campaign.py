"""A slice of the campaign: known toolpaths, truth against output (`campaign_toolpath.py`)."""

import pytest
from campaign_toolpath import drawn_at_random, judge, sweep

SWEEP = sweep()


def test_the_sweep_is_whole():
    assert len(SWEEP) == 128
    assert len({case.words() for case in SWEEP}) > 120


@pytest.mark.parametrize("number", range(5, 128, 11))
def test_cases_of_the_sweep(number):
    wrong, told, _ = judge(SWEEP[number])
    assert told
    assert wrong == []


@pytest.mark.parametrize("seed", [103, 107, 135, 155, 162])
def test_cases_at_random(seed):
    wrong, _, _ = judge(drawn_at_random(seed))
    assert wrong == []
