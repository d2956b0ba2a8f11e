"""The numbers that a body is known by."""

import math

import manifold3d as m3
import numpy as np
import pytest
from solids import box, mesh

from wallguard.part import bodies as module
from wallguard.part.bodies import bodies


def test_a_box_has_the_moments_of_a_box():
    """Second moments of the surface of a box, of its faces one by one."""
    a, b, c = 4.0, 6.0, 10.0
    (body,) = bodies(mesh(box([a, b, c], [1, 2, 3])))
    assert body.area == pytest.approx(2 * (a * b + b * c + c * a))
    assert body.volume == pytest.approx(a * b * c)
    assert body.centre == pytest.approx((1 + a / 2, 2 + b / 2, 3 + c / 2))
    assert body.box == ((1, 2, 3), (1 + a, 2 + b, 3 + c))
    along = [
        (2 * s * t * o**2 / 4 + 2 * o * (s + t) * o**2 / 12) / body.area
        for o, s, t in ((a, b, c), (b, c, a), (c, a, b))
    ]
    assert body.spread[:3] == pytest.approx(along)
    assert body.lean == pytest.approx((0, 0, 0), abs=1e-9)


def test_some_triangles_at_a_time_are_what_all_at_once_tell(monkeypatch):
    part = mesh(m3.Manifold.sphere(9, 48) + box([20, 3, 3]) + box([2, 2, 2], [40, 0, 0]))
    whole = bodies(part)
    assert len(whole) == 3
    monkeypatch.setattr(module, "_AT_ONCE", 100)
    for one, other in zip(whole, bodies(part), strict=True):
        for name in ("area", "volume", "centre", "spread", "lean"):
            assert np.allclose(getattr(one, name), getattr(other, name), rtol=1e-12, atol=1e-12)
        assert one.box == other.box
    assert math.isfinite(whole[0].volume)
