"""Whether a disc has room, against closed forms of plane geometry."""

from __future__ import annotations

import numpy as np
import pytest
from solids import box, mesh, prism

from wallguard.sections.cut import cut
from wallguard.walls import breadth
from wallguard.walls.breadth import roomy


def has_room(solid, middle, radius, side=0.2) -> bool:
    """Whether a disc has room in the lowest layer with its middle in a square round a point."""
    layers = np.zeros(1, np.int64), np.zeros(1, np.int64)
    return bool(roomy(cut(mesh(solid), 0.2), np.array([middle], float), layers, radius, side)[0])


@pytest.mark.parametrize("angle", [0, 13, 45, 71])
def test_a_strip_has_room_for_a_disc_as_wide_and_for_none_that_is_wider(angle):
    strip = box([10, 0.5, 1], [-5, -0.25, 0]).rotate([0, 0, angle])
    for off in (0.0, 0.04, -0.09):
        assert has_room(strip, (off, off), 0.25)
        assert not has_room(strip, (off, off), 0.252)


def test_a_triangle_has_room_for_its_inscribed_disc_where_that_lies():
    # Of sides 3, 4 and 5 the inscribed disc has r = 1 round (1, 1) (Euclid, Elements, IV.4).
    triangle = prism([[0, 0], [4, 0], [0, 3]], 1)
    for middle in ((1.0, 1.0), (1.09, 0.93)):
        assert has_room(triangle, middle, 1.0)
        assert not has_room(triangle, middle, 1.002)
    assert not has_room(triangle, (1.15, 1.0), 0.999)


def test_where_no_outline_is_near_there_is_room():
    assert has_room(box([20, 20, 1]), (10, 10), 1.0)
    assert not has_room(box([20, 20, 1]), (0.5, 10), 1.0)


def test_what_takes_too_long_is_taken_for_roomy(monkeypatch):
    strip = box([10, 0.499, 1], [-5, -0.2495, 0])
    assert not has_room(strip, (0, 0), 0.2505)
    monkeypatch.setattr(breadth, "_MOST", 1)
    assert has_room(strip, (0, 0), 0.2505)
