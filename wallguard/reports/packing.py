"""Numbers of a page packed so that they take little room: as differences, deflated, in base64.

The script `web/page.js` unpacks them (`unpacked`). Of 16-bit numbers all low bytes come first, then
all high ones, each number as its difference to what is expected there:

    vertices   the vertex before, axis by axis
    triangles  the first vertex that no corner has named yet: 0 is the next new one
    edges, thickness  the number before

Deflate is RFC 1951 in the form of RFC 1950 (zlib), base64 RFC 4648.
"""

from __future__ import annotations

import base64
import zlib

import numpy as np
from numpy.typing import NDArray

from wallguard.views.model import Shape

_Words = NDArray[np.uint16]


def surface(shape: Shape) -> dict[str, object]:
    """What several rule files may share: the surface alone."""
    vertices, corners = _words(shape.vertices), _words(shape.triangles)
    body = [
        _split(_differences(vertices.reshape(-1, 3).T)),
        _split(_from_newest(corners)),
        _split(_differences(_words(shape.edges).reshape(-1, 2).T)),
    ]
    return {
        "low": shape.low,
        "high": shape.high,
        "counts": [len(vertices), len(corners), len(shape.edges) // 2],
        "packed": packed(b"".join(body)),
    }


def said(shape: Shape) -> str:
    """What is said of each triangle."""
    thickness = _split(_differences(_words(shape.thickness)[None]))
    return packed(thickness + shape.outcomes + shape.undersides)


def packed(data: bytes) -> str:
    """Bytes as text."""
    return base64.b64encode(zlib.compress(data, 9)).decode("ascii")


def _words(data: bytes) -> _Words:
    return np.frombuffer(data, "<u2")


def _differences(rows: _Words) -> _Words:
    """Of each row (k, n) the differences, modulo 65536 and with their sign in the last bit."""
    steps = np.diff(rows, axis=1, prepend=np.uint16(0)).astype(np.int16).astype(np.int64)
    return np.asarray(np.where(steps < 0, -2 * steps - 1, 2 * steps), "<u2").reshape(-1)


def _from_newest(corners: _Words) -> _Words:
    if not len(corners):
        return corners
    newest = np.maximum.accumulate(corners.astype(np.int64)) + 1
    return np.asarray(np.r_[0, newest[:-1]] - corners, "<u2")


def _split(words: _Words) -> bytes:
    pairs = np.ascontiguousarray(words, "<u2").view(np.uint8).reshape(-1, 2)
    return pairs[:, 0].tobytes() + pairs[:, 1].tobytes()
