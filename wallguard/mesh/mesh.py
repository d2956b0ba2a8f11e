"""The mesh: vertices in millimetres and the triangles between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wallguard.base.units import Unit

# Where the unit of a mesh came from.
UnitSource = Literal["format", "repository", "default"]


@dataclass(frozen=True)
class Mesh:
    """Triangles in space. Equal vertices of one object are one vertex; every index is in range
    and every vertex is used. (Formats that keep objects apart may let them touch.)

    vertices   (n, 3) float64, mm
    triangles  (m, 3) int32, indices into `vertices`, counter-clockwise seen from outside
    unit       the unit the file was drawn in; `vertices` are in mm whatever it says
    unit_source  where that unit came from: the file format, `wallguard.yaml`, or the default
    step       how far apart neighbouring numbers of the file are at its largest coordinate, mm: in
               single precision, or in a text of few digits; 0: too little to matter
    objects    (n,) int64: the object of the file that a vertex belongs to; None: they are not told
               apart, or not any more
    names      of these objects, empty where one has none; empty: there are no names
    chord      how far facets lie off their curve at most, mm, where they were made here; else 0
    remarks    what of the file was not read, in plain words
    """

    vertices: NDArray[np.float64]
    triangles: NDArray[np.int32]
    unit: Unit = "mm"
    unit_source: UnitSource = "default"
    step: float = 0.0
    objects: NDArray[np.int64] | None = None
    names: tuple[str, ...] = ()
    chord: float = 0.0
    remarks: tuple[str, ...] = ()


def volume(vertices: NDArray[np.float64], triangles: NDArray[np.signedinteger]) -> float:
    """What triangles (m, 3) that close enclose, in the unit of the vertices (n, 3) cubed; below
    zero where they face inward: a sixth of the sum of triple products (divergence theorem)."""
    a, b, c = (vertices[triangles[:, corner]] for corner in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6
