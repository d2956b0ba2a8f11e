"""Parts that a program holds: whatever gives triangles, known by what it can do. Nothing is
imported for that, so that no library of shapes is needed for the others.

What is read, the first that fits:

    vertices and faces    a mesh with `vertices` and `faces` (or `triangles`), as trimesh has it
    triangles             `vectors`, or an array (m, 3, 3): three corners each
    a solid               `to_mesh64()` or `to_mesh()`, as manifold3d has it
    a scene               `to_mesh()` of which a mesh comes
    a shape               `tessellate(chord error, angle)`, as build123d and CadQuery have it
    what holds a shape    `part`, `toCompound()`, `vals()`: builders, assemblies, workplanes
    two arrays            (vertices, faces)
    several of these      each is an object of its own
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallguard.base.errors import InputError
from wallguard.base.formats import ANGLE, CHORD
from wallguard.mesh.formats.drawing import Drawing, label

_DEEP = 8  # lists within lists

Corners = NDArray[np.float64]
Faces = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class _Object:
    """What is one body by itself; `curved`: its facets were made here."""

    vertices: Corners
    faces: Faces
    name: str = ""
    curved: bool = False


def is_arrays(thing: Any) -> bool:
    """Whether these are arrays of vertices and faces."""
    if not isinstance(thing, tuple | list) or len(thing) != 2:
        return False
    try:
        vertices, faces = (np.asarray(each) for each in thing)
    except ValueError:  # of no shape
        return False
    return vertices.ndim == 2 and faces.ndim == 2 and vertices.shape[1:] == (3,)


def drawing_of(thing: Any, name: str, chord: float = CHORD) -> Drawing:
    """The triangles of a part that a program holds, in the program's own unit.

    name   what the part is called in errors
    chord  how far facets may lie off a curved face, in that unit, where they are made here

    Raises InputError: this gives no triangles, or what gives them fails.
    """
    objects = list(_objects(thing, name, chord, 0))
    if not any(len(each.faces) for each in objects):
        raise InputError(
            name,
            f"this gives no triangles: {_kind(thing)}",
            remedy="Return a solid, a mesh, or arrays of vertices and faces",
        )
    before = np.cumsum([0, *(len(each.vertices) for each in objects)])
    faces = [each.faces + first for each, first in zip(objects, before, strict=False)]
    return Drawing(
        np.concatenate([each.vertices for each in objects]),
        np.concatenate(faces),
        objects=np.repeat(np.arange(len(objects)), np.diff(before)),
        names=tuple(each.name for each in objects),
        chord=chord if any(each.curved for each in objects) else 0.0,
    )


def _objects(thing: Any, name: str, chord: float, depth: int) -> Iterator[_Object]:
    for read in (_mesh, _solid, _shape):
        pair = _asked(read, thing, name, chord)
        if pair is not None:
            corners, faces = _checked(pair, name)
            yield _Object(corners, faces, _label(thing), read is _shape)
            return
    if is_arrays(thing):
        yield _Object(*_checked(thing, name))
        return
    inner = _asked(_inner, thing, name, chord)
    if inner is None or depth >= _DEEP:
        return
    for each in inner:
        yield from _objects(each, name, chord, depth + 1)


def _asked(read: Callable[[Any, float], Any], thing: Any, name: str, chord: float) -> Any:
    """What a thing answers. What it raises is told as its own: a shape that cannot be meshed."""
    try:
        return read(thing, chord)
    except InputError:
        raise
    except Exception as error:
        said = f"{type(error).__name__}: {str(error)[:200]}"
        what = f"its triangles cannot be had ({said})"
        raise InputError(name, what, remedy=f"Mend what gives {_kind(thing)}") from error


def _mesh(thing: Any, chord: float) -> tuple[Any, Any] | None:
    vertices = getattr(thing, "vertices", None)
    for field in ("faces", "triangles"):
        faces = getattr(thing, field, None)
        if not (callable(vertices) or callable(faces) or vertices is None or faces is None):
            return vertices, faces
    corners: Any = thing if isinstance(thing, np.ndarray) else getattr(thing, "vectors", None)
    if corners is not None and np.ndim(corners) == 3 and np.shape(corners)[1:] == (3, 3):
        points = np.asarray(corners).reshape(-1, 3)
        return points, np.arange(len(points)).reshape(-1, 3)
    return None


def _solid(thing: Any, chord: float) -> tuple[Any, Any] | None:
    for field in ("to_mesh64", "to_mesh"):
        give = getattr(thing, field, None)
        made = give() if callable(give) else thing
        properties, corners = (getattr(made, at, None) for at in ("vert_properties", "tri_verts"))
        if properties is not None and corners is not None:
            return np.asarray(properties)[:, :3], corners
        if made is not thing and made is not None:
            return _mesh(made, chord)
    return None


def _shape(thing: Any, chord: float) -> tuple[Any, Any] | None:
    give = getattr(thing, "tessellate", None)
    if not callable(give):
        return None
    points, faces = give(chord, ANGLE)
    return [_point(point) for point in points], list(faces)


def _point(point: Any) -> tuple[float, float, float]:
    for names in ("XYZ", "xyz"):
        if all(hasattr(point, axis) for axis in names):
            x, y, z = (float(getattr(point, axis)) for axis in names)
            return x, y, z
    x, y, z = map(float, point)
    return x, y, z


def _label(thing: Any) -> str:
    """The name that a shape bears."""
    for field in ("label", "name"):
        said = getattr(thing, field, None)
        if isinstance(said, str) and said.strip():
            return label(said)
    return ""


def _inner(thing: Any, chord: float) -> list[Any] | None:
    """What a thing holds, where it is no part itself."""
    for field in ("part", "toCompound", "vals"):
        held = getattr(thing, field, None)
        if held is not None:
            held = held() if callable(held) and field != "part" else held
            return list(held) if isinstance(held, list | tuple) else [held]
    if isinstance(thing, list | tuple) or (
        hasattr(thing, "__iter__") and not isinstance(thing, str | bytes | dict | np.ndarray)
    ):
        return list(thing)
    return None


def _checked(pair: Any, name: str) -> tuple[Corners, Faces]:
    vertices, faces = pair
    try:
        points = np.array(vertices, np.float64)
        # Not as whole numbers at once: that would round what is none.
        corners = np.array(faces, np.float64)
    except (TypeError, ValueError) as error:
        raise _no_triangles(name) from error
    # Faces of four corners are as many numbers as some triangles.
    if any(each.size and each.shape[1:] != (3,) for each in (points, corners)):
        raise _no_triangles(name)
    points, corners = points.reshape(-1, 3), corners.reshape(-1, 3)
    with np.errstate(invalid="ignore"):
        whole = corners.astype(np.int64)
    if not np.array_equal(whole, corners):
        raise _no_triangles(name)
    wrong = (whole < 0) | (whole >= len(points))
    if wrong.any():
        at = int(np.argmax(wrong.any(axis=1))) + 1
        raise InputError(name, f"face {at} names a vertex that it does not have")
    return points, whole


def _no_triangles(name: str) -> InputError:
    return InputError(
        name,
        "its arrays are no triangles",
        remedy="Give vertices (n, 3) and faces (m, 3), whole numbers from 0 to n - 1",
    )


def _kind(thing: Any) -> str:
    return f"{type(thing).__module__}.{type(thing).__qualname__}".removeprefix("builtins.")
