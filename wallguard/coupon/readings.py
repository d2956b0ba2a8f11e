"""Calliper readings of a printed coupon, read from CSV.

The header is `feature,axis,nominal,reading_1,reading_2,reading_3,fill,note` (as many `reading_N`
as wanted); before it may stand lines `# key: value`. Decimal commas are accepted where columns are
separated by semicolons or tabs, or where the cell is in quotes; not both marks in one file.

Every problem in the file is named, each with its row and column (the number of the cell).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.base.plain import nearest
from wallguard.coupon.callipers import UNKNOWN_INSTRUMENT
from wallguard.coupon.laid import LaidAcross
from wallguard.coupon.rows import HEADER, MAX_CELL, Row, Rows, Slips
from wallguard.documents.reading import FileKind, read_text

KEYS = (
    "rules",
    "process",
    "date",
    "instrument",
    "instrument_error",
    "unit",
    "round",
    "source",
    "read_by",
    "software",
    "firmware",
)
SOURCES = ("print", "toolpath")

MAX_BYTES = 512 * 1024
# An instrument that is worse than this (mm) tells nothing about a wall.
_WORST_INSTRUMENT = 1.0

_KEY = re.compile(r"#\s*([A-Za-z_][A-Za-z_ ]{0,30}?)\s*:\s*(.*)")
_CSV = FileKind("a CSV file", HEADER)

# The keys of a file, each with the line it stands in.
_Keys = dict[str, tuple[int, str]]


@dataclass(frozen=True)
class Readings:
    """One file of readings. Lengths in mm.

    keys        what stands in the lines `# key: value`, as text
    error       the instrument's largest error, and whether the file states it
    resolution  the last digit that the readings show
    unmeasured  rows passed over because nothing stands in them
    remarks     what is odd about the file but does not keep it from being used
    laid        of a toolpath, what it lays across each wall
    """

    path: str
    rows: tuple[Row, ...]
    keys: dict[str, str] = field(default_factory=dict)
    error: float = UNKNOWN_INSTRUMENT
    error_stated: bool = False
    resolution: float = 0.01
    unmeasured: int = 0
    remarks: tuple[str, ...] = ()
    laid: tuple[LaidAcross, ...] = field(default=(), repr=False)


def read_readings(path: Path, shown: str | None = None) -> Readings:
    """The readings in the CSV file at `path`; `shown` names it in errors.

    Raises InputError: unreadable, too large, no header, nothing measured; or DocumentError with
    every row and column that cannot be used.
    """
    shown = str(path) if shown is None else shown
    return parse_readings(read_text(path, shown, MAX_BYTES, _CSV), shown)


def parse_readings(text: str, shown: str) -> Readings:
    """The same from text."""
    slips = Slips(shown)
    if text.startswith("PK\x03\x04"):
        raise InputError(shown, "this is a spreadsheet or archive", remedy="Save it as CSV text")
    lines = re.split(r"\r\n|\n|\r", text)
    start = next(
        (at for at, line in enumerate(lines) if line.strip(' \t",;') and not _comment(line)), None
    )
    if start is None:
        raise InputError(shown, "there is no row", remedy=f"Begin with `{HEADER}`")
    keys = _keys(lines[:start], slips)
    rows = Rows.of(lines[start:], start, slips)
    error = _instrument(keys, slips)
    measured, unmeasured = rows.read()
    if not measured:
        raise InputError(
            shown,
            f"nothing is filled in ({unmeasured} empty rows)" if unmeasured else "no rows",
            remedy="Fill in the readings and the fill as seen",
        )
    if unmeasured:
        slips.remarks.append(f"{shown}: {unmeasured} rows are not filled in")
    return Readings(
        path=shown,
        rows=tuple(measured),
        keys={key: value for key, (_, value) in keys.items()},
        error=UNKNOWN_INSTRUMENT if error is None else error,
        error_stated=error is not None,
        resolution=10.0**-rows.decimals,
        unmeasured=unmeasured,
        remarks=tuple(slips.remarks),
    )


def _keys(lines: Sequence[str], slips: Slips) -> _Keys:
    """The lines `# key: value`; other comments say what they like."""
    keys: _Keys = {}
    for number, line in enumerate(lines, 1):
        matched = _KEY.fullmatch(_unquoted(line))
        if not matched:
            continue
        key, value = matched[1].lower().replace(" ", "_"), matched[2].strip()
        if key not in KEYS:
            if near := nearest(key, KEYS):
                remedy = f"The nearest known key is `{near}`"
                slips.problem(number, 1, f"unknown key `{key}`", remedy)
        elif key in keys:
            text = f"the key `{key}` stands here a second time, first in line {keys[key][0]}"
            slips.problem(number, 1, text, "Keep one of them")
        elif value:
            keys[key] = (number, value[:MAX_CELL])
    at, unit = keys.get("unit", (0, "mm"))
    if unit.lower() not in ("mm", "millimetre", "millimeter"):
        remedy = "Write the readings in mm, and `# unit: mm`"
        slips.problem(at, 1, f"the unit is `{unit[:20]}`", remedy)
    at, source = keys.get("source", (0, "print"))
    if source not in SOURCES:
        slips.problem(at, 1, f"the source is `{source[:20]}`", "Write `print` or `toolpath`")
    return keys


def _instrument(keys: _Keys, slips: Slips) -> float | None:
    """The instrument's largest error in mm; None where it is not stated."""
    if "instrument_error" not in keys:
        if keys.get("source", (0, ""))[1] == "toolpath":
            return 0.0
        slips.remarks.append(
            f"{slips.shown}: no `# instrument_error:` is stated: {UNKNOWN_INSTRUMENT:g} mm, "
            "that of the coarsest callipers, is taken"
        )
        return None
    line, text = keys["instrument_error"]
    # A calliper's error is often written with its unit and sign.
    matched = re.fullmatch(r"(?:±|\+/?-)?\s*([0-9]*[.,]?[0-9]+)\s*(mm)?", text)
    value = float(matched[1].replace(",", ".")) if matched else -1.0
    if not 0 <= value <= _WORST_INSTRUMENT:
        slips.problem(
            line,
            1,
            f"`instrument_error` is `{text[:20]}`, expected a number of mm from 0 to "
            f"{_WORST_INSTRUMENT:g}",
            "Write the largest error the instrument's maker states, such as 0.02",
        )
        return None
    return value


def _comment(line: str) -> bool:
    return line.lstrip(' \t"').startswith("#")


def _unquoted(line: str) -> str:
    """A comment line without what a spreadsheet adds when it saves it as a row."""
    bare = line.strip().rstrip(",;\t ")
    return bare[1:-1].strip() if len(bare) > 1 and bare[0] == bare[-1] == '"' else bare


def merged(files: Sequence[Readings]) -> Iterator[Row]:
    """The rows of several rounds, in the order given.

    Raises InputError where two files say that they are of different processes.
    """
    first: tuple[str, str] | None = None
    for file in files:
        process = file.keys.get("process", "")
        if process and first and process != first[0]:
            raise InputError(
                file.path,
                f"these readings are of the process `{process}`, those in {first[1]} of "
                f"`{first[0]}`",
                remedy="Fit each process by itself",
            )
        if process and not first:
            first = (process, file.path)
        yield from file.rows
