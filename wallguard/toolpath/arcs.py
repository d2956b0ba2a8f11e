"""Circular and helical arcs in the XY plane, as chords (RS274/NGC, NISTIR 6556 section 3.5.3)."""

from __future__ import annotations

import math

# The largest distance between an arc and the chords it is split into, mm.
SAGITTA = 0.005
# How far apart the radii at an arc's two ends may be before the arc is refused, mm. NISTIR 6556
# (from memory) allows 0.002 mm; programs written with two decimals need more.
STRICT_RADII = 0.002
LOOSE_RADII = 0.05

# Ends nearer to each other than this are one point (mm): sums of relative moves are not exact.
_SAME = 1e-6

Point = tuple[float, float]


class ArcError(Exception):
    """An arc that no circle fits; says why."""


def centre(start: Point, end: Point, radius: float, *, clockwise: bool) -> Point:
    """Centre of the arc of this radius (mm); a negative radius is an arc of more than 180 degrees.

    Raises ArcError where the ends coincide or are further apart than two radii.
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    chord = math.hypot(dx, dy)
    if chord == 0.0:
        raise ArcError("an arc given by its radius ends where it starts")
    off = radius * radius - chord * chord / 4.0
    if off < 0.0:
        if chord / 2.0 - abs(radius) > LOOSE_RADII:
            raise ArcError(
                f"the ends of the arc are {chord:.4g} mm apart, more than two radii of "
                f"{abs(radius):.4g} mm"
            )
        off = 0.0
    # The centre lies to the right of the way from start to end if the arc is clockwise and short.
    side = math.sqrt(off) / chord * (1.0 if clockwise == (radius > 0.0) else -1.0)
    return start[0] + dx / 2.0 + dy * side, start[1] + dy / 2.0 - dx * side


def chords(
    start: Point, end: Point, middle: Point, *, clockwise: bool
) -> tuple[list[Point], float]:
    """Ends of the chords that replace an arc around `middle`, and the misfit of its radii.

    The ends of chords lie on the arc, equal angles apart, so no point of the arc is further than
    SAGITTA from its chord. An arc that ends where it starts is a full circle. Where the radii at
    both ends differ, the radius changes evenly along the arc. Lengths in mm.

    Raises ArcError where the radius is zero or the radii differ by more than LOOSE_RADII.
    """
    ax, ay = start[0] - middle[0], start[1] - middle[1]
    bx, by = end[0] - middle[0], end[1] - middle[1]
    first, last = math.hypot(ax, ay), math.hypot(bx, by)
    if abs(first - last) > LOOSE_RADII:
        raise ArcError(
            f"the start of the arc is {first:.4g} mm from its centre and its end {last:.4g} mm"
        )
    if min(first, last) == 0.0:
        raise ArcError("the radius of the arc is zero")
    sweep = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    if clockwise:
        sweep = -sweep
    if math.dist(start, end) < _SAME:
        sweep = 2.0 * math.pi
    elif sweep <= 0.0:
        sweep += 2.0 * math.pi
    step = 2.0 * math.acos(max(1.0 - SAGITTA / max(first, last), 0.0))
    count = max(1, math.ceil(sweep / step - 1e-9))
    turn = (-sweep if clockwise else sweep) / count
    begin, growth = math.atan2(ay, ax), (last - first) / count
    # One by one: most arcs have few chords, and arrays that short are slower.
    points = [
        (
            middle[0] + (first + growth * number) * math.cos(begin + turn * number),
            middle[1] + (first + growth * number) * math.sin(begin + turn * number),
        )
        for number in range(1, count)
    ]
    points.append(end)
    return points, abs(first - last)
