"""PLY, ASCII and binary of either byte order: its vertices and faces; all else is skipped.

Read here and not by a library: a mistake is told by its place, sizes are checked before anything
is made of them, and no texture is opened. Format: Greg Turk, "The PLY Polygon File Format",
Stanford 1994 (from memory).
"""

from __future__ import annotations

import re
import struct
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wallguard.base.errors import InputError
from wallguard.mesh.formats.drawing import EXPORT, MAX_TRIANGLES, Drawing, mistake, text_step
from wallguard.mesh.formats.polygons import MAX_CORNERS, triangulate

_TYPES = {  # name -> struct's letter; a numpy type code as well
    "char": "b",
    "int8": "b",
    "uchar": "B",
    "uint8": "B",
    "short": "h",
    "int16": "h",
    "ushort": "H",
    "uint16": "H",
    "int": "i",
    "int32": "i",
    "uint": "I",
    "uint32": "I",
    "float": "f",
    "float32": "f",
    "double": "d",
    "float64": "d",
}
_FORMATS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_MAX_ROWS = 3 * MAX_TRIANGLES
_LINE = re.compile(rb"([^\r\n]{0,1000}+)(\r\n|\n|\r)?+")
_FACES = {"vertex_indices", "vertex_index"}


@dataclass(frozen=True)
class _Property:
    name: str
    letter: str
    count: str = ""  # the letter of its length, where the property is a list


@dataclass
class _Element:
    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)


Row = list[tuple[float, ...]]  # the values of each property: one, or those of a list


def read(path: Path, data: bytes) -> Drawing:
    """Read the elements `vertex` and `face`; raises InputError."""
    order, elements, start = _head(path, data)
    body = _Binary(path, data, start, order) if order else _Ascii(path, data, start)
    vertices: NDArray[np.floating] = np.empty((0, 3))
    corners, sizes = np.empty(0, np.int64), np.empty(0, np.int64)
    for element in elements:
        names = [each.name for each in element.properties]
        if element.name == "vertex":
            vertices = _vertices(body, element, names)
        elif element.name == "face":
            wanted = next((at for at, name in enumerate(names) if name in _FACES), None)
            if wanted is None:
                raise InputError(path, "its faces have no list of vertex indices", remedy=EXPORT)
            corners, sizes = _faces(body, element, wanted)
        elif element.name == "tristrips":
            raise InputError(
                path, "holds triangle strips, which are not read", remedy="Export triangles"
            )
        elif body.table(element) is None:
            for _ in body.rows(element):
                pass
    wrong = (corners < 0) | (corners >= len(vertices))
    if wrong.any():
        face = int(np.searchsorted(np.cumsum(sizes), int(np.argmax(wrong)), side="right"))
        raise InputError(
            path, f"face {face + 1} names a vertex that the file does not have", remedy=EXPORT
        )
    triangles = triangulate(path, vertices, corners, sizes)
    return Drawing(vertices, triangles, step=0.0 if order else text_step(data, vertices))


