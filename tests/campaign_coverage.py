"""Print and read coupons of known processes, fit them, and count how often the claims are true.

    python tests/campaign_coverage.py [--coupons 600] [--seed 1] [--extent usual]

Claims: the true printed thickness lies within U (k = 2) of what the table says, in 93 to 98 % of
walls, at the steps and over all thicknesses that the table claims to know; the true edge between
two fills lies in a range that the table calls uncertain, in at least 99 %; axes that are alike are
called different in at most 1 % of coupons. The true bias of the instrument lies anywhere within its
stated error with equal chance.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from typing import get_args

import numpy as np
from processes import KINDS, Tally, Where, instrument, read, steps_of, tally

from wallguard.coupon.plan import Extent
from wallguard.fitting.fit import SHOWN, fit
from wallguard.fitting.steps import axes_differ, by_axis, scatter_of

Tallies = dict[str, Tally]
# What walls that are alike come out unlike by themselves, mm (a guess, no published source).
APART = (0.0, 0.005, 0.01, 0.02, 0.03)


def campaign(
    coupons: int,
    seed: int,
    where: tuple[Where, ...] = get_args(Where),
    extent: Extent = "usual",
) -> dict[Where, Tallies]:
    """Tallies by where, and by kind of process, and for "all"."""
    found: dict[Where, Tallies] = {one: defaultdict(Tally) for one in where}
    for number in range(coupons):
        rng = np.random.default_rng([seed, number])
        process = KINDS[number % len(KINDS)](rng)
        used = instrument(rng)
        steps = steps_of(process.base, extent)
        fitted = fit([read(process, steps, used, rng)], process.base)
        for one, tallies in found.items():
            made = tally(process, steps, fitted, one)
            tallies[process.name].add(made)
            tallies["all"].add(made)
    return found


def axes_told(coupons: int, seed: int, differ: bool, extent: Extent = "usual") -> tuple[int, int]:
    """Of how many coupons with axes that differ or are alike it is said that they differ, and how
    many coupons there were."""
    told = count = 0
    for number in range(coupons):
        rng = np.random.default_rng([seed, number])
        process = KINDS[number % len(KINDS)](rng)
        if process.differs != differ:
            continue
        used = instrument(rng)
        steps = steps_of(process.base, extent)
        file = read(process, steps, used, rng, apart=float(rng.choice(APART)))
        measured = by_axis(file.rows)
        spread = scatter_of(file.rows, file.resolution, file.error)
        told += bool(axes_differ(measured["x"], measured["y"], spread, SHOWN))
        count += 1
    return told, count


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--coupons", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--extent", choices=get_args(Extent), default="usual")
    arguments = parser.parse_args()
    started = time.perf_counter()
    found = campaign(arguments.coupons, arguments.seed, extent=arguments.extent)
    head = f"{'within U':>9}{'mean U':>8}{'known':>8}{'fill':>8}{'edges':>8}"
    print(f"{'process':<28}{'where':<12}{head}")
    for where, tallies in found.items():
        for name, one in sorted(tallies.items()):
            print(
                f"{name:<28}{where:<12}{one.within / one.walls:>9.4f}{one.width / one.walls:>8.3f}"
                f"{one.fills / one.asked:>8.3f}{one.right / one.fills:>8.4f}"
                f"{one.inside / max(1, one.edges):>8.4f}"
            )
    coupons, seed, extent = 4 * arguments.coupons, arguments.seed, arguments.extent
    alike, many = axes_told(coupons, seed, differ=False, extent=extent)
    seen, differing = axes_told(coupons, seed, differ=True, extent=extent)
    print(f"axes called different: {alike} of {many} that are alike, {seen} of {differing} others")
    print(f"{arguments.coupons} coupons, {time.perf_counter() - started:.0f} s")
    within = [one["all"].within / one["all"].walls for one in found.values()]
    edges = found["at steps"]["all"]
    good = all(0.93 <= share <= 0.98 for share in within) and alike <= 0.01 * many
    good &= edges.inside / edges.edges >= 0.99
    print("claims hold" if good else "claims do not hold")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
