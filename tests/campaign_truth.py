"""Hold against each other, on random processes, three ways to know what becomes of a wall.

    python tests/campaign_truth.py [--processes 200] [--seed 1] [--jobs 2]

Of each process, for walls of thicknesses that its coupon does not carry:

    calculated  the band table that follows from its bead settings
    laid        what is measured in a toolpath that lays such walls by these settings
    fitted      the band table of the rule file fitted to the coupon's toolpath

Claims: where none of two says `uncertain` both say one fill, and their printed thicknesses, each
within its U, meet. What is laid follows from `laid_coupons`, which counts strands by
itself. One toolpath lays the walls of the coupon and those between; the fit sees the former only.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations
from pathlib import Path
from unittest import mock

from laid_coupons import LAID_AT, RULES, Coupon, H, coupon, lay, random_settings

from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table
from wallguard.bands.table import BandTable
from wallguard.coupon.plan import plan
from wallguard.documents.reading import parse_document
from wallguard.fitting.fit import fit
from wallguard.fitting.rule_file import rule_file
from wallguard.jobs.laid_readings import LaidPlate, laid_plate
from wallguard.rules.load import rules_from
from wallguard.rules.model import Beads, Rules
from wallguard.toolpath.placement import Placement
from wallguard.toolpath.placing import Places
from wallguard.toolpath.verdict import UNCERTAINTY

WAYS = ("calculated", "laid", "fitted")
BASE = rules_from(parse_document(RULES, "rules.yaml"), "rules.yaml")
STEPS = tuple(step.nominal for step in plan(BASE, kinds={"wall"}).of("wall", "x"))
# So many different plates, each with so many walls between those steps, in hundredths from..to.
PLATES, BETWEEN, _RANGE = 4, 28, (15, 310)
# What numbers of a toolpath are rounded to, mm.
_ROUNDED = 0.002


@dataclass(frozen=True)
class Came:
    """How a wall comes out, by one of the ways. Lengths in mm; printed: None where missing."""

    fill: str
    printed: float | None
    uncertainty: float

    def __str__(self) -> str:
        thick = "" if self.printed is None else f" {self.printed:.3f} ± {self.uncertainty:.3f}"
        return f"{self.fill}{thick}"

    def differs(self, other: Came) -> str:
        """`uncertain`, or in what the two differ; empty where they agree, and `near` where what
        one says only just meets what the other says: by more than the root of U squared."""
        if "uncertain" in (self.fill, other.fill):
            return "uncertain"
        if self.fill != other.fill:
            return "fill"
        if self.printed is None or other.printed is None:
            return ""
        apart = abs(self.printed - other.printed) - _ROUNDED
        if apart > self.uncertainty + other.uncertainty:
            return "thickness"
        return "near" if apart > math.hypot(self.uncertainty, other.uncertainty) else ""


def between(plate: int) -> list[float]:
    """Walls at random that no coupon carries."""
    free = [step / 100 for step in range(*_RANGE) if step / 100 not in STEPS]
    return sorted(random.Random(plate).sample(free, BETWEEN))


def fitted(laid: LaidPlate) -> Rules:
    """The rule file that is fitted to the walls of the coupon."""
    every = laid.readings
    readings = replace(
        every,
        rows=tuple(row for row in every.rows if row.nominal in STEPS),
        laid=tuple(wall for wall in every.laid if wall.nominal in STEPS),
    )
    text = rule_file(fit([readings], BASE), BASE)
    return rules_from(parse_document(text, "fitted.yaml"), "fitted.yaml")


def by_table(table: BandTable, nominal: float) -> Came:
    outcome = table.outcome(nominal)
    return Came(outcome.fill, outcome.printed, outcome.uncertainty)


def where(*_: object, **__: object) -> Places:
    """Where a plate lies: it need not be found."""
    return Places((Placement(0.0, LAID_AT, 0.0, LAID_AT),), ())


def outcomes(made: Coupon, beads: Beads, path: Path) -> Iterator[tuple[float, dict[str, Came]]]:
    """Each wall between those of the coupon, and how it comes out by each of the ways."""
    lay(made, beads, path)
    with mock.patch("wallguard.jobs.verify.find_places", where):
        laid = laid_plate(path, made.folder)
    tables = {"calculated": calculated(beads, H), "fitted": band_table(fitted(laid))}
    for drawn in laid.features:
        if drawn.nominal in STEPS:
            continue
        came = {way: by_table(table, drawn.nominal) for way, table in tables.items()}
        wall = laid.wall(drawn)
        came["laid"] = Came(wall.fill, wall.printed, UNCERTAINTY) if wall else Came("lost", None, 0)
        yield drawn.nominal, came


@dataclass(frozen=True)
class Told:
    """What was found of a process: how often what, by pair of ways, and in words what differs."""

    counts: Counter[tuple[str, ...]]
    said: tuple[str, ...]


def compare(made: Coupon, seed: int, path: Path) -> Told:
    counts: Counter[tuple[str, ...]] = Counter()
    said = []
    for nominal, came in outcomes(made, random_settings(seed), path):
        for pair in combinations(WAYS, 2):
            one, other = (came[way] for way in pair)
            differs = one.differs(other)
            counts[*pair, "walls"] += 1
            counts[*pair, differs] += 1
            if differs in ("fill", "thickness"):
                said.append(f"{nominal:.2f} {pair[0]} {one}, {pair[1]} {other}")
    return Told(counts, tuple(said))


@cache
def plate(number: int) -> tuple[tempfile.TemporaryDirectory[str], Coupon]:
    folder = tempfile.TemporaryDirectory()
    return folder, coupon(Path(folder.name), sorted((*STEPS, *between(number))), low=True)


def one_process(seed: int) -> Told:
    folder, made = plate(seed % PLATES)
    return compare(made, seed, Path(folder.name) / "coupon.gcode")


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--processes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    arguments = parser.parse_args()
    started, counts, wrong = time.perf_counter(), Counter[tuple[str, ...]](), 0
    seeds = range(arguments.seed, arguments.seed + arguments.processes)
    with ProcessPoolExecutor(arguments.jobs) as pool:
        for seed, told in zip(seeds, pool.map(one_process, seeds), strict=True):
            counts += told.counts
            wrong += bool(told.said)
            print(f"{seed:4} {'DIFFERS ' + str(random_settings(seed)) if told.said else 'agrees'}")
            print("".join(f"       {text}\n" for text in told.said), end="", flush=True)
    print(table(counts))
    seconds = time.perf_counter() - started
    print(f"{arguments.processes} processes, {wrong} of them differ, {seconds:.0f} s")
    return int(wrong > 0)


def table(counts: Counter[tuple[str, ...]]) -> str:
    columns = ("walls", "uncertain", "near", "fill", "thickness")
    lines = [f"{'':24}" + "".join(f"{name:>18}" for name in columns)]
    for pair in combinations(WAYS, 2):
        walls = counts[*pair, "walls"]
        cells = [
            f"{counts[*pair, name]} ({counts[*pair, name] / max(walls, 1):.2%})" for name in columns
        ]
        cells[0] = str(walls)
        lines.append(f"{' - '.join(pair):24}" + "".join(f"{cell:>18}" for cell in cells))
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
