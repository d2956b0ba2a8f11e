"""How thick walls may be that stand free and too high: a screen before walls in space."""

import pytest
from solids import box, mesh

from wallguard.base.errors import TooLargeError
from wallguard.walls import standing
from wallguard.walls.standing import thickest_standing

PLATE = box([30, 30, 2])
HIGH = PLATE + box([20, 3, 40], [5, 10, 2])


def test_a_wall_that_stands_high_is_as_thick_as_it_is_drawn():
    assert thickest_standing(mesh(HIGH), 1.0, 10.0, untangle=False) == pytest.approx(3, abs=0.5)
    assert thickest_standing(mesh(PLATE), 1.0, 10.0, untangle=False) == 0


def test_what_is_too_much_to_look_at_may_be_as_thick_as_any_that_is_high(monkeypatch):
    def refuses(*_):
        raise TooLargeError("too much")

    monkeypatch.setattr(standing, "find_walls_mostly_held", refuses)
    # No wall is higher than the part, which is 42 mm.
    assert thickest_standing(mesh(HIGH), 1.0, 10.0, untangle=False) == pytest.approx(4.2)
