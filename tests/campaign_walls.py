"""Walls that meet, in every thickness: a wall drawn in a good range brings no finding, one drawn in
a bad range one a wall:

    python tests/campaign_walls.py [--step 0.05] [--rules 10] [--shapes box,tee] [--turned]

Each shape is drawn with walls of one thickness from 0.40 to 4.00 mm, square and turned by 17
degrees. The processes are invented; what each says of a thickness is read from its band table,
which other tests hold against closed forms. What is asked is only that the part's walls are
judged by it, and nothing else is.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable, Iterator

import manifold3d as m3
import numpy as np
from solids import box, mesh, prism, tube

from wallguard.bands.declared import band_table
from wallguard.base.rotation import UPRIGHT
from wallguard.checks.case import Case
from wallguard.jobs.check import run_checks
from wallguard.mesh.health import examine
from wallguard.part.geometry import Geometry
from wallguard.rules.model import Beads, Rules

HEIGHT = 12.0
LONG = 40.0


def _slab(thickness, length=LONG, height=HEIGHT):
    return box([length, thickness, height], [-length / 2, -thickness / 2, 0])


def open_box(t):
    return box([LONG, LONG, HEIGHT]) - box([LONG - 2 * t, LONG - 2 * t, HEIGHT], [t, t, 2.5])


def frame(t):
    """A square tube without a floor."""
    return box([LONG, LONG, HEIGHT]) - box([LONG - 2 * t, LONG - 2 * t, HEIGHT + 2], [t, t, -1])


def tee(t):
    return _slab(t) + box([t, LONG / 2, HEIGHT], [-t / 2, 0, 0])


def cross(t):
    return _slab(t) + _slab(t).rotate([0, 0, 90])


def ribbed(t):
    """A standing plate far too thick to be a wall with three ribs."""
    plate = box([LONG, 9, HEIGHT], [0, -9, 0])
    for at in (6, 18, 30):
        plate += box([t, 15, HEIGHT], [at, -1, 0])
    return plate


def filleted(t, radius=2.0):
    """The same with fillets at the roots of the ribs, and where they stand on a floor."""
    solid = ribbed(t) + box([LONG, 24, 3], [0, -9, -3])
    for at in (6, 18, 30):
        for side, out in ((at, -1), (at + t, 1)):
            block = box([radius, radius, HEIGHT], [side if out > 0 else side - radius, 0, 0])
            round_ = m3.Manifold.cylinder(HEIGHT + 2, radius, radius, 64)
            solid += block - round_.translate([side + out * radius, radius, -1])
            low = box([radius, 14, radius], [side if out > 0 else side - radius, 0, 0])
            bar = m3.Manifold.cylinder(16, radius, radius, 64).rotate([-90, 0, 0])
            solid += low - bar.translate([side + out * radius, -1, radius])
    return solid


def hexagon(t):
    across = 20.0
    corner = np.radians(60 * np.arange(6))
    outer = np.column_stack([np.cos(corner), np.sin(corner)]) * across
    inner = outer * (1 - t / (across * math.cos(math.pi / 6)))
    return prism(outer, HEIGHT) - prism(inner, HEIGHT + 2).translate([0, 0, -1])


def round_tube(t):
    return tube(40, t, HEIGHT, 128)


# The shape, and how many walls it has.
SHAPES: dict[str, tuple[Callable[[float], m3.Manifold], int]] = {
    "box": (open_box, 4),
    "frame": (frame, 4),
    "tee": (tee, 2),
    "cross": (cross, 2),
    "ribbed": (ribbed, 3),
    "filleted": (filleted, 3),
    "hexagon": (hexagon, 6),
    "tube": (round_tube, 1),
}
# Width of the bead, contours, smallest wall, squeeze, smallest fill.
BEADS = (
    (0.45, 2, 0.30, 0.10, 0.40),
    (0.45, 3, 0.35, 0.05, 0.30),
    (0.42, 2, 0.40, 0.10, 0.42),
    (0.40, 2, 0.30, 0.00, 0.20),
    (0.50, 2, 0.40, 0.10, 0.50),
    (0.55, 1, 0.45, 0.10, 0.45),
    (0.60, 2, 0.50, 0.15, 0.60),
    (0.38, 4, 0.30, 0.05, 0.38),
    (0.66, 3, 0.50, 0.10, 0.50),
    (0.84, 2, 0.70, 0.10, 0.60),
)
OUTCOMES = {"hollow": "fail", "missing": "fail", "thickened": "fail", "thinned": "fail",
            "indeterminate": "warn"}  # fmt: skip


def rules_of(beads) -> Rules:
    width, contours, smallest, squeeze, fill = beads
    return Rules(
        path="rules.yaml",
        name="invented",
        category="material extrusion",
        layer_height=0.2,
        outcomes=OUTCOMES,
        beads=Beads(
            width=width,
            contours=contours,
            smallest_wall=smallest,
            squeeze=squeeze,
            smallest_fill=fill,
            nozzle=0.4,
        ),
    )


def cases(step: float, shapes: list[str], turned: bool) -> Iterator[tuple[str, float, m3.Manifold]]:
    for name in shapes:
        for thickness in np.round(np.arange(0.4, 4.0 + step / 2, step), 4).tolist():
            solid = SHAPES[name][0](thickness)
            yield name, thickness, solid.rotate([0, 0, 17]) if turned else solid


def wrong(name: str, thickness: float, geometry: Geometry, rules: Rules) -> str:
    """What is said of the part that should not be, or what is not said; empty: all is right."""
    case = Case(geometry, rules, band_table(rules))
    findings = run_checks(case)[1]
    near = [abs(edge - thickness) for edge in case.table.verdict_edges(rules.tolerance)]
    if min(near) < 0.006:
        return ""  # right on an edge either answer is as good
    verdict = case.table.classify(thickness, rules.tolerance)
    expected = 0 if verdict == "solid" else SHAPES[name][1]
    off = [f for f in findings if f.subject and abs(f.subject.thickness.typical - thickness) > 0.02]
    if len(findings) == expected and not off:
        return ""
    says = "; ".join(f.message for f in (off or findings)[:2])
    return f"{verdict}: {len(findings)} findings, {expected} expected: {says}"


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--step", type=float, default=0.05)
    parser.add_argument("--rules", type=int, default=len(BEADS))
    parser.add_argument("--shapes", default=",".join(SHAPES))
    given = parser.parse_args()
    count = bad = 0
    began = time.monotonic()
    for turned in (False, True):
        for name, thickness, solid in cases(given.step, given.shapes.split(","), turned):
            whole = mesh(solid)
            geometry = Geometry(whole, examine(whole), UPRIGHT, 1.0)
            for number, beads in enumerate(BEADS[: given.rules]):
                count += 1
                says = wrong(name, thickness, geometry, rules_of(beads))
                if says:
                    bad += 1
                    turn = " turned" if turned else ""
                    print(f"{name}{turn} {thickness:.2f} rules {number}: {says}")
    print(f"{count} cases, {bad} wrong, {time.monotonic() - began:.0f} s")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
