"""The rows of a file of readings: what stands in each, and every slip in them by row and column.

A row with neither reading nor fill is one that was not measured, and is passed over.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

from wallguard.base.plain import nearest
from wallguard.documents.reading import DocumentError, Place, Problem

Feature = Literal["wall", "gap", "hole", "pin", "raised", "sunken", "escape"]
Seen = Literal["solid", "hollow", "missing"]

FEATURES: tuple[Feature, ...] = get_args(Feature)
FILLS: tuple[Seen, ...] = get_args(Seen)
AXES: dict[Feature, tuple[str, ...]] = {
    "wall": ("x", "y"),
    "gap": ("x", "y", ""),
    "hole": ("vertical", "horizontal"),
    "pin": ("vertical", "horizontal", ""),
    "raised": ("x", "y", ""),
    "sunken": ("x", "y", ""),
    "escape": ("vertical", "horizontal", ""),
}
# How it is said of what is no wall that it came out, and that it did not.
CAME_OUT: dict[str, tuple[str, str]] = {
    "gap": ("clear", "shut"),
    "hole": ("clear", "shut"),
    "pin": ("whole", "broken"),
    "raised": ("legible", "illegible"),
    "sunken": ("legible", "illegible"),
    "escape": ("clear", "stuck"),
}
HEADER = "feature,axis,nominal,reading_1,fill"
_NEEDED = ("feature", "axis", "nominal", "fill")

MAX_ROWS = 2000
MAX_COLUMNS = 64
MAX_CELL = 500
# Beyond this no coupon goes, mm.
_LARGEST = 1000.0

_READING = re.compile(r"reading_[1-9][0-9]{0,2}")
_NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)")


@dataclass(frozen=True)
class Row:
    """One step of a coupon as measured. Lengths in mm.

    axis      of walls and gaps the machine axis along which they run, of holes and pins their own
    readings  empty where the fill is `missing`, and where only whether it came out was looked at
    fill      of what is no wall `solid` where it came out and `missing` where it did not
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


