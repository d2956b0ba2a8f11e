"""Straight rules through the printed thickness of neighbouring steps.

Steps of one fill that follow each other are divided into pieces, each with one of three rules: as
wide as its beads whatever was drawn (slope 0), as drawn but for an offset (slope 1), or, from four
steps on, a line of free slope. Which pieces: those for which

    sum (mean - rule)^2 / (s^2 / n + tau^2) + sum log(s^2 / n + tau^2) + a price for each piece

is least, found exactly by going from the thinnest step to the thickest and keeping the best for
each. The price, 9 for a piece and 4 more for a free slope, is about 3 log m for the usual number m
of steps (Schwarz's criterion with place, rule and number to find; from memory). tau is what the
walls differ from any rule, beyond the scatter of their readings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from wallguard.fitting.steps import Scatter, Step
from wallguard.fitting.uncertainty import Component
from wallguard.rules.model import Fill

_PRICE, _FREE = 9.0, 4.0
_FREE_STEPS = 4
_SLOPES = (0.5, 1.5)
_TAUS = (0.0, 0.007, 0.015, 0.03, 0.06)
# A wall by itself is taken to grow with the drawing if it is this near to it, mm.
_AS_DRAWN = 0.1


@dataclass(frozen=True)
class Line:
    """One rule for some steps that follow each other: printed = offset + slope * nominal.

    free    whether the slope was fitted too
    """

    steps: tuple[Step, ...]
    fill: Fill
    offset: float
    slope: float
    free: bool = False

    @property
    def lower(self) -> float:
        return self.steps[0].lower

    @property
    def upper(self) -> float:
        return self.steps[-1].upper

    def at(self, nominal: float) -> float:
        return self.offset + self.slope * nominal


@dataclass(frozen=True)
class Lines:
    """The lines of one table, thinnest first, how far walls are off them (tau, mm), and how the
    readings scatter that they go through."""

    lines: tuple[Line, ...]
    tau: Component
    scatter: Scatter

    def uncertainty(self, line: Line) -> float:
        """U (mm) of the printed thickness along a line, at its worse end."""
        if line.fill in ("missing", "uncertain"):
            return 0.0
        single = self.scatter.of(line.fill)
        weights = [float(len(step.readings)) for step in line.steps]
        total = math.fsum(weights)
        lever = 1 / total
        # What each wall is off the rule does not become less by reading it more often.
        walls = math.fsum(weight**2 for weight in weights) / total**2
        if line.free:
            middle = math.fsum(w * s.nominal for w, s in zip(weights, line.steps, strict=True))
            middle /= total
            spread = math.fsum(
                w * (s.nominal - middle) ** 2 for w, s in zip(weights, line.steps, strict=True)
            )
            reach = max(abs(step.nominal - middle) for step in line.steps)
            lever += reach**2 / spread
            walls += reach**2 / spread * total / len(weights)
        parts = [
            Component(single.u * math.sqrt(lever), single.freedom),
            Component(self.tau.u * math.sqrt(1 + walls), self.tau.freedom),
        ]
        if single.u < math.sqrt(3) * self.scatter.digit.u:
            # Readings that scatter by less than half a digit are all rounded the same way; where
            # they scatter by more, rounding is part of the scatter already.
            parts.append(self.scatter.digit)
        return self.scatter.expanded(*parts)


def lines_of(steps: Sequence[Step], scatter: Scatter) -> Lines:
    """The lines through the steps of one table."""
    runs = [(fill, tuple(run)) for fill, run in groupby(steps, key=lambda step: step.fill)]
    best: tuple[float, list[Line]] | None = None
    for tau in _TAUS:
        price, lines = 0.0, []
        for fill, run in runs:
            if fill in ("missing", "uncertain"):
                lines.append(Line(run, fill, 0.0, 0.0))
                continue
            cost, divided = _divide(run, fill, scatter.of(fill).u, tau)
            price += cost
            lines += divided
        if best is None or price < best[0] - 1e-9:
            best = (price, lines)
    assert best is not None
    return Lines(tuple(best[1]), _tau(best[1], scatter), scatter)


def _divide(
    run: tuple[Step, ...], fill: Fill, single: float, tau: float
) -> tuple[float, list[Line]]:
    """The cheapest lines through one run, and their price."""
    variances = [single**2 / len(step.readings) + tau**2 for step in run]
    cheapest: list[tuple[float, int, Line | None]] = [(0.0, 0, None)]
    for end in range(1, len(run) + 1):
        choices = []
        sums = _Sums()
        for start in range(end - 1, -1, -1):
            sums.add(run[start].nominal, run[start].mean, 1 / variances[start])
            for misfit, offset, slope, free in sums.rules(end - start):
                price = cheapest[start][0] + misfit + _PRICE + _FREE * free
                choices.append((price, start, offset, slope, free))
        price, start, offset, slope, free = min(choices, key=lambda choice: choice[:2])
        cheapest.append((price, start, Line(run[start:end], fill, offset, slope, free)))
    lines: list[Line] = []
    at = len(run)
    while at:
        _, at, line = cheapest[at]
        assert line is not None
        lines.insert(0, line)
    return cheapest[-1][0] + math.fsum(map(math.log, variances)), lines


class _Sums:
    """Weighted sums of steps, and the rules that fit them best."""

    def __init__(self) -> None:
        self.w = self.wt = self.wy = self.wtt = self.wty = self.wyy = 0.0

    def add(self, t: float, y: float, w: float) -> None:
        self.w += w
        self.wt += w * t
        self.wy += w * y
        self.wtt += w * t * t
        self.wty += w * t * y
        self.wyy += w * y * y

    def misfit(self, slope: float) -> tuple[float, float]:
        """The sum of squares about a line of that slope, and its offset."""
        offset = (self.wy - slope * self.wt) / self.w
        squares = self.wyy - 2 * slope * self.wty + slope**2 * self.wtt
        return max(0.0, squares - offset**2 * self.w), offset

    def rules(self, count: int) -> list[tuple[float, float, float, bool]]:
        """(sum of squares, offset, slope, whether the slope is free) of each rule."""
        if count == 1:
            grows = abs(self.wy - self.wt) <= _AS_DRAWN * self.w
            slopes = [float(grows)]
        else:
            slopes = [1.0, 0.0]
        rules = [(*self.misfit(slope), slope, False) for slope in slopes]
        if count >= _FREE_STEPS:
            spread = self.wtt - self.wt**2 / self.w
            slope = (self.wty - self.wt * self.wy / self.w) / spread
            if _SLOPES[0] <= slope <= _SLOPES[1]:
                rules.append((*self.misfit(slope), slope, True))
        return rules


def _tau(lines: Sequence[Line], scatter: Scatter) -> Component:
    """How far walls are off their rule beyond the scatter of readings (method of moments, as for
    random effects in key comparisons: DerSimonian and Laird, from memory)."""
    misfit, freedom, scale = 0.0, 0, 0.0
    for line in lines:
        count = len(line.steps)
        spare = count - 1 - line.free
        if line.fill in ("missing", "uncertain") or spare < 1:
            continue
        single = scatter.of(line.fill).u
        weights = [len(step.readings) / single**2 for step in line.steps]
        total = math.fsum(weights)
        misfit += math.fsum(
            weight * (step.mean - line.at(step.nominal)) ** 2
            for weight, step in zip(weights, line.steps, strict=True)
        )
        freedom += spare
        scale += total * spare / count
    if freedom == 0 or misfit <= freedom:
        return Component(0.0)
    return Component(math.sqrt((misfit - freedom) / scale), float(freedom))
