"""What a result depends on besides its input: the program's own code, and the libraries it uses."""

from __future__ import annotations

import os
import platform
import sys
from functools import cache
from pathlib import Path

from wallguard import __version__
from wallguard.store.store import key_of

_HOUSE = Path(__file__).resolve().parents[1]
# What takes part in a check; what chooses parts or shows results does not.
_ROOMS = (
    *("bands", "base", "checks", "documents", "findings", "jobs", "mesh", "part", "rules"),
    *("sections", "shapes", "store", "walls"),
)
_LIBRARIES = ("cascadio", "libigl", "manifold3d", "msgspec", "numpy", "scipy", "shapely")


@cache
def stamp() -> str:
    """The same for the same code, libraries, Python and kind of machine.

    The code itself is read, not only its version: between two releases it changes too, and the same
    release may lie in two places.
    """
    code = [path.read_bytes() for room in _ROOMS for path in sorted((_HOUSE / room).rglob("*.py"))]
    kind = (sys.version, sys.platform, platform.machine())
    return key_of(__version__, *kind, *_versions(), *code)


def _versions() -> list[str]:
    """The library's versions, from the names of the folders that say what is installed: importing
    them to ask would take longer than what is looked up with it."""
    versions = {}
    for place in reversed(sys.path):
        try:
            names = os.listdir(place or ".")  # noqa: PTH208 - names only, and quickly
        except OSError:
            continue
        for name in names:
            library, _, rest = name.partition("-")
            if library in _LIBRARIES and rest.endswith(".dist-info"):
                versions[library] = name
    return [versions.get(library) or _asked(library) for library in _LIBRARIES]


def _asked(library: str) -> str:
    from importlib import metadata

    try:
        return metadata.version(library)
    except metadata.PackageNotFoundError:
        return ""
