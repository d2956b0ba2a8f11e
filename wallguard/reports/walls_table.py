"""The walls of a part as a table on a terminal: what is in this file?"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from wallguard.base.plain import counted
from wallguard.findings.model import Wall
from wallguard.reports import order

WIDTH = 100
# How far another outcome may be to be told, mm.
_NEAR = 1.0


def table(walls: Iterable[Wall]) -> str:
    """Walls, thinnest first, at most 100 columns wide; ends with a line break.

    Outcome and printed thickness are shown where rules said them.
    """
    listed = order.walls(walls)
    if not listed:
        return "no walls found\n"
    judged = any(wall.fill is not None for wall in listed)
    head = ["min", "typical", "max", "length", "z", "point x", "y", "z", "held"]
    head += ["outcome", "printed ± U", "nearest"] if judged else []
    rows = [head, *(_row(wall, judged) for wall in listed)]
    shown = _aligned(rows)
    near = judged and len(shown[0]) <= WIDTH
    if judged and not near:
        shown = _aligned([row[:-1] for row in rows])
    notes = [
        f"{counted(len(listed), 'wall')}, thinnest first; mm, in the part file's own frame",
        "typical: median along the wall; held: on how many sides by other material",
    ]
    if near:
        notes.append("nearest: how far from a thickness that comes out otherwise, and how")
    return "\n".join([*shown, "", *notes]) + "\n"


def _row(wall: Wall, judged: bool) -> list[str]:
    spread = wall.thickness
    row = [_number(value, 2, 6) for value in (spread.min, spread.typical, spread.max)]
    row.append(_number(wall.length, 2, 7))
    row.append("..".join(_number(height, 2, 7) for height in wall.z))
    row += [_number(value, 1, 7) for value in wall.location]
    row.append(str(wall.sides))
    if judged:
        row.append(wall.fill or "-")
        printed = wall.printed
        row.append(
            "-"
            if printed is None
            else f"{_number(printed.value, 2, 6)} ± {_number(printed.uncertainty, 2, 4)}"
        )
        near = wall.margin is not None and wall.margin < _NEAR
        row.append(f"{wall.margin:.2f} {wall.beyond}" if near else "-")
    return row


def _number(value: float, decimals: int, width: int) -> str:
    """A number with as many of its decimals as fit in `width`; else its order of magnitude."""
    for places in range(decimals, -1, -1):
        shown = f"{round(value, places) + 0.0:.{places}f}"
        if len(shown) <= width:
            return shown
    return f"{value:.0e}".replace("e+0", "e").replace("e+", "e")


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    space = "  " if sum(widths) + 2 * (len(widths) - 1) <= WIDTH else " "
    return [
        space.join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in rows
    ]
