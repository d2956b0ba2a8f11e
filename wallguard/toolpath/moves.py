"""Moves as flat arrays, and the store in which they are collected while a toolpath is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

MAX_MOVES = 10_000_000

# One row of the store: x0, y0, z0, x1, y1, z1, e, line, tool, feed.
Row = tuple[float, float, float, float, float, float, float, int, int, float]


@dataclass(frozen=True)
class Toolpath:
    """The moves of one toolpath in the order they are carried out. Lengths in mm.

    Positions are the machine's: what a toolpath calls zero with G92 is taken out again. Arcs are
    split into chords, which share their line. A line that neither moves nor feeds has no move.

    start, end  (n, 3) float64
    e           (n,) float64: length of filament fed, negative where it is drawn back
    line        (n,) int64: line of the file, from 1
    tool        (n,) int32
    feed        (n,) float64: mm/min as programmed, 0 where none was given yet
    filament    diameter of the filament
    flow        factor between the filament that is fed and the material that is laid
    units       units of length in force for any move: "mm", "inch"
    unknown     codes that neither move nor feed or are not known, with how often each occurred
    warnings    what was read but may mean something else, with line numbers
    lines       lines in the file
    arcs        arcs in the file
    sagitta     largest distance between an arc and its chords; 0 without arcs
    """

    path: str
    start: NDArray[np.float64]
    end: NDArray[np.float64]
    e: NDArray[np.float64]
    line: NDArray[np.int64]
    tool: NDArray[np.int32]
    feed: NDArray[np.float64]
    filament: float = 1.75
    flow: float = 1.0
    units: tuple[str, ...] = ("mm",)
    unknown: Mapping[str, int] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    lines: int = 0
    arcs: int = 0
    sagitta: float = 0.0

    def __len__(self) -> int:
        return len(self.e)


class TooManyMovesError(Exception):
    """A toolpath has more than MAX_MOVES moves."""


class Store:
    """Collects rows one by one or in chunks; bounded."""

    def __init__(self) -> None:
        self.count = 0
        self._chunks: list[NDArray[np.float64]] = []
        self._rows: list[Row] = []

    def row(self, row: Row) -> None:
        """Add one move."""
        self._rows.append(row)
        if len(self._rows) >= 65536:
            self._pack()

    def chunk(self, rows: NDArray[np.float64]) -> None:
        """Add moves (n, 10). Raises TooManyMovesError."""
        self._pack()
        self.count += len(rows)
        if self.count > MAX_MOVES:
            raise TooManyMovesError
        if len(rows):
            self._chunks.append(rows)

    def _pack(self) -> None:
        rows, self._rows = self._rows, []
        if rows:
            self.chunk(np.array(rows, np.float64))

    def take(
        self,
    ) -> tuple[
        NDArray[np.float64],
        NDArray[np.float64],
        NDArray[np.float64],
        NDArray[np.int64],
        NDArray[np.int32],
        NDArray[np.float64],
    ]:
        """start, end, e, line, tool, feed of all moves; the store is empty afterwards."""
        self._pack()
        start, end = np.empty((self.count, 3)), np.empty((self.count, 3))
        e, feed = np.empty(self.count), np.empty(self.count)
        line, tool = np.empty(self.count, np.int64), np.empty(self.count, np.int32)
        at, self.count = self.count, 0
        while self._chunks:  # from the back, so that each chunk is freed once it is copied
            rows = self._chunks.pop()
            part = slice(at - len(rows), at)
            start[part], end[part] = rows[:, 0:3], rows[:, 3:6]
            e[part], line[part], tool[part], feed[part] = rows[:, 6:].T
            at -= len(rows)
        return start, end, e, line, tool, feed