def _head(path: Path, data: bytes) -> tuple[str, list[_Element], int]:
    """The byte order ('' for ASCII), the elements, and where the body starts."""
    if not re.match(rb"ply\s", data):
        raise InputError(path, "is not PLY: it does not begin with 'ply'", remedy=EXPORT)
    order: str | None = None
    elements: list[_Element] = []
    place = number = 0
    try:
        while True:
            if number > 10_000:
                raise ValueError("the head is longer than 10000 lines")
            match = _LINE.match(data, place)
            if not match or not match[2]:
                raise ValueError("the file is cut short within its head")
            place, number = match.end(), number + 1
            match match[1].decode("ascii").split():
                case ["end_header"]:
                    break
                case ["format", name, _]:
                    order = _FORMATS[name]
                case ["element", name, count]:
                    elements.append(_Element(name, int(count)))
                    if not 0 <= elements[-1].count <= _MAX_ROWS:
                        raise ValueError(f"the head promises {count} of {name!r}")
                case ["property", "list", count, kind, name]:
                    if _TYPES[count] in "fd":
                        raise ValueError(f"the length of the list {name!r} is of type {count!r}")
                    if name in _FACES and _TYPES[kind] in "fd":
                        raise ValueError(f"vertex numbers of type {kind!r}")
                    elements[-1].properties.append(_Property(name, _TYPES[kind], _TYPES[count]))
                case ["property", kind, name]:
                    elements[-1].properties.append(_Property(name, _TYPES[kind]))
                case ["ply"] | ["comment", *_] | ["obj_info", *_] | []:
                    pass
                case words:
                    raise ValueError(f"cannot make out {' '.join(words)[:60]!r}")
        if order is None:
            raise ValueError("the head names no format")
        for element in elements:
            names = [each.name for each in element.properties]
            if element.count and not names:
                raise ValueError(f"the element {element.name!r} has no properties")
            if len(set(names)) < len(names):
                raise ValueError(f"the element {element.name!r} has a property twice")
    except KeyError as error:
        raise InputError(path, f"unknown word {error} in the head", line=number) from error
    except IndexError as error:
        raise InputError(path, "a property before any element", line=number) from error
    except UnicodeDecodeError as error:
        raise InputError(path, "binary data within the head", line=number) from error
    except ValueError as error:
        raise InputError(path, mistake(error), remedy=EXPORT, line=number) from error
    return order, elements, place


def _vertices(body: _Ascii | _Binary, element: _Element, names: list[str]) -> NDArray[np.floating]:
    at = [names.index(axis) for axis in "xyz" if axis in names]
    if len(at) != 3 or any(element.properties[i].count for i in at):
        raise InputError(body.path, "its vertices lack an x, y or z", remedy=EXPORT)
    table = body.table(element)
    if table is not None:
        single = isinstance(body, _Binary) and all(element.properties[i].letter == "f" for i in at)
        kind = np.float32 if single else np.float64
        return np.stack([np.asarray(table[f"f{i}"], kind) for i in at], axis=1)
    values = array("d")
    for row in body.rows(element):
        values.extend([row[i][0] for i in at])
    return np.frombuffer(values, np.float64).reshape(-1, 3)


