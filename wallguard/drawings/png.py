"""A picture as PNG, for those who cannot print SVG. Needs the extra `pictures`.

The renderer is given a font of its own, so the same picture gives the same bytes on every machine;
only letters that this font lacks are taken from the machine's fonts.
"""

from __future__ import annotations

import struct
import zlib
from importlib import util
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.drawings.kinds import mark

DOTS_PER_INCH = 200
_MM_PER_INCH = 25.4
_INSTALL = 'Install it, in a clone of wallguard, with `pip install ".[pictures]"`, or ask for SVG'


def png(svg: str, width: float, path: str | Path, kind: str) -> bytes:
    """The picture `svg`, which is `width` mm wide, as PNG of DOTS_PER_INCH.

    path  of the file it is meant for, to name it in errors
    kind  see `drawings.kinds`

    Raises InputError where the renderer or its font is not installed, or refuses the picture.
    """
    try:
        import resvg_py
    except ImportError:
        raise InputError(path, "PNG needs a renderer", remedy=_INSTALL) from None
    try:
        data: bytes = resvg_py.svg_to_bytes(
            svg_string=svg,
            background="#ffffff",
            dpi=96.0,  # how many pixels an inch of the picture stands for
            width=round(width / _MM_PER_INCH * DOTS_PER_INCH),
            sans_serif_family="Roboto",
            font_family="Roboto",
            font_files=[str(file) for file in _fonts(path)],
        )
    except ValueError as error:
        raise InputError(path, f"the picture cannot be rendered: {error}") from None
    return _labelled(bytes(data), kind)


def _fonts(path: str | Path) -> list[Path]:
    spec = util.find_spec("font_roboto")
    folders = list(spec.submodule_search_locations or ()) if spec else []
    files = [
        Path(folder) / "files" / name
        for folder in folders
        for name in ("Roboto-Regular.ttf", "Roboto-Bold.ttf")
    ]
    if not files or not all(file.is_file() for file in files):
        raise InputError(path, "PNG needs the font `font-roboto`", remedy=_INSTALL)
    return files


def _labelled(data: bytes, kind: str) -> bytes:
    """The same PNG with chunks that say how large it is on paper and what it is (PNG, 3rd edition,
    11.3.4.3 and 11.3.3.2)."""
    per_metre = round(DOTS_PER_INCH / _MM_PER_INCH * 1000)
    size = _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1))
    about = _chunk(b"tEXt", b"Comment\0" + mark(kind).encode("ascii"))
    after_header = 8 + 25  # the signature and the header chunk
    return data[:after_header] + size + about + data[after_header:]


def _chunk(name: bytes, content: bytes) -> bytes:
    body = name + content
    return struct.pack(">I", len(content)) + body + struct.pack(">I", zlib.crc32(body))
