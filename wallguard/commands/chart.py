"""`wallguard chart`: the band table of a rule file as text, and which thicknesses are good to draw.

Fits 80 columns. Each fill has a character of its own, so the bar needs no colour.
"""

from __future__ import annotations

import math
import textwrap
from pathlib import Path

from wallguard.bands.advice import NOTHING_GOOD, range_text
from wallguard.bands.declared import band_table
from wallguard.bands.table import Band, BandTable
from wallguard.rules.load import load_rules
from wallguard.rules.model import Fill, Minimum, Rules

_WIDTH = 80
# From worst to best: where a column of the bar holds several, it shows the worst.
_MARKS: dict[Fill, str] = {"missing": ".", "hollow": "o", "uncertain": "?", "solid": "#"}
_GOOD = "+"
_BAR = 70
_TICK = 10


def run(rules_path: Path) -> str:
    """The chart of the rule file at `rules_path`.

    Raises InputError where the rule file cannot be used.
    """
    return chart(load_rules(rules_path))


def chart(rules: Rules) -> str:
    """The chart of one process: its bands, a bar along the thickness, what is good to draw.

    Raises InputError where no band table follows from the rules.
    """
    table = band_table(rules)
    minimum = _least(rules.minimum)
    good = table.good_ranges(rules.tolerance, minimum)
    paragraphs = (_title(rules), _rows(table), _bar(table, good), _good(rules, good, minimum))
    return "\n\n".join("\n".join(lines) for lines in paragraphs) + "\n"


def _least(minimum: Minimum) -> float:
    """The thinnest wall (mm) that no level of the rules complains about."""
    if minimum.wall is None:
        return 0.0
    return max(minimum.wall.fail or 0.0, minimum.wall.warn or 0.0)


def _title(rules: Rules) -> list[str]:
    process = ", ".join(text for text in (rules.printer, rules.material) if text)
    about = f"{rules.category}, layers of {rules.layer_height:g} mm"
    texts = (rules.name, process, about, rules.path)
    return [line for text in texts if text for line in textwrap.wrap(text, _WIDTH)]


def _rows(table: BandTable) -> list[str]:
    heads = ("nominal t, mm", "outcome", "printed, mm", "± U, mm", "air, mm", "source")
    rows = [heads]
    for band in table.bands:
        if band.readings is not None:
            missing = band.fill == "missing"
            rows.append(
                (
                    range_text(*band.readings),
                    band.fill,
                    _printed(band),
                    "-" if missing else f"{band.uncertainty:.2f}",
                    _air(band),
                    band.source,
                )
            )
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def _printed(band: Band) -> str:
    if band.fill == "missing":
        return "-"
    if band.slope == 0:
        return f"{band.offset:.2f}"
    if band.slope == 1:
        sign = "-" if band.offset < 0 else "+"
        return f"t {sign} {abs(band.offset):.2f}" if band.offset else "as drawn"
    return f"{band.offset:.2f} + {band.slope:.2f} t"


def _air(band: Band) -> str:
    if band.fill != "hollow" or band.readings is None:
        return "-"
    if band.solid_width == 0:
        return "not known"
    first, last = band.readings
    if math.isinf(last) and band.slope > 0:
        return f"≥ {band.air(first):.2f}"
    ends = sorted({band.air(first), band.air(first if math.isinf(last) else last)})
    return range_text(ends[0], ends[-1])


def _bar(table: BandTable, good: tuple[tuple[float, float], ...]) -> list[str]:
    """Rows of one character per step along the thickness: what is inside, and what is good."""
    per_column = math.ceil(_farthest(table, good) * 100 / _BAR)
    # A column stands for these readings, in hundredths: first to last, both included.
    columns = [(at * per_column, (at + 1) * per_column - 1) for at in range(_BAR)]
    fills = "".join(_mark(table, first, last) for first, last in columns)
    goods = "".join(
        _GOOD if any(low <= first / 100 and last / 100 <= high for low, high in good) else " "
        for first, last in columns
    )
    ticks = "".join(f"{at * per_column / 100:<{_TICK}.2f}" for at in range(0, _BAR, _TICK))
    ruler = "".join("|" if at % _TICK == 0 else "-" for at in range(_BAR))
    shown = {band.fill for band in table.bands if band.readings is not None}
    legend = [f"{mark} {fill}" for fill, mark in reversed(_MARKS.items()) if fill in shown]
    legend.append(f"{_GOOD} good to draw")
    return [
        f"inside  {fills}",
        f"good    {goods}".rstrip(),
        f"        {ruler}",
        f"mm      {ticks}".rstrip(),
        f"        {'   '.join(legend)}",
        f"        one character is {per_column / 100:.2f} mm and shows the worst in it",
    ]


def _farthest(table: BandTable, good: tuple[tuple[float, float], ...]) -> float:
    """How far (mm) the bar has to reach to show every change, and a little beyond."""
    changes = [*table.edges, *(end for ends in good for end in ends if math.isfinite(end))]
    return 1.1 * max(changes, default=0.0) or 1.0


def _mark(table: BandTable, first: int, last: int) -> str:
    held = set()
    for band in table.bands:
        lowest, highest = band.steps
        if max(first, lowest) <= min(last, highest):
            held.add(band.fill)
    return next(mark for fill, mark in _MARKS.items() if fill in held)


def _good(rules: Rules, good: tuple[tuple[float, float], ...], minimum: float) -> list[str]:
    thinner, thicker = rules.tolerance
    asked = f"solid, at most {thinner:.2f} mm thinner or {thicker:.2f} mm thicker, U included"
    if minimum > 0:
        asked += f", at least {minimum:.2f} mm"
    ranges = ", ".join(range_text(*ends) for ends in good)
    text = f"good to draw: {ranges} mm" if ranges else f"good to draw: {NOTHING_GOOD}"
    return [
        *textwrap.wrap(text, _WIDTH, subsequent_indent="  "),
        *textwrap.wrap(f"({asked})", _WIDTH),
    ]
