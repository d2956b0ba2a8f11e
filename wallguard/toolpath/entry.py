"""How a toolpath inside a package is named: `plate.3mf::Metadata/plate_1.gcode`."""

from __future__ import annotations

from pathlib import Path

BETWEEN = "::"


def split(path: Path) -> tuple[Path, str]:
    """The file, and the entry of it that is meant; empty: the file itself, or its only toolpath."""
    name, between, entry = str(path).partition(BETWEEN)
    return (Path(name), entry) if between and entry else (path, "")
