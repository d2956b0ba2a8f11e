"""One part, placed as it is printed, and what can be measured on it; each measure is taken once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from wallguard.base.errors import TooLargeError
from wallguard.base.rotation import Rotation
from wallguard.mesh.health import Condition, Health, examine
from wallguard.mesh.repair import solid
from wallguard.part.memory import Facts, Kind, Layering, Memory, of, recalled, remember
from wallguard.part.placed import Placed, place, to_file

if TYPE_CHECKING:
    from wallguard.findings import model as findings
    from wallguard.mesh.mesh import Mesh
    from wallguard.part.part import Pose
    from wallguard.sections.sections import Sections
    from wallguard.shapes.cavities import Cavities
    from wallguard.shapes.cups import Cup
    from wallguard.shapes.footprints import Footprint, Island
    from wallguard.shapes.knives import Knife
    from wallguard.shapes.rounded import Rounded
    from wallguard.shapes.strokes import Stroke
    from wallguard.shapes.undersides import Ask, Underside
    from wallguard.walls.aslant import Aslant
    from wallguard.walls.balls import Space
    from wallguard.walls.plates import Plate
    from wallguard.walls.rounds import Round
    from wallguard.walls.samples import Kept
    from wallguard.walls.stretch import Stretch

Point = tuple[float, float, float]
Box = tuple[Point, Point]
_Result = TypeVar("_Result")
# As `walls.trace` takes them, hashable.
Closings = tuple[tuple[float, float, float, float], ...]


@dataclass(frozen=True, eq=False)
class Body:
    """A part's mesh as it was drawn, as it was mended (`whole`), and that as it is printed.

    sound  whether it is closed and consistent, so that its sections need no untangling
    """

    drawn: Mesh
    whole: Mesh
    placed: Placed
    health: Health
    repairs: tuple[str, ...]
    sound: bool

    @classmethod
    def of(cls, mesh: Mesh, health: Health, rotation: Rotation, scale: float) -> Body:
        """Mend a mesh and place it."""
        whole, repairs = solid(mesh, health)
        mended = examine(whole) if repairs else health
        sound = not (mended.open_edges or mended.crowded_edges or mended.turned_edges)
        sound = sound and mended.complete  # else bodies may overlap: that is seen layer by layer
        return cls(mesh, whole, place(whole, rotation, scale), health, repairs, sound)

    @property
    def facts(self) -> Facts:
        """What is to be known of it as a whole."""
        mesh = self.drawn
        return Facts(
            triangles=len(mesh.triangles),
            drawn=_size(mesh.vertices),
            unit=mesh.unit,
            unit_source=mesh.unit_source,
            extents=_size(self.placed.mesh.vertices),
            condition=self.health.condition,
            repairs=self.repairs,
            sound=self.sound,
            step=mesh.step,
            names=mesh.names,
            chord=mesh.chord,
            remarks=mesh.remarks,
        )


def _size(vertices: NDArray[np.float64]) -> Point:
    x, y, z = (vertices.max(axis=0) - vertices.min(axis=0)).tolist()
    return x, y, z


class Geometry:
    """A part's mesh in the frame it is printed in, and its walls, gaps, holes, pins and plates.

    Measures are in the print frame, mm; `location` and `box` take them back to the part file's
    own frame. A measure that was taken is kept, so several rule files share the work; with a memory
    it is looked up there first, and the mesh is read only when something is not known. Taking one
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
        self._set(rotation, scale, name)
        self._body: Body | None = Body.of(mesh, health, rotation, scale)

    @classmethod
    def remembered(
        cls, read: Callable[[], tuple[Mesh, Health]], pose: Pose, name: str, memory: Memory
    ) -> Geometry:
        """The part whose mesh `read` reads, if it is needed; what is known of it is in `memory`.

        Raises what `read` raises.
        """
        made = cls.__new__(cls)
        made._set(pose.rotation, pose.scale, name)
        made._body = None
        made._read, made._memory = read, memory
        made.facts = made._once("facts", (), lambda: made.body.facts)
        return made

    def _set(self, rotation: Rotation, scale: float, name: str) -> None:
        self.name, self.scale = name, scale
        self._rotation = rotation
        self._read: Callable[[], tuple[Mesh, Health]] | None = None
        self._memory: Memory | None = None
        self._known: dict[str, object] = {}
        self._asked: dict[float, Kept] | None = None

    @property
    def body(self) -> Body:
        """The mesh itself. Raises InputError where it has to be read, and cannot be."""
        if self._body is None:
            assert self._read is not None
            self._body = Body.of(*self._read(), self._rotation, self.scale)
        return self._body

    @cached_property
    def facts(self) -> Facts:
        """What is to be known of the part as a whole."""
        return self.body.facts

    @property
    def drawn(self) -> Mesh:
        """The mesh as it was drawn."""
        return self.body.drawn

    @property
    def placed(self) -> Placed:
        """The mesh as it is printed."""
        return self.body.placed

    @property
    def health(self) -> Condition:
        """What is wrong with the mesh as drawn."""
        return self.facts.condition

    @property
    def repairs(self) -> tuple[str, ...]:
        """What was mended, in plain sentences."""
        return self.facts.repairs

    @property
    def sound(self) -> bool:
        """Whether what is cut is closed and consistent."""
        return self.facts.sound

    @property
    def extents(self) -> Point:
        """Size as printed, mm."""
        return self.facts.extents

    def at_scale(self, scale: float) -> Geometry:
        """The same part at another scale (printed size over the size in the file), with nothing
        measured yet."""
        other = Geometry.__new__(Geometry)
        other._set(self._rotation, scale, self.name)
        placed = place(self.body.whole, self._rotation, scale)
        other._body = replace(self.body, placed=placed)
        return other

    def mirrored(self) -> Geometry:
        """The same part as in a mirror, x the other way as printed, with nothing measured yet. What
        is measured of it has no place in the part file."""
        other = self.at_scale(self.scale)
        body, mesh = other.body, other.body.placed.mesh
        whole = replace(
            mesh,
            vertices=mesh.vertices * [-1.0, 1.0, 1.0],
            triangles=np.ascontiguousarray(mesh.triangles[:, ::-1]),
        )
        other._body = replace(body, placed=replace(body.placed, mesh=whole))
        return other

    def layering(self, layer_height: float) -> Layering:
        """How many layers there are, and whether all of their outlines close."""

        def measure() -> Layering:
            sections = self.sections(layer_height)
            if not len(sections.loose):
                return Layering(len(sections.heights))
            low, high = sections.heights[sections.loose[[0, -1]]].tolist()
            return Layering(len(sections.heights), len(sections.loose), low, high)

        return self._once("layering", (layer_height,), measure)

    def sections(self, layer_height: float) -> Sections:
        """The outlines of all layers."""
        from wallguard.sections.cut import cut

        return self._once(
            "sections",
            (layer_height,),
            lambda: cut(self.placed.mesh, layer_height, untangle=not self.sound),
        )

    def walls(
        self,
        layer_height: float,
        largest: float,
        splits: tuple[float, ...],
        closings: Closings = (),
    ) -> list[Stretch]:
        """Walls in the layers, up to `largest` thick, divided at `splits` and `closings` (see
        `walls.trace`)."""
        from wallguard.walls.trace import find_walls

        return self._once(
            "stretches",
            ("walls", layer_height, largest, splits, closings),
            lambda: find_walls(
                self.sections(layer_height),
                largest,
                splits,
                closings,
                kept=self._kept(layer_height),
            ),
        )

    def for_several(self) -> None:
        """Say that several rule files ask for its walls: what sampling asks for each of them is
        asked once."""
        self._asked = self._asked or {}

    def _kept(self, layer_height: float) -> Kept | None:
        from wallguard.walls.samples import Kept

        return None if self._asked is None else self._asked.setdefault(layer_height, Kept())

    def walls_divided(
        self,
        layer_height: float,
        largest: float,
        ways: tuple[tuple[tuple[float, ...], Closings], ...],
    ) -> list[list[Stretch]]:
        """The same for several lists of splits and closings at little more than the cost of one."""
        from wallguard.walls.trace import find_walls_divided

        return self._once(
            "ways",
            ("walls", layer_height, largest, ways),
            lambda: find_walls_divided(self.sections(layer_height), largest, ways),
        )

    def aslant(self, layer_height: float, ranges: tuple[tuple[float, float], ...]) -> list[Aslant]:
        """Where sections are as thick as one of these ranges between faces that lean too far apart
        for a wall."""
        from wallguard.walls.aslant import find_aslant

        return self._once(
            "aslant",
            (layer_height, ranges),
            lambda: find_aslant(self.sections(layer_height), ranges),
        )

    def gaps(self, layer_height: float, largest: float) -> list[Stretch]:
        """Gaps in the layers, up to `largest` wide."""
        from wallguard.walls.trace import find_gaps

        return self._once(
            "stretches",
            ("gaps", layer_height, largest),
            lambda: find_gaps(self.sections(layer_height), largest),
        )

    def walls_in_space(self, largest: float, splits: tuple[float, ...]) -> list[Stretch]:
        """Walls in space (the largest ball that fits), whatever way they stand."""
        return self._once(
            "stretches",
            ("walls in space", largest, splits),
            lambda: self._space.walls(largest, splits),
        )

    def standing(self, above: float, times: float) -> float:
        """How thick the thickest wall may be that stands free, is thicker than `above` (mm) and
        more than so many times as high as thick; 0: there is none."""
        from wallguard.walls.standing import thickest_standing

        return self._once(
            "standing",
            (above, times),
            lambda: thickest_standing(self.placed.mesh, above, times, untangle=not self.sound),
        )

    def gaps_in_space(self, largest: float) -> list[Stretch]:
        """Gaps in space."""
        return self._once(
            "stretches", ("gaps in space", largest), lambda: self._space.gaps(largest)
        )

    @cached_property
    def _space(self) -> Space:
        from wallguard.walls.balls import Space

        return Space(self.placed.mesh)

    def rounds(self, largest: float) -> list[Round]:
        """Round holes and pins up to the diameter `largest`, in any direction."""
        from wallguard.walls.rounds import find_rounds

        return self._once("rounds", (largest,), lambda: find_rounds(self.placed.mesh, largest))

    def plates(self, layer_height: float, limit: int, smallest: float) -> list[Plate]:
        """Floors and roofs of fewer than `limit` layers, at least `smallest` wide."""

        def measure() -> list[Plate]:
            from wallguard.walls.plates import find_plates

            solid = self.placed.mesh if self.sound else None
            return find_plates(self.sections(layer_height), limit, smallest, solid)

        return self._once("plates", (layer_height, limit, smallest), measure)

    def footprints(self, layer_height: float) -> tuple[list[Footprint], list[Island]]:
        """What each piece stands on, and what begins in mid-air, layer by layer."""
        from wallguard.shapes.footprints import find_footprints

        def measure() -> tuple[list[Footprint], list[Island]]:
            return find_footprints(self.sections(layer_height), self.placed.mesh)

        return self._once("footprints", (layer_height,), measure)

    def undersides(self, ask: Ask) -> list[Underside]:
        """Undersides that something has to carry."""
        from wallguard.shapes.undersides import find_undersides

        return self._once("undersides", (ask,), lambda: find_undersides(self.placed.mesh, ask))

    def knives(self, sharper: float) -> list[Knife]:
        """Edges sharper than an angle, degrees."""
        from wallguard.shapes.knives import find_knives

        return self._once("knives", (sharper,), lambda: find_knives(self.placed.mesh, sharper))

    def rounded(self, smaller: float, sharper: float) -> list[Rounded]:
        """Convex edges of a smaller radius, mm, without those sharper than an angle, degrees."""
        from wallguard.shapes.rounded import find_rounded

        return self._once(
            "rounded",
            (smaller, sharper),
            lambda: find_rounded(self.placed.mesh, smaller, sharper),
        )

    def strokes(self, narrower: tuple[float, float]) -> list[Stroke]:
        """Details that stand out of a face, or are sunk into one; widths of either where these are
        less, mm."""
        from wallguard.shapes.strokes import find_strokes

        return self._once("strokes", (narrower,), lambda: find_strokes(self.placed.mesh, narrower))

    def between_bodies(self, layer_height: float | None, largest: float) -> list[bool]:
        """Of each gap in layers of this height, or in space, whether it parts two bodies."""

        def measure() -> list[bool]:
            from wallguard.shapes.clearances import between_bodies

            if layer_height is None:
                return between_bodies(self.placed.mesh, self.gaps_in_space(largest))
            return between_bodies(self.placed.mesh, self.gaps(layer_height, largest))

        return self._once("clearances", (layer_height, largest), measure)

    def cavities(self, passes: float) -> Cavities:
        """Cavities that are closed or, for a ball of diameter `passes` (mm), have narrow ways out;
        0: closed ones only."""
        from wallguard.shapes.cavities import find_cavities

        return self._once("cavities", (passes,), lambda: find_cavities(self.placed.mesh, passes))

    def cups(self, layer_height: float) -> list[Cup]:
        """Hollows that seal against the film of a vat process."""
        from wallguard.shapes.cups import find_cups

        return self._once("cups", (layer_height,), lambda: find_cups(self.sections(layer_height)))

    def bodies(self) -> tuple[findings.Body, ...]:
        """The part's bodies in numbers, in its file's own frame."""
        from wallguard.part.bodies import bodies

        return self._once("bodies", (), lambda: bodies(self.drawn))

    def owners(self, points: tuple[tuple[Point, bool], ...]) -> list[tuple[str, ...]]:
        """The names of the bodies that places belong to, where the file names several: each in the
        part file's own frame, and whether it lies in a gap, which may be between two."""
        from wallguard.part.bodies import owners

        return self._once("owners", points, lambda: owners(self.drawn, points))

    def wall(self, stretch: Stretch, **said: Any) -> findings.Wall:
        """A wall for a report, in the part file's own frame, with what else is to be said of it."""
        from wallguard.findings.model import Spread, Wall

        box = self.box(stretch.box)
        return Wall(
            thickness=Spread(stretch.minimum, stretch.typical, stretch.maximum),
            length=stretch.length,
            z=(box[0][2], box[1][2]),
            location=self.location(stretch.point),
            box=box,
            sides=stretch.sides,
            **said,
        )

    def location(self, point: Point) -> Point:
        """A point of the print frame in the part file's own frame, mm."""
        x, y, z = self._to_file(np.array([point], np.float64))[0].tolist()
        return x, y, z

    def box(self, box: Box) -> Box:
        """A box of the print frame, and the box around it in the part file's own frame."""
        corners = np.array(
            [[box[i][0], box[j][1], box[k][2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)]
        )
        back = self._to_file(corners)
        low, high = back.min(axis=0).tolist(), back.max(axis=0).tolist()
        return (low[0], low[1], low[2]), (high[0], high[1], high[2])

    def _to_file(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        return to_file(points, self._rotation, self.scale)

    def _once(
        self, kind: Kind, arguments: tuple[object, ...], measure: Callable[[], _Result]
    ) -> _Result:
        """What is measured with these arguments, taken once; or as it is remembered."""
        name = of(kind, *arguments)
        if name not in self._known:
            memory = self._memory
            result = recalled(memory, kind, name) if memory else None
            if result is None:
                try:
                    result = measure()
                except TooLargeError as error:
                    raise error.of(self.name) from None
                if memory:
                    remember(memory, kind, name, result)
            self._known[name] = result
        return self._known[name]  # type: ignore[return-value]
