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

# As they are written behind a number: ISO 80000-3 for the metric ones, else common practice.
SYMBOLS: dict[Unit, str] = {
    "micrometre": "µm",
    "mm": "mm",
    "cm": "cm",
    "m": "m",
    "inch": "in",
    "foot": "ft",
}


def in_unit(length: float, unit: Unit) -> str:
    """A length in mm as a number of `unit`: four digits, never a power of ten."""
    value = length / MILLIMETRES[unit] + 0.0
    if abs(value) >= 1000:
        return f"{value:.0f}"
    short = f"{value:.4g}"
    return f"{value:.6f}".rstrip("0").rstrip(".") if "e" in short else short
