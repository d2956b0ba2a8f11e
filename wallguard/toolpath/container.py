"""Toolpaths inside a zip package, as a 3MF container is one: `plate.3mf::Metadata/plate_1.gcode`.

A package may be made to unpack to far more than it holds, or to list millions of entries: its list
is bounded before it is read, and what is unpacked by `stream`.
"""

from __future__ import annotations

import struct
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, BinaryIO

from wallguard.base import files
from wallguard.base.errors import InputError
from wallguard.base.plain import clipped, plain
from wallguard.toolpath.entry import BETWEEN, split

SUFFIXES = (".gcode", ".gco", ".g", ".gc", ".nc")
PACKAGES = (".3mf", ".zip")
ZIP = b"PK\x03\x04"
_NAME_ONE = "Name one of them as FILE::ENTRY"
# Of the list of entries, bytes and entries; of a comment behind it (APPNOTE of zip, 4.3.16).
_LIST, _ENTRIES, _COMMENT = 4 * 1024**2, 10_000, 65_535
_END, _END_64 = b"PK\x05\x06", b"PK\x06\x07"
_KNOWN = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ERRORS = (zipfile.BadZipFile, RuntimeError, ValueError, OSError, EOFError)


def toolpaths_in(path: Path) -> list[Path]:
    """The toolpaths that a file holds: itself, where it is no package or its one toolpath is meant.

    Raises InputError where it cannot be read, or is a package without any.
    """
    file, entry = split(path)
    if entry:
        return [path]
    with files.opened(file, kind="a toolpath") as raw:
        if raw.read(len(ZIP)) != ZIP:
            return [path]
        names = [each.filename for each in _listed(_package(raw, file), file)]
    return [path] if len(names) == 1 else [Path(f"{file}{BETWEEN}{name}") for name in names]


@contextmanager
def unpacked(raw: BinaryIO, path: Path) -> Iterator[tuple[IO[bytes], int]]:
    """The toolpath in an open package that `path` means, and how many bytes it is packed in.

    Raises InputError where there is none, or more than one and none is named.
    """
    file, entry = split(path)
    package = _package(raw, file)
    listed = _listed(package, file)
    chosen = [each for each in listed if each.filename == entry] if entry else listed
    if not chosen:
        known = ", ".join(plain(each.filename) for each in listed[:8])
        raise InputError(file, f"holds no toolpath {plain(entry)}", remedy=f"It holds: {known}")
    if len(chosen) > 1:
        names = ", ".join(clipped(plain(each.filename), 80) for each in chosen[:8])
        raise InputError(file, f"holds {len(chosen)} toolpaths: {names}", remedy=_NAME_ONE)
    try:
        with package.open(chosen[0]) as stream:
            yield stream, max(chosen[0].compress_size, 1)
    except _ERRORS as error:
        if isinstance(error, InputError):
            raise
        raise InputError(path, f"cannot be unpacked ({str(error)[:80]})") from None


def _listed(package: zipfile.ZipFile, file: Path) -> list[zipfile.ZipInfo]:
    listed = [
        each
        for each in package.infolist()
        if each.filename.lower().endswith(SUFFIXES) and each.compress_type in _KNOWN
    ]
    if not listed:
        raise InputError(
            file,
            f"is a zip package that holds no toolpath ({', '.join(SUFFIXES)})",
            remedy="Unpack it, or slice it first",
        )
    return sorted(listed, key=lambda each: each.filename)


def _package(raw: BinaryIO, file: Path) -> zipfile.ZipFile:
    raw.seek(0, 2)
    size = raw.tell()
    raw.seek(max(0, size - _COMMENT - 22))
    tail = raw.read()
    at = tail.rfind(_END)
    if at < 0 or len(tail) - at < 22:
        raise InputError(file, "is not a whole zip package", remedy="Copy it again")
    entries, length = struct.unpack_from("<HI", tail, at + 10)
    if _END_64 in tail[max(0, at - 20) : at] or entries > _ENTRIES or length > _LIST:
        raise InputError(file, f"is a zip package with more than {_ENTRIES} entries, or too large")
    try:
        return zipfile.ZipFile(raw)
    except _ERRORS as error:
        raise InputError(file, f"is not a whole zip package ({str(error)[:80]})") from None
