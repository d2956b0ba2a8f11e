"""Marks for a print: digits and letters built of straight strokes of one width.

A mark is printed by the very process that is being found out about, so it asks of it only what is
known to come out: every stroke is a wall of one thickness, and between strokes there is a gap of
one width. Characters stand on a grid of two columns and three rows of centre lines. No two strokes
meet at less than about 50 degrees: a sharper corner would be a thicker wall.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

Point = tuple[float, float]
Outline = tuple[Point, ...]

# Centre lines as (column, row) from lower left; a column or row is one stroke and one gap apart.
_LINES: dict[str, tuple[tuple[Point, ...], ...]] = {
    "0": (((0, 0), (1, 0), (1, 2), (0, 2), (0, 0)),),
    "1": (((0, 0), (0, 2)),),
    "2": (((0, 2), (1, 2), (1, 1), (0, 1), (0, 0), (1, 0)),),
    "3": (((0, 2), (1, 2), (1, 0), (0, 0)), ((0, 1), (1, 1))),
    "4": (((0, 2), (0, 1), (1, 1)), ((1, 2), (1, 0))),
    "5": (((1, 2), (0, 2), (0, 1), (1, 1), (1, 0), (0, 0)),),
    "6": (((1, 2), (0, 2), (0, 0), (1, 0), (1, 1), (0, 1)),),
    "7": (((0, 2), (1, 2), (1, 0)),),
    "8": (((0, 0), (1, 0), (1, 2), (0, 2), (0, 0)), ((0, 1), (1, 1))),
    "9": (((0, 0), (1, 0), (1, 2), (0, 2), (0, 1), (1, 1)),),
    "C": (((1, 2), (0, 2), (0, 0), (1, 0)),),
    "E": (((1, 2), (0, 2), (0, 0), (1, 0)), ((0, 1), (1, 1))),
    "G": (((1, 2), (0, 2), (0, 0), (1, 0), (1, 1)),),
    "H": (((0, 0), (0, 2)), ((1, 0), (1, 2)), ((0, 1), (1, 1))),
    "L": (((0, 2), (0, 0), (1, 0)),),
    "P": (((0, 0), (0, 2), (1, 2), (1, 1), (0, 1)),),
    "U": (((0, 2), (0, 0), (1, 0), (1, 2)),),
    "X": (((0, 0), (1, 2)), ((0, 2), (1, 0))),
    "Y": (((0, 2), (0.5, 1), (1, 2)), ((0.5, 1), (0.5, 0))),
}
CHARACTERS = frozenset(_LINES)


@dataclass(frozen=True)
class Pen:
    """Width of a stroke and of the room between strokes, mm."""

    stroke: float
    clear: float

    @property
    def pitch(self) -> float:
        return self.stroke + self.clear

    @property
    def height(self) -> float:
        """Height of a character, mm."""
        return 2 * self.pitch + self.stroke

    def width(self, text: str) -> float:
        """Width of a text, mm."""
        return sum(self._width(char) for char in text) + self.clear * max(0, len(text) - 1)

    def strokes(self, text: str) -> tuple[Outline, ...]:
        """The strokes of `text` as rectangles (corners counter-clockwise, mm) that overlap where
        they meet; the text stands on y = 0 and begins at x = 0.

        Raises KeyError for a character that has no strokes.
        """
        bars: list[Outline] = []
        start = 0.0
        for char in text:
            for line in _LINES[char]:
                points = [
                    (
                        start + self.stroke / 2 + x * self.pitch,
                        self.stroke / 2 + y * self.pitch,
                    )
                    for x, y in line
                ]
                bars += [_bar(one, other, self.stroke) for one, other in pairwise(points)]
            start += self._width(char) + self.clear
        return tuple(bars)

    def _width(self, char: str) -> float:
        return self.stroke if char == "1" else self.pitch + self.stroke


def _bar(one: Point, other: Point, width: float) -> Outline:
    """A rectangle around the line from `one` to `other`, half a width longer at either end."""
    length = ((other[0] - one[0]) ** 2 + (other[1] - one[1]) ** 2) ** 0.5
    # Half a width along the line, and the same to its left.
    ax, ay = (other[0] - one[0]) / length * width / 2, (other[1] - one[1]) / length * width / 2
    return (
        (one[0] - ax + ay, one[1] - ay - ax),
        (other[0] + ax + ay, other[1] + ay - ax),
        (other[0] + ax - ay, other[1] + ay + ax),
        (one[0] - ax - ay, one[1] - ay + ax),
    )