@dataclass
class Slips:
    """What is wrong with a file, and what is odd about it but does not keep it from being used."""

    shown: str
    problems: list[Problem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def problem(self, line: int, column: int, text: str, remedy: str = "") -> None:
        self.problems.append(Problem(Place(self.shown, line, column), text, remedy))

    def stop(self) -> None:
        """Raises DocumentError with every problem, if there is any."""
        if self.problems:
            raise DocumentError(tuple(self.problems))


@dataclass
class Rows:
    """The rows of one file that hold something, from the header on.

    columns   where each known column is
    marks     the decimal marks that were met: one file has one
    decimals  the most digits behind the mark of a reading
    """

    slips: Slips
    separator: str
    cells: list[tuple[int, list[str]]]
    columns: dict[str, int] = field(default_factory=dict)
    marks: set[str] = field(default_factory=set)
    decimals: int = 0

    @classmethod
    def of(cls, lines: Sequence[str], before: int, slips: Slips) -> Rows:
        """Divided into cells; `before` lines of the file stand before them.

        Raises DocumentError: no CSV, too many rows, a header that cannot be used, or what was wrong
        before.
        """
        # What separates the columns is the mark that the header holds most of.
        separator = max(",;\t", key=lambda mark: (lines[0].count(mark), mark == ","))
        numbered: list[tuple[int, list[str]]] = []
        reader = csv.reader(io.StringIO("\n".join(lines)), delimiter=separator, strict=True)
        try:
            for row in reader:
                if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#"):
                    numbered.append((before + reader.line_num, [cell.strip() for cell in row]))
                if len(numbered) > MAX_ROWS + 1:
                    where = before + reader.line_num
                    slips.problem(where, 1, f"more than {MAX_ROWS} rows", "Check the file")
                    slips.stop()
        except csv.Error as error:
            where, remedy = before + reader.line_num, "Check the quotes in this row and before it"
            slips.problem(where, 1, f"cannot be read as CSV ({error})", remedy)
            slips.stop()
        made = cls(slips, separator, numbered)
        made._header(*numbered[0])
        slips.stop()
        return made

    def read(self) -> tuple[list[Row], int]:
        """The rows that are filled in, and how many are not. Raises DocumentError."""
        (_, header), *rows = self.cells
        kept: list[Row] = []
        seen: dict[tuple[str, str, float], int] = {}
        unmeasured = 0
        for line, given in rows:
            if any(given[len(header) :]):
                self._too_many(line, len(given), len(header))
                continue
            cells = _Cells(self, line, [*given, *[""] * (len(header) - len(given))])
            before = len(self.slips.problems)
            row = cells.row()
            if len(self.slips.problems) > before:
                continue
            if row is None:
                unmeasured += 1
                continue
            key = (row.feature, row.axis, round(row.nominal, 4))
            if key in seen:
                cells.problem(
                    "nominal",
                    f"{row.feature} {row.axis} {row.nominal:g} stands here a second time, "
                    f"first in row {seen[key]}",
                    "Put all readings of a step into one row, and another print in a file of its "
                    "own",
                )
                continue
            seen[key] = line
            kept.append(row)
        self.slips.stop()
        return kept, unmeasured

    @property
    def readings(self) -> list[str]:
        """The names of the columns of readings."""
        return [name for name in self.columns if _READING.fullmatch(name)]

    def _header(self, line: int, cells: Sequence[str]) -> None:
        slips = self.slips
        for number, cell in enumerate(cells[:MAX_COLUMNS], 1):
            name = cell.lower().replace(" ", "_")
            if name in self.columns:
                slips.problem(line, number, f"a second column `{name[:40]}`", "Keep one of them")
            elif name in (*_NEEDED, "note") or _READING.fullmatch(name):
                self.columns[name] = number - 1
            elif near := nearest(name, (*_NEEDED, "note", "reading_1")):
                remedy = f"The nearest known column is `{near}`"
                slips.problem(line, number, f"unknown column `{name[:40]}`", remedy)
            elif name:
                slips.remarks.append(f"{slips.shown}: the column `{name[:40]}` is not used")
        if len(cells) > MAX_COLUMNS:
            text = f"more than {MAX_COLUMNS} columns"
            slips.problem(line, MAX_COLUMNS + 1, text, "Remove columns")
        missing = [f"`{name}`" for name in _NEEDED if name not in self.columns]
        missing += [] if self.readings else ["`reading_1`"]
        if missing:
            remedy = f"The header is `{HEADER}`, with more `reading_N` if wanted"
            slips.problem(line, 1, f"no column {', '.join(missing)}", remedy)

    def _too_many(self, line: int, given: int, width: int) -> None:
        remedy = "Remove what is too much"
        if self.separator == ",":
            remedy = "With decimal commas, separate columns by semicolons"
        self.slips.problem(line, width + 1, f"{given} cells, but the header has {width}", remedy)


@dataclass(frozen=True)
class _Cells:
    """The cells of one row, by the names of their columns."""

    rows: Rows
    line: int
    cells: Sequence[str]

    def __getitem__(self, name: str) -> str:
        return self.cells[self.rows.columns[name]]

    def problem(self, name: str, text: str, remedy: str) -> None:
        self.rows.slips.problem(self.line, self.rows.columns[name] + 1, text, remedy)

    def row(self) -> Row | None:
        """The row; None where nothing is filled in, and where there is a problem."""
        fill = self["fill"].lower()
        filled = [name for name in self.rows.readings if self[name]]
        named = self.choice("feature", FEATURES)
        nominal = self.number("nominal")
        feature: Feature | None = next((feature for feature in FEATURES if feature == named), None)
        if (not filled and not fill) or feature is None or nominal is None:
            return None
        axis = self.choice("axis", AXES[feature])
        if nominal == 0:
            self.problem("nominal", "`nominal` is 0", "Write the size drawn")
        words = CAME_OUT.get(feature, ())
        if words and (not fill or fill in words):
            fill = "missing" if fill == words[1] else "solid"
        values = self.values(filled, feature, nominal, printed=fill != "missing")
        if fill not in FILLS:
            self.choice("fill", (*words, *FILLS))
            return None
        self.agree(fill, filled, values, needed=feature == "wall")
        return Row(
            feature=feature,
            axis=axis,
            nominal=nominal,
            readings=() if fill == "missing" else tuple(values),
            fill=next(name for name in FILLS if name == fill),
            note=self["note"][:MAX_CELL] if "note" in self.rows.columns else "",
            path=self.rows.slips.shown,
            line=self.line,
        )

    def values(
        self, filled: Sequence[str], feature: Feature, nominal: float, printed: bool
    ) -> list[float]:
        """The readings (mm), those that are numbers; named are those that must be slips."""
        readings = []
        for name in filled:
            value = self.number(name, shown=True)
            if value is not None:
                readings.append(value)
                if nominal and printed:
                    self.plausible(name, feature, nominal, value)
        return readings

    def agree(
        self, fill: str, filled: Sequence[str], values: Sequence[float], needed: bool
    ) -> None:
        """Name a fill and readings that cannot both be."""
        if fill == "missing" and any(values):
            self.problem(
                filled[0],
                f"a reading of {values[0]:g}, but the fill is `missing`",
                "Leave the readings empty where nothing was printed, or correct `fill`",
            )
        if needed and fill != "missing" and not filled:
            self.problem(
                self.rows.readings[0],
                f"no reading, but the fill is `{fill}`",
                "Write at least one reading, or `missing` where nothing was printed",
            )

    def choice(self, name: str, values: Sequence[str]) -> str:
        cell = self[name].lower()
        if cell not in values:
            known = tuple(value for value in values if value)
            near = nearest(cell, known) if cell else None
            given = f'found "{cell[:30]}"' if cell else "it is empty"
            self.problem(
                name,
                f"`{name}`: expected {' or '.join(known)}, but {given}",
                f"The nearest is `{near}`" if near else f"Write {' or '.join(known)}",
            )
        return cell

    def number(self, name: str, shown: bool = False) -> float | None:
        """The length (mm) in a cell; None after naming what is wrong with it."""
        cell = self[name]
        if not _NUMBER.fullmatch(cell):
            self.no_number(name)
            return None
        mark = next((sign for sign in ",." if sign in cell), "")
        others = self.rows.marks - {mark} if mark else set()
        value = float(cell.replace(",", "."))
        if mark:
            self.rows.marks = {mark}
        if others:
            self.problem(
                name,
                f'`{name}`: "{cell[:30]}", but other numbers in this file have the other decimal '
                "mark",
                "Write all of them alike: it may stand between thousands",
            )
        elif value < 0:
            self.problem(name, f"`{name}`: {cell[:30]} is negative", "Write a length in mm")
        elif value > _LARGEST:
            text = f"`{name}`: {cell[:30]} mm is longer than {_LARGEST:g} mm"
            self.problem(name, text, "Write a length in mm")
        else:
            if shown and mark:
                digits = len(cell.split(mark, 1)[1])
                self.rows.decimals = max(self.rows.decimals, min(6, digits))
            return value
        return None

    def no_number(self, name: str) -> None:
        cell = self[name]
        text = f'expected a number of mm, but found "{cell[:30]}"' if cell else "it is empty"
        remedy = "Write a number such as 1.20"
        if re.fullmatch(r"[0-9]+[.,][0-9]{3}[.,][0-9]+", cell):
            remedy = "Write one decimal mark and nothing between thousands"
        elif re.fullmatch(_NUMBER.pattern + r"\s*[a-zA-Z\"']+", cell):
            remedy = "Write the number without a unit: it is in mm"
        self.problem(name, f"`{name}`: {text}", remedy)

    def plausible(self, name: str, feature: Feature, nominal: float, value: float) -> None:
        """Name a reading that is so far from nominal that it must be a slip.

        The bounds are wide: a wall that gets a whole bead comes out several times too thick
        (common practice, no published source).
        """
        where = f"`{name}`: {value:g} where {nominal:g} was drawn"
        remedy = "Check the decimal mark and that it is in mm"
        if value == 0:
            remedy = "Leave it empty, and write `missing` where nothing was printed"
            self.problem(name, f"`{name}`: 0", remedy)
        elif value > 5 * nominal and value > nominal + 1:
            self.problem(name, f"{where} is too large", remedy)
        elif feature == "wall" and value < nominal / 4 and value < nominal - 0.2:
            inch = ", and looks like inches" if 0.8 < value * 25.4 / nominal < 1.25 else ""
            self.problem(name, f"{where} is too small{inch}", remedy)
