"""STL, binary and ASCII. The format has no published standard; common practice since 1989.

Binary: 80 bytes of anything, the number of triangles (uint32), then 50 bytes for each: its
normal, three corners (12 float32) and two bytes of attributes, all little-endian. The size
decides which of the two a file is, since binary files that begin with `solid` exist.
"""

from __future__ import annotations

import re
from array import array
from pathlib import Path

import numpy as np

from wallguard.base.errors import InputError
from wallguard.mesh.formats.drawing import EXPORT, Drawing, text_step

_HEAD = 84
_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def read(path: Path, data: bytes) -> Drawing:
    """Read a binary or an ASCII STL file; raises InputError for anything else."""
    count = int.from_bytes(data[80:_HEAD], "little") if len(data) >= _HEAD else -1
    if count >= 0 and len(data) == _HEAD + _RECORD.itemsize * count:
        return _binary(data, count)
    text = data.removeprefix(b"\xef\xbb\xbf")
    if text[:1024].lstrip()[:5].lower() == b"solid" and b"\0" not in text:
        return _ascii(path, text)
    if not _has_binary_bytes(data):
        raise InputError(path, "is a text that is not STL", remedy=EXPORT)
    if count < 0:
        raise InputError(path, "is cut short within the head of an STL file", remedy=EXPORT)
    held = (len(data) - _HEAD) // _RECORD.itemsize
    if held < count:
        raise InputError(
            path,
            "is not STL"
            if data.startswith(b"PK\x03\x04")
            else f"is cut short: its head promises {count} triangles, and {held} are there",
            remedy=EXPORT,
        )
    # Padding after the last triangle is harmless; triangles that the head does not count are not.
    if held > count and data[_HEAD + _RECORD.itemsize * count :].strip(b"\0"):
        raise InputError(
            path,
            f"its head promises {count} triangles, and there is room for {held}",
            remedy=EXPORT,
        )
    return _binary(data, count)


def _has_binary_bytes(data: bytes) -> bool:
    control = bytes(set(range(32)) - set(b"\t\n\v\f\r"))
    return len(data[:4096].translate(None, control)) < len(data[:4096])


def _binary(data: bytes, count: int) -> Drawing:
    records = np.frombuffer(data, _RECORD, count, _HEAD)
    return Drawing(np.ascontiguousarray(records["corners"], np.float32).reshape(-1, 3), None)


_NUMBER = rb"[-+]?+(?>\d++(?:\.\d*+)?+|\.\d++)(?:[eE][-+]?+\d++)?+"
_WORD = rb"\S++"
_FACET = (
    [(b"facet", rb"facet"), (b"normal", rb"normal"), *[(b"a normal", _WORD)] * 3]
    + [(b"outer", rb"outer"), (b"loop", rb"loop")]
    + [(b"vertex", rb"vertex"), *[(b"a number", b"(" + _NUMBER + b")")] * 3] * 3
    + [(b"endloop", rb"endloop"), (b"endfacet", rb"endfacet")]
)
_ONE_FACET = re.compile(
    rb"\s*+" + rb"\s++".join(pattern for _, pattern in _FACET) + rb"(?!\S)", re.IGNORECASE
)
_BETWEEN = re.compile(rb"\s*+(end[ \t]*+)?+solid(?!\S)[^\n\r]*+", re.IGNORECASE)


def _ascii(path: Path, text: bytes) -> Drawing:
    """Facets one by one; `solid` and `endsolid` lines may stand between them anywhere."""
    numbers = array("d")
    place = 0
    ended = True
    while True:
        if match := _ONE_FACET.match(text, place):
            numbers.extend(map(float, match.groups()))
        elif match := _BETWEEN.match(text, place):
            ended = match.group(1) is not None
        else:
            break
        place = match.end()
    if text[place:].strip():
        raise _mistake(path, text, place)
    if not ended:
        raise InputError(
            path,
            "is cut short: the last `solid` has no `endsolid`",
            remedy=EXPORT,
            line=text.count(b"\n") + 1,
        )
    vertices = np.frombuffer(numbers, np.float64).reshape(-1, 3)
    return Drawing(vertices, None, step=text_step(text, vertices))


def _mistake(path: Path, text: bytes, place: int) -> InputError:
    """Walk through the facet that did not match, to the first word that is wrong."""
    word = re.compile(rb"\s*+(\S*+)")
    wanted, given = "", b""
    for name, pattern in _FACET:
        match = word.match(text, place)
        wanted, given = name.decode(), match[1] if match else b""
        place = match.end() if match else place
        if not re.fullmatch(pattern, given, re.IGNORECASE):
            break
    line = text.count(b"\n", 0, place) + 1
    if not given:
        return InputError(
            path, f"is cut short where {wanted} should follow", remedy=EXPORT, line=line
        )
    shown = given[:40].decode("ascii", "backslashreplace")
    return InputError(path, f"expected {wanted}, found {shown!r}", remedy=EXPORT, line=line)
