"""Programs of known beads for the tests, written by hand from paths: what no slicing software made.

A bead of width w in a layer of height h has the cross-section h (w - h) + pi h^2 / 4.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import shapely

FILAMENT = 1.75


def feed(width, height, filament=FILAMENT):
    """Filament to feed for each mm of bead, mm."""
    return (height * (width - height) + math.pi * height**2 / 4) / (math.pi / 4 * filament**2)


class Program:
    """Collects moves; the part's own coordinates go in, turned and shifted ones come out."""

    def __init__(
        self, width=0.45, height=0.2, *, relative=True, inch=False, shift=(50, 40), turns=0
    ):
        self.width, self.height = width, height
        self.relative, self.unit = relative, 25.4 if inch else 1.0
        self.shift, self.turns = shift, turns
        self.e = 0.0
        self.lines = ["G20" if inch else "G21", "G90", "M83" if relative else "M82"]
        self.z = 0.0

    def layer(self, number, height=None):
        """Begin a layer (from 0), or one of another height on top of what is there."""
        self.height = height or self.height
        self.z = self.z + height if height else (number + 1) * self.height
        self.lines.append(f"G1 Z{self.z / self.unit:.6f}")

    def place(self, point):
        x, y = point
        for _ in range(self.turns):
            x, y = -y, x
        return (x + self.shift[0]) / self.unit, (y + self.shift[1]) / self.unit

    def say(self, length):
        self.e += length / self.unit
        said = length / self.unit if self.relative else self.e
        return f"E{said:.7f}"

    def go(self, point):
        x, y = self.place(point)
        self.lines.append(f"G0 X{x:.6f} Y{y:.6f}")

    def path(self, points, *, width=None, closed=False):
        """A strand through the points."""
        points = [tuple(map(float, point)) for point in points]
        if closed:
            points.append(points[0])
        self.lines.append(f"G1 {self.say(-0.8)}")
        self.go(points[0])
        self.lines.append(f"G1 {self.say(0.8)}")
        for one, other in pairwise(points):
            x, y = self.place(other)
            length = math.dist(one, other)
            if length < 1e-9:
                continue
            amount = feed(width or self.width, self.height) * length
            self.lines.append(f"G1 X{x:.6f} Y{y:.6f} {self.say(amount)}")

    def circle(self, radius, *, width=None, clockwise=False, middle=(0.0, 0.0)):
        """A strand in one full arc."""
        start = (middle[0] + radius, middle[1])
        self.go(start)
        (x, y), (cx, cy) = self.place(start), self.place(middle)
        amount = feed(width or self.width, self.height) * 2 * math.pi * radius
        code = "G2" if clockwise else "G3"
        self.lines.append(
            f"{code} X{x:.6f} Y{y:.6f} I{cx - x:.6f} J{cy - y:.6f} {self.say(amount)}"
        )

    def dots(self, one, other, *, on=1.0, off=1.0, width=None):
        """A strand switched on and off along the way."""
        one, other = np.array(one, float), np.array(other, float)
        length = float(np.hypot(*(other - one)))
        at = 0.0
        while at < length - 1e-9:
            stop = min(at + on, length)
            self.path(
                [one + (other - one) * at / length, one + (other - one) * stop / length],
                width=width,
            )
            at = stop + off

    def loops(self, outline, count, *, width=None, spacing=None):
        """Strands inside an outline (a shapely polygon), the outermost touching it."""
        wide = width or self.width
        for number in range(count):
            inset = wide / 2 + number * (spacing or wide)
            inner = outline.buffer(-inset, join_style="mitre")
            for piece in getattr(inner, "geoms", [] if inner.is_empty else [inner]):
                for ring in (piece.exterior, *piece.interiors):
                    self.path(list(ring.coords)[:-1], closed=True, width=width)

    def skirt(self, outline, away=4.0):
        self.path(list(outline.buffer(away).exterior.coords)[:-1], closed=True)

    def brim(self, outline, count=4):
        for number in range(count):
            ring = outline.buffer(self.width / 2 + number * self.width, join_style="mitre")
            self.path(list(ring.exterior.coords)[:-1], closed=True)

    def text(self):
        return "\n".join(self.lines) + "\n"


def bar(length, thickness):
    """The outline of a straight wall about the origin."""
    return shapely.box(-length / 2, -thickness / 2, length / 2, thickness / 2)
