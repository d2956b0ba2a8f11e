"""Rehearse random updates: a coupon laid with the settings of the rules, and with changed ones.

    python tests/campaign_rehearsal.py [--updates 10] [--seed 1]

Claims: where nothing changed nothing is told; what is told to come out otherwise does, within
SLACK. What the coupon cannot tell is counted: how much of the thicknesses up to six beads is
uncertain, and how much changed unseen between two walls.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from laid_coupons import H, coupon, lay, random_settings

from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table
from wallguard.coupon.plan import unit_width, wall_steps
from wallguard.fitting.evidence import SLACK, Evidence, evidence
from wallguard.jobs.characterise import Toolpaths, fit
from wallguard.rules import write
from wallguard.rules.model import Beads, Rules


def changed(beads: Beads, rng: random.Random) -> Beads:
    """The settings with one of them changed, as an update may."""
    by = rng.choice((-1, 1)) * rng.uniform(0.02, 0.06)
    shifted = {
        "width": round(beads.width + by, 3),
        "width_varies": beads.width_varies and tuple(round(x + by, 3) for x in beads.width_varies),
    }
    least_fill = beads.squeeze + 0.16
    ways = (
        {"smallest_fill": round(max(least_fill, beads.smallest_fill + 3 * by), 3)},
        {"squeeze": round(rng.uniform(0.07, 0.13), 3)},
        {"smallest_wall": round(rng.uniform(0.22, 0.36), 3)},
        {"contours": beads.contours % 2 + 1},
        {"between_one_and_two": rng.choice(("two beads", "dropped"))},
        shifted,
    )
    return replace(beads, **rng.choice(ways))


def held(found: Evidence, laid: Beads, up_to: float) -> tuple[list[float], float, float]:
    """Thicknesses (mm) told to change that do not so; how much changed unseen, and is uncertain."""
    truth = calculated(laid, H)
    wrong, unseen, uncertain = [], 0.0, 0.0
    for at in range(1, round(up_to * 100)):
        thickness = at / 100
        told, was = (table.outcome(thickness).fill for table in (found.after, found.before))
        near = (max(0.0, thickness + step * SLACK / 2) for step in range(-2, 3))
        if told == "uncertain":
            uncertain += 0.01
        elif told not in {truth.outcome(one).fill for one in near}:
            if told == was:
                unseen += 0.01
            else:
                wrong.append(thickness)
    return wrong, unseen, uncertain


def rehearsed(beads: Beads, laid: tuple[Beads, ...]) -> list[Evidence]:
    """What coupons laid by each of these settings say of rules with `beads`."""
    base = Rules("base.yaml", "base", "material extrusion", H, beads=beads)
    table = band_table(base)
    steps = list(wall_steps(table, unit_width(base, table), "quick"))
    found = []
    with tempfile.TemporaryDirectory() as folder:
        made = coupon(Path(folder), steps)
        rules, path = Path(folder) / "base.yaml", Path(folder) / "coupon.gcode"
        rules.write_text(write.text(base), encoding="utf-8")
        for one in laid:
            lay(made, one, path)
            fitted = fit([], rules, toolpaths=Toolpaths((path,), made.folder))
            found.append(evidence(fitted.fit, fitted.rules, base))
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--updates", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    started, failing, totals = time.perf_counter(), 0, [0.0, 0.0]
    for seed in range(arguments.seed, arguments.seed + arguments.updates):
        beads = random_settings(seed)
        update = changed(beads, random.Random(seed))
        same, other = rehearsed(beads, (beads, update))
        wrong, unseen, uncertain = held(other, update, 6 * beads.width)
        alarms = list(same.stretches())
        failing += bool(alarms or wrong)
        totals = [totals[0] + unseen, totals[1] + uncertain]
        word = "WRONG" if alarms or wrong else "right"
        print(f"{seed:3} {word} unseen {unseen:.2f} uncertain {uncertain:.2f} mm", alarms, wrong)
        sys.stdout.flush()
    unseen, uncertain = (total / max(1, arguments.updates) for total in totals)
    print(
        f"{arguments.updates} updates, {failing} wrong; mean: {unseen:.3f} mm changed unseen, "
        f"{uncertain:.3f} mm uncertain; {time.perf_counter() - started:.0f} s"
    )
    return int(failing > 0)


if __name__ == "__main__":
    sys.exit(main())
