"""Mesh files in: chosen by suffix, read by the module of their format, checked and welded."""

from __future__ import annotations

import math
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wallguard.base.errors import InputError
from wallguard.base.formats import CHORD, CURVED, PART_SUFFIXES, format_module
from wallguard.base.units import MILLIMETRES, Unit
from wallguard.mesh.content import content
from wallguard.mesh.formats.drawing import EXPORT, MAX_TRIANGLES, Drawing
from wallguard.mesh.mesh import Mesh, UnitSource
from wallguard.mesh.weld import weld

# 10 km: more than the largest site model, and single precision steps by 1 mm there.
MAX_COORDINATE = 1e7


def read_mesh(
    path: Path,
    *,
    unit: Unit | None = None,
    root: Path | None = None,
    shown: str | None = None,
    data: bytes | None = None,
    chord: float = CHORD,
) -> Mesh:
    """Read a mesh file; vertices come back in mm.

    unit: of a file whose format carries none (mm where that is not given either).
    root: the repository; a path that leads out of it is refused.
    shown: what the file is called in errors, where `path` is a copy.
    data: what the file holds; None: it is read.
    chord: how far facets lie off the curve, mm, where a file holds curves and they are made here.
    Vertices that are equal, to 2^-26 of the part's size, are welded (those of one object, where
    the format keeps objects apart); vertices that no triangle uses are left out.
    Raises InputError for a file that cannot be read, is not what its suffix says, holds no
    triangles or coordinates that are not finite or beyond 10 km, or is too large.
    """
    name, said = format_module(path.suffix), path if shown is None else Path(shown)
    if name is None:
        raise InputError(
            said,
            f"meshes with the suffix {path.suffix!r} are not read"
            if path.suffix
            else "the file has no suffix that says what it holds",
            remedy=f"wallguard reads {', '.join(PART_SUFFIXES)}",
        )
    reader: Callable[..., Drawing] = import_module(f"wallguard.mesh.formats.{name}").read
    finely = {"chord": chord} if name in CURVED else {}
    try:
        drawing = reader(said, content(path, said, root) if data is None else data, **finely)
    except MemoryError as error:
        raise InputError(said, "there is not enough memory to read the file") from error
    return mesh_of(said, drawing, unit)


def mesh_of(path: Path, drawing: Drawing, said: Unit | None = None) -> Mesh:
    """The mesh that a drawing describes, checked, welded and in mm; `path` names it in errors.

    said  unit of a drawing that carries none; None: mm

    Raises InputError as `read_mesh` does for what a file holds.
    """
    source: UnitSource = "format" if drawing.unit else "repository" if said else "default"
    unit = drawing.unit or said or "mm"
    vertices, triangles = drawing.vertices, drawing.triangles
    count = len(vertices) // 3 if triangles is None else len(triangles)
    if count == 0:
        raise InputError(path, "the file holds no triangles", remedy=EXPORT)
    if count > MAX_TRIANGLES:
        raise InputError(
            path,
            f"the file holds {count} triangles, more than {MAX_TRIANGLES}",
            remedy="Export the part with coarser facets",
        )
    objects = drawing.objects
    if triangles is None:
        _check_coordinates(path, vertices, unit, None)
    else:
        used = _used(path, triangles, len(vertices))
        _check_coordinates(path, vertices, unit, used)
        if not used.all():
            triangles = (np.cumsum(used) - 1)[triangles]
            vertices = vertices[used]
            objects = None if objects is None else objects[used]
    kept, index = weld(_on_grid(vertices), objects)
    corners = index.reshape(-1, 3) if triangles is None else index[triangles]
    millimetres = np.asarray(vertices[kept], np.float64) * MILLIMETRES[unit]
    mm = MILLIMETRES[unit]
    return Mesh(
        millimetres,
        corners,
        unit,
        source,
        _step(drawing, vertices) * mm,
        objects=objects[kept] if objects is not None and any(drawing.names) else None,
        names=drawing.names if any(drawing.names) else (),
        chord=drawing.chord * mm,
        remarks=drawing.remarks,
    )


def _step(drawing: Drawing, vertices: NDArray[np.floating]) -> float:
    """How far apart neighbouring numbers are at the largest coordinate, in the file's unit: in
    single precision (IEEE 754, 24 bits), as the format's reader says, or 0 in double precision."""
    if vertices.dtype != np.float32:
        return drawing.step
    return float(np.spacing(np.float32(max(-vertices.min(), vertices.max()))))


def _on_grid(vertices: NDArray[np.floating]) -> NDArray[np.floating]:
    """Vertices in whole steps of 2^-26 of the part's size, to tell which are equal.

    Single precision has 24 bits, so that points nearer than this to each other are noise: many
    programs write 0 as 1e-9 in one triangle and as -3e-10 in the next.
    """
    size = max(float(np.ptp(column)) for column in vertices.T)  # by column: ten times faster
    if not size > 1e-20:  # steps too small for single precision
        return vertices
    steps = vertices.dtype.type(2.0 ** (26 - math.ceil(math.log2(size))))
    return np.rint(vertices * steps)


def _used(path: Path, triangles: NDArray[np.integer], count: int) -> NDArray[np.bool_]:
    """Which of the `count` vertices a triangle names; InputError where one does not exist."""
    wrong = ((triangles < 0) | (triangles >= count)).any(axis=1)
    if wrong.any():
        raise InputError(
            path,
            f"triangle {int(np.argmax(wrong)) + 1} names a vertex that the file does not have",
            remedy=EXPORT,
        )
    used = np.zeros(count, bool)
    used[triangles] = True
    return used


def _check_coordinates(
    path: Path, vertices: NDArray[np.floating], unit: Unit, used: NDArray[np.bool_] | None
) -> None:
    """Refuse coordinates that are not finite or too large; of unused vertices, any will do."""
    limit = MAX_COORDINATE / MILLIMETRES[unit]
    if -limit <= vertices.min() and vertices.max() <= limit:  # not so where one is NaN
        return
    bad = ~(np.abs(vertices) <= limit).all(axis=1)
    if used is not None:
        bad &= used
    if not bad.any():
        return
    at = int(np.argmax(bad))
    place = f"triangle {at // 3 + 1}" if used is None else f"vertex {at + 1}"
    values = ", ".join(f"{value:g}" for value in vertices[at])
    if not np.isfinite(vertices[at]).all():
        raise InputError(
            path, f"{place} has a coordinate that is not a number ({values})", remedy=EXPORT
        )
    raise InputError(
        path,
        f"{place} lies beyond 10 km from the origin ({values} {unit})",
        remedy="Check the unit, and move the part near the origin before exporting it",
    )
