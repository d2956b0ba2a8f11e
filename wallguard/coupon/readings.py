"""Calliper readings of a printed coupon, read from CSV.

The header is `feature,axis,nominal,reading_1,reading_2,reading_3,fill,note` (as many `reading_N`
as wanted); before it may stand lines `# key: value`. Decimal commas are accepted where columns are
separated by semicolons or tabs, or where the cell is in quotes; not both marks in one file.

Every problem in the file is named, each with its row and column (the number of the cell). A row
with neither reading nor fill is one that was not measured, and is passed over.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, TypeAlias, get_args

from wallguard.base.errors import InputError
from wallguard.coupon.callipers import UNKNOWN_INSTRUMENT
from wallguard.documents.reading import DocumentError, FileKind, Place, Problem, read_text
from wallguard.documents.shape import nearest

Feature = Literal["wall", "gap", "hole", "pin"]
Seen = Literal["solid", "hollow", "missing"]

FEATURES: tuple[Feature, ...] = get_args(Feature)
FILLS: tuple[Seen, ...] = get_args(Seen)
AXES: dict[Feature, tuple[str, ...]] = {
    "wall": ("x", "y"),
    "gap": ("x", "y", ""),
    "hole": ("vertical", "horizontal"),
    "pin": ("vertical", "horizontal", ""),
}
KEYS = (
    "rules",
    "process",
    "date",
    "instrument",
    "instrument_error",
    "unit",
    "round",
    "source",
)
SOURCES = ("print", "toolpath")
_NEEDED = ("feature", "axis", "nominal", "fill")

MAX_BYTES = 512 * 1024
MAX_ROWS = 2000
MAX_COLUMNS = 64
MAX_CELL = 500
# Beyond this no coupon goes, mm.
_LARGEST = 1000.0
# An instrument that is worse than this (mm) tells nothing about a wall.
_WORST_INSTRUMENT = 1.0

_READING = re.compile(r"reading_[1-9][0-9]{0,2}")
_NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)")
_KEY = re.compile(r"#\s*([A-Za-z_][A-Za-z_ ]{0,30}?)\s*:\s*(.*)")
_CSV = FileKind("a CSV file", "feature,axis,nominal,reading_1,fill")

_Cells: TypeAlias = tuple[int, list[str]]


@dataclass(frozen=True)
class Row:
    """One step of a coupon as measured. Lengths in mm.

    axis      of walls and gaps the machine axis along which they run, of holes and pins their own
    readings  empty where the fill is `missing`
    line      where it stands in the file
    """

    feature: Feature
    axis: str
    nominal: float
    readings: tuple[float, ...]
    fill: Seen
    note: str
    path: str
    line: int


@dataclass(frozen=True)
class Readings:
    """One file of readings. Lengths in mm.

    keys        what stands in the lines `# key: value`, as text
    error       the instrument's largest error, and whether the file states it
    resolution  the last digit that the readings show
    unmeasured  rows passed over because nothing stands in them
    remarks     what is odd about the file but does not keep it from being used
    """

    path: str
    rows: tuple[Row, ...]
    keys: dict[str, str] = field(default_factory=dict)
    error: float = UNKNOWN_INSTRUMENT
    error_stated: bool = False
    resolution: float = 0.01
    unmeasured: int = 0
    remarks: tuple[str, ...] = ()


def read_readings(path: Path, shown: str | None = None) -> Readings:
    """The readings in the CSV file at `path`; `shown` names it in errors.

    Raises InputError: unreadable, too large, no header, nothing measured; or DocumentError with
    every row and column that cannot be used.
    """
    shown = str(path) if shown is None else shown
    return parse_readings(read_text(path, shown, MAX_BYTES, _CSV), shown)


def parse_readings(text: str, shown: str) -> Readings:
    """The same from text."""
    return _Reader(shown).read(text)


class _Reader:
    """Reads one file and gathers its problems."""

    def __init__(self, shown: str) -> None:
        self.shown = shown
        self.problems: list[Problem] = []
        self.remarks: list[str] = []
        self.marks: set[str] = set()
        self.decimals = 0

    def problem(self, line: int, column: int, text: str, remedy: str = "") -> None:
        self.problems.append(Problem(Place(self.shown, line, column), text, remedy))

    def read(self, text: str) -> Readings:
        if text.startswith("PK\x03\x04"):
            raise InputError(
                self.shown, "this is a spreadsheet or archive", remedy="Save it as CSV text"
            )
        lines = re.split(r"\r\n|\n|\r", text)
        start = next(
            (at for at, line in enumerate(lines) if line.strip(' \t",;') and not _comment(line)),
            None,
        )
        if start is None:
            raise InputError(
                self.shown, "there is no row", remedy=f"Begin with `{_CSV.first_line}`"
            )
        keys = self.keys(lines[:start])
        separator = _separator(lines[start])
        rows = self.cells(lines[start:], start, separator)
        line, header = rows[0]
        columns = self.header(line, header)
        if self.problems:
            raise DocumentError(tuple(self.problems))
        error = self.instrument(keys)
        found, unmeasured = self.rows(rows[1:], columns, len(header), separator)
        if self.problems:
            raise DocumentError(tuple(self.problems))
        if not found:
            raise InputError(
                self.shown,
                f"nothing is filled in ({unmeasured} empty rows)" if unmeasured else "no rows",
                remedy="Fill in the readings and the fill as seen",
            )
        if unmeasured:
            self.remarks.append(f"{self.shown}: {unmeasured} rows are not filled in")
        return Readings(
            path=self.shown,
            rows=tuple(found),
            keys={key: value for key, (_, value) in keys.items()},
            error=UNKNOWN_INSTRUMENT if error is None else error,
            error_stated=error is not None,
            resolution=10.0**-self.decimals,
            unmeasured=unmeasured,
            remarks=tuple(self.remarks),
        )

    def keys(self, lines: Sequence[str]) -> dict[str, tuple[int, str]]:
        """The lines `# key: value`; other comments say what they like."""
        found: dict[str, tuple[int, str]] = {}
        for number, line in enumerate(lines, 1):
            matched = _KEY.fullmatch(_unquoted(line))
            if not matched:
                continue
            key, value = matched[1].lower().replace(" ", "_"), matched[2].strip()
            if key not in KEYS:
                if near := nearest(key, KEYS):
                    self.problem(
                        number, 1, f"unknown key `{key}`", f"The nearest known key is `{near}`"
                    )
            elif key in found:
                self.problem(
                    number,
                    1,
                    f"the key `{key}` stands here a second time, first in line {found[key][0]}",
                    "Keep one of them",
                )
            elif value:
                found[key] = (number, value[:MAX_CELL])
        at, unit = found.get("unit", (0, "mm"))
        if unit.lower() not in ("mm", "millimetre", "millimeter"):
            self.problem(
                at, 1, f"the unit is `{unit[:20]}`", "Write the readings in mm, and `# unit: mm`"
            )
        at, source = found.get("source", (0, "print"))
        if source not in SOURCES:
            self.problem(at, 1, f"the source is `{source[:20]}`", "Write `print` or `toolpath`")
        return found

    def instrument(self, keys: dict[str, tuple[int, str]]) -> float | None:
        """The instrument's largest error in mm; None where it is not stated."""
        if "instrument_error" not in keys:
            if keys.get("source", (0, ""))[1] == "toolpath":
                return 0.0
            self.remarks.append(
                f"{self.shown}: no `# instrument_error:` is stated: {UNKNOWN_INSTRUMENT:g} mm, "
                "that of the coarsest callipers, is taken"
            )
            return None
        line, text = keys["instrument_error"]
        # A calliper's error is often written with its unit and sign.
        matched = re.fullmatch(r"(?:±|\+/?-)?\s*([0-9]*[.,]?[0-9]+)\s*(mm)?", text)
        value = float(matched[1].replace(",", ".")) if matched else -1.0
        if not 0 <= value <= _WORST_INSTRUMENT:
            self.problem(
                line,
                1,
                f"`instrument_error` is `{text[:20]}`, expected a number of mm from 0 to "
                f"{_WORST_INSTRUMENT:g}",
                "Write the largest error the instrument's maker states, such as 0.02",
            )
            return None
        return value

    def cells(self, lines: Sequence[str], before: int, separator: str) -> list[_Cells]:
        """The cells of every row that holds something, with the row's line in the file."""
        found: list[_Cells] = []
        reader = csv.reader(io.StringIO("\n".join(lines)), delimiter=separator, strict=True)
        try:
            for row in reader:
                if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#"):
                    found.append((before + reader.line_num, [cell.strip() for cell in row]))
                if len(found) > MAX_ROWS + 1:
                    line = before + reader.line_num
                    self.problem(line, 1, f"more than {MAX_ROWS} rows", "Check the file")
                    raise DocumentError(tuple(self.problems))
        except csv.Error as error:
            self.problem(
                before + reader.line_num,
                1,
                f"cannot be read as CSV ({error})",
                "Check the quotes in this row and before it",
            )
            raise DocumentError(tuple(self.problems)) from None
        return found

    def header(self, line: int, cells: Sequence[str]) -> dict[str, int]:
        """Where each known column is."""
        found: dict[str, int] = {}
        for number, cell in enumerate(cells[:MAX_COLUMNS], 1):
            name = cell.lower().replace(" ", "_")
            if name in found:
                self.problem(line, number, f"a second column `{name[:40]}`", "Keep one of them")
            elif name in (*_NEEDED, "note") or _READING.fullmatch(name):
                found[name] = number - 1
            elif near := nearest(name, (*_NEEDED, "note", "reading_1")):
                self.problem(
                    line,
                    number,
                    f"unknown column `{name[:40]}`",
                    f"The nearest known column is `{near}`",
                )
            elif name:
                self.remarks.append(f"{self.shown}: the column `{name[:40]}` is not used")
        if len(cells) > MAX_COLUMNS:
            self.problem(
                line, MAX_COLUMNS + 1, f"more than {MAX_COLUMNS} columns", "Remove columns"
            )
        missing = [f"`{name}`" for name in _NEEDED if name not in found]
        if not any(map(_READING.fullmatch, found)):
            missing.append("`reading_1`")
        if missing:
            self.problem(
                line,
                1,
                f"no column {', '.join(missing)}",
                f"The header is `{_CSV.first_line}`, with more `reading_N` if wanted",
            )
        return found

    def rows(
        self, rows: Sequence[_Cells], columns: dict[str, int], width: int, separator: str
    ) -> tuple[list[Row], int]:
        found: list[Row] = []
        seen: dict[tuple[str, str, float], int] = {}
        unmeasured = 0
        for line, given in rows:
            if any(given[width:]):
                self.problem(
                    line,
                    width + 1,
                    f"{len(given)} cells, but the header has {width}",
                    "With decimal commas, separate columns by semicolons"
                    if separator == ","
                    else "Remove what is too much",
                )
                continue
            cells = [*given, *[""] * (width - len(given))]
            before = len(self.problems)
            row = self.row(line, cells, columns)
            if len(self.problems) > before:
                continue
            if row is None:
                unmeasured += 1
                continue
            key = (row.feature, row.axis, round(row.nominal, 4))
            if key in seen:
                self.problem(
                    line,
                    columns["nominal"] + 1,
                    f"{row.feature} {row.axis} {row.nominal:g} stands here a second time, "
                    f"first in row {seen[key]}",
                    "Put all readings of a step into one row, and another print in a file of "
                    "its own",
                )
                continue
            seen[key] = line
            found.append(row)
        return found, unmeasured

    def row(self, line: int, cells: Sequence[str], columns: dict[str, int]) -> Row | None:
        """One row; None where nothing is filled in, and where there is a problem."""
        readings = [(name, at) for name, at in columns.items() if _READING.fullmatch(name)]
        fill = cells[columns["fill"]].lower()
        filled = [(name, at) for name, at in readings if cells[at]]
        feature = self.choice(line, "feature", cells, columns, FEATURES)
        nominal = self.number(line, "nominal", cells, columns["nominal"])
        if not filled and not fill:
            return None
        if feature not in FEATURES or nominal is None:
            return None
        name: Feature = next(one for one in FEATURES if one == feature)
        axis = self.choice(line, "axis", cells, columns, AXES[name])
        if nominal == 0:
            self.problem(line, columns["nominal"] + 1, "`nominal` is 0", "Write the size drawn")
        values: list[float] = []
        for label, at in filled:
            value = self.number(line, label, cells, at, shown=True)
            if value is not None:
                values.append(value)
                if nominal and fill != "missing":
                    self.plausible(line, label, at, name, nominal, value)
        if not fill and name != "wall":
            fill = "solid"
        elif fill not in FILLS:
            self.choice(line, "fill", cells, columns, FILLS)
            return None
        if fill == "missing" and any(values):
            self.problem(
                line,
                filled[0][1] + 1,
                f"a reading of {values[0]:g}, but the fill is `missing`",
                "Leave the readings empty where nothing was printed, or correct `fill`",
            )
        if fill != "missing" and not filled:
            self.problem(
                line,
                readings[0][1] + 1,
                f"no reading, but the fill is `{fill}`",
                "Write at least one reading, or `missing` where nothing was printed",
            )
        note = cells[columns["note"]] if "note" in columns else ""
        return Row(
            feature=name,
            axis=axis,
            nominal=nominal,
            readings=() if fill == "missing" else tuple(values),
            fill=next(one for one in FILLS if one == fill),
            note=note[:MAX_CELL],
            path=self.shown,
            line=line,
        )

    def choice(
        self,
        line: int,
        name: str,
        cells: Sequence[str],
        columns: dict[str, int],
        values: Sequence[str],
    ) -> str:
        cell = cells[columns[name]].lower()
        if cell not in values:
            known = tuple(value for value in values if value)
            near = nearest(cell, known) if cell else None
            found = f'found "{cell[:30]}"' if cell else "it is empty"
            self.problem(
                line,
                columns[name] + 1,
                f"`{name}`: expected {' or '.join(known)}, but {found}",
                f"The nearest is `{near}`" if near else f"Write {' or '.join(known)}",
            )
        return cell

    def number(
        self, line: int, name: str, cells: Sequence[str], at: int, shown: bool = False
    ) -> float | None:
        """The length (mm) in a cell; None after naming what is wrong with it."""
        cell = cells[at]
        if not _NUMBER.fullmatch(cell):
            what = f'expected a number of mm, but found "{cell[:30]}"'
            if not cell:
                what = "it is empty"
            remedy = "Write a number such as 1.20"
            if re.fullmatch(r"[0-9]+[.,][0-9]{3}[.,][0-9]+", cell):
                remedy = "Write one decimal mark and nothing between thousands"
            elif re.fullmatch(_NUMBER.pattern + r"\s*[a-zA-Z\"']+", cell):
                remedy = "Write the number without a unit: it is in mm"
            self.problem(line, at + 1, f"`{name}`: {what}", remedy)
            return None
        mark = next((one for one in ",." if one in cell), "")
        if mark:
            self.marks.add(mark)
            if len(self.marks) > 1:
                self.problem(
                    line,
                    at + 1,
                    f'`{name}`: "{cell[:30]}", but other numbers in this file have the other '
                    "decimal mark",
                    "Write all of them alike: it may stand between thousands",
                )
                self.marks = {mark}
                return None
        value = float(cell.replace(",", "."))
        if value < 0:
            self.problem(line, at + 1, f"`{name}`: {cell[:30]} is negative", "Write a length in mm")
            return None
        if value > _LARGEST:
            self.problem(
                line,
                at + 1,
                f"`{name}`: {cell[:30]} mm is longer than {_LARGEST:g} mm",
                "Write a length in mm",
            )
            return None
        if shown:
            self.decimals = max(
                self.decimals, min(6, len(re.split("[.,]", cell, maxsplit=1)[-1]) if mark else 0)
            )
        return value

    def plausible(
        self, line: int, name: str, at: int, feature: Feature, nominal: float, value: float
    ) -> None:
        """Name a reading that is so far from nominal that it must be a slip.

        The bounds are wide: a wall that gets a whole bead comes out several times too thick
        (common practice, no published source).
        """
        where = f"`{name}`: {value:g} where {nominal:g} was drawn"
        if value == 0:
            self.problem(
                line,
                at + 1,
                f"`{name}`: 0",
                "Leave it empty, and write `missing` where nothing was printed",
            )
        elif value > 5 * nominal and value > nominal + 1:
            self.problem(
                line,
                at + 1,
                f"{where} is too large",
                "Check the decimal mark and that it is in mm",
            )
        elif feature == "wall" and value < nominal / 4 and value < nominal - 0.2:
            inch = 0.8 < value * 25.4 / nominal < 1.25
            self.problem(
                line,
                at + 1,
                f"{where} is too small{', and looks like inches' if inch else ''}",
                "Check the decimal mark and that it is in mm",
            )


def _comment(line: str) -> bool:
    return line.lstrip(' \t"').startswith("#")


def _unquoted(line: str) -> str:
    """A comment line without what a spreadsheet adds when it saves it as a row."""
    bare = line.strip().rstrip(",;\t ")
    return bare[1:-1].strip() if len(bare) > 1 and bare[0] == bare[-1] == '"' else bare


def _separator(header: str) -> str:
    """What separates the columns: the mark that the header holds most of."""
    return max(",;\t", key=lambda mark: (header.count(mark), mark == ","))


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
