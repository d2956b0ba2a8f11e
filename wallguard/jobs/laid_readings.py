"""Readings from a coupon's toolpath: what it lays, so that a process can be characterised
provisionally before anything is printed.

The walls of the coupon are found by its manifest. How one comes out is read from the whole wall, as
`wallguard toolpath` does; its thickness at the heights at which callipers would be put on the
print, as the median along the middle of its length. A wall laid with gaps counts as missing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np

from wallguard.base import files
from wallguard.base.coupon import MANIFEST, SCHEMA
from wallguard.base.errors import InputError
from wallguard.coupon.readings import Readings
from wallguard.coupon.rows import Row, Seen
from wallguard.jobs.verify import Reading, Verified, verify
from wallguard.part.part import Part
from wallguard.toolpath.comparison import LaidWall, across_walls

_AGAIN = "Make the coupon anew with `wallguard coupon make`"
_LARGEST = 8 * 1024 * 1024
# Lines across a wall at each height, over the middle of its length.
_LINES, _MIDDLE = 25, 0.6
# A wall of the comparison is a wall of the manifest if its thickness agrees to this, mm.
_SAME = 0.05


def toolpath_readings(
    file: Path, folder: Path, *, filament: float = 1.75, flow: float = 1.0
) -> Readings:
    """The readings of one toolpath that makes a plate of the coupon in `folder`.

    filament  diameter in mm; flow: factor between filament fed and material laid

    Raises InputError: no coupon there, a toolpath that cannot be used, or of something else.
    """
    manifest = _manifest(folder)
    problem: InputError | None = None
    for plate in manifest["plates"]:
        name = next((file for file in plate["files"] if str(file).endswith(".stl")), "")
        if not name or Path(name).name != name:
            raise InputError(folder / MANIFEST, "names no STL file of a plate", remedy=_AGAIN)
        geometry = Part.load(folder / name).geometry
        walls = [feature for feature in plate["features"] if feature["feature"] == "wall"]
        thickest = max((float(wall["nominal"]) for wall in walls), default=0.0)
        try:
            verified = verify(
                file,
                geometry,
                str(folder / name),
                Reading(filament, flow, largest=thickest + 1.0),
            )
        except InputError as error:
            if error.path != str(file) or "does not make" not in error.problem:
                raise
            problem = error
            continue
        return _readings(file, manifest, walls, verified)
    raise problem or InputError(folder / MANIFEST, "holds no plate", remedy=_AGAIN)


def _manifest(folder: Path) -> Mapping[str, Any]:
    path = folder / MANIFEST
    if not path.exists():
        raise InputError(
            folder, "holds no coupon", remedy="Name the folder that `wallguard coupon make` wrote"
        )
    data = files.read(path, _LARGEST, kind="the manifest of a coupon", smaller=_AGAIN)
    try:
        manifest = json.loads(data)
    except (ValueError, RecursionError):
        raise InputError(path, "is not JSON", remedy=_AGAIN) from None
    try:
        if manifest["schema"] != SCHEMA:
            raise InputError(path, f"is not of the format {SCHEMA}", remedy=_AGAIN)
        for plate in manifest["plates"]:
            for feature in plate["features"]:
                _box(feature)
                float(feature["nominal"])
                [[float(value) for value in point] for point in feature["measure"]["at"]]
                str(feature["feature"]), str(feature["axis"]), str(feature["measure"]["across"])
            list(plate["files"])
    except (KeyError, TypeError, ValueError, IndexError):
        raise InputError(path, "lacks what a manifest holds", remedy=_AGAIN) from None
    return cast(Mapping[str, Any], manifest)


def _box(feature: Mapping[str, Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    box = np.array(feature["box"], np.float64)
    if box.shape != (2, 3):
        raise ValueError("a box has two corners")
    return box


def _readings(
    file: Path,
    manifest: Mapping[str, Any],
    walls: Sequence[Mapping[str, Any]],
    verified: Verified,
) -> Readings:
    rows = []
    for number, feature in enumerate(walls, 1):
        row = _row(feature, verified, str(file), number)
        if row is not None:
            rows.append(row)
    if not rows:
        raise InputError(
            file,
            "of the walls of the coupon none was found in it",
            remedy="Check whether it is the toolpath of this coupon",
        )
    return Readings(
        path=str(file),
        rows=tuple(rows),
        keys={
            "rules": str(manifest.get("rules", "")),
            "process": str(manifest.get("process", "")),
            "round": str(manifest.get("round", 1)),
            "source": "toolpath",
            "unit": "mm",
        },
        error=0.0,
        error_stated=True,
        resolution=0.01,
        unmeasured=len(walls) - len(rows),
        remarks=tuple(f"{file}: {note}" for note in verified.notes),
    )


def _row(feature: Mapping[str, Any], verified: Verified, path: str, number: int) -> Row | None:
    nominal, box = float(feature["nominal"]), _box(feature)
    wall = _wall_in(nominal, box, verified.comparisons[0].walls)
    if wall is None:
        return None
    fill: Seen = "solid"
    if wall.fill in ("missing", "broken"):
        fill = "missing"
    elif wall.fill in ("hollow", "sparse"):
        fill = "hollow"
    note = {"broken": "laid with gaps along its length", "sparse": "with a sparse fill"}
    measured: tuple[float, ...] = ()
    if fill != "missing":
        across: Literal[0, 1] = 0 if feature["measure"]["across"] == "x" else 1
        measured = _thickness(box, across, nominal, feature["measure"]["at"], verified)
        if not measured:
            return None
    return Row(
        feature="wall",
        axis=str(feature["axis"]),
        nominal=nominal,
        readings=measured,
        fill=fill,
        note=note.get(wall.fill, ""),
        path=path,
        line=number,
    )


def _wall_in(
    nominal: float, box: np.ndarray[Any, np.dtype[np.float64]], walls: Sequence[LaidWall]
) -> LaidWall | None:
    """The wall in a box; of several pieces the one that takes up most of it."""
    best, nearest = 0.0, None
    for wall in walls:
        if abs(wall.stretch.typical - nominal) > _SAME:
            continue
        low, high = np.array(wall.stretch.box)
        shared = np.minimum(high, box[1]) - np.maximum(low, box[0])
        size = float(shared.prod()) if (shared > 0).all() else 0.0
        if size > best:
            best, nearest = size, wall
    return nearest


def _thickness(
    box: np.ndarray[Any, np.dtype[np.float64]],
    across: Literal[0, 1],
    nominal: float,
    at: Sequence[Sequence[float]],
    verified: Verified,
) -> tuple[float, ...]:
    along = 1 - across
    middle = box.mean(axis=0)
    reach = (box[1] - box[0])[along] * _MIDDLE / 2
    points = np.zeros((_LINES, 2))
    points[:, across] = middle[across]
    points[:, along] = middle[along] + np.linspace(-reach, reach, _LINES)
    normal = np.zeros((_LINES, 2))
    normal[:, across] = 1.0
    levels = verified.comparisons[0].levels
    thicknesses = []
    for point in at:
        height = float(point[2])
        nearest = min(levels, key=lambda level: abs(level.top - level.height / 2 - height))
        printed = across_walls(verified.laid, verified.places[0], nearest, points, normal, nominal)
        printed = printed[printed > 0]
        if len(printed):
            thicknesses.append(round(float(np.median(printed)), 3))
    return tuple(thicknesses)
