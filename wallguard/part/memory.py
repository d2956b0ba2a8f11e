"""What was measured on a part before: as bytes, and back.

Measures are plain data, so they are kept as such: no entry can be anything but numbers and names.
"""

from __future__ import annotations

import functools
import math
from contextlib import suppress
from dataclasses import dataclass, fields
from importlib import import_module
from typing import TYPE_CHECKING, Any, Literal, Protocol

from wallguard.base.units import Unit
from wallguard.mesh.health import Condition
from wallguard.mesh.mesh import UnitSource

if TYPE_CHECKING:
    from wallguard.sections.sections import Sections

Point = tuple[float, float, float]
# What is measured: each has its own shape.
Kind = Literal[
    "facts",
    "layering",
    "sections",
    "stretches",
    "ways",
    "aslant",
    "standing",
    "rounds",
    "plates",
    "footprints",
    "undersides",
    "cavities",
    "cups",
    "knives",
    "strokes",
    "rounded",
    "clearances",
    "bodies",
    "owners",
]


class Memory(Protocol):
    """Keeps bytes under a name, for one part as it lies; may forget any of them."""

    def recall(self, name: str) -> bytes | None: ...
    def keep(self, name: str, content: bytes) -> None: ...


@dataclass(frozen=True)
class Facts:
    """What is to be known of a part as a whole.

    triangles, drawn  of its file: how many, and its size in mm as drawn
    unit, unit_source  as of a `mesh.mesh.Mesh`
    extents  size as printed, mm
    condition, repairs, sound  what is wrong with the mesh, what was mended, and whether its
             sections need no untangling then
    step     the file's own precision, as of a `mesh.mesh.Mesh`
    names, chord, remarks  as of a `mesh.mesh.Mesh`
    """

    triangles: int
    drawn: Point
    unit: Unit
    unit_source: UnitSource
    extents: Point
    condition: Condition
    repairs: tuple[str, ...]
    sound: bool
    step: float = 0.0
    names: tuple[str, ...] = ()
    chord: float = 0.0
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Layering:
    """How many layers a part has, and of how many of them outline is left out because it does not
    close: the middles of the lowest and the highest of those, mm as printed."""

    layers: int
    loose: int = 0
    lowest: float = 0.0
    highest: float = 0.0


def recalled(memory: Memory, kind: Kind, name: str) -> Any:
    """What is remembered under a name; None: nothing, or not what it should be."""
    import msgspec

    data = memory.recall(name)
    if data is None:
        return None
    # What does not fit its shape is none: it comes from a folder that others may have written to.
    with suppress(msgspec.MsgspecError, ValueError, TypeError, UnicodeError):
        if kind == "sections":
            return _sections(msgspec.msgpack.decode(data, type=_shape(kind)))
        plain = msgspec.msgpack.decode(data)
        return msgspec.convert(plain, _shape(kind)) if _finite(plain) else None
    return None


def _finite(value: Any) -> bool:
    """Whether all numbers in what is plain are finite, as all are that are measured."""
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, dict):
        return all(map(_finite, value.values()))
    return not isinstance(value, list) or all(map(_finite, value))


def remember(memory: Memory, kind: Kind, name: str, value: Any) -> None:
    """Keep what was measured, where nothing of it is lost by that."""
    import msgspec

    plain = _arrays(value) if kind == "sections" else value
    with suppress(msgspec.MsgspecError, TypeError, UnicodeError):
        data = msgspec.msgpack.encode(plain)
        again = msgspec.msgpack.decode(data, type=_shape(kind))
        # A whole number where a fraction is wanted would come back as another.
        if msgspec.msgpack.encode(again) == data:
            memory.keep(name, data)


def of(kind: Kind, *arguments: object) -> str:
    """The name of a measure that was taken with these arguments."""
    return f"{kind} {arguments!r}"


# Of what kind lists are kept, and where it is defined.
_LISTS: dict[Kind, tuple[str, str]] = {
    "stretches": ("walls.stretch", "Stretch"),
    "aslant": ("walls.aslant", "Aslant"),
    "rounds": ("walls.rounds", "Round"),
    "plates": ("walls.plates", "Plate"),
    "undersides": ("shapes.undersides", "Underside"),
    "cups": ("shapes.cups", "Cup"),
    "knives": ("shapes.knives", "Knife"),
    "strokes": ("shapes.strokes", "Stroke"),
    "rounded": ("shapes.rounded", "Rounded"),
}


@functools.cache
def _shape(kind: Kind) -> Any:
    """The type of what is kept."""
    if kind in _LISTS:
        module, name = _LISTS[kind]
        each: Any = getattr(import_module(f"wallguard.{module}"), name)
        return list[each]
    if kind == "ways":
        return list[_shape("stretches")]  # type: ignore[misc]
    if kind == "footprints":
        from wallguard.shapes.footprints import Footprint, Island

        return tuple[list[Footprint], list[Island]]
    if kind == "cavities":
        from wallguard.shapes.cavities import Cavities

        return Cavities
    if kind == "bodies":
        from wallguard.findings.model import Body

        return tuple[Body, ...]
    shapes: dict[Kind, Any] = {
        "facts": Facts,
        "layering": Layering,
        "sections": dict[str, _Array | float],
        "standing": float,
        "clearances": list[bool],
        "owners": list[tuple[str, ...]],
    }
    return shapes[kind]


@dataclass(frozen=True)
class _Array:
    """An array: its type and shape, and its numbers, little-endian."""

    type: Literal["<f8", "<i8", "<i4"]
    shape: tuple[int, ...]
    numbers: bytes


def _arrays(sections: Sections) -> dict[str, _Array | float]:
    import numpy as np

    made: dict[str, _Array | float] = {}
    for field in fields(sections):
        value = getattr(sections, field.name)
        if isinstance(value, np.ndarray):
            kind: Any = value.dtype.newbyteorder("<").str
            value = _Array(kind, value.shape, value.astype(kind).tobytes())
        made[field.name] = value
    return made


def _sections(made: dict[str, _Array | float]) -> Sections:
    """Raises ValueError, KeyError or TypeError where these are no sections."""
    import numpy as np

    from wallguard.sections.sections import Sections

    values: dict[str, Any] = {}
    for name, value in made.items():
        if isinstance(value, _Array):
            # No more than its bytes: a shape that does not fit them is refused. A copy, since
            # bytes cannot be written to.
            array = np.frombuffer(value.numbers, value.type).reshape(value.shape)
            values[name] = array.astype(array.dtype.newbyteorder("="))
        else:
            values[name] = value
    return Sections(**values)
