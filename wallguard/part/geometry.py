"""One part, placed as it is printed, and what can be measured on it; each measure is taken once."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from wallguard.base.errors import TooLargeError
from wallguard.base.rotation import Rotation
from wallguard.mesh.health import Health, examine
from wallguard.mesh.repair import solid
from wallguard.part.placed import Placed, place

if TYPE_CHECKING:
    from wallguard.mesh.mesh import Mesh
    from wallguard.sections.sections import Sections
    from wallguard.walls.plates import Plate
    from wallguard.walls.rounds import Round
    from wallguard.walls.stretch import Stretch

Point = tuple[float, float, float]
Box = tuple[Point, Point]
_Result = TypeVar("_Result")


class Geometry:
    """A part's mesh in the frame it is printed in, and its walls, gaps, holes, pins and plates.

    Measures are in the print frame, mm; `location` and `box` take them back to the part file's
    own frame. A measure that was taken is kept, so several rule files share the work. Taking one
    raises TooLargeError, which names the part, where it would take too much memory or time.
    """

    def __init__(
        self,
        mesh: Mesh,
        health: Health,
        rotation: Rotation,
        scale: float,
        name: str = "this part",
    ) -> None:
        self.name = name
        whole, self.repairs = solid(mesh, health)
        mended = examine(whole) if self.repairs else health
        # Closed and consistent, so that its sections need no untangling.
        self.sound = not (mended.open_edges or mended.crowded_edges or mended.turned_edges)
        self.drawn = mesh
        self.health = health
        self.scale = scale
        self.placed: Placed = place(whole, rotation, scale)
        self._whole, self._rotation = whole, rotation
        self._known: dict[tuple[object, ...], object] = {}

    def at_scale(self, scale: float) -> Geometry:
        """The same part at another scale (printed size over the size in the file), with nothing
        measured yet."""
        other = copy(self)
        other.scale = scale
        other.placed = place(self._whole, self._rotation, scale)
        other._known = {}
        return other

    @property
    def extents(self) -> Point:
        """Size as printed, mm."""
        low, high = self.placed.mesh.vertices.min(axis=0), self.placed.mesh.vertices.max(axis=0)
        x, y, z = (high - low).tolist()
        return x, y, z

    def sections(self, layer_height: float) -> Sections:
        """The outlines of all layers."""
        from wallguard.sections.cut import cut

        return self._once(
            ("sections", layer_height),
            lambda: cut(self.placed.mesh, layer_height, untangle=not self.sound),
        )

    def walls(
        self, layer_height: float, largest: float, splits: tuple[float, ...]
    ) -> list[Stretch]:
        """Walls in the layers, up to `largest` thick, divided at `splits`."""
        from wallguard.walls.trace import find_walls

        return self._once(
            ("walls", layer_height, largest, splits),
            lambda: find_walls(self.sections(layer_height), largest, splits),
        )

    def walls_divided(
        self, layer_height: float, largest: float, ways: tuple[tuple[float, ...], ...]
    ) -> list[list[Stretch]]:
        """The same for several lists of splits at little more than the cost of one."""
        from wallguard.walls.trace import find_walls_divided

        return self._once(
            ("walls divided", layer_height, largest, ways),
            lambda: find_walls_divided(self.sections(layer_height), largest, ways),
        )

    def gaps(self, layer_height: float, largest: float) -> list[Stretch]:
        """Gaps in the layers, up to `largest` wide."""
        from wallguard.walls.trace import find_gaps

        return self._once(
            ("gaps", layer_height, largest),
            lambda: find_gaps(self.sections(layer_height), largest),
        )

    def thin(self, largest: float, splits: tuple[float, ...]) -> list[Stretch]:
        """Walls in space (the largest ball that fits), whatever way they stand."""
        from wallguard.walls.balls import find_thin

        return self._once(
            ("thin", largest, splits), lambda: find_thin(self.placed.mesh, largest, splits)
        )

    def narrow(self, largest: float) -> list[Stretch]:
        """Gaps in space."""
        from wallguard.walls.balls import find_gaps

        return self._once(("narrow", largest), lambda: find_gaps(self.placed.mesh, largest, ()))

    def rounds(self, largest: float) -> list[Round]:
        """Round holes and pins up to the diameter `largest`, in any direction."""
        from wallguard.walls.rounds import find_rounds

        return self._once(("rounds", largest), lambda: find_rounds(self.placed.mesh, largest))

    def plates(self, layer_height: float, limit: int, smallest: float) -> list[Plate]:
        """Floors and roofs of fewer than `limit` layers, at least `smallest` wide."""
        from wallguard.walls.plates import find_plates

        solid = self.placed.mesh if self.sound else None
        return self._once(
            ("plates", layer_height, limit, smallest),
            lambda: find_plates(self.sections(layer_height), limit, smallest, solid),
        )

    def location(self, point: Point) -> Point:
        """A point of the print frame in the part file's own frame, mm."""
        x, y, z = self.placed.to_file(np.array([point], np.float64))[0].tolist()
        return x, y, z

    def box(self, box: Box) -> Box:
        """A box of the print frame, and the box around it in the part file's own frame."""
        corners = np.array(
            [[box[i][0], box[j][1], box[k][2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)]
        )
        back = self.placed.to_file(corners)
        low, high = back.min(axis=0).tolist(), back.max(axis=0).tolist()
        return (low[0], low[1], low[2]), (high[0], high[1], high[2])

    def _once(self, key: tuple[object, ...], measure: Callable[[], _Result]) -> _Result:
        if key not in self._known:
            try:
                self._known[key] = measure()
            except TooLargeError as error:
                raise error.of(self.name) from None
        return self._known[key]  # type: ignore[return-value]
