"""Rotations from `up` and `rotate`."""

from math import isclose, sqrt

import pytest

from wallguard.base.rotation import (
    UPRIGHT,
    Rotation,
    Vector,
    rotation_about_axes,
    rotation_from_up,
)
from wallguard.repository.entry import DIRECTIONS


def turned(rows: Rotation, v: Vector) -> Vector:
    a, b, c = (row[0] * v[0] + row[1] * v[1] + row[2] * v[2] for row in rows)
    return a, b, c


def assert_rotation(rows: Rotation) -> None:
    """Orthonormal rows and determinant +1: no mirror, no stretch."""
    a, b, c = rows
    for one, other in [(a, a), (b, b), (c, c), (a, b), (b, c), (a, c)]:
        product = sum(x * y for x, y in zip(one, other, strict=True))
        assert isclose(product, float(one is other), abs_tol=1e-12)
    cross = (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
    assert all(isclose(x, y, abs_tol=1e-12) for x, y in zip(cross, c, strict=True))


@pytest.mark.parametrize("name", list(DIRECTIONS))
def test_axis_directions_turn_up_exactly(name: str) -> None:
    rows = rotation_from_up(DIRECTIONS[name])
    assert turned(rows, DIRECTIONS[name]) == (0, 0, 1)
    assert {abs(entry) for row in rows for entry in row} == {0.0, 1.0}
    assert_rotation(rows)


@pytest.mark.parametrize("up", [(1, 1, 1), (0, 3, -4), (-0.2, 0.1, -1), (1e-9, 0, -1), (5, 0, 5)])
def test_any_direction_turns_up(up: Vector) -> None:
    rows = rotation_from_up(up)
    length = sqrt(sum(x * x for x in up))
    ends = turned(rows, up)
    for found, wanted in zip(ends, (0, 0, length), strict=True):
        assert isclose(found, wanted, abs_tol=1e-8 * length)
    assert_rotation(rows)


def test_up_is_already_up() -> None:
    assert rotation_from_up((0, 0, 7)) == UPRIGHT
    assert rotation_about_axes((0, 0, 0)) == UPRIGHT
    assert rotation_about_axes((360, -360, 0)) == UPRIGHT


def test_quarter_turns_are_exact_and_right_handed() -> None:
    assert turned(rotation_about_axes((90, 0, 0)), (0, 1, 0)) == (0, 0, 1)
    assert turned(rotation_about_axes((0, 90, 0)), (0, 0, 1)) == (1, 0, 0)
    assert turned(rotation_about_axes((0, 0, 90)), (1, 0, 0)) == (0, 1, 0)
    assert turned(rotation_about_axes((0, 0, -90)), (1, 0, 0)) == (0, -1, 0)
    assert turned(rotation_about_axes((180, 0, 0)), (0, 1, 2)) == (0, -1, -2)


def test_x_comes_first_then_y_then_z_about_fixed_axes() -> None:
    # y to z about x, z to x about y, x to y about z.
    assert turned(rotation_about_axes((90, 90, 90)), (0, 1, 0)) == (0, 1, 0)
    assert turned(rotation_about_axes((90, 90, 0)), (0, 1, 0)) == (1, 0, 0)
    assert_rotation(rotation_about_axes((10, 20, 30)))
