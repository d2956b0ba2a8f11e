"""What a format's reader hands back, before it is checked, scaled and welded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.units import Unit

MAX_TRIANGLES = 10_000_000

EXPORT = "Export the part again"  # what to do about most files that are broken


@dataclass(frozen=True)
class Drawing:
    """The triangles of a file, in the file's own unit.

    vertices   (n, 3) float32 or float64
    triangles  (m, 3) integer indices into `vertices`; None where vertices 3i, 3i+1, 3i+2 make
               triangle i
    unit       as the format states it, or None where the format carries none
    objects    (n,) which object of the file a vertex belongs to, where a file keeps several
    """

    vertices: NDArray[np.floating]
    triangles: NDArray[np.integer] | None
    unit: Unit | None = None
    objects: NDArray[np.int64] | None = None


def mistake(error: Exception) -> str:
    """What Python says of a number that is none, in plain words and never long."""
    text = str(error)
    for start in (
        "could not convert string to float: ",
        "invalid literal for int() with base 10: ",
    ):
        if text.startswith(start):
            return f"{text.removeprefix(start).removeprefix('b')[:40]} is not a number"
    return text[:200]
