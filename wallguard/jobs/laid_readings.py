"""Readings from a coupon's toolpath: what it lays, so that a process can be characterised
provisionally before anything is printed.

The features of the coupon are found by its manifest. How a wall comes out is read from the whole
wall, as `wallguard toolpath` does; its thickness at the heights at which callipers would be put on
the print, as the median along the middle of its length. A wall laid with gaps counts as missing.
Gaps, holes and pins are read in their middle. What lines across them meet is in `laid_across`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np

from wallguard.base import files
from wallguard.base.coupon import MANIFEST, SCHEMA
from wallguard.base.errors import InputError
from wallguard.coupon.laid import LaidAcross
from wallguard.coupon.readings import Readings
from wallguard.coupon.rows import FEATURES, Feature, Row, Seen
from wallguard.jobs.laid_across import Box, Drawn, free_room, outer_size, wall_across
from wallguard.jobs.verify import Reading, Verified, verify
from wallguard.part.part import Part
from wallguard.toolpath.across import VOID
from wallguard.toolpath.comparison import LaidWall
from wallguard.toolpath.otherwise import OtherPartError

_AGAIN = "Make the coupon anew with `wallguard coupon make`"
_LARGEST = 8 * 1024 * 1024
# What of a coupon is read in a toolpath.
_LAID: dict[str, Feature] = {"wall": "wall", "gap": "gap", "hole": "hole", "pin": "pin"}
# A wall of the comparison is a wall of the manifest if its thickness agrees to this, mm.
_SAME = 0.05
# One that reaches so much further than drawn is one with another wall, mm.
_BEHIND = 5.0


@dataclass(frozen=True)
class LaidPlate:
    """A plate of a coupon as a toolpath lays it: its features by the manifest, and all walls."""

    manifest: Mapping[str, Any]
    features: tuple[Drawn, ...]
    verified: Verified

    def wall(self, drawn: Drawn) -> LaidWall | None:
        """The wall where a feature is; None where none was found."""
        return _wall_in(drawn.nominal, drawn.box, self.verified.comparisons[0].walls)

    @property
    def readings(self) -> Readings:
        """Raises InputError: of the walls none was found."""
        return _readings(self)


def toolpath_readings(
    file: Path, folder: Path, *, filament: float = 1.75, flow: float = 1.0
) -> Readings:
    """The readings of one toolpath that makes a plate of the coupon in `folder`.

    filament  diameter in mm; flow: factor between filament fed and material laid

    Raises InputError: no coupon there, a toolpath that cannot be used, or of something else.
    """
    return laid_plate(file, folder, filament=filament, flow=flow).readings


def laid_plate(file: Path, folder: Path, *, filament: float = 1.75, flow: float = 1.0) -> LaidPlate:
    """What a toolpath lays of a plate of a coupon, see `toolpath_readings`."""
    manifest = _manifest(folder)
    problem: InputError | None = None
    for plate in manifest["plates"]:
        name = next((file for file in plate["files"] if str(file).endswith(".stl")), "")
        if not name or Path(name).name != name:
            raise InputError(folder / MANIFEST, "names no STL file of a plate", remedy=_AGAIN)
        geometry = Part.load(folder / name).geometry
        features = tuple(
            _drawn(feature) for feature in plate["features"] if feature["feature"] in _LAID
        )
        thickest = max((each.nominal for each in features if each.feature == "wall"), default=0.0)
        try:
            verified = verify(
                file,
                geometry,
                str(folder / name),
                Reading(filament, flow, largest=thickest + 1.0),
            )
        except OtherPartError as error:
            problem = error
            continue
        return LaidPlate(manifest, features, verified)
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
                if feature["feature"] not in set(FEATURES) - set(_LAID):
                    _drawn(feature)
            list(plate["files"])
    except (KeyError, TypeError, ValueError, IndexError):
        raise InputError(path, "lacks what a manifest holds", remedy=_AGAIN) from None
    return cast(Mapping[str, Any], manifest)


def _drawn(feature: Mapping[str, Any]) -> Drawn:
    """A feature of the manifest. Raises KeyError, TypeError, ValueError or IndexError."""
    measure, named = feature["measure"], str(feature["feature"])
    box = np.array(feature["box"], np.float64)
    heights = [float(point[2]) for point in measure["at"]]
    if box.shape != (2, 3) or not np.isfinite(box).all() or not heights:
        raise ValueError("a box has two corners")
    return Drawn(
        _LAID[named],
        str(feature["axis"]),
        float(feature["nominal"]),
        box,
        {"x": 0, "y": 1}.get(str(measure["across"])),
        tuple(heights),
    )


def _readings(plate: LaidPlate) -> Readings:
    verified, file, manifest = plate.verified, plate.verified.path, plate.manifest
    rows: list[Row] = []
    laid: list[LaidAcross] = []
    for number, drawn in enumerate(plate.features, 1):
        if drawn.feature == "wall":
            read = _wall(drawn, plate)
            if read is None:
                continue
            seen, measured, note, across = read
            laid.append(across)
        else:
            measured = (outer_size if drawn.feature == "pin" else free_room)(drawn, verified)
            seen, note = "solid" if measured else "missing", ""
        rows.append(
            Row(
                feature=drawn.feature,
                axis=drawn.axis,
                nominal=drawn.nominal,
                readings=measured,
                fill=seen,
                note=note,
                path=file,
                line=number,
            )
        )
    if not laid:
        raise InputError(
            file,
            "of the walls of the coupon none was found in it",
            remedy="Check whether it is the toolpath of this coupon",
        )
    return Readings(
        path=file,
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
        unmeasured=len(plate.features) - len(rows),
        remarks=tuple(f"{file}: {note}" for note in verified.notes),
        laid=tuple(laid),
    )


def _wall(drawn: Drawn, plate: LaidPlate) -> tuple[Seen, tuple[float, ...], str, LaidAcross] | None:
    """How a wall comes out, its thickness, a note, and what is laid across it; None where it was
    not found."""
    wall = plate.wall(drawn)
    if wall is None:
        return None
    fill: Seen = "solid"
    if wall.fill in ("missing", "broken"):
        fill = "missing"
    elif wall.fill in ("hollow", "porous", "sparse"):
        fill = "hollow"
    note = {"broken": "laid with gaps along its length", "sparse": "with a sparse fill"}
    if fill == "missing":
        nothing = LaidAcross(drawn.axis, drawn.nominal, fill, (), False)
        return fill, (), note.get(wall.fill, ""), nothing
    across = wall_across(drawn, plate.verified)
    if not across.thickness:
        return None
    if _joined(drawn, wall):
        fill = "hollow" if across.air >= VOID else "solid"
    laid = LaidAcross(drawn.axis, drawn.nominal, fill, across.strands, across.filled)
    return fill, across.thickness, note.get(wall.fill, ""), laid


def _joined(drawn: Drawn, wall: LaidWall) -> bool:
    """Whether a wall was verified as one with another, in line with it behind what holds both."""
    low, high = np.array(wall.stretch.box)
    size: float = np.max((high - low)[:2] - (drawn.box[1] - drawn.box[0])[:2])
    return size > _BEHIND


def _wall_in(nominal: float, box: Box, walls: Sequence[LaidWall]) -> LaidWall | None:
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
