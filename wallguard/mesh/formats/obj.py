"""OBJ: the faces of Wavefront's text format. No material, texture or other file is opened.

Read here and not by a library: a mistake is told by its line, and nothing but the bytes given is
touched. Format from memory (Wavefront's Advanced Visualizer manual, appendix B1).
"""

from __future__ import annotations

import re
from array import array
from pathlib import Path

import numpy as np

from wallguard.base.errors import InputError
from wallguard.mesh.formats.drawing import EXPORT, MAX_TRIANGLES, Drawing, mistake, text_step
from wallguard.mesh.formats.polygons import MAX_CORNERS, triangulate

_FREE_FORM = {b"curv", b"curv2", b"surf"}
# No file has so many vertices that their numbers are longer, and these fit 64 bits.
_DIGITS = 18
_WORDS = re.compile(rb"[a-z_#]", re.IGNORECASE)
# A line that holds something, with those that a backslash at its end goes on in. Empty ones cost
# nothing so: there may be millions.
_GOES_ON = rb"\\(?:\r\n|[\r\n])"
_STATEMENT = re.compile(rb"(?=\S)(?:[^\r\n\\]++|" + _GOES_ON + rb"|\\)++")
_ENDS = re.compile(_GOES_ON)


def read(path: Path, data: bytes) -> Drawing:
    """Read vertices and faces (of any number of corners); raises InputError with the line."""
    if b"\0" in data:
        raise InputError(path, "is not OBJ: it holds binary data", remedy=EXPORT)
    coordinates = array("d")
    corners = array("q")
    sizes = array("q")
    kept = place = 0
    try:
        for statement in _STATEMENT.finditer(data):
            line, place = statement[0], statement.start()
            words = (_ENDS.sub(b" ", line) if b"\\" in line else line).split()
            if not words:
                continue
            match words[0]:
                case b"v":
                    if len(words) < 4:
                        raise ValueError("a vertex needs x, y and z")
                    coordinates.extend(map(float, words[1:4]))
                    kept += 1
                case b"f":
                    named = [word.partition(b"/")[0] for word in words[1:]]
                    if max(map(len, named), default=0) > _DIGITS:
                        raise ValueError("a face names a vertex that the file does not have")
                    face = list(map(int, named))
                    if not 3 <= len(face) <= MAX_CORNERS:
                        raise ValueError(
                            f"a face needs 3 to {MAX_CORNERS} corners, not {len(face)}"
                        )
                    if 0 in face or min(face) < -kept:
                        raise ValueError("a face names a vertex that the file does not have")
                    corners.extend(at - 1 if at > 0 else kept + at for at in face)
                    sizes.append(len(face))
                    if len(corners) > 3 * MAX_TRIANGLES:
                        raise ValueError(f"more than {MAX_TRIANGLES} triangles")
                case word if word in _FREE_FORM:
                    raise ValueError("free-form curves and surfaces are not read")
                case word if not _WORDS.match(word):
                    raise ValueError(f"unknown statement {word[:20].decode('ascii', 'replace')!r}")
    except (ValueError, OverflowError) as error:
        lines = data.count(b"\n", 0, place) + data.count(b"\r", 0, place)
        number = lines - data.count(b"\r\n", 0, place) + 1
        raise InputError(path, mistake(error), remedy=EXPORT, line=number) from error
    vertices = np.frombuffer(coordinates, np.float64).reshape(-1, 3)
    indices = np.frombuffer(corners, np.int64)
    if len(indices) and indices.max() >= kept:
        at = int(np.searchsorted(np.cumsum(sizes), int(np.argmax(indices)), side="right"))
        raise InputError(
            path,
            f"face {at + 1} names vertex {indices.max() + 1}, and there are {kept}",
            remedy=EXPORT,
        )
    triangles = triangulate(path, vertices, indices, np.frombuffer(sizes, np.int64))
    return Drawing(vertices, triangles, step=text_step(data, vertices))
