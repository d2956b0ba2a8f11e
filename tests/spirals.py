"""Toolpaths that rise while they lay, written from known geometry: what no slicing software made.

    z = base + pitch (turn + share of the turn's way)

On a base of flat layers the first turn is fed more and more, as high as it stands above the base,
and a level turn closes the top, fed less and less.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from toolpaths import FILAMENT

Point = tuple[float, float]
# A closed way at a height, from where a turn begins.
Ring = Callable[[float], Sequence[Point]]


def section(width, height):
    """Cross-section of a bead of this width where it is this high, mm^2."""
    if width <= height:
        return math.pi * width**2 / 4
    return height * (width - height) + math.pi * height**2 / 4


def regular(radius, count, middle=(0.0, 0.0)):
    """The corners of a regular polygon."""
    x, y = middle
    return [
        (
            x + radius * math.cos(2 * math.pi * k / count),
            y + radius * math.sin(2 * math.pi * k / count),
        )
        for k in range(count)
    ]


def oblong(length, wide, middle=(0.0, 0.0)):
    """The corners of a rectangle; a turn begins amid its first side."""
    x, y = middle
    a, b = length / 2, wide / 2
    return [(x, y - b), (x + a, y - b), (x + a, y + b), (x - a, y + b), (x - a, y - b)]


@dataclass
class Writer:
    """Writes moves: places absolute or relative, filament too, with so many decimals."""

    relative_moves: bool = False
    relative_feed: bool = True
    decimals: int = 4
    shift: Point = (50.0, 40.0)

    def __post_init__(self):
        self.lines = ["G21", "G91" if self.relative_moves else "G90"]
        self.lines.append("M83" if self.relative_feed else "M82")
        self.at = [0.0, 0.0, 0.0]
        self.fed = 0.0

    def word(self, letter, value, decimals):
        return f"{letter}{value:.{decimals}f}"

    def axes(self, x, y, z):
        words = []
        target = [x + self.shift[0], y + self.shift[1], z]
        for axis, (letter, exact) in enumerate(zip("XYZ", target, strict=True)):
            value = round(exact, self.decimals)
            if abs(value - self.at[axis]) < 10**-self.decimals / 2:
                continue
            said = value - self.at[axis] if self.relative_moves else value
            words.append(self.word(letter, said, self.decimals))
            self.at[axis] = value
        return words

    def feed(self, volume):
        length = volume / (math.pi / 4 * FILAMENT**2)
        self.fed += length
        return self.word("E", length if self.relative_feed else self.fed, 6)

    def go(self, x, y, z):
        words = self.axes(x, y, z)
        if words:
            self.lines.append(" ".join(["G0", *words]))

    def lay(self, x, y, z, volume):
        words = self.axes(x, y, z)
        if words:
            self.lines.append(" ".join(["G1", *words, self.feed(volume)]))

    def arc(self, centre, end, z, volume):
        """Counter-clockwise about `centre`."""
        i = centre[0] + self.shift[0] - self.at[0]
        j = centre[1] + self.shift[1] - self.at[1]
        words = self.axes(*end, z)
        self.lines.append(" ".join(["G3", *words, f"I{i:.6f}", f"J{j:.6f}", self.feed(volume)]))

    def flat(self, ring, z, width, height, *, area=None):
        """A closed strand at one height."""
        self.go(*ring[0], z)
        for one, other in pairwise([*ring, ring[0]]):
            self.lay(*other, z, (area or section(width, height)) * math.dist(one, other))

    def rise(
        self,
        ring: Ring,
        turns: float,
        *,
        base: float,
        pitch: float,
        width: float,
        step: float = 1.0,
        ramp: bool = True,
        close: bool = False,
        pause: float = 0.0,
    ):
        """A strand that rises by `pitch` (mm) from turn to turn, in moves of at most `step` mm.

        ring   the way at each height; ramp: whether the first turn is fed more and more
        close  whether a level turn follows that is fed less and less
        pause  after so many mm filament is drawn back and pushed forward again at the same place
        """
        self.go(*ring(base)[0], base)
        since = 0.0
        for turn in range(math.ceil(turns - 1e-9)):
            since = self._turn(
                ring,
                (base, turn, min(1.0, turns - turn)),
                (pitch, width),
                step,
                0 if turn == 0 and ramp else 1,
                (pause, since),
            )
        if close:
            self._turn(
                ring, (base + turns * pitch, 0, 1.0), (0.0, width), step, 2, (0.0, 0.0), pitch
            )

    def _turn(self, ring, where, bead, step, kind, pauses, high=0.0):
        base, turn, share = where
        pitch, width = bead
        pause, since = pauses
        ways = way = list(ring(base + pitch * turn))
        whole = sum(math.dist(a, b) for a, b in pairwise([*way, way[0]]))
        next_way = list(ring(base + pitch * (turn + 1)))
        gone = 0.0
        for index in range(len(ways)):
            one, other = way[index], way[(index + 1) % len(way)]
            length = math.dist(one, other)
            parts = max(1, math.ceil(length / step - 1e-9))
            for k in range(1, parts + 1):
                last = (gone + length * k / parts) / whole
                first = (gone + length * (k - 1) / parts) / whole
                if first >= share - 1e-9:
                    return since
                last = min(last, share)
                inside = (last * whole - gone) / length
                # Between this turn's way and the next one's.
                here = [a + (b - a) * inside for a, b in zip(one, other, strict=True)]
                ahead, after = next_way[index], next_way[(index + 1) % len(way)]
                there = [a + (b - a) * inside for a, b in zip(ahead, after, strict=True)]
                x, y = (a + (b - a) * last for a, b in zip(here, there, strict=True))
                middle = (first + last) / 2
                height = {0: middle * pitch, 1: pitch, 2: (1 - middle) * high}[kind]
                volume = section(width, height) * (last - first) * whole
                if pause and since + (last - first) * whole > pause:
                    self.lines += [f"G1 {self.feed(-2.4)}", f"G1 {self.feed(2.4)}"]
                    since = 0.0
                since += (last - first) * whole
                self.lay(x, y, base + pitch * (turn + last), volume)
            gone += length
        return since

    def text(self):
        return "\n".join(self.lines) + "\n"
