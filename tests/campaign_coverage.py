"""Print and read coupons of known processes, fit them, and count how often the claims are true.

    python tests/campaign_coverage.py [--coupons 600] [--seed 1]

Claims: the true printed thickness lies within U (k = 2) of what the table says, in 93 to 98 % of
walls; the true edge between two fills lies in a range that the table calls uncertain, in at least
99 %. The true bias of the instrument lies anywhere within its stated error with equal chance.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict

import numpy as np
from processes import KINDS, Tally, instrument, read, tally, usual_steps

from wallguard.fitting.fit import fit

Tallies = dict[str, Tally]


def campaign(coupons: int, seed: int, inside: bool = True) -> tuple[Tallies, Tallies]:
    """Tallies by kind of process, and for "all": at the steps, and, if `inside`, between them."""
    at_steps: Tallies = defaultdict(Tally)
    between: Tallies = defaultdict(Tally)
    for number in range(coupons):
        rng = np.random.default_rng([seed, number])
        process = KINDS[number % len(KINDS)](rng)
        used = instrument(rng)
        steps = usual_steps()
        fitted = fit([read(process, steps, used, rng)], process.base)
        for tallies, inner in ((at_steps, False), (between, True))[: 1 + inside]:
            one = tally(process, steps, fitted, inner)
            tallies[process.name].add(one)
            tallies["all"].add(one)
    return at_steps, between


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--coupons", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    started = time.perf_counter()
    at_steps, between = campaign(arguments.coupons, arguments.seed)
    print(f"{'process':<28}{'where':<14}{'within U':>9}{'mean U':>8}{'fill':>8}{'edges':>8}")
    for where, tallies in (("at steps", at_steps), ("between", between)):
        for name, one in sorted(tallies.items()):
            print(
                f"{name:<28}{where:<14}{one.within / one.walls:>9.4f}"
                f"{one.width / one.walls:>8.3f}{one.right / one.fills:>8.4f}"
                f"{one.inside / one.edges:>8.4f}"
            )
    print(f"{arguments.coupons} coupons, {time.perf_counter() - started:.0f} s")
    everything = at_steps["all"]
    good = (
        0.93 <= everything.within / everything.walls <= 0.98
        and everything.inside / everything.edges >= 0.99
    )
    print("claims hold" if good else "claims do not hold")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
