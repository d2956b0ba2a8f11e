"""Several processes beside each other: which thicknesses come out well on all of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal

from wallguard.bands.chart import Chart
from wallguard.bands.table import PER_MM, Verdict

Ranges = tuple[tuple[float, float], ...]
# What a thickness comes to on one process; `thin` is solid, and thinner than its rules ask.
Cell = Literal["good", "thin"] | Verdict


@dataclass(frozen=True)
class Row:
    """A range (first, last) of readings in mm, the last may be inf, and what it comes to on each
    process; `good` is the number of those on which it is good."""

    range: tuple[float, float]
    cells: tuple[Cell, ...]

    @property
    def good(self) -> int:
        return self.cells.count("good")


@dataclass(frozen=True)
class Common:
    """Charts of several processes, and what of them is good on all."""

    charts: tuple[Chart, ...]

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        """All thicknesses above zero, cut wherever one of the processes changes."""
        starts = {1}
        for chart in self.charts:
            edges = chart.table.verdict_edges(chart.rules.tolerance)
            starts |= {math.ceil(edge * PER_MM) for edge in edges}
            for first, last in chart.good:
                starts.add(round(first * PER_MM))
                if math.isfinite(last):
                    starts.add(round(last * PER_MM) + 1)
        steps = [*sorted(step for step in starts if step >= 1), math.inf]
        rows: list[Row] = []
        for first, after in pairwise(steps):
            last = math.inf if math.isinf(after) else (after - 1) / PER_MM
            cells = tuple(_cell(chart, first / PER_MM) for chart in self.charts)
            if rows and rows[-1].cells == cells:
                rows[-1] = Row((rows[-1].range[0], last), cells)
            else:
                rows.append(Row((first / PER_MM, last), cells))
        return tuple(rows)

    @property
    def good(self) -> Ranges:
        """What is good on every process."""
        return _joined(self.rows, len(self.charts))

    @property
    def most(self) -> tuple[int, Ranges]:
        """On how many processes at once a thickness is good at best, and which thicknesses are."""
        count = max((row.good for row in self.rows), default=0)
        return count, _joined(self.rows, count) if count else ()

    def against(self, ranges: Ranges) -> Iterator[Chart]:
        """The processes on which some of these thicknesses are not good."""
        for at, chart in enumerate(self.charts):
            held = [row for row in self.rows if any(_within(row.range, one) for one in ranges)]
            if any(row.cells[at] != "good" for row in held):
                yield chart


def _cell(chart: Chart, thickness: float) -> Cell:
    if any(first <= thickness <= last for first, last in chart.good):
        return "good"
    verdict = chart.table.classify(thickness, chart.rules.tolerance)
    return "thin" if verdict == "solid" else verdict


def _joined(rows: Sequence[Row], least: int) -> Ranges:
    """The ranges of the rows that are good on `least` processes or more, neighbours joined."""
    ranges: list[tuple[float, float]] = []
    for row in rows:
        if row.good < least:
            continue
        first, last = row.range
        if ranges and round((first - ranges[-1][1]) * PER_MM) == 1:
            first = ranges.pop()[0]
        ranges.append((first, last))
    return tuple(ranges)


def _within(inner: tuple[float, float], outer: tuple[float, float]) -> bool:
    return outer[0] <= inner[0] and inner[1] <= outer[1]
