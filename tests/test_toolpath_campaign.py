"""A slice of the campaign: known toolpaths, truth against output (`campaign_toolpath.py`)."""

from dataclasses import replace

import pytest
from campaign_toolpath import drawn_at_random, judge, sweep

SWEEP = sweep()


def test_the_sweep_is_whole():
    assert len(SWEEP) == 128
    assert len({case.words() for case in SWEEP}) > 120


@pytest.mark.parametrize("number", range(5, 128, 26))
def test_cases_of_the_sweep(number):
    wrong, told, _ = judge(SWEEP[number])
    assert told
    assert wrong == []


# Between them a raft, a brim, supports, copies, a shifted height, one contour and three, both
# ways of counting filament and a flow that is not whole.
RANDOM = {
    "107": drawn_at_random(107),
    "155 with fewer copies and one contour": replace(drawn_at_random(155), copies=2, contours=1),
}


@pytest.mark.parametrize("case", RANDOM.values(), ids=RANDOM)
def test_cases_at_random(case):
    wrong, told, _ = judge(case)
    assert told
    assert wrong == []
