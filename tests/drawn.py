"""Parts at random as people draw them, for properties that hold for every part: walls that stand,
lean and taper, ribs, tubes, shells, pins, holes and gaps on a plate, or by themselves."""

from __future__ import annotations

import math
from typing import Any

import manifold3d as m3
from hypothesis import strategies as st
from solids import box, prism, tube

# Thicknesses in hundredths of a mm, so that examples shrink to what can be read.
THICKNESS = st.integers(20, 400).map(lambda hundredths: hundredths / 100)
_LENGTH = st.integers(3, 14).map(float)
_HEIGHT = st.integers(2, 20).map(lambda halves: halves / 2)
# Features stand in cells, side by side.
_CELL = 18.0


def _lying(outline: list[tuple[float, float]], length: float) -> m3.Manifold:
    """An outline in (x, z) drawn along y."""
    return prism(outline, length).rotate([90, 0, 0]).translate([0, length, 0])


@st.composite
def feature(draw: Any) -> m3.Manifold:
    """One of the things that parts are made of, in a cell from 0 to 16 mm, standing on z = 0."""
    t, long, high = draw(THICKNESS), draw(_LENGTH), draw(_HEIGHT)
    match draw(st.sampled_from(_KINDS)):
        case "wall":
            return box([long, t, high], [1, 1, 0])
        case "tee":
            return box([long, t, high], [1, 1, 0]) + box([t, long, high], [1 + long / 3, 1, 0])
        case "corner":
            return box([long, t, high], [1, 1, 0]) + box([t, long, high], [1, 1, 0])
        case "leaning":
            lean = math.tan(math.radians(draw(st.integers(1, 9)) * 5)) * high
            wide = t + lean
            drawn = _lying([(0, 0), (t, 0), (wide, high), (lean, high)], long)
            return drawn.scale([min(1.0, 15 / wide), 1, 1]).translate([1, 1, 0])
        case "tapered":
            top = draw(THICKNESS)
            return _lying([(0, 0), (t, 0), (top, high), (0, high)], long).translate([1, 1, 0])
        case "tube":
            outer = max(long, 2 * t + 0.5)
            wall = tube(outer, t, high, draw(st.sampled_from((16, 48, 128))))
            return wall.translate([8, 8, 0])
        case "shell":
            inner = [max(long - 2 * t, 0.5)] * 2
            outside = [inner[0] + 2 * t, inner[1] + 2 * t, high + t]
            return box(outside) - box([*inner, high + 9], [t, t, t])
        case "dome":
            ball = m3.Manifold.sphere(8, 48) - m3.Manifold.sphere(max(8 - t, 0.5), 48)
            return (ball ^ box([20, 20, 20], [-10, -10, draw(st.integers(0, 5))])).translate(
                [8, 8, 0]
            )
        case "aslant":
            rib = box([long, t, high])
            return rib + rib.rotate([0, 0, draw(st.integers(4, 17)) * 10])
        case "cup":
            inner = m3.Manifold.cylinder(high + 1, 3, 6, 48).translate([0, 0, t])
            return m3.Manifold.cylinder(high, 3 + t, 6 + t, 48) - inner
        case "pin":
            return m3.Manifold.cylinder(high, t, t, 32).translate([8, 8, 0])
        case "hole":
            return box([12, 12, 3]) - m3.Manifold.cylinder(9, t, t, 32).translate([6, 6, -1])
        case _:  # a gap
            return box([long, 3, high]) + box([long, 3, high], [0, 3 + t, 0])


_KINDS = (*("wall", "tee", "corner", "leaning", "tapered", "tube", "shell", "pin", "hole", "gap"),)


@st.composite
def parts(draw: Any) -> m3.Manifold:
    """Up to four features, on a plate or not, turned by right angles."""
    made = m3.Manifold()
    count = draw(st.integers(1, 4))
    for number in range(count):
        each = draw(feature()).rotate([0, 0, 90 * draw(st.integers(0, 3))])
        low = each.bounding_box()
        there = (number * _CELL - low[0], -low[1], 0)
        made += each.translate(there)
    if draw(st.booleans()):
        low = made.bounding_box()
        base = [low[3] - low[0] + 2, low[4] - low[1] + 2, 3]
        made += box(base, [low[0] - 1, low[1] - 1, -3])
    return made
