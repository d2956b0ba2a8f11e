"""The bytes of a part's file. Light: whoever knows a part by its bytes loads no numpy."""

from __future__ import annotations

from pathlib import Path

from wallguard.base import files
from wallguard.base.errors import InputError
from wallguard.base.formats import MAX_BYTES


def content(path: Path, shown: str | Path, root: Path | None = None) -> bytes:
    """The bytes of a mesh file, at least one and at most MAX_BYTES.

    shown  what the file is called in errors; root: a folder that it must lie in, links followed

    Raises InputError.
    """
    data = files.read(
        path,
        MAX_BYTES,
        kind="a mesh file",
        shown=str(shown),
        root=root,
        smaller="Export the part with coarser facets",
    )
    if not data:
        raise InputError(shown, "the file is empty", remedy="Export the part again")
    return data
