"""What becomes of a wall, and what to draw instead, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from wallguard.bands.table import COMPUTING_ERROR, PER_MM, BandTable, Outcome, reading
from wallguard.base.units import SYMBOLS, Unit, in_unit

Range = tuple[float, float]
# What begins below this (mm), less than two readings, begins with the first.
_LEAST = 1.5 / PER_MM

# How far (mm) a leaning wall may miss a reading in its layers: what still reads the same there,
# less what a mesh in single precision takes.
_READS = 0.004

NOTHING_GOOD = "no thickness comes out solid and within the tolerance"


def describe(outcome: Outcome, read: float | None = None) -> str:
    """What will happen, as the end of a sentence that begins with the wall.

    read  what callipers square to it will read, mm, where that is another thickness
    """
    said, drawn = _comes_out(outcome)
    between = "" if read is None else f"{read:.2f} mm between callipers square to it"
    aside = ", ".join(filter(None, (drawn, between)))
    return f"{said} ({aside})" if aside else said


def _comes_out(outcome: Outcome) -> tuple[str, str]:
    """What will happen, and how thick it is drawn where that is not as it comes out."""
    if outcome.fill == "missing":
        return "will not be printed", ""
    if outcome.fill == "hollow":
        air = f", with about {outcome.air:.2f} mm of air" if outcome.air >= 0.005 else ""
        return f"will print hollow{air}", ""
    if outcome.band.fill == "hollow" and outcome.printed is not None:
        moves = f"moves on by {outcome.shift:.2f} mm a layer, over {outcome.air:.2f} mm of air"
        how = "will print" if outcome.fill == "porous" else "may print hollow or"
        return f"{moves}: {how} filled with pores, about {outcome.printed:.2f} mm thick", ""
    if either := outcome.band.either:
        fills = " or ".join("not at all" if fill == "missing" else fill for fill in either)
        return f"may come out {fills}: the edge between them is calculated, not measured", ""
    if outcome.fill == "uncertain" or outcome.printed is None or outcome.deviation is None:
        return "may come out well or not: nobody found out what happens at this thickness", ""
    drawn = outcome.printed - outcome.deviation
    if f"{outcome.printed:.2f}" == f"{drawn:.2f}":
        return f"will come out as drawn, about {outcome.printed:.2f} mm thick", ""
    return f"will come out about {outcome.printed:.2f} mm thick", f"drawn {drawn:.2f}"


class Drawn(NamedTuple):
    """How a wall is drawn.

    scale   printed size over the size in the file
    unit    that the file is drawn in
    square  of a wall that leans, the least and the greatest ratio of its thickness square to it, as
            it is drawn, to that in the layers: the cosine of its lean
    """

    scale: float = 1.0
    unit: Unit = "mm"
    square: tuple[float, float] = (1.0, 1.0)


AS_PRINTED = Drawn()


def leaning(thickness: float, square: tuple[float, float]) -> float | None:
    """The thickness (mm) square to a wall that is `thickness` in its layers; None where the wall
    leans too little for the two to read differently."""
    across = thickness * sum(square) / 2
    return None if reading(across) == reading(thickness) else across


def _as_named(thickness: float, square: tuple[float, float]) -> tuple[float, str]:
    """The reading by which a wall is named that is `thickness` in its layers, and how it is taken,
    in words; empty: along the layers, as it leans too little to tell."""
    across = leaning(thickness, square)
    return (reading(thickness), "") if across is None else (reading(across), " square to the wall")


def callipers(printed: float, layer_height: float, square: tuple[float, float]) -> float:
    """What callipers read (mm) square to a leaning wall that is `printed` mm wide in its layers.

    The jaws touch the layers' rounded edges. A layer is an upright segment of the circle's diameter
    h, its height, swept by printed - h, so its width along a direction that leans by a is
    (printed - h) cos a + h (closed form: the width of a sum of sets is the sum of their widths).
    """
    return max(printed - layer_height, 0.0) * sum(square) / 2 + min(printed, layer_height)


def advise(
    table: BandTable,
    thickness: float,
    tolerance: tuple[float, float],
    minimum: float = 0.0,
    drawn: Drawn = AS_PRINTED,
) -> str:
    """What to draw instead of `thickness`: the nearest thinner and thicker good thickness.

    thickness  (mm) in the layers, as the table means it
    tolerance  (thinner, thicker) in mm, as `BandTable.classify` takes it
    minimum    (mm) nothing that is drawn thinner is advised
    drawn      how the wall is drawn; what is printed is said too where the scale is not 1. Where
               it leans, the thickness named is that square to it

    Of a good range both ends are named: beyond either the wall would come out otherwise.
    """
    nominal, where = _as_named(thickness, drawn.square)
    thinner, thicker = nearest_drawn(table, thickness, tolerance, minimum, drawn.square)
    if thinner is None and thicker is None:
        return _nothing_good(table, nominal, minimum)
    if thinner is not None and thicker is not None and thinner[1] == thicker[0]:
        return f"{drawn_range((nominal, nominal), drawn)}{where} is good to draw"
    said = [drawn_range(good, drawn) for good in (thinner, thicker) if good is not None]
    if drawn.scale == 1:  # the unit once
        said = [each.removesuffix(" mm") for each in said[:-1]] + said[-1:]
    return f"draw {' or '.join(said)}{where}"


def _nothing_good(table: BandTable, nominal: float, minimum: float) -> str:
    """What to do where no thickness is good: where all are off alike, that is not for the drawing
    to mend."""
    last = table.bands[-1]
    if last.fill != "solid" or last.slope != 1 or f"{abs(last.offset):.2f}" == "0.00":
        limit = f" from {minimum:.2f} mm up" if minimum > 0 else ""
        return f"{NOTHING_GOOD}{limit}: change the process or its settings"
    off = f"{abs(last.offset):.2f} mm {'thicker' if last.offset > 0 else 'thinner'}"
    draw = f"draw ≥ {minimum:.2f} mm; " if nominal < minimum - COMPUTING_ERROR else ""
    return (
        f"{draw}every wall comes out {off}, out of tolerance: compensate that in the process's "
        "settings, or widen `tolerance`"
    )


def nearest_drawn(
    table: BandTable,
    thickness: float,
    tolerance: tuple[float, float],
    minimum: float,
    square: tuple[float, float],
) -> tuple[Range | None, Range | None]:
    """The nearest good range (mm) to draw of what is thinner and of what is thicker, None where
    there is none; where the wall's own thickness is good one ends and the other begins with it.
    The arguments are those of `advise`."""
    nominal, _ = _as_named(thickness, square)
    ranges = _good(table, tolerance, minimum, square)
    thinner = [(first, min(last, nominal)) for first, last in ranges if first <= nominal]
    thicker = [(max(first, nominal), last) for first, last in ranges if last >= nominal]
    return (thinner[-1] if thinner else None, thicker[0] if thicker else None)


def advise_apart(
    table: BandTable,
    thickness: float,
    tolerance: tuple[float, float],
    apart: float,
    minimum: float = 0.0,
    drawn: Drawn = AS_PRINTED,
) -> str:
    """What to draw instead of a good thickness that is too near to one that is not: the nearest
    that is `apart` (mm in the layers) from those, or in the middle of its good range where that is
    narrower. The other arguments are those of `advise`."""
    nominal, where = _as_named(thickness, drawn.square)
    ranges = _good(table, tolerance, minimum, drawn.square)
    first, last = next((r for r in ranges if r[0] <= nominal <= r[1]), (nominal, nominal))
    inset = min(apart * sum(drawn.square) / 2, (last - first) / 2)
    wanted = max(nominal, first + inset)
    # Of a range without an end half of it is none, either.
    wanted = min(wanted, last - inset) if math.isfinite(last) else wanted
    wanted = reading(wanted)
    return f"draw {drawn_range((wanted, wanted), drawn)}{where}"


def _good(
    table: BandTable, tolerance: tuple[float, float], minimum: float, square: tuple[float, float]
) -> list[Range]:
    """The ranges of good thickness as it is drawn, none of it below the minimum."""
    ranges = _as_drawn(table.good_ranges(tolerance), square)
    least = math.ceil((minimum - COMPUTING_ERROR) * 100) / 100
    return [(max(first, least), last) for first, last in ranges if last >= least]


def _as_drawn(ranges: Sequence[Range], square: tuple[float, float]) -> list[Range]:
    """Ranges of readings in the layers as ranges of the thickness drawn, in hundredths: what lies
    in one is in the range of the layers however far the wall leans, in between as well."""
    least, most = square
    drawn = []
    for first, last in ranges:
        low = math.ceil((first - _READS) * most * 100) / 100
        high = math.inf if math.isinf(last) else math.floor((last + _READS) * least * 100) / 100
        if low <= high:
            drawn.append((low, high))
    return drawn


def range_text(first: float, last: float) -> str:
    """A range of readings in mm: `0.90-1.00`, `≥ 1.73`, or `1.00` alone."""
    if math.isinf(last):
        return f"≥ {first:.2f}"
    return f"{first:.2f}" if first == last else f"{first:.2f}-{last:.2f}"


def range_words(first: float, last: float) -> str:
    """A range of thicknesses as one says it: "1.05 to 1.22 mm"."""
    if math.isinf(last):
        return f"{first:.2f} mm and thicker"
    return f"{first:.2f} mm" if first == last else f"{first:.2f} to {last:.2f} mm"


def ranges_words(ranges: Sequence[tuple[float, float]]) -> str:
    """Several ranges as one says them: "0.94 to 1.17, 1.67 to 2.21 mm, 2.71 mm and thicker"."""
    said = [range_words(*ends) for ends in ranges]
    closed = [words.removesuffix(" mm") for words in said[:-1]]
    if len(said) > 1 and said[-1].endswith("thicker"):
        closed[-1] += " mm"
    return ", ".join([*closed, *said[-1:]])


def drawn_range(good: Range, drawn: Drawn) -> str:
    """A range (mm as printed) as it is drawn, with what is printed where that is not the same:
    "0.90-1.00 mm", "≤ 0.62 mm", "≥ 300 mm (0.60 mm printed)"."""
    first, last = good
    endless = math.isinf(last)
    sign = "≥ " if endless else "≤ " if first < _LEAST else ""
    ends = (first,) if endless else (last,) if sign or first == last else good
    printed = f"{'-'.join(f'{end:.2f}' for end in ends)} mm"
    if drawn.scale == 1:
        return f"{sign}{printed}"
    lengths = " to ".join(in_unit(end / drawn.scale, drawn.unit) for end in ends)
    return f"{sign}{lengths} {SYMBOLS[drawn.unit]} ({printed} printed)"
