"""Units of length that a part file may be drawn in."""

from __future__ import annotations

from typing import Literal

Unit = Literal["micrometre", "mm", "cm", "m", "inch", "foot"]

# ISO 80000-3 for the metric units; the international inch and foot are exact since 1959.
MILLIMETRES: dict[Unit, float] = {
    "micrometre": 0.001,
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "inch": 25.4,
    "foot": 304.8,
}
