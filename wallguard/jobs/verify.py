"""From a toolpath file and a part to what becomes of its walls: reading, placing, comparing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wallguard.base.errors import TooLargeError
from wallguard.part.geometry import Geometry
from wallguard.toolpath.beads import Beads, beads
from wallguard.toolpath.comparison import Comparison, LaidWall, compare
from wallguard.toolpath.placement import Placement
from wallguard.toolpath.placing import Places, find_places
from wallguard.toolpath.reader import read_toolpath

# Strands of two copies that are laid alike agree to this, mm: files have three decimals, and a
# place is fitted to a few thousandths. Beads so far around a copy count, mm: half a wide bead.
_ALIKE, _AROUND = 0.01, 0.5

# What is being done, and how far it has come: share from 0 to 1.
Step = Callable[[str, float], None]


@dataclass(frozen=True)
class Verified:
    """One toolpath against one part.

    filament  its diameter, mm
    notes  what was read but may mean something else, and what was not known
    """

    path: str
    laid: Beads
    filament: float
    places: tuple[Placement, ...]
    comparisons: tuple[Comparison, ...]
    notes: tuple[str, ...]

    @property
    def walls(self) -> tuple[LaidWall, ...]:
        """The walls of all copies."""
        return tuple(wall for comparison in self.comparisons for wall in comparison.walls)

    def boxes(self, geometry: Geometry) -> list[NDArray[np.float64]]:
        """Lower and upper corner (2, 2) of the box of each copy on the plate, mm."""
        corners = geometry.placed.mesh.vertices[:, :2]
        boxes = []
        for place in self.places:
            there = place.to_plate(corners)
            boxes.append(np.array([there.min(axis=0), there.max(axis=0)]))
        return boxes


@dataclass(frozen=True)
class Laid:
    """What one toolpath lays; `notes`: what was read but may mean something else."""

    path: str
    beads: Beads
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Reading:
    """How a toolpath is read and what of the part is looked at. Lengths in mm.

    filament  diameter; flow: factor between filament fed and material laid
    at        near which place of the plate the middle of the part's box lies; None: search
    mirrored  whether a part that is laid as in a mirror is found, too
    largest   walls up to this thickness are looked for; splits: where they are divided
    """

    filament: float = 1.75
    flow: float = 1.0
    at: tuple[float, float] | None = None
    mirrored: bool = False
    largest: float = 4.0
    splits: tuple[float, ...] = ()


def verify(
    file: Path,
    geometry: Geometry,
    part: str,
    reading: Reading | None = None,
    step: Step | None = None,
) -> Verified:
    """Read a toolpath, find the part on its plate, and compare every copy.

    Raises InputError: a toolpath that cannot be used, or one of something else.
    """
    how, tell = reading or Reading(), step or _silent
    laid = read_laid(file, how, tell)
    tell("placing", 0.0)
    places = placed(laid, geometry, part, how)
    return compared(laid, geometry, part, how, places, tell)


def read_laid(file: Path, how: Reading, tell: Step) -> Laid:
    """What a toolpath lays. Raises InputError: a toolpath that cannot be used."""
    toolpath = read_toolpath(
        file,
        filament=how.filament,
        flow=how.flow,
        progress=lambda done, size: tell("reading", done / max(size, 1)),
    )
    tell("finding beads", 0.0)
    laid = beads(toolpath)
    notes = [*toolpath.warnings, *laid.notes]
    # M words set things such as temperatures; there are some in every toolpath.
    unknown = [f"{code} ({n})" for code, n in toolpath.unknown.items() if code[:1] != "M"]
    if unknown:
        more = f" and {len(unknown) - 8} more" if len(unknown) > 8 else ""
        notes.append(f"codes passed over: {', '.join(unknown[:8])}{more}")
    return Laid(str(file), laid, tuple(notes))


def placed(laid: Laid, geometry: Geometry, part: str, how: Reading) -> Places:
    """Where the part lies on the plate. Raises InputError where it does not."""
    try:
        return find_places(
            geometry, laid.beads, part=part, path=laid.path, at=how.at, mirrored=how.mirrored
        )
    except TooLargeError as error:
        raise error.of(part) from None


def compared(
    laid: Laid, geometry: Geometry, part: str, how: Reading, places: Places, tell: Step
) -> Verified:
    """What becomes of every copy at these places. Raises InputError: a part that is too large."""
    comparisons: list[Comparison] = []
    try:
        for copy, place in enumerate(places.copies):
            tell("comparing", copy / len(places.copies))
            known = _known(geometry, laid.beads, places.copies, comparisons)
            comparisons.append(
                _again(known, copy)
                if known is not None
                else compare(
                    geometry, laid.beads, place, largest=how.largest, splits=how.splits, copy=copy
                )
            )
    except TooLargeError as error:
        raise error.of(part) from None
    notes = (*laid.notes, *places.remarks)
    return Verified(laid.path, laid.beads, how.filament, places.copies, tuple(comparisons), notes)


def _silent(what: str, share: float) -> None:
    pass


def _known(
    geometry: Geometry,
    laid: Beads,
    places: tuple[Placement, ...],
    compared: list[Comparison],
) -> Comparison | None:
    """What became of a copy that is laid, strand for strand, as the next one is; None: of none."""
    place = places[len(compared)]
    own = _strands(geometry, laid, place)
    for other, comparison in zip(places, compared, strict=False):
        if _lies(other) != _lies(place):
            continue
        its = _strands(geometry, laid, other)
        if len(its) != len(own) or not (laid.layer[its] == laid.layer[own]).all():
            continue
        way = np.array(place.shift) - other.shift
        same = np.abs(laid.start[own] - laid.start[its] - way).max(initial=0.0) < _ALIKE
        same &= np.abs(laid.end[own] - laid.end[its] - way).max(initial=0.0) < _ALIKE
        if same and np.abs(laid.width[own] - laid.width[its]).max(initial=0.0) < _ALIKE:
            return comparison
    return None


def _lies(place: Placement) -> tuple[float, float, bool]:
    return place.angle, place.raised, place.mirrored


def _strands(geometry: Geometry, laid: Beads, place: Placement) -> NDArray[np.int64]:
    """The beads in and around a copy's box, in the order they are laid."""
    low, high = (
        corner[:2]
        for corner in (
            geometry.placed.mesh.vertices.min(axis=0),
            geometry.placed.mesh.vertices.max(axis=0),
        )
    )
    middle = place.to_part((laid.start + laid.end) / 2)
    here = ((middle >= low - _AROUND) & (middle <= high + _AROUND)).all(axis=1)
    return np.flatnonzero(here)


def _again(comparison: Comparison, copy: int) -> Comparison:
    walls = tuple(replace(wall, copy=copy) for wall in comparison.walls)
    return replace(comparison, walls=walls)
