"""What pictures and the web report are drawn from: plain data, worked out while a part is checked.

Sections are in mm as printed, in the plane of the section; shapes are in the part file's own frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from wallguard.bands.table import Verdict

Flat = tuple[float, float]
Line = tuple[Flat, ...]
Point = tuple[float, float, float]
Box2 = tuple[float, float, float, float]
What = Literal["pictures", "page"]
# How many steps a shape has along each side of its box: finer than a screen shows, and no finer.
STEPS = 2**14 - 1
# What is drawn at a place. `OUTCOMES` are how a wall comes out; in the order of their numbers in
# a `Shape`, where 0 stands for what is no wall.
Shown = Literal[Verdict, "gap", "hole", "cavity", "open"]
OUTCOMES: tuple[Shown, ...] = get_args(Verdict)


@dataclass(frozen=True)
class Sign:
    """What is drawn over a section besides its dimension.

    kind    `angle`: at the first of three points, from the way to the second to that to the third;
            `way`: an arrow along the points; `length`: another dimension, between two points;
            `ball`: about the first point, through the second
    """

    kind: Literal["angle", "way", "length", "ball"]
    points: Line
    label: str


@dataclass(frozen=True)
class View:
    """The section of a part around one finding. Rings are closed, even-odd; mm.

    finding  its id
    plane    which section it is, in words
    upright  whether the plane stands; its second axis is then the printer's z
    window   (left, bottom, right, top) of what is shown
    point    where the finding is
    rings    the material in the window, as drawn in the file
    place    the wall, gap or hole that the finding is about, in the window
    shown    how the place comes out, or what it is; `open`: none of these, just a place
    changed  of a hollow or porous wall its air, of a thickened or thinned one what is printed
             beyond what was drawn, or is not
    sized    False where nobody knows how large the void is
    beads    where beads meet, lines
    across   the ends of the dimension, None where nothing is measured
    label    what the dimension says
    signs    what else is drawn over it
    whole    the whole section, simplified, and the box around it
    """

    finding: str
    plane: str
    upright: bool
    window: Box2
    point: Flat
    rings: tuple[Line, ...]
    place: tuple[Line, ...]
    shown: Shown
    changed: tuple[Line, ...]
    sized: bool
    beads: tuple[Line, ...]
    across: tuple[Flat, Flat] | None
    label: str
    whole: tuple[Line, ...]
    whole_box: Box2
    signs: tuple[Sign, ...] = ()


@dataclass(frozen=True)
class Shape:
    """The surface of a part to look at, in triangles on each of which one thing holds. Numbers are
    little-endian.

    low, high   box of the part in its file's frame, mm
    up          unit vector that is upright on the printer
    scale       printed size over size in the file
    vertices    (n, 3) uint16: 0 at `low`, STEPS at `high`; in the order in which they are named
    triangles   (m, 3) uint16
    edges       (k, 2) uint16: where the surface turns sharply
    thickness   (m,) uint16: of the wall there, at the size it is printed in, in hundredths of mm;
                0: no wall
    outcomes    (m,) uint8: number of the outcome in OUTCOMES, from 1; 0: no wall
    undersides  (m,) uint8: of what looks down and has air below it the angle from level, in half
                degrees; 255: none such
    simplified  whether its surface was simplified; `drawn`: the triangles of the file
    """

    low: Point
    high: Point
    up: Point
    scale: float
    vertices: bytes
    triangles: bytes
    edges: bytes
    thickness: bytes
    outcomes: bytes
    undersides: bytes
    simplified: bool
    drawn: int


@dataclass(frozen=True)
class Views:
    """What can be shown of one part against one rule file.

    pictures  one for each finding that has a place, worst first; `left_out`: of how many there is
              none because there would be too many
    shape     only where it was asked for
    """

    pictures: tuple[View, ...]
    left_out: int = 0
    shape: Shape | None = None