def _faces(
    body: _Ascii | _Binary, element: _Element, wanted: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Vertex numbers of all faces, one after the other, and how many each face has."""
    if not element.properties[wanted].count:
        raise InputError(body.path, "its faces have no list of vertex indices", remedy=EXPORT)
    table = body.table(element)
    if table is not None:
        indices = np.asarray(table[f"f{wanted}"], np.int64)
        corners, sizes = indices.ravel(), np.full(len(indices), indices.shape[1])
    else:
        numbers, lengths = array("q"), array("q")
        for row in body.rows(element):
            numbers.extend(map(int, row[wanted]))
            lengths.append(len(row[wanted]))
            if not 3 <= lengths[-1] <= MAX_CORNERS:
                break
        corners, sizes = np.frombuffer(numbers, np.int64), np.frombuffer(lengths, np.int64)
    if len(corners) > 3 * MAX_TRIANGLES:
        raise InputError(body.path, f"its faces have more than {MAX_TRIANGLES} triangles")
    wrong = (sizes < 3) | (sizes > MAX_CORNERS)
    if wrong.any():
        face = int(np.argmax(wrong))
        raise InputError(
            body.path,
            f"face {face + 1} has {sizes[face]} corners; 3 to {MAX_CORNERS} are read",
            remedy=EXPORT,
        )
    return corners, sizes


class _Ascii:
    """The body as text: one row on one line."""

    def __init__(self, path: Path, data: bytes, start: int) -> None:
        self.path = path
        self._first = len(data[:start].splitlines()) + 1
        self._lines = data[start:].splitlines()
        self._place = 0

    def table(self, element: _Element) -> dict[str, NDArray[np.float64]] | None:
        """All rows at once, or None where they are not all like the first, or wrong."""
        lines = self._lines[self._place : self._place + element.count]
        if len(lines) < element.count:
            raise InputError(
                self.path,
                f"is cut short: {element.count} of {element.name!r} promised, "
                f"{len(lines)} lines left",
                remedy=EXPORT,
            )
        try:
            first = _row(element, lines[0].split()) if lines else []
            numbers = array("d", map(float, b" ".join(lines).split()))
        except (ValueError, OverflowError):
            return None
        width = sum(map(len, first)) + sum(bool(each.count) for each in element.properties)
        if not lines or len(numbers) != element.count * width:
            return None
        values = np.frombuffer(numbers, np.float64).reshape(-1, width)
        table: dict[str, NDArray[np.float64]] = {}
        at = 0
        for number, (each, row) in enumerate(zip(element.properties, first, strict=True)):
            if each.count:
                if (values[:, at] != len(row)).any():
                    return None
                at += 1
            part = values[:, at : at + len(row)]
            if each.letter not in "fd" and (part != np.rint(part)).any():
                return None
            table[f"f{number}"] = part if each.count else part[:, 0]
            at += len(row)
        self._place += element.count
        return table

    def rows(self, element: _Element) -> Iterator[Row]:
        for at in range(element.count):
            words: list[bytes] = []
            while not words:
                if self._place == len(self._lines):
                    raise InputError(
                        self.path,
                        f"is cut short: {element.count} of {element.name!r} promised, {at} there",
                        remedy=EXPORT,
                    )
                words = self._lines[self._place].split()
                self._place += 1
            try:
                yield _row(element, words)
            except ValueError as error:
                raise InputError(
                    self.path, mistake(error), remedy=EXPORT, line=self._first + self._place - 1
                ) from error


def _row(element: _Element, words: list[bytes]) -> Row:
    row: Row = []
    place = 0
    for each in element.properties:
        size = 1
        if each.count:
            size = int(words[place]) if place < len(words) else -1
            place += 1
        convert = float if each.letter in "fd" else int
        values = tuple(map(convert, words[place : place + max(size, 0)]))
        if len(values) != size:
            raise ValueError(f"too few numbers for the {each.name} of this {element.name}")
        row.append(values)
        place += size
    return row


class _Binary:
    """The body as bytes in one byte order."""

    def __init__(self, path: Path, data: bytes, start: int, order: str) -> None:
        self.path = path
        self._data = data
        self._place = start
        self._order = order

    def table(self, element: _Element) -> NDArray[np.void] | None:
        """All rows at once, or None where they are not all of the size of the first."""
        fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
        size, counts = 0, []
        for at, each in enumerate(element.properties):
            if not each.count:
                fields.append((f"f{at}", self._order + each.letter))
                size += struct.calcsize("=" + each.letter)
                continue
            if self._place + size + 8 > len(self._data):
                return None
            (length,) = struct.unpack_from(self._order + each.count, self._data, self._place + size)
            if not 0 <= length <= MAX_CORNERS:
                return None
            counts.append((f"n{at}", length))
            fields.append((f"n{at}", self._order + each.count))
            fields.append((f"f{at}", self._order + each.letter, (length,)))
            size += struct.calcsize("=" + each.count) + length * struct.calcsize("=" + each.letter)
        if self._place + size * element.count > len(self._data) or not element.count:
            return None
        table = np.frombuffer(self._data, np.dtype(fields), element.count, self._place)
        if any((table[name] != length).any() for name, length in counts):
            return None
        self._place += size * element.count
        return table

    def rows(self, element: _Element) -> Iterator[Row]:
        scalars = {each: struct.Struct(self._order + each) for each in set(_TYPES.values())}
        for at in range(element.count):
            row: Row = []
            try:
                for each in element.properties:
                    length = 1
                    if each.count:
                        (length,) = scalars[each.count].unpack_from(self._data, self._place)
                        self._place += scalars[each.count].size
                    if length < 0 or length > len(self._data):
                        raise struct.error
                    row.append(
                        struct.unpack_from(
                            f"{self._order}{length}{each.letter}", self._data, self._place
                        )
                    )
                    self._place += length * scalars[each.letter].size
            except struct.error as error:
                raise InputError(
                    self.path,
                    f"is cut short or broken at {element.name} {at + 1} of {element.count}",
                    remedy=EXPORT,
                ) from error
            yield row
