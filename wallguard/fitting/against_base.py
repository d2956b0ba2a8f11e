"""Which bead settings of the base the readings do not agree with, and what would explain them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wallguard.fitting.settings import Estimate, Range, number_of, one_setting, words_of
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
    if base.beads is None:
        return ()
    if found is not None:
        return tuple(_otherwise(found, base.beads, base.layer_height))
    better = one_setting(steps, scatter, base)
    if better is None:
        return ()
    value = number_of(better[0], base.beads, base.layer_height)
    return (f"{_words(*better)} better than with {value:g}, as in the base",)


def _otherwise(found: Estimate, beads: Beads, layer_height: float) -> Iterator[str]:
    for key, one in found.ranges.items():
        before = number_of(key, beads, layer_height)
        if key == "contours" and found.contours_taken:
            continue
        if not one.low - _SAME <= before <= one.high + _SAME:
            yield f"{_words(key, one)}, where the base says {before:g}"
    for key, text in words_of(beads).items():
        words = found.choices.get(key, ())
        if words and text not in words:
            name = key.replace("_", " ")
            yield f"readings agree with {name}: {' or '.join(words)}, where the base says {text}"


def _words(key: str, one: Range) -> str:
    value = f"{one.value:g}" if key == "contours" else f"{one.value:.2f}"
    if key == "width":
        return f"readings agree with beads {value} wide"
    return f"readings agree with {key.replace('_', ' ')} {value}"
