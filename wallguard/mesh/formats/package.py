"""A zip package from anyone: parts by name, read in blocks, never larger than promised here.

Sizes are counted while unpacking; what the zip's own directory says of them is not believed.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote

from wallguard.base.errors import InputError
from wallguard.mesh.formats.drawing import EXPORT, MAX_TRIANGLES, mistake

MAX_ENTRIES = 10_000
MAX_UNPACKED = 1024**3
MAX_RATIO = 100  # unpacked to packed; XML of a mesh packs to a fifth or a tenth
_SMALL = 16 * 1024**2  # up to here, any ratio will do
# A mesh of MAX_TRIANGLES has half as many vertices as triangles.
MAX_ELEMENTS = 2 * MAX_TRIANGLES
_BLOCK = 128 * 1024
# ISO/IEC 29500-2 (from memory) knows store and deflate only.
_KNOWN = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_MODEL = ".model"  # how names of model parts end
_METHODS = {zipfile.ZIP_BZIP2: "bzip2", zipfile.ZIP_LZMA: "LZMA"}


class Package:
    """The parts of an Open Packaging Conventions package; names are compared without case."""

    def __init__(self, path: Path, data: bytes) -> None:
        self.path = path
        self._unpacked = self._elements = 0
        self._most = min(MAX_UNPACKED, max(_SMALL, MAX_RATIO * len(data)))
        if data.count(b"PK\x01\x02") > MAX_ENTRIES:
            raise InputError(path, f"its zip has more than {MAX_ENTRIES} entries")
        try:
            self._zip = zipfile.ZipFile(io.BytesIO(data))
            names = self._zip.infolist()
        except _ZIP_ERRORS as error:
            raise InputError(
                path,
                f"is not a whole zip file, as a 3MF file is ({mistake(error)[:80]})",
                remedy=EXPORT,
            ) from error
        self._entries: dict[str, zipfile.ZipInfo] = {}
        for entry in names:
            if self._entries.setdefault(_key(entry.filename), entry) is not entry:
                raise InputError(path, f"its zip has two entries named {entry.filename!r}")
        # What the parts say of their size is no less than what is read of them.
        said = 0
        for key, entry in self._entries.items():
            known = entry.compress_type in _KNOWN and key.endswith(_MODEL)
            said += entry.file_size if known else 0
            if said > self._most:
                raise self._too_large(entry.filename)

    def __contains__(self, name: str) -> bool:
        return _key(name) in self._entries

    def blocks(self, name: str) -> Iterator[bytes]:
        """The content of a part, block by block; raises InputError."""
        entry = self._entries.get(_key(name))
        if entry is None:
            raise InputError(self.path, f"its part {name!r} is missing", remedy=EXPORT)
        if entry.compress_type not in _KNOWN:
            # The others unpack a few bytes to gigabytes before a block of it is seen here.
            method = _METHODS.get(entry.compress_type, f"method {entry.compress_type}")
            raise InputError(
                self.path,
                f"its part {name!r} is packed with {method}; 3MF knows only store and deflate",
                remedy=EXPORT,
            )
        try:
            with self._zip.open(entry) as stream:
                while block := stream.read(_BLOCK):
                    self._count(block, name)
                    yield block
        except _ZIP_ERRORS as error:
            raise InputError(
                self.path,
                f"its part {name!r} cannot be unpacked ({mistake(error)[:80]})",
                remedy=EXPORT,
            ) from error

    def _too_large(self, name: str) -> InputError:
        size = f"more than {self._most // 1024**2} MiB"
        what = f"its part {name!r} unpacks to far more than a mesh needs ({size} in all)"
        return InputError(self.path, what, remedy=EXPORT)

    def _count(self, block: bytes, name: str) -> None:
        """Refuse what unpacks to more than a mesh needs, and XML of more elements than one has, in
        all parts together: reading takes time by the element."""
        self._unpacked += len(block)
        self._elements += block.count(b"<") - block.count(b"</")
        if self._unpacked > self._most:
            raise self._too_large(name)
        if self._elements > MAX_ELEMENTS:
            raise InputError(
                self.path,
                f"holds more than {MAX_ELEMENTS} elements of XML",
                remedy="Export the part with coarser facets",
            )


# RuntimeError: a password is needed, or it is packed in a way that zipfile does not know. The
# others come from bytes that are not what they should be.
_ZIP_ERRORS = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    RuntimeError,
    ValueError,
    OverflowError,
    struct.error,
    OSError,
    LookupError,
)


def _key(name: str) -> str:
    """ISO/IEC 29500-2: part names are absolute, percent-encoded, and differ by more than case."""
    return unquote(name).lstrip("/").casefold()
