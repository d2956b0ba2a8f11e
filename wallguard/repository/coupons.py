"""Which files are plates of a coupon: they test a process, and are no parts to be checked."""

from __future__ import annotations

import re
from pathlib import Path, PurePosixPath

from wallguard.base import files
from wallguard.base.coupon import MANIFEST, SCHEMA
from wallguard.base.errors import InputError

# As the coupon's files are named: no other file is left out, whatever a manifest lists.
_PLATE = re.compile(r"plate-[1-9][0-9]*\.(stl|3mf)")
_LARGEST = 8 * 1024 * 1024


def is_manifest(path: str) -> bool:
    """Whether a file, by its name, may be what says that a folder holds a coupon."""
    return PurePosixPath(path).name == MANIFEST


def is_plate(root: Path, path: str) -> bool:
    """Whether the file at `path`, relative to `root`, is a plate of the coupon beside which it
    lies: by its name, and listed by a manifest of ours in its folder."""
    name, folder = PurePosixPath(path).name, root / PurePosixPath(path).parent
    if not _PLATE.fullmatch(name) or not (folder / MANIFEST).is_file():
        return False
    import json

    try:
        manifest = json.loads(files.read(folder / MANIFEST, _LARGEST, root=root))
        listed = [each for plate in manifest["plates"] for each in plate["files"]]
        return bool(manifest["schema"] == SCHEMA) and name in listed
    except (InputError, ValueError, RecursionError, KeyError, TypeError):
        return False
