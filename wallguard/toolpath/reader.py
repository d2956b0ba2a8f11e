"""From a toolpath file to its moves: RS-274 with an extruder axis E, plain or gzip.

Only motion and extrusion are read; comments never are. At the start all axes stand at zero,
coordinates are absolute and in mm, and E follows G90 and G91 until M82 or M83 is given.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wallguard.base.errors import InputError
from wallguard.toolpath.machine import Machine
from wallguard.toolpath.moves import MAX_MOVES, Store, Toolpath, TooManyMovesError
from wallguard.toolpath.runs import WORTHWHILE, obey_run, run_end
from wallguard.toolpath.stream import MAKE, Progress, blocks

# How a line of a toolpath begins, and how much of a text is looked at to see what it is, bytes.
_CODE = re.compile(rb"\s*(?:[NGMTXYZEFIJ]\s*[-+.\d]|[;(%@]|$)", re.IGNORECASE)
_LOOKED_AT = 16384
# Moves needed before a toolpath's way of counting E is doubted.
_EVIDENCE = 20


def read_toolpath(
    path: Path,
    *,
    filament: float = 1.75,
    flow: float = 1.0,
    progress: Progress | None = None,
) -> Toolpath:
    """Read all moves of a toolpath.

    filament  diameter in mm; flow: factor between filament fed and material laid
    progress  called with bytes read and size of the file, as the file goes

    Raises InputError, with the line, for files that are not text, too large, broken, use what is
    not followed here, feed no filament, or count E in another way than they say.
    """
    try:
        return _read(path, filament, flow, progress, in_runs=True)
    except InputError as error:
        if error.line is None and "move" not in error.problem:
            raise
        raise _no_code(path) or error from None


def _no_code(path: Path) -> InputError | None:
    """The error for a text of another kind: one of which most lines cannot be meant as G-code."""
    text = next(iter(blocks(path))).text[:_LOOKED_AT]
    lines = [line for line in text.split(b"\n") if line.strip()]
    if not lines or sum(_CODE.match(line) is not None for line in lines) >= len(lines) / 2:
        return None
    first = lines[0].strip()[:40].decode("utf-8", "replace")
    return InputError(
        path,
        f"this is not G-code: it begins with {first!r}",
        remedy="Give a toolpath (RS-274 with an extruder axis E), plain or packed with gzip",
    )


def _read(
    path: Path, filament: float, flow: float, progress: Progress | None, *, in_runs: bool
) -> Toolpath:
    for name, value in (("filament diameter", filament), ("flow factor", flow)):
        if not (math.isfinite(value) and 0.0 < value < 1000.0):
            raise InputError(path, f"a {name} of {value:g} is no {name}", remedy="Give one above 0")
    store = Store()
    machine = Machine(path, store, filament)
    lines = 0
    try:
        for block in blocks(path, progress):
            if block.unended:
                machine.unended = block.first
            lines = block.first + _obey(machine, block.text, block.first, in_runs=in_runs) - 1
            if machine.ended:
                break
        start, end, e, line, tool, feed = store.take()
        if (broken := machine.unsettled()) is not None:
            raise broken
    except TooManyMovesError as error:
        raise InputError(
            path, f"has more than {MAX_MOVES} moves", remedy="Split the toolpath"
        ) from error
    _some_feed(machine, e, start, end)
    _as_it_says(machine, start, end, e, line)
    return Toolpath(
        str(path),
        start,
        end,
        e,
        line,
        tool,
        feed,
        filament,
        flow,
        tuple(sorted(machine.units, reverse=True)),
        dict(sorted(machine.unknown.items())),
        machine.remarks(),
        lines,
        machine.arcs,
        machine.sagitta,
    )


def _obey(machine: Machine, text: bytes, first: int, *, in_runs: bool) -> int:
    """Carry out a block of lines; how many there were."""
    if text.isspace():
        return text.count(b"\n")
    place, number = 0, first
    while place < len(text) and not machine.ended:
        stop = run_end(text, place) if in_runs else place
        if stop > place:
            run = text[place:stop]
            count = run.count(b"\n")
            if count < WORTHWHILE or not obey_run(machine, run, number):
                for offset, raw in enumerate(run.split(b"\n")[:-1]):
                    machine.obey(raw, number + offset)
            number += count
            place = stop
            continue
        stop = text.index(b"\n", place) + 1
        machine.obey(text[place : stop - 1], number)
        number += 1
        place = stop
    return number - first


def _some_feed(
    machine: Machine,
    e: NDArray[np.float64],
    start: NDArray[np.float64],
    end: NDArray[np.float64],
) -> None:
    """Refuse a toolpath that lays nothing."""
    if not len(e):
        problem = "holds no move"
        remedy = "Give a toolpath (RS-274) for a machine that lays beads"
    elif not e.any():
        problem = f"feeds no filament: none of its {len(e)} moves has an E word that counts"
        remedy = "It seems made for a machine of another kind, for milling or laser cutting"
    elif not ((e > 0.0) & (start[:, :2] != end[:, :2]).any(axis=1)).any():
        problem = "lays no material: it never feeds filament while it moves in X or Y"
        remedy = MAKE
    else:
        return
    raise InputError(machine.path, problem, remedy=remedy)


def _as_it_says(
    machine: Machine,
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    e: NDArray[np.float64],
    line: NDArray[np.int64],
) -> None:
    """Refuse a toolpath whose E words are evidently counted in another way than it says."""
    length = np.hypot(end[:, 0] - start[:, 0], end[:, 1] - start[:, 1])
    along = np.flatnonzero((length > 1e-3) & (e != 0.0))
    laid = along[e[along] > 0.0]
    if len(along) < _EVIDENCE or len(laid) < 2:
        return
    said = ", ".join(f"{code} in line {number}" for number, code in machine.modes[:2])
    # Lengths read as positions go up and down, and end where they began.
    backward = len(along) - len(laid)
    if backward > 0.3 * len(along) and e.sum() < 0.25 * e[laid].sum():
        wrong = along[np.argmax(e[along] < 0.0)]
        raise InputError(
            machine.path,
            f"draws filament back in {backward} of {len(along)} moves where it should lay "
            "material: its E words look relative, and are read as absolute "
            f"({said or 'nothing in it says how they are meant'})",
            remedy="Say M83 at its start if they are relative",
            line=int(line[wrong]),
        )
    # Positions read as lengths grow from move to move, whatever the moves' own length, until they
    # are set back to zero; lengths of filament keep to the lengths of the moves.
    growing = np.count_nonzero(np.diff(e[laid]) > 0.0)
    low, high = np.quantile(e[laid] / length[laid], [0.1, 0.9])
    if growing > 0.9 * (len(laid) - 1) and high > 4.0 * low:
        raise InputError(
            machine.path,
            f"feeds more filament with every move, {e[laid[-1]]:.4g} mm with the last: its E words "
            f"look absolute, and are read as relative ({said or 'as G91 says'})",
            remedy="Say M82 at its start if they are absolute",
            line=int(line[laid[-1]]),
        )
