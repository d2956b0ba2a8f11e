"""Lay a coupon with random bead settings and recover these from the toolpath.

    python tests/campaign_recovery.py [--settings 20] [--seed 1] [--all]

Claims: every setting that is recovered is right within 0.02 mm, and every fill is right.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from pathlib import Path

from laid_coupons import Coupon, H, coupon, lay, random_settings, strands

from wallguard.fitting.recovery import Recovered
from wallguard.jobs.characterise import Toolpaths, fit
from wallguard.rules.model import Beads

# A wall every so many millimetres: what lies between two of them is known to half of that.
STEP = 0.03
STEPS = [round(0.2 + STEP * at, 2) for at in range(95)]
RIGHT = 0.02


def telling(beads: Beads) -> list[float]:
    """Of STEPS those to either side of a change, as rounds of `coupon next` come near to them, and
    a few between."""
    seen = [
        (fill, len(laid))
        for fill, laid in (strands(nominal, beads, odd=False) for nominal in STEPS)
    ]
    changes = [at for at in range(1, len(STEPS)) if seen[at] != seen[at - 1]]
    chosen = {0, len(STEPS) - 1, *range(5, len(STEPS), 15)}
    chosen |= {at for change in changes for at in (change - 1, change)}
    return [STEPS[at] for at in sorted(chosen)]


def truth(beads: Beads) -> dict[str, float]:
    """The settings by the names that recovery gives them."""
    o = H * (1 - math.pi / 4) if beads.spacing == "from volume" else 0.0
    low, high = beads.width_varies or (beads.width, beads.width)
    width = (low + high) / 2
    found = {"width": width, "spacing": width - o, "offset": 0.0}
    if beads.width_varies:
        found |= {"narrowest": low, "widest": high}
    return found | {
        name: float(getattr(beads, name)) for name in ("smallest_wall", "squeeze", "smallest_fill")
    }


def wrong(recovered: Recovered | None, beads: Beads, within: float = RIGHT) -> list[str]:
    """What was recovered and is not so; where more is left open, what lies outside of that."""
    if recovered is None:
        return ["nothing was recovered"]
    known = truth(beads)
    said = [
        f"{name} {one.value:.3f} ± {one.uncertainty:.3f}, not {known.get(name, math.nan):.3f}"
        for name, one in recovered.numbers().items()
        if name not in known or abs(one.value - known[name]) > max(within, one.uncertainty + 0.005)
    ]
    for name in ("contours", "single_bead", "between_one_and_two"):
        found = getattr(recovered, name)
        if found is not None and found != getattr(beads, name):
            said.append(f"{name} {found}, not {getattr(beads, name)}")
    return said


def recovered_of(made: Coupon, beads: Beads, path: Path) -> tuple[Recovered | None, list[str]]:
    """What is recovered of one toolpath, and what is wrong: settings, and fills of walls."""
    lay(made, beads, path)
    fitted = fit([], made.rules, toolpaths=Toolpaths((path,), made.folder)).fit
    said = wrong(fitted.recovered, beads)
    for file in fitted.files:
        for row in file.rows:
            expected, _ = strands(row.nominal, beads, odd=False)
            if row.fill != expected:
                said.append(f"{row.nominal:.2f} along {row.axis} is {row.fill}, not {expected}")
    return fitted.recovered, said


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--settings", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--all", action="store_true", help="a wall every 0.03 mm, which takes long")
    arguments = parser.parse_args()
    started, failing = time.perf_counter(), 0
    told: dict[str, int] = {}
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(arguments.seed, arguments.seed + arguments.settings):
            beads = random_settings(seed)
            top = Path(folder) / str(seed)
            top.mkdir()
            made = coupon(top, STEPS if arguments.all else telling(beads))
            recovered, said = recovered_of(made, beads, top / "coupon.gcode")
            failing += bool(said)
            print(f"{seed:3} {'WRONG' if said else 'right'} {beads}")
            for text in said:
                print("      ", text)
            for name in recovered.numbers() if recovered else ():
                told[name] = told.get(name, 0) + 1
            for name in ("contours", "single_bead", "between_one_and_two"):
                told[name] = told.get(name, 0) + (getattr(recovered, name, None) is not None)
            sys.stdout.flush()
    print("recovered of:", ", ".join(f"{name} {count}" for name, count in sorted(told.items())))
    print(f"{arguments.settings} settings, {failing} wrong, {time.perf_counter() - started:.0f} s")
    return int(failing > 0)


if __name__ == "__main__":
    sys.exit(main())
