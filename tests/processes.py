"""Printers that are known exactly, and coupons printed and read on them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table
from wallguard.coupon.plan import Extent, plan
from wallguard.coupon.readings import Readings
from wallguard.coupon.rows import Row
from wallguard.fitting.fit import Fit
from wallguard.rules.model import Beads, Rules

# What somebody who prints a coupon knows beforehand: a nozzle, and first numbers after it.
FIRST = Beads(nozzle=0.4, width=0.45, contours=2, smallest_wall=0.4, squeeze=0.1, smallest_fill=0.3)
BASE = Rules("base.yaml", "base", "material extrusion", 0.2, beads=FIRST)
BASE_POWDER = Rules("powder.yaml", "powder", "powder bed fusion", 0.1)


@dataclass(frozen=True)
class Process:
    """The fill and the printed thickness (mm, None: nothing) by nominal thickness and axis."""

    name: str
    fill: Callable[[float], str]
    printed: Callable[[float, str], float | None]
    base: Rules
    differs: bool = False

    def edges(self, low: float, high: float) -> list[float]:
        """The thicknesses between `low` and `high` (mm) where the fill changes, to 1 um."""
        found = []
        grid = np.round(np.arange(low, high + 1e-9, 0.005), 4)
        fills = [self.fill(float(t)) for t in grid]
        for at in range(1, len(grid)):
            if fills[at] != fills[at - 1]:
                a, b = float(grid[at - 1]), float(grid[at])
                while b - a > 1e-3:
                    middle = (a + b) / 2
                    a, b = (middle, b) if self.fill(middle) == fills[at - 1] else (a, middle)
                found.append((a + b) / 2)
        return found


def beads_process(
    rng: np.random.Generator, varies: bool, differs: bool, single: bool = True
) -> Process:
    """Beads of settings at random, laid a little too wide or too narrow."""
    width = rng.uniform(0.36, 0.62)
    squeeze = rng.uniform(0.0, 0.12)
    beads = Beads(
        width=width,
        width_varies=(0.85 * width, rng.uniform(1.0, 1.3) * width) if varies else None,
        contours=int(rng.integers(1, 4)),
        smallest_wall=rng.uniform(0.2, 0.6),
        between_one_and_two=str(rng.choice(["two beads", "dropped", "one bead"][: 2 + single])),  # type: ignore[arg-type]
        squeeze=squeeze,
        smallest_fill=rng.uniform(squeeze + 0.15, 1.1 * width),
        single_bead=single,
    )
    # The table itself looks up hundredths; the process does not.
    bands = calculated(beads).bands
    shift = rng.uniform(-0.04, 0.04)
    more = rng.uniform(0.03, 0.08) if differs else 0.0

    def at(t: float):
        return next(band for band in bands if band.lower <= t < band.upper)

    def printed(t: float, axis: str) -> float | None:
        value = at(t).printed(t)
        return None if value is None else value + shift + (more if axis == "y" else 0.0)

    name = f"{'varying' if varies else 'fixed'} beads{', axes differ' if differs else ''}"
    name += "" if single else ", none single"
    return Process(name, lambda t: at(t).fill, printed, BASE, differs)


def powder_process(rng: np.random.Generator) -> Process:
    """Shrinks in proportion, adds a constant, and loses what is too thin."""
    scale, shift, least = rng.uniform(0.97, 1.01), rng.uniform(-0.03, 0.12), rng.uniform(0.25, 0.7)

    def printed(t: float, axis: str) -> float | None:
        return None if t < least else scale * t + shift

    return Process("powder", lambda t: "missing" if t < least else "solid", printed, BASE_POWDER)


def curved_process(rng: np.random.Generator) -> Process:
    """Thin walls come out too thick, less and less so: no straight line anywhere."""
    most, reach, least = rng.uniform(0.05, 0.2), rng.uniform(0.3, 1.0), rng.uniform(0.25, 0.5)

    def printed(t: float, axis: str) -> float | None:
        return None if t < least else t + most * math.exp(-t / reach)

    return Process("curved", lambda t: "missing" if t < least else "solid", printed, BASE_POWDER)


def uneven_process(rng: np.random.Generator) -> Process:
    """Walls differ by themselves: each thickness comes out a little otherwise than its like."""
    least, off = rng.uniform(0.25, 0.5), rng.uniform(0.01, 0.05)
    walls = rng.normal(0, off, 2000)

    def printed(t: float, axis: str) -> float | None:
        return None if t < least else t + float(walls[round(t * 100)])

    return Process("uneven", lambda t: "missing" if t < least else "solid", printed, BASE_POWDER)


KINDS: tuple[Callable[[np.random.Generator], Process], ...] = (
    lambda rng: beads_process(rng, varies=False, differs=False),
    lambda rng: beads_process(rng, varies=False, differs=True),
    lambda rng: beads_process(rng, varies=True, differs=False),
    powder_process,
    curved_process,
    uneven_process,
    lambda rng: beads_process(rng, varies=False, differs=False, single=False),
)


@dataclass(frozen=True)
class Instrument:
    """Callipers: their largest error, how readings scatter, and how often each wall is read."""

    error: float
    scatter: float
    times: int


def instrument(rng: np.random.Generator) -> Instrument:
    return Instrument(
        error=float(rng.choice([0.02, 0.03])),
        scatter=float(rng.uniform(0.01, 0.03)),
        times=int(rng.integers(2, 6)),
    )


def steps_of(base: Rules, extent: Extent = "usual") -> list[float]:
    """The walls of the coupon that somebody who knows so much would print."""
    return [wall.nominal for wall in plan(base, kinds={"wall"}, extent=extent).of("wall", "x")]


def read(
    process: Process,
    nominals: list[float],
    used: Instrument,
    rng: np.random.Generator,
    apart: float = 0.0,
) -> Readings:
    """Print walls of these thicknesses along both axes, and read them with one instrument.

    apart  standard deviation (mm) of what walls that are alike come out unlike in thickness; their
           fill is what software decides on, which knows no chance
    """
    bias = rng.uniform(-used.error, used.error)
    rows = []
    for axis in ("x", "y"):
        for nominal in nominals:
            by_itself = rng.normal(0, apart) if apart else 0.0
            printed = process.printed(nominal, axis)
            values: tuple[float, ...] = ()
            if printed is not None:
                noise = rng.normal(0, used.scatter, used.times)
                values = tuple(round(float(v), 2) for v in printed + by_itself + bias + noise)
            fill = process.fill(nominal)
            rows.append(Row("wall", axis, nominal, values, fill, "", "r.csv", len(rows) + 2))  # type: ignore[arg-type]
    return Readings("r.csv", tuple(rows), error=used.error, error_stated=True)


def rules_of(fitted: Fit, base: Rules) -> Rules:
    """The rules that a fit makes of its base."""
    return Rules(
        "new.yaml",
        "new",
        base.category,
        base.layer_height,
        beads=fitted.beads,
        bands=fitted.bands,
        axes=fitted.axes,
    )


@dataclass
class Tally:
    """How often what is claimed is true.

    walls, within  where the fill is as claimed: how many, and in how many U holds
    edges, inside  changes of fill, and how many lie where the table is uncertain
    fills, right   how many claims of a fill, and how many are true
    asked          how many thicknesses were asked for in all
    """

    walls: int = 0
    within: int = 0
    edges: int = 0
    inside: int = 0
    fills: int = 0
    right: int = 0
    width: float = 0.0
    asked: int = 0

    def add(self, other: Tally) -> None:
        for name in vars(self):
            setattr(self, name, getattr(self, name) + getattr(other, name))


# Where a fit is held against the truth: at its steps; at every hundredth between them that a
# measured band with a known fill holds; at every seventh hundredth from 0 to a millimetre beyond
# them, whatever the table rests on.
Where = Literal["at steps", "between", "everywhere"]


def tally(process: Process, nominals: list[float], fitted: Fit, where: Where) -> Tally:
    """Hold a fit against the truth."""
    found = Tally()
    rules = rules_of(fitted, process.base)
    first, last = (round(end * 100) for end in (nominals[0], nominals[-1]))
    asked = {
        "at steps": nominals,
        "between": [at / 100 for at in range(first, last)],
        "everywhere": [at / 100 for at in range(1, last + 100, 7)],
    }[where]
    for axis in ("x", "y"):
        table = band_table(rules, axis)  # type: ignore[arg-type]
        found.asked += len(asked)
        for nominal in asked:
            outcome = table.outcome(nominal)
            if where != "at steps" and outcome.fill == "uncertain":
                continue
            if where == "between" and outcome.band.source != "measured":
                continue
            found.fills += 1
            right = outcome.fill == process.fill(nominal)
            found.right += right
            truth = process.printed(nominal, axis)
            if right and truth is not None and outcome.printed is not None:
                found.walls += 1
                found.within += abs(outcome.printed - truth) <= outcome.uncertainty + 1e-9
                found.width += outcome.uncertainty
        for edge in process.edges(nominals[0], nominals[-1]):
            found.edges += 1
            found.inside += any(
                band.fill == "uncertain" and band.lower <= edge + 1e-3 and edge - 1e-3 <= band.upper
                for band in table.bands
            )
    return found
