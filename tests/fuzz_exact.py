"""Hold the walls and gaps that are found against those found by leaving nothing out.

python tests/fuzz_exact.py [FIRST LAST]     seeds of random parts, 0 to 40 if not given
python tests/fuzz_exact.py leaning FIRST LAST     the same of parts that taper and lean
python tests/fuzz_exact.py PART...          mesh files

Wherever a wall can be is found by bounds; here every edge is asked every 0.5 mm as well. Walls and
gaps must be the same: thickness to 0.001 mm, height to one layer, where they lie to 0.011 mm, how
long they are to 0.1 mm, and of one range of thickness and held on as many sides.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Sequence
from pathlib import Path

import manifold3d as m3
from solids import mesh

from wallguard.base.rotation import UPRIGHT
from wallguard.mesh.health import examine
from wallguard.mesh.read import read_mesh
from wallguard.part.geometry import Geometry
from wallguard.sections.cut import cut
from wallguard.sections.sections import Sections
from wallguard.walls.stretch import Stretch, is_speck
from wallguard.walls.trace import find_gaps, find_walls

LAYER, LARGEST, GAP = 0.2, 4.0, 0.5
# How exact all thickness is (mm), and how far apart two pieces of one wall may begin or end: points
# are set closer until they stand 0.01 mm apart (`places.py`), and discs there are as exact.
THICK, PLACE = 0.001, 0.011
# What a wall is at most decides nothing, and may lie where neither edge beside it tells; so between
# short edges a thick end is not looked for, and may be so much longer.
MOST, THICK_END = 0.005, 0.1
# An area is as exact as its length in each layer, and where a wall leans as its ends from layer to
# layer: a share of it.
AREA = 0.002
SPLITS = (0.3, 0.45, 0.8, 0.9, 1.0, 1.31, 1.75, 2.2)


def part(seed: int) -> m3.Manifold:
    """A random union and difference of turned plates, tubes, wedges, balls and extruded stars."""
    draw = random.Random(seed)
    whole = m3.Manifold()
    for _ in range(draw.randint(2, 8)):
        kind = draw.random()
        if kind < 0.5:
            size = [draw.uniform(2, 25), draw.uniform(0.3, 4), draw.uniform(1, 8)]
            piece = m3.Manifold.cube(size, True)
        elif kind < 0.65:
            radius = draw.uniform(1, 6)
            bore = m3.Manifold.cylinder(9, radius - draw.uniform(0.3, 1.0), -1, 24, True)
            piece = m3.Manifold.cylinder(6, radius, -1, 32, True) - bore
        elif kind < 0.8:
            outline = [[0, 0], [draw.uniform(4, 15), 0], [0, draw.uniform(0.5, 5)]]
            piece = m3.CrossSection([outline]).extrude(draw.uniform(1, 6), scale_top=[0.6, 0.9])
        elif kind < 0.9:
            piece = m3.Manifold.sphere(draw.uniform(1, 5), 24)
        else:
            square = m3.CrossSection.square([8, 1.2], True)
            piece = square.extrude(6, n_divisions=12, twist_degrees=draw.uniform(20, 120))
        piece = piece.rotate([draw.choice([0, 0, 10, 90]), 0, draw.choice([0, 45, 17])])
        piece = piece.translate([draw.uniform(-8, 8), draw.uniform(-8, 8), draw.uniform(-4, 4)])
        whole = whole - piece if draw.random() < 0.25 else whole + piece
    return whole


def leaning(seed: int) -> m3.Manifold:
    """A random union and difference of tapered plates, tubes and frames, which lean: outlines that
    only slide from layer to layer."""
    draw = random.Random(f"leaning {seed}")
    whole = m3.Manifold()
    for _ in range(draw.randint(1, 5)):
        kind, tall = draw.random(), draw.uniform(4, 14)
        top = (draw.uniform(0.7, 1.1), draw.uniform(0.7, 1.1))
        if kind < 0.3:
            size = [draw.uniform(3, 20), draw.uniform(0.4, 4)]
            piece = m3.CrossSection.square(size, True).extrude(tall, scale_top=top)
        elif kind < 0.5:
            radius, sides = draw.uniform(2, 7), draw.choice([5, 8, 16, 40])
            narrower = draw.uniform(0.75, 1.2)
            bore = m3.CrossSection.circle(max(0.4, radius - draw.uniform(0.3, 2.5)), sides)
            its = narrower * draw.uniform(0.95, 1.04)
            piece = m3.CrossSection.circle(radius, sides).extrude(tall, scale_top=(narrower,) * 2)
            piece -= bore.extrude(tall, scale_top=(its, its))
        elif kind < 0.7:
            length, width = draw.uniform(6, 20), draw.uniform(5, 12)
            thick, floor = draw.uniform(0.5, 2.5), draw.choice([0, 1.1])
            inner = m3.CrossSection.square([length - 2 * thick, width - 2 * thick], True)
            piece = m3.CrossSection.square([length, width], True).extrude(tall, scale_top=top)
            its = tuple(each * draw.uniform(0.97, 1.03) for each in top)
            piece -= inner.extrude(tall, scale_top=its).translate([0, 0, floor])
        elif kind < 0.85:
            outline = [
                [0, 0],
                [draw.uniform(4, 15), draw.uniform(-2, 2)],
                [draw.uniform(2, 6), draw.uniform(1, 5)],
                [draw.uniform(-2, 1), draw.uniform(0.5, 5)],
            ]
            piece = m3.CrossSection([outline]).extrude(tall, scale_top=top)
        else:
            piece = m3.Manifold.cube([draw.uniform(2, 15), draw.uniform(0.3, 3), tall])
        piece = piece.rotate([draw.choice([0, 0, 2, 7, 15]), draw.choice([0, 1, 6, 20]), 0])
        piece = piece.rotate([0, 0, draw.choice([0, 45, 17])])
        piece = piece.translate([draw.uniform(-6, 6), draw.uniform(-6, 6), draw.uniform(-2, 2)])
        whole = whole - piece if draw.random() < 0.25 else whole + piece
    return whole


def alike(one: Stretch, other: Stretch) -> bool:
    """Whether two stretches lie at the same place."""
    return (
        abs(one.minimum - other.minimum) <= THICK
        and abs(one.low - other.low) <= LAYER * 1.01
        and abs(one.high - other.high) <= LAYER * 1.01
        and all(
            abs(a - b) <= PLACE
            for i in (0, 1)
            for a, b in zip(one.box[i][:2], other.box[i][:2], strict=True)
        )
    )


def told_apart(one: Stretch, other: Stretch) -> list[str]:
    """In what two stretches at one place differ that a finding tells or an outcome hangs on."""
    # Within a layer's height each may reach as far as it is long.
    area = AREA * one.area + THICK_END * (one.high - one.low)
    allowed = {
        "typical": THICK,
        "maximum": MOST,
        "across": THICK,
        "length": THICK_END,
        "area": area + one.length * abs(one.high - one.low - other.high + other.low),
        "slope": THICK,
        "sides": 0,
        "ends": 0,
        "group": 0,
    }
    return [
        f"{name} {getattr(one, name):.4f} for {getattr(other, name):.4f}"
        for name, most in allowed.items()
        if abs(getattr(one, name) - getattr(other, name)) > most
    ]


def differ(found: Sequence[Stretch], whole: Sequence[Stretch]) -> list[str]:
    """What the one has that the other lacks or tells otherwise, in words."""
    said = []
    for some, others, name in ((found, whole, "only found fast"), (whole, found, "missed")):
        for one in some:
            if is_speck(one):
                continue
            size = f"{one.minimum:.4f} to {one.maximum:.4f}, {one.length:.2f} long"
            where = f"{size}, z {one.low:.2f} to {one.high:.2f} at {one.point}"
            there = [told_apart(one, other) for other in others if alike(one, other)]
            if not there:
                said.append(f"{name}: {where}")
            elif some is found and (least := min(there, key=len)):
                said.append(f"{', '.join(least)}: {where}")
    return said


def compare(sections: Sections) -> tuple[int, list[str]]:
    """How many walls and gaps there are, and what differs."""
    said, count = [], 0
    for find, largest, splits in ((find_walls, LARGEST, SPLITS), (find_gaps, GAP, ())):
        whole = find(sections, largest, splits, everywhere=True)
        said += differ(find(sections, largest, splits), whole)
        count += len(whole)
    return count, said


def cases(words: list[str]):
    make = leaning if words[:1] == ["leaning"] else part
    words = words[1:] if make is leaning else words
    if words and not words[0].isdigit():
        for name in words:
            drawn = read_mesh(Path(name))
            geometry = Geometry(drawn, examine(drawn), UPRIGHT, 1.0)
            yield name, geometry.sections(LAYER)
        return
    first, last = map(int, words) if words else (0, 40)
    for seed in range(first, last):
        solid = make(seed)
        if not solid.is_empty():
            yield f"seed {seed}", cut(mesh(solid), LAYER)


def main() -> int:
    total = wrong = 0
    for name, sections in cases(sys.argv[1:]):
        count, said = compare(sections)
        total, wrong = total + count, wrong + len(said)
        for each in said:
            print(f"{name}: {each}")
    print(f"{total} walls and gaps, {wrong} differences")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
