"""Runs of plain lines at once: straight moves, arcs, blank lines, comments, codes that do not
matter, all of them with or without line numbers and checksums.

What a run means is exactly what `Machine.obey` makes of its lines one by one; a run that holds
anything doubtful is left to it.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from wallguard.toolpath.arcs import (
    STRICT_RADII,
    ArcError,
    Chords,
    centres,
    chords,
    split_arcs,
)
from wallguard.toolpath.machine import FASTEST, PRIMING, REACH, Machine
from wallguard.toolpath.words import NUMBER

# Runs of fewer lines are faster one by one.
WORTHWHILE = 16

_REMARK = rb"(?:;[^\n]*+)?+\n"
# Blanks may stand within a number; then the line is not plain.
_WHOLE = rb"(?![ \t]*+[0-9.])"
_CODE = rb"[Gg](?:0*+[1-3]|0++)" + _WHOLE
_WORD = rb"[ \t]*+[XYZEFIJRxyzefijr]" + NUMBER + _WHOLE
_MOVE = rb"(?:" + _CODE + rb")?+(?:" + _WORD + rb")*+[ \t]*+"
# Not those that the machine obeys or that may stand with a tool number; no star, which may begin
# a checksum, and no G, which may be a move on the same line.
_SETTING = rb"[Mm](?!0*+(?:[1-9]|30|48|49|60|82|83|200|221)?(?![0-9]))\d++(?![ \t]*+\.)"
_SETTING += rb"[^\n;Gg*()]*+"
_SAYS = rb"(?:" + _SETTING + rb"|" + _MOVE + rb")"
_NUMBERED = rb"[Nn][0-9]++" + _WHOLE + rb"[ \t]*+" + _SAYS + rb"(?:\*[0-9]{1,3}(?![0-9])[ \t]*+)?+"
_RUN = re.compile(rb"(?:(?:" + _NUMBERED + rb"|[ \t]*+" + _SAYS + rb")" + _REMARK + rb")++")
_NUMBER_OF_LINE = re.compile(rb"^N[0-9]++", re.MULTILINE)
_CHECKSUM = re.compile(rb"\*([0-9]++)[ \t]*+")
_COMMENT = re.compile(rb";[^\n]*+")
_SETTING_LINE = re.compile(rb"^[ \t]*+[Mm]([0-9]++)[^\n]*+", re.MULTILINE)

_LETTERS = b"GXYZEFIJR"
_COLUMN = np.zeros(256, np.int64)
_COLUMN[np.frombuffer(_LETTERS, np.uint8)] = np.arange(len(_LETTERS))
_NUMBERS_ONLY = bytes.maketrans(_LETTERS + b"\n\t", b" " * (len(_LETTERS) + 2))

_Floats = NDArray[np.float64]


def run_end(text: bytes, place: int) -> int:
    """Where the run of plain lines that begins at `place` ends; `place` if there is none."""
    match = _RUN.match(text, place)
    return place if match is None else match.end()


def obey_run(machine: Machine, text: bytes, first: int) -> bool:
    """Carry out a run of plain lines, the first of which has the number `first`.

    False, and nothing is done, where the lines must be obeyed one by one.
    """
    if machine.doubt:
        return False
    if b";" in text:
        text = _COMMENT.sub(b"", text)
    if b"*" in text:
        if not _sums_agree(text):
            return False
        text = _CHECKSUM.sub(b"", text)
    text = text.upper()
    if b"N" in text:
        text = _NUMBER_OF_LINE.sub(b"", text)
    settings: list[bytes] = []
    if b"M" in text:
        settings = _SETTING_LINE.findall(text)
        text = _SETTING_LINE.sub(b"", text)
    raw = np.frombuffer(text, np.uint8)
    place = np.flatnonzero(raw >= ord("A"))
    if not len(place):
        _count(machine, settings)
        return True
    numbers = np.fromstring(text.translate(_NUMBERS_ONLY), np.float64, sep=" ")
    ends = np.flatnonzero(raw == ord("\n"))
    table = np.full((len(ends), len(_LETTERS)), np.nan)
    if len(numbers) != len(place) or np.abs(numbers).max() > REACH:
        return False
    table[np.searchsorted(ends, place), _COLUMN[raw[place]]] = numbers
    given = ~np.isnan(table)
    if np.count_nonzero(given) != len(place):  # a line with two words of one letter
        return False
    lines = np.flatnonzero(given.any(axis=1))
    if not given[lines[0], 0] and machine.motion is None:
        return False
    if len(lines) < len(table):
        table, given = table[lines], given[lines]
    rows = _rows(machine, table, given, lines + first)
    if rows is None:
        return False
    _count(machine, settings)
    machine.store.chunk(rows)
    return True


def _sums_agree(text: bytes) -> bool:
    """Whether every checksum is the exclusive or of the bytes before it in its line."""
    raw = np.frombuffer(text, np.uint8)
    stars = np.flatnonzero(raw == ord("*"))
    ends = np.flatnonzero(raw == ord("\n"))
    index = np.searchsorted(ends, stars)
    begins = np.where(index > 0, ends[index - 1] + 1, 0)
    sums = np.bitwise_xor.reduceat(raw, np.stack([begins, stars], axis=1).ravel())[::2]
    said = np.array([int(number) for number in _CHECKSUM.findall(text)])
    return bool((sums == said).all())


def _count(machine: Machine, settings: list[bytes]) -> None:
    for number in settings:
        machine.count(f"M{float(number):g}")


def _rows(
    machine: Machine, table: _Floats, given: NDArray[np.bool_], line: NDArray[np.int64]
) -> _Floats | None:
    """The moves of the lines in `table`, and the machine as it stands after them."""
    scale, count = machine.scale, len(table)
    feed = _held(table[:, 5] * scale, given[:, 5], machine.feed)
    if feed.min() < 0.0 or feed.max() > FASTEST:
        return None
    codes = _held(table[:, 0] * 10, given[:, 0], float(machine.motion or 0))
    # Axis words after a code that is an arc's are an arc; a feed alone is none.
    arc = np.flatnonzero((codes >= 20) & given[:, [1, 2, 3, 4, 6, 7, 8]].any(axis=1))
    rows = np.empty((count, 10))
    at = _positions(machine, table, given, rows)
    offset = np.array(machine.offset)
    if np.abs(rows[:, 3:6] + offset).max() > REACH:
        return None
    words, said = table[:, 4] * scale, given[:, 4]
    if machine.e_relative:
        fed = np.where(said, words, 0.0)
        e = float(np.cumsum(np.concatenate([[machine.e], fed]))[-1])
    else:
        position = np.concatenate([[machine.e], _held(words, said, machine.e)])
        fed = np.diff(position)
        e = float(position[-1])
    rows[:, 6] = fed * machine.per_word
    rows[:, 7], rows[:, 8], rows[:, 9] = line, machine.tool, feed
    if len(arc):
        made = _arcs(machine, table, given, rows, (arc, codes))
        if made is None:
            return None
        rows = split_arcs(rows, arc, made, offset)
        machine.arcs += len(arc)
    else:
        # Where a move begins is where the last one ended, to the bit.
        rows[:, 0:3] += offset
        rows[:, 3:6] += offset
    moving = (rows[:, 6] != 0.0) | (rows[:, 0:3] != rows[:, 3:6]).any(axis=1)
    if said.any():
        machine.mixed(int(line[np.argmax(said)]))
    if moving.any():
        machine.units.add("mm" if scale == 1.0 else "inch")
    if machine.laid < PRIMING:
        laying = (rows[:, 6] > 0.0) & (rows[:, 0:2] != rows[:, 3:5]).any(axis=1)
        machine.laid += len(np.unique(rows[laying, 7]))
    machine.at, machine.e, machine.feed = at, e, float(feed[-1])
    if given[:, 0].any():
        machine.motion = int(codes[-1])
    return rows if moving.all() else rows[moving]


def _positions(
    machine: Machine, table: _Floats, given: NDArray[np.bool_], rows: _Floats
) -> list[float]:
    """Write from where to where each line leads into `rows`; where the last one ends."""
    at = [0.0, 0.0, 0.0]
    for axis in range(3):
        words, said = table[:, 1 + axis] * machine.scale, given[:, 1 + axis]
        if machine.relative:
            moved = np.concatenate([[machine.at[axis]], np.where(said, words, 0.0)])
            way = np.cumsum(moved)[1:]
        else:
            way = _held(words, said, machine.at[axis])
        at[axis] = float(way[-1])
        rows[0, axis] = machine.at[axis]
        rows[:, 3 + axis] = way
        rows[1:, axis] = way[:-1]
    return at


def _arcs(
    machine: Machine,
    table: _Floats,
    given: NDArray[np.bool_],
    rows: _Floats,
    which: tuple[NDArray[np.int64], _Floats],
) -> Chords | None:
    """The chords of the arcs among the lines, `which` and by what codes; None where one of them
    is not in order."""
    arc, codes = which
    by_radius, by_centre = given[arc, 8], given[arc, 6:8].any(axis=1)
    if machine.plane != 170 or (by_radius == by_centre).any():
        return None
    clockwise = codes[arc] == 20
    start, end = rows[arc, 0:2], rows[arc, 3:5]
    middle = start + np.where(given[arc, 6:8], table[arc, 6:8], 0.0) * machine.scale
    try:
        if by_radius.any():
            middle[by_radius] = centres(
                start[by_radius],
                end[by_radius],
                table[arc[by_radius], 8] * machine.scale,
                clockwise[by_radius],
            )
        made = chords(start, end, middle, clockwise)
    except ArcError:
        return None
    off = np.flatnonzero(made.misfit > STRICT_RADII)
    if len(off):
        machine.misfits += len(off)
        machine.worst_misfit = max(machine.worst_misfit, float(made.misfit.max()))
        machine.first_misfit = machine.first_misfit or int(rows[arc[off[0]], 7])
    return made


def _held(values: _Floats, given: NDArray[np.bool_], before: float) -> _Floats:
    """Each value that is given, else the last one given before it."""
    index = np.maximum.accumulate(np.where(given, np.arange(1, len(values) + 1), 0))
    held: _Floats = np.concatenate([[before], values])[index]
    return held
