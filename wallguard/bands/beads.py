"""How beads fill a wall: the one model, for many thicknesses and many settings at once.

A bead is between `a` and `b` wide; where its width is fixed, a = b = w. Two things are known of
every contour: it is laid along the outline with its outer edge on it, and it comes in pairs, one
for each face of the wall. Beads that lie side by side are as thick as all their widths together.

      |<------------- t ------------->|        t   thickness of the wall as drawn
      .-------.-------.-------.-------.        m   pairs: as many as fit at their narrowest,
      |   1   |   2   |  air  |   1   | ...         m = min(n, most with [2 m] a <= t), n a side
      '-------'-------'-------'-------'        air what is left of t - [2 m] b, if anything

For a wall of thickness t the first row that holds says what is inside and how many beads lie
side by side in it:

    | holds where                           | inside  | beads | because                        |
    |---------------------------------------|---------|-------|--------------------------------|
    | t < smallest_wall                     | missing | 0     | nothing is printed             |
    | single_bead, t <= b, and t < [2] a    | solid   | 1     | one bead serves up to its width|
    | t < [2] a, between: two beads         | solid   | 2     | forced side by side            |
    | t < [2] a, between: one bead          | solid   | 1     | as wide as it gets             |
    | t < [2] a, between: dropped           | missing | 0     |                                |
    | t <= [2 m] b + squeeze                | solid   | 2 m   | the pairs meet, or nearly so   |
    | t < [2 m] a + smallest_fill - 2 f     | hollow  | 2 m   | no room for filling            |
    | m = n, or the width is fixed          | solid   | 2 m   | and filling takes the rest     |
    | t <= [2 m + 1] b + squeeze            | solid   | 2m + 1| the filling is one more bead   |
    | else                                  | hollow  | 2m + 1| no whole number of beads fits  |

f is `fill_overlap`, how far filling reaches into the contour on each side of it. What neighbours
share follows from the cross-section of a bead, a rectangle with half-round ends: A = h (w - h) +
pi h^2 / 4 = h (w - o) with o = h (1 - pi / 4), so beads w - o apart leave no material out between
them (conservation of volume), however wide they are. The air of a hollow wall is by volume, too:
in the middle of its height it is o narrower.

Every wall that is printed comes out `offset` thicker than that: material that swells or is fed too
much stands out on its faces, and the air within stays.

All else follows. A bead is as wide as its share of the wall, within a and b: filling, where there
is some, gets smallest_fill - 2 f of the wall first. From two beads on (t >= [2] a) the outermost
two stand on the outlines, so the wall comes out as drawn, whatever its middle looks like. A thinner
one comes out as thick as its beads: two of them, forced, have to put their material somewhere and
push each other outward. The air in a hollow wall is what its beads leave of it.

Squeezing closes air between two beads; it does not make one bead serve a wall that is wider than
the bead. Beyond n pairs a raster or filling beads take what is left, however much that is, once it
is smallest_fill: sparse on purpose or not, that is not a wall's void and never a finding.

`width` itself says nothing where the width varies, nor does `nozzle`. The model is for long
straight walls, away from the seam and the first layers; `uncertainty` is for what it leaves out.
How beads behave is common practice, no published source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.bands.section import round_ends
from wallguard.rules.model import Beads, Fill

Floats = NDArray[np.float64]

Between = Literal["two beads", "one bead", "dropped"]
BETWEEN: tuple[Between, ...] = ("two beads", "one bead", "dropped")
# What is inside, as `Laid.fill` counts it.
FILLS: tuple[Fill, ...] = ("missing", "hollow", "solid")
_MISSING, _HOLLOW, _SOLID = range(3)

# Where a limit is itself allowed it holds up to this much (mm) above it: a wall as thick as one
# bead gets one bead, a left-over equal to `squeeze` is closed.
INCLUDED = 1e-5
# What sums and products of lengths may be off by (mm).
_COMPUTING_ERROR = 1e-9
_NONE: Floats = np.array(0.0)
_ONE: Floats = np.array(1.0)


def shared(beads: Beads, layer_height: float | None) -> float:
    """How much (mm) neighbouring beads share of each other's width.

    layer_height  in mm; may be None where the spacing does not follow from it

    Raises ValueError where it does and is not known.
    """
    if beads.spacing is None or beads.spacing == "width":
        return 0.0
    if not isinstance(beads.spacing, str):
        return beads.width - beads.spacing
    if layer_height is None:
        raise ValueError("the spacing of beads follows from the layer height, which is not known")
    return round_ends(layer_height)


class Settings(NamedTuple):
    """Bead settings as numbers, or as arrays of them that broadcast. Lengths in mm.

    narrowest, widest  a and b
    contours           n
    between            which of BETWEEN
    varies             1 where the width varies, else 0
    shared             o: what neighbouring beads share of their widths
    single             1 where a thin wall may get a single bead, else 0
    offset             how much thicker walls come out
    """

    narrowest: Floats
    widest: Floats
    contours: Floats
    smallest_wall: Floats
    between: Floats
    squeeze: Floats
    smallest_fill: Floats
    varies: Floats
    shared: Floats = _NONE
    fill_overlap: Floats = _NONE
    single: Floats = _ONE
    offset: Floats = _NONE

    @classmethod
    def of(cls, beads: Beads, layer_height: float | None = None) -> Settings:
        """Raises ValueError: see `shared`."""
        narrowest, widest = beads.width_varies or (beads.width, beads.width)
        numbers: tuple[float, ...] = (
            narrowest,
            widest,
            beads.contours,
            beads.smallest_wall,
            BETWEEN.index(beads.between_one_and_two),
            beads.squeeze,
            beads.smallest_fill,
            beads.width_varies is not None,
            shared(beads, layer_height),
            beads.fill_overlap,
            beads.single_bead,
            beads.offset,
        )
        return cls(*(np.array(number, np.float64) for number in numbers))

    def together(self, number: Floats | float, width: Floats) -> Floats:
        """How thick (mm) beads of one width are that lie side by side; from one on."""
        return np.asarray(number * width - (number - 1) * self.shared)

    @property
    def room(self) -> Floats:
        """The left-over (mm) from which on there is filling, before squeezing is asked."""
        return np.asarray(self.smallest_fill - 2 * self.fill_overlap)


@dataclass(frozen=True, eq=False)
class Laid:
    """How walls come out: arrays of the shape that thicknesses and settings broadcast to.

    thickness  as drawn, mm
    fill       which of FILLS
    number     of beads side by side, without the filling between contours
    """

    thickness: Floats
    settings: Settings
    fill: NDArray[np.int8]
    number: Floats

    @property
    def width(self) -> Floats:
        """Of each of the beads, mm; of no meaning where there are none."""
        given = self.settings
        most = given.together(self.number, given.widest) + given.squeeze + INCLUDED
        filled = (self.fill == _SOLID) & (self.thickness > most)
        share = self.thickness - np.where(filled & self._pairs, np.maximum(given.room, 0), 0.0)
        number = np.maximum(self.number, 1)
        return np.clip((share + (number - 1) * given.shared) / number, *given[:2])

    @property
    def printed(self) -> Floats:
        """Printed thickness, mm; nan where nothing is printed."""
        a, b = self.settings[:2]
        # One bead is as wide as the wall between a and b, what is allowed beyond them included.
        alone = np.where(self.thickness <= a + INCLUDED, a, self.thickness)
        alone = np.where(self.thickness <= b + INCLUDED, alone, b)
        few = np.where(self.number == 1, alone, self.settings.together(self.number, a))
        printed = np.where(self._pairs, self.thickness, few) + self.settings.offset
        return np.where(self.fill == _MISSING, np.nan, printed)

    @property
    def solid(self) -> Floats:
        """How much of a hollow wall is beads, mm; 0 in others."""
        beads = self.settings.together(self.number, self.settings.widest) + self.settings.offset
        return np.where(self.fill == _HOLLOW, beads, 0.0)

    @property
    def air(self) -> Floats:
        """In a hollow wall, mm; 0 in others."""
        return np.where(self.fill == _HOLLOW, self.printed - self.solid, 0.0)

    @property
    def as_drawn(self) -> NDArray[np.bool_]:
        """Whether the printed thickness grows with the thickness drawn."""
        a, b = self.settings[:2]
        alone = (self.number == 1) & (self.thickness > a) & (self.thickness < b)
        return np.asarray((self._pairs | alone) & (self.fill != _MISSING))

    @property
    def _pairs(self) -> NDArray[np.bool_]:
        two = self.settings.together(2, self.settings.narrowest)
        return np.asarray(self.thickness >= two - _COMPUTING_ERROR)


def lay(thickness: Floats, settings: Settings) -> Laid:
    """How walls of `thickness` (mm, from 0) come out by `settings`, by the table above.

    `thickness` and every setting broadcast: (m,) and (n, 1) give (n, m).
    """
    a, b, n, smallest_wall, between, squeeze, _, varies, o, _, single, _ = settings
    t, together = thickness, settings.together
    pairs = np.clip(np.floor((t - o + _COMPUTING_ERROR) / (2 * (a - o))), 1, n)
    contours, one_more = 2 * pairs, 2 * pairs + 1
    below_two = t < together(2, a) - _COMPUTING_ERROR
    closing = squeeze + INCLUDED
    filling = together(contours, a) + settings.room - _COMPUTING_ERROR
    table: tuple[tuple[NDArray[np.bool_], int, Floats | float], ...] = (
        (t < smallest_wall - _COMPUTING_ERROR, _MISSING, 0),
        (below_two & (single > 0) & (t <= b + INCLUDED), _SOLID, 1),
        (below_two & (between == BETWEEN.index("two beads")), _SOLID, 2),
        (below_two & (between == BETWEEN.index("one bead")), _SOLID, 1),
        (below_two, _MISSING, 0),
        (t <= together(contours, b) + closing, _SOLID, contours),
        (t < filling, _HOLLOW, contours),
        ((pairs == n) | (varies == 0), _SOLID, contours),
        (t <= together(one_more, b) + closing, _SOLID, one_more),
    )
    shape = np.broadcast_shapes(np.shape(t), *map(np.shape, settings))
    fill = np.full(shape, _HOLLOW, np.int8)
    number = np.broadcast_to(one_more, shape).copy()
    # From the last row to the first, so that the first that holds has the last word.
    for holds, inside, beads in reversed(table):
        np.copyto(fill, np.int8(inside), where=holds)
        np.copyto(number, beads, where=holds)
    return Laid(t, settings, fill, number)


def edges(beads: Beads, layer_height: float | None = None) -> list[float]:
    """The thicknesses (mm, rising) at which another row of the table may hold.

    Raises ValueError: see `shared`.
    """
    given = Settings.of(beads, layer_height)
    a, b = given.narrowest, given.widest
    edges = [given.smallest_wall, a + INCLUDED, given.together(2, a)]
    edges.append(np.minimum(b + INCLUDED, given.together(2, a)))
    for count in range(2, 2 * beads.contours + 1, 2):
        edges += [
            given.together(count, a),
            given.together(count, a) + given.room,
            given.together(count, b) + given.squeeze + INCLUDED,
            given.together(count + 1, b) + given.squeeze + INCLUDED,
        ]
    return sorted(float(edge) for edge in edges if edge >= 0)
