"""Two toolpaths against each other, as reports tell it."""

import json
from dataclasses import replace

import pytest

from wallguard.findings.model import Trouble
from wallguard.reports import against
from wallguard.toolpath.against import Against, Pair, Side

SIDE = Side("a.gcode", volume=100.0, width=0.5, layers=10, height=0.2, copies=1)
WALL = Pair(
    thickness=1.7,
    length=30.0,
    location=(1.0, 2.0, 3.0),
    z=(0.0, 10.0),
    before="solid",
    after="hollow",
    air=(0.0, 0.6),
    printed=(1.7, 1.7),
)
SLATS = tuple(replace(WALL, location=(1.0 + 4 * at, 2.0, 3.0)) for at in range(40))
LONGER = replace(WALL, length=50.0, location=(-1.0, 2.0, 3.0))
ONE = Against("g.stl", SIDE, SIDE, (*SLATS, LONGER))


@pytest.mark.parametrize("show", [against.text, against.markdown])
def test_walls_that_change_alike_are_told_once(show):
    shown = " ".join(show(ONE).split())
    assert shown.count("wall 1.70 mm thick at") == 2
    assert "(1.0, 2.0, 3.0)" in shown
    assert "(-1.0, 2.0, 3.0)" in shown
    assert "one of 40 places alike; the JSON report lists each" in shown
    assert "41 of 41 walls come out worse" in shown
    assert "`->`" not in shown


NONE = Against("g.stl", SIDE, SIDE, (), troubles=(Trouble("a.gcode", "a.gcode: <b>no</b> move"),))


@pytest.mark.parametrize("show", [against.text, against.markdown])
def test_what_could_not_be_compared_says_so_and_nothing_else(show):
    shown = show(NONE)
    assert "not compared" in shown.lower()
    assert "move" in shown
    assert "bead" not in shown
    assert "all of 0 walls" not in shown
    assert NONE.exit_code == 2
    assert "`<b>no</b>`" in against.markdown(NONE)


def test_json_lists_each():
    assert len(json.loads(against.AGAINST.text(ONE))["pairs"]) == 41


@pytest.mark.parametrize("outcome", ["hollow", "porous"])
def test_more_air_under_one_name_is_worse(outcome):
    same = replace(WALL, before=outcome, after=outcome, printed=(1.7, 1.7))
    assert replace(same, air=(0.2, 0.4)).worse
    assert not replace(same, air=(0.4, 0.2)).worse
    # No more than two measures of the same may lie apart.
    assert not replace(same, air=(0.2, 0.25)).worse
    assert not replace(same, before="solid", after="solid", air=(0.0, 0.4)).worse
