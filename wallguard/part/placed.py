"""How a part lies on the printer, and the way back to its own frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wallguard.base.rotation import UPRIGHT, Rotation
from wallguard.mesh.mesh import Mesh


@dataclass(frozen=True, eq=False)
class Placed:
    """A mesh in the print frame (z up, mm, printed size), and the way back.

    The print frame shares its origin with the file's: points are turned and scaled only.
    """

    mesh: Mesh
    rotation: NDArray[np.float64]
    scale: float

    def to_file(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the print frame, (n, 3) mm, in the part file's own frame, (n, 3) mm."""
        return to_file(points, self.rotation, self.scale)


def place(mesh: Mesh, rotation: Rotation = UPRIGHT, scale: float = 1.0) -> Placed:
    """Turn and scale a mesh as it is printed: p_print = scale · R · p_file.

    rotation: a proper rotation, given by rows; scale > 0. Upright at full size, the mesh is
    the same object.
    """
    matrix = np.array(rotation, np.float64)
    if rotation != UPRIGHT or scale != 1:
        mesh = replace(mesh, vertices=mesh.vertices @ matrix.T * scale)
    return Placed(mesh, matrix, scale)


def to_file(
    points: NDArray[np.float64], rotation: Rotation | NDArray[np.float64], scale: float
) -> NDArray[np.float64]:
    """Points of the print frame, (n, 3) mm, in the part file's own frame, (n, 3) mm."""
    back: NDArray[np.float64] = np.asarray(points, np.float64) @ np.array(rotation) / scale
    return back
