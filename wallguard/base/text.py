"""How numbers and places are written in messages, the same everywhere."""

from __future__ import annotations

import re

# Thickness is right to 0.005 mm and shown with two decimals; a limit is broken only where the two
# shown numbers differ too.
SHOWN = 0.005


def number(text: str) -> float:
    """A number as people write it: "0.4", and "0,4" too. Raises ValueError."""
    return float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)


def mm(value: float) -> str:
    """A length with two decimals: 1.5 -> "1.50"."""
    return f"{round(value, 2) + 0.0:.2f}"


def mm2(value: float) -> str:
    """An area without decimals, a small one with one: 120.4 -> "120", 0.42 -> "0.4"."""
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}"


def limit_text(value: float) -> str:
    """A limit as it was written, with at least two decimals: 0.8 -> "0.80", 0.805 -> "0.805"."""
    short = f"{value:g}"
    return short if len(short.partition(".")[2]) > 2 else mm(value)


def place(point: tuple[float, float, float]) -> str:
    """A point with one decimal: "(12.0, 3.5, 4.0)"."""
    return "(" + ", ".join(f"{round(value, 1) + 0.0:.1f}" for value in point) + ")"


def below(measured: float, limit: float) -> bool:
    """Whether `measured` is less than `limit` by more than what is computing error and rounding."""
    return measured < limit - SHOWN


def above(measured: float, limit: float) -> bool:
    """Whether `measured` is more than `limit` by more than what is computing error and rounding."""
    return measured > limit + SHOWN


def span(low: float, typical: float, high: float) -> str:
    """How thick a wall is: "1.50 mm", or "0.30 to 0.48 mm" where it varies.

    That it grows by a few hundredths where it meets others is not worth a word.
    """
    if high - low <= max(0.05, 0.05 * typical):
        return f"{mm(typical)} mm"
    return f"{mm(low)} to {mm(high)} mm"


def wording(message: str) -> str:
    """A message without its numbers and places: what kind of thing it says."""
    return re.sub(r"[-\d.,()\s]+", " ", message)
