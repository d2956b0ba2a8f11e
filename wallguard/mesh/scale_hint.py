"""A part whose size suggests that it was drawn in another unit than it was read in.

All thresholds are common practice, no published source: a part of less than 3 mm is hardly ever
printed, and one that is more than twice as long as the printer is not meant to be. Nobody is
told off for a small part: between 3 mm and 20 inches there is no hint without evidence in the
numbers themselves, and whoever states the unit gets a hint only where the size is absurd.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wallguard.base.units import MILLIMETRES, Unit
from wallguard.mesh.mesh import UnitSource

_SMALL = 3.0  # mm, of the largest extent
_ABSURD = 1.0  # mm, where the unit is stated
_USUAL = 5.0  # mm: the least largest extent of a part that another unit would explain
_LARGEST = 600.0  # mm, where no build volume is known
_LARGEST_INCH = 20.0  # inches: what a part read in mm by mistake may be long

_NAMES: dict[Unit, str] = {
    "micrometre": "micrometres",
    "mm": "mm",
    "cm": "cm",
    "m": "metres",
    "inch": "inches",
    "foot": "feet",
}


@dataclass(frozen=True)
class UnitHint:
    """Another unit is likelier than the one the part was read in.

    severity    `warn`, or `note` where the file or the repository states the unit
    candidates  units that give a usual size, likeliest first, and the extents in mm with each
    message, advice  plain sentences
    """

    severity: Literal["warn", "note"]
    candidates: tuple[tuple[Unit, tuple[float, float, float]], ...]
    message: str
    advice: str


def suspect_size(
    drawn: tuple[float, ...],
    drawn_in: tuple[Unit, UnitSource],
    build_volume: tuple[float, float, float] | None = None,
    scale: float = 1.0,
) -> UnitHint | None:
    """A hint where a part's size suggests another unit, else None.

    drawn         its size in x, y and z as it is read, mm, before it is placed
    drawn_in      its unit, and where that came from
    build_volume  of the printer, mm
    scale         printed size over the size in the file, so that a building at 1:200 raises no
                  question
    """
    unit, given = drawn_in
    extents = np.array(drawn) * scale
    size = float(extents.max())
    largest = max(build_volume) if build_volume else _LARGEST
    stated = given != "default"
    if size <= 0:
        return None
    if size < (_ABSURD if stated else _SMALL) or size > 2 * largest:
        candidates = _candidates(extents, unit, largest)
    elif not stated and scale == 1 and unit == "mm" and _drawn_in_inches(extents):
        candidates = _candidates(extents, unit, largest, ("inch",))
    else:
        return None
    if not candidates:
        return None
    source = {
        "format": f"the file says {unit}",
        "repository": f"wallguard.yaml says {unit}",
        "default": f"no unit is stated, so {unit} is taken",
    }[given]
    others = ", or ".join(f"{_size(each)} if drawn in {_NAMES[unit]}" for unit, each in candidates)
    remedy = (
        "if the size is wrong, export the part in its true unit"
        if given == "format"
        else f"if the size is wrong, set `unit: {candidates[0][0]}` for this part in wallguard.yaml"
        + (f"; if it is right, `unit: {unit}` there says so" if not stated else "")
    )
    return UnitHint(
        "note" if stated else "warn",
        candidates,
        f"the part is {_size(extents)} ({source}); it would be {others}",
        remedy,
    )


def _candidates(
    extents: NDArray[np.float64],
    unit: Unit,
    largest: float,
    among: tuple[Unit, ...] = ("inch", "mm", "cm", "m", "foot", "micrometre"),
) -> tuple[tuple[Unit, tuple[float, float, float]], ...]:
    """Units with which the part has a usual size; inch and mm are mixed up most often."""
    units: list[tuple[Unit, tuple[float, float, float]]] = []
    for other in among:
        x, y, z = (extents * (MILLIMETRES[other] / MILLIMETRES[unit])).tolist()
        if other != unit and _USUAL <= max(x, y, z) <= largest:
            units.append((other, (x, y, z)))
    units.sort(key=lambda each: max(each[1]) < 2 * _USUAL)
    return tuple(units)


def _drawn_in_inches(extents: NDArray[np.float64]) -> bool:
    """Whether the numbers read as mm are round as inches, or as mm once they are taken as inches.

    Round in inches is a multiple of 1/32; in mm, of 0.1. All three extents have to be, and one
    of them must not be round in mm as it stands (a multiple of 0.05): 5 x 2.5 x 2 says nothing.
    """
    if extents.max() > _LARGEST_INCH or _multiples(extents, 0.05).all():
        return False
    return bool(_multiples(extents, 1 / 32).all() or _multiples(extents * 25.4, 0.1).all())


def _multiples(values: NDArray[np.float64], step: float) -> NDArray[np.bool_]:
    # Single precision leaves six or seven digits.
    near: NDArray[np.bool_] = np.abs(values / step - np.rint(values / step)) * step <= 2e-6 * (
        1 + np.abs(values)
    )
    return near


def _size(extents: tuple[float, ...] | NDArray[np.float64]) -> str:
    # Three digits say enough, but 20000 is easier to read than 2e+04.
    sides = (f"{value:.0f}" if value >= 1000 else f"{value:.3g}" for value in extents)
    return " × ".join(sides) + " mm"
