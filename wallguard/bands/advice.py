"""What becomes of a wall, and what to draw instead, in words."""

from __future__ import annotations

import math

from wallguard.bands.table import BandTable, Outcome, reading
from wallguard.base.units import SYMBOLS, Unit, drawn_text, in_unit

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
    table: BandTable,
    thickness: float,
    tolerance: tuple[float, float],
    minimum: float = 0.0,
    *,
    scale: float = 1.0,
    unit: Unit = "mm",
) -> str:
    """What to draw instead of `thickness`: the nearest thinner and thicker good thickness.

    tolerance  (thinner, thicker) in mm, as `BandTable.classify` takes it
    minimum    (mm) nothing thinner is advised
    scale      printed size over the size in the file; what is printed is said too where it is not 1
    unit       that the file is drawn in

    Each thickness named is itself good; of a good range narrower than 0.1 mm both ends are named.
    """
    nominal = reading(thickness)
    ranges = table.good_ranges(tolerance, minimum)
    if not ranges:
        limit = f" from {minimum:.2f} mm up" if minimum > 0 else ""
        return f"{NOTHING_GOOD}{limit}: change the process or its settings"
    if any(first <= nominal <= last for first, last in ranges):
        said = f"{nominal:.2f} mm"
        if scale != 1:
            said = f"{drawn_text(nominal / scale, unit)} ({said} printed)"
        return f"{said} is good to draw"
    choices = [("≤", good) for good in ranges if good[1] < nominal][-1:]
    choices += [("≥", good) for good in ranges if good[0] > nominal][:1]
    if scale == 1:
        return f"draw {' or '.join(_named(good, sign) for sign, good in choices)} mm"
    return f"draw {' or '.join(_scaled(good, sign, scale, unit) for sign, good in choices)}"


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


def _scaled(good: tuple[float, float], sign: str, scale: float, unit: Unit) -> str:
    """As it is drawn, with what is printed: "≥ 300 mm (0.60 mm printed)"."""
    first, last = good
    ends = [in_unit(end / scale, unit) for end in good]
    if last - first >= _NARROW:
        end = last if sign == "≤" else first
        return f"{sign} {drawn_text(end / scale, unit)} ({end:.2f} mm printed)"
    between = ends[0] if first == last else " to ".join(ends)
    return f"{between} {SYMBOLS[unit]} ({range_text(first, last)} mm printed)"
