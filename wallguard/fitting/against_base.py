"""Which bead settings of the base the readings do not agree with, and what would explain them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wallguard.fitting.settings import Estimate, Range, one_setting
from wallguard.fitting.steps import Scatter, Step
from wallguard.rules.model import Beads, Rules

# Settings are written in hundredths: what lies outside by less is the same, mm.
_SAME = 0.005


def against_base(
    found: Estimate | None, base: Rules, steps: Sequence[Step], scatter: Scatter
) -> tuple[str, ...]:
    """In words; empty where the base agrees, or has no bead settings.

    found  settings that explain the steps; None: none do, and one of the base's is looked for that
           would explain them better
    """
    beads = base.beads
    if beads is None:
        return ()
    if found is not None:
        return tuple(_otherwise(found, beads))
    better = one_setting(steps, scatter, base)
    if better is None:
        return ()
    return (f"{_words(*better)} better than with {_value(better[0], beads)}, as in the base",)


def _otherwise(found: Estimate, beads: Beads) -> Iterator[str]:
    for key, one in found.ranges.items():
        before = _value(key, beads)
        if before is None or (key == "contours" and found.contours_taken):
            continue
        if not one.low - _SAME <= before <= one.high + _SAME:
            yield f"{_words(key, one)}, where the base says {before:g}"
    for key in ("between_one_and_two", "single_bead"):
        said = getattr(beads, key)
        text = said if isinstance(said, str) else str(said).lower()
        words = found.choices.get(key, ())
        if words and text not in words:
            name = key.replace("_", " ")
            yield f"readings agree with {name}: {' or '.join(words)}, where the base says {text}"


def _value(key: str, beads: Beads) -> float | None:
    if key in ("narrowest bead", "widest bead"):
        return beads.width_varies and beads.width_varies[key == "widest bead"]
    if key == "spacing":
        spacing = beads.spacing
        return spacing if isinstance(spacing, int | float) else None
    return float(getattr(beads, key))


def _words(key: str, one: Range) -> str:
    value = f"{one.value:g}" if key == "contours" else f"{one.value:.2f}"
    if key == "width":
        return f"readings agree with beads {value} wide"
    return f"readings agree with {key.replace('_', ' ')} {value}"
