"""What becomes of a wall, and what to draw instead, in words."""

from __future__ import annotations

import math

from wallguard.bands.table import BandTable, Outcome, reading

# A good range narrower than this (mm) is named with both its ends: with one it would mislead.
_NARROW = 0.1

NOTHING_GOOD = "no thickness comes out solid and within the tolerance"


def describe(outcome: Outcome) -> str:
    """What will happen, as the end of a sentence that begins with the wall."""
    if outcome.fill == "missing":
        return "will not be printed"
    if outcome.fill == "hollow":
        air = f", with about {outcome.air:.2f} mm of air" if outcome.air >= 0.005 else ""
        return f"will print hollow{air}"
    if outcome.fill == "uncertain" or outcome.printed is None or outcome.deviation is None:
        return "may come out well or not: nobody found out what happens at this thickness"
    drawn = outcome.printed - outcome.deviation
    if f"{outcome.printed:.2f}" == f"{drawn:.2f}":
        return f"will come out as drawn, about {outcome.printed:.2f} mm thick"
    return f"will come out about {outcome.printed:.2f} mm thick (drawn {drawn:.2f})"


def advise(
    table: BandTable, thickness: float, tolerance: tuple[float, float], minimum: float = 0.0
) -> str:
    """What to draw instead of `thickness`: the nearest thinner and thicker good thickness.

    tolerance  (thinner, thicker) in mm, as `BandTable.classify` takes it
    minimum    (mm) nothing thinner is advised

    Each thickness named is itself good; of a good range narrower than 0.1 mm both ends are named.
    """
    nominal = reading(thickness)
    ranges = table.good_ranges(tolerance, minimum)
    if not ranges:
        limit = f" from {minimum:.2f} mm up" if minimum > 0 else ""
        return f"{NOTHING_GOOD}{limit}: change the process or its settings"
    if any(first <= nominal <= last for first, last in ranges):
        return f"{nominal:.2f} mm is good to draw"
    choices = [_named(good, "≤") for good in ranges if good[1] < nominal][-1:]
    choices += [_named(good, "≥") for good in ranges if good[0] > nominal][:1]
    return f"draw {' or '.join(choices)} mm"


def range_text(first: float, last: float) -> str:
    """A range of readings in mm: `0.90-1.00`, `≥ 1.73`, or `1.00` alone."""
    if math.isinf(last):
        return f"≥ {first:.2f}"
    return f"{first:.2f}" if first == last else f"{first:.2f}-{last:.2f}"


def _named(good: tuple[float, float], sign: str) -> str:
    first, last = good
    if last - first < _NARROW:
        return range_text(first, last)
    return f"{sign} {last if sign == '≤' else first:.2f}"
