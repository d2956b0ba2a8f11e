"""What a format's reader hands back, before it is checked, scaled and welded."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.plain import plain
from wallguard.base.units import Unit

MAX_TRIANGLES = 10_000_000

EXPORT = "Export the part again"  # what to do about most files that are broken
_LONGEST = 60  # letters of a name


@dataclass(frozen=True)
class Drawing:
    """The triangles of a file, in the file's own unit.

    vertices   (n, 3) float32 or float64
    triangles  (m, 3) integer indices into `vertices`; None where vertices 3i, 3i+1, 3i+2 make
               triangle i
    unit       as the format states it, or None where the format carries none
    objects    (n,) which object of the file a vertex belongs to, where a file keeps several
    step       what the last digit of the largest coordinate is worth in a text, where that can be
               told; 0: it cannot, or vertices are as they stand in the file
    names      of the objects, empty where one has none; empty: the file has no names
    chord      how far facets lie off their curve at most, where they were made here; else 0
    remarks    what of the file was not read, in plain words
    """

    vertices: NDArray[np.floating]
    triangles: NDArray[np.integer] | None
    unit: Unit | None = None
    objects: NDArray[np.int64] | None = None
    step: float = 0.0
    names: tuple[str, ...] = ()
    chord: float = 0.0
    remarks: tuple[str, ...] = ()


def label(said: str) -> str:
    """The name of an object as it is shown: on one line, and no longer than a line has room for."""
    return plain(" ".join(said.split()))[:_LONGEST].strip()


_LARGE = re.compile(rb"\d\.(\d+)[eE]\+?(\d{1,2})(?!\d)")


def text_step(text: bytes, vertices: NDArray[np.floating]) -> float:
    """What the last digit of the largest coordinate is worth, where a text writes such numbers with
    an exponent: all of them have as many digits as the longest, as programs that write them so
    leave out no more than zeros. Else 0: a number without an exponent may be exact."""
    if not len(vertices) or max(-vertices.min(), vertices.max()) < 1000:
        return 0.0  # so near the origin, six digits are enough
    digits = largest = 0
    for match in _LARGE.finditer(text):
        digits, largest = max(digits, len(match[1])), max(largest, int(match[2]))
    return 10.0 ** (largest - digits) if digits else 0.0


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
