"""Bytes of a toolpath, plain or gzip, as blocks of whole lines; bounded in size and line length."""

from __future__ import annotations

import gzip
import os
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import IO, NamedTuple, cast

from wallguard.base import files
from wallguard.base.errors import InputError
from wallguard.toolpath.container import ZIP, unpacked
from wallguard.toolpath.entry import split

MAX_BYTES = 2 * 1024**3  # of text, packed or not: some fifty million moves
MAX_RATIO = 250  # unpacked to packed; toolpaths pack to a fourth or a tenth
MAX_LINE = 1024**2
MAKE = "Make the toolpath again"  # what to do about most files that are broken

_BLOCK = 1024**2
_SMALL = 64 * 1024**2  # up to here, any ratio will do
_GZIP = b"\x1f\x8b"
_BOM = b"\xef\xbb\xbf"
_CONTROL = bytes(set(range(32)) - set(b"\t\n\v\f\r"))

Progress = Callable[[int, int], None]


class Block(NamedTuple):
    """Whole lines, each closed by one line feed.

    first    number of its first line, from 1
    unended  whether the file's last line, the last one here, had no line end of its own
    """

    text: bytes
    first: int
    unended: bool


def blocks(path: Path, progress: Progress | None = None) -> Iterator[Block]:
    """The lines of a file, in order. `progress` gets the bytes read and the file's size.

    Raises InputError for what cannot be read, is not text, or exceeds the bounds above.
    """
    with ExitStack() as stack:
        raw = stack.enter_context(files.opened(split(path)[0], kind="a toolpath"))
        size = os.fstat(raw.fileno()).st_size
        head = raw.read(4)
        raw.seek(0)
        source: IO[bytes] = raw
        if head[:2] == _GZIP:
            source = cast(IO[bytes], gzip.GzipFile(fileobj=raw))
        elif head == ZIP:
            source, size = stack.enter_context(unpacked(raw, path))
        held, line, total, begun = b"", 1, 0, False
        while data := _read(path, source, line):
            total += len(data)
            if total > MAX_BYTES or (total > _SMALL and total > MAX_RATIO * size):
                raise InputError(
                    path,
                    f"holds more than {total // 1024**2 - 1} MiB of text, packed in "
                    f"{size // 1024} KiB"
                    if source is not raw
                    else f"is larger than {MAX_BYTES // 1024**2} MiB",
                    remedy="Split the toolpath",
                    line=line,
                )
            if not begun:
                begun = True
                data = data.removeprefix(_BOM)
                files.refuse_pointer(path, data)
            text = held + data
            if b"\r" in text:
                # A carriage return at the very end may be half of a line end.
                keep = text.endswith(b"\r")
                text = text[: len(text) - keep].replace(b"\r\n", b"\n").replace(b"\r", b"\n")
                text += b"\r" * keep
            _only_text(path, data, text, line)
            cut = text.rfind(b"\n") + 1
            held = text[cut:]
            if cut:
                yield Block(text[:cut], line, False)
                line += text.count(b"\n", 0, cut)
            if len(held) > MAX_LINE:
                raise InputError(
                    path,
                    f"has a line longer than {MAX_LINE // 1024} KiB",
                    remedy="Is it a toolpath at all? " + MAKE,
                    line=line,
                )
            if progress is not None:
                progress(min(raw.tell(), size), size)
        if not begun:
            raise InputError(path, "the file is empty", remedy=MAKE)
        if held.strip():
            yield Block(held.rstrip(b"\r") + b"\n", line, not held.endswith(b"\r"))
        if progress is not None:
            progress(size, size)


def _read(path: Path, source: IO[bytes], line: int) -> bytes:
    try:
        return source.read(_BLOCK)
    except EOFError as error:
        raise InputError(
            path, "its gzip data is cut short", remedy="Pack or copy it again", line=line
        ) from error
    except (zlib.error, OSError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            path, f"cannot be read to its end ({reason})", remedy="Copy it again", line=line
        ) from error


def _only_text(path: Path, data: bytes, text: bytes, line: int) -> None:
    if len(data.translate(None, _CONTROL)) == len(data):
        return
    place = min(at for code in _CONTROL if (at := text.find(code)) >= 0)
    raise InputError(
        path,
        "holds binary data, not only text",
        remedy="Give a toolpath in plain text, gzip or zip",
        line=line + text.count(b"\n", 0, place),
    )
