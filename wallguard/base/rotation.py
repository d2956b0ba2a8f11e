"""How a part lies on the printer: a rotation from the file's frame, as rows of a matrix."""

from __future__ import annotations

from math import cos, hypot, radians, sin

Vector = tuple[float, float, float]
Rotation = tuple[Vector, Vector, Vector]

UPRIGHT: Rotation = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


def rotation_from_up(up: Vector) -> Rotation:
    """The shortest rotation that brings `up` (any length but zero) to +z.

    Rodrigues' formula for the rotation between two unit vectors, R = I + K + K^2 / (1 + c) with
    K the cross-product matrix of u x z and c = u . z (Moller and Hughes, Efficiently building a
    matrix to rotate one vector to another, J. Graphics Tools 4 (1999); from memory). For -z, where
    no rotation is the shortest, half a turn about x.
    """
    length = hypot(*up)
    x, y, z = (component / length for component in up)
    if z < -1 + 1e-12:
        return ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0))
    # u x z = (y, -x, 0), so K and K^2 reduce to these.
    k = 1 / (1 + z)
    return _clean(((1 - k * x * x, -k * x * y, -x), (-k * x * y, 1 - k * y * y, -y), (x, y, z)))


def rotation_about_axes(degrees: Vector) -> Rotation:
    """The rotation about the fixed x, then y, then z axis, in degrees: R = Rz Ry Rx.

    Quarter turns are exact, so that what was flat stays flat.
    """
    (sx, cx), (sy, cy), (sz, cz) = (_sin_cos(angle) for angle in degrees)
    return _clean(
        (
            (cz * cy, cz * sy * sx - sz * cx, cz * sy * cx + sz * sx),
            (sz * cy, sz * sy * sx + cz * cx, sz * sy * cx - cz * sx),
            (-sy, cy * sx, cy * cx),
        )
    )


def _sin_cos(degrees: float) -> tuple[float, float]:
    quarter, rest = divmod(degrees, 90)
    if rest == 0:
        return ((0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0))[int(quarter) % 4]
    return sin(radians(degrees)), cos(radians(degrees))


def _clean(rows: Rotation) -> Rotation:
    """Without negative zeros, which would only show up in output."""
    a, b, c = ((row[0] + 0.0, row[1] + 0.0, row[2] + 0.0) for row in rows)
    return a, b, c
