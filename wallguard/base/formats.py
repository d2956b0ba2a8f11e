"""The table of mesh formats: which files are parts, and which module reads each.

It is plain data and stands here, below everything, because those who look for parts (the
repository, what is asked of git, the hooks' patterns) must know the suffixes without importing
what reads meshes. A format is one line here and one module in `wallguard/mesh/formats/`, imported
when the first file of it is read; `python tests/refresh_readme.py` then brings the hooks' patterns
and the README up to date.
"""

from __future__ import annotations

# The module of each format: the suffixes of its files, in small letters.
MESH_FORMATS: dict[str, tuple[str, ...]] = {
    "stl": (".stl",),
    "threemf": (".3mf",),
    "obj": (".obj",),
    "ply": (".ply",),
    "step": (".step", ".stp"),
}
# Those that hold curves, which are given facets as they are read.
CURVED = ("step",)
# How far these facets lie off their curve at most, mm, where nobody says.
CHORD = 0.01
# How far neighbouring facets turn, radians: what counts for all but small radii is the chord error.
ANGLE = 0.2

# A mesh file of more bytes is refused.
MAX_BYTES = 512 * 1024**2

PART_SUFFIXES = tuple(suffix for suffixes in MESH_FORMATS.values() for suffix in suffixes)

# For pre-commit's `files`, a regular expression: parts, and YAML files, which say what parts are
# checked against. YAML 1.2 has .yaml; .yml is common practice.
HOOK_FILES = rf"(?i)\.({'|'.join(suffix[1:] for suffix in PART_SUFFIXES)}|ya?ml)$"


def format_module(suffix: str) -> str | None:
    """The module that reads files with this suffix, in whatever case; None where there is none."""
    for module, suffixes in MESH_FORMATS.items():
        if suffix.lower() in suffixes:
            return module
    return None
