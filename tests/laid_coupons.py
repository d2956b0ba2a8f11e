"""Coupons laid with known bead settings, by rules of its own and a third-party writer of G-code."""

from __future__ import annotations

import json
import math
import random
from dataclasses import dataclass, replace
from itertools import pairwise, zip_longest
from pathlib import Path
from typing import Any

import mecode
import shapely

from wallguard.commands.coupon.make import write_coupon
from wallguard.coupon.layout import lay_out
from wallguard.coupon.plan import plan
from wallguard.jobs.characterise import Coupon as Planned
from wallguard.mesh.read import read_mesh
from wallguard.rules.load import load_rules
from wallguard.rules.model import Beads
from wallguard.sections.cut import cut
from wallguard.toolpath.placing import polygon

H = 0.2
# Of walls that are laid only to be read, mm.
LOW = 2.4
# Where on the plate a coupon lies, mm.
LAID_AT = (25.0, 35.0)
RULES = """\
wallguard: 1
name: bench printer
process: {category: material extrusion}
layer_height: 0.2
build_volume: [600, 600, 200]
beads: {width: 0.45, contours: 2, smallest_wall: 0.4, squeeze: 0.1, smallest_fill: 0.3,
        spacing: width, nozzle: 0.4}
"""
# Where filling is laid, beads about so wide.
FILLING = 0.45
Strands = list[tuple[float, float]]


def random_settings(seed: int) -> Beads:
    """Settings at random. Air narrower than what neighbours share is closed by their round ends in
    any toolpath, so squeezing closes more than that."""
    rng = random.Random(seed)
    width = round(rng.uniform(0.38, 0.6), 3)
    squeeze = round(rng.uniform(0.07, 0.13), 3)
    varies = rng.random() < 0.3
    single = varies or rng.random() < 0.75
    low, high = (round(width * rng.uniform(*ends), 3) for ends in ((0.78, 0.9), (1.1, 1.3)))
    return Beads(
        width=round((low + high) / 2, 3) if varies else width,
        width_varies=(low, high) if varies else None,
        contours=rng.choice([1, 2, 2, 3]) if width < 0.45 else rng.choice([1, 2]),
        smallest_wall=round(rng.uniform(0.22, 0.36), 3),
        squeeze=squeeze,
        smallest_fill=round(rng.uniform(squeeze + 0.16, 0.9 * width), 3),
        between_one_and_two=rng.choice(["two beads", "dropped", "one bead"][: 2 + single]),  # type: ignore[arg-type]
        single_bead=single,
        spacing=rng.choice(["width", "from volume"]),  # type: ignore[arg-type]
    )


def strands(t: float, beads: Beads, odd: bool) -> tuple[str, Strands]:
    """The fill of a wall of `t` mm, and (middle, width) of the beads along it, by counting beads.

    odd  every other layer, in which filling lies elsewhere
    """
    a, b = beads.width_varies or (beads.width, beads.width)
    o = H * (1 - math.pi / 4) if beads.spacing == "from volume" else 0.0

    def beside(number: int, width: float) -> float:
        return number * width - (number - 1) * o

    if t < beads.smallest_wall - 1e-9:
        return "missing", []
    pairs = min(beads.contours, max(m for m in range(9) if not m or beside(2 * m, a) <= t + 1e-9))
    if not pairs:
        if beads.single_bead and t <= b + 1e-9:
            return "solid", [(0.0, min(max(t, a), b))]
        if beads.between_one_and_two == "dropped":
            return "missing", []
        if beads.between_one_and_two == "one bead":
            return "solid", [(0.0, b)]
        return "solid", [(-(t - a) / 2, a), ((t - a) / 2, a)]
    if t <= beside(2 * pairs, b) + beads.squeeze + 1e-9:
        return "solid", even(2 * pairs, t, o)
    if t < beside(2 * pairs, a) + beads.smallest_fill - 1e-9:
        return "hollow", sides(pairs, t, b, o)
    width = min(max((t - beads.smallest_fill + (2 * pairs - 1) * o) / (2 * pairs), a), b)
    if pairs < beads.contours and beads.width_varies:
        if t > beside(2 * pairs + 1, b) + beads.squeeze + 1e-9:
            return "hollow", sorted([*sides(pairs, t, b, o), (0.0, b)])
        if t <= beside(2 * pairs + 1, b):
            width = max(a, min(width, b))
    contours = sides(pairs, t, width, o)
    inner = contours[pairs][0] - contours[pairs][1] / 2
    room = 2 * inner + 2 * o
    count = max(1, round(room / FILLING))
    count += odd and count > 1
    return "solid", sorted([*contours, *even(count, room, o)])


def even(count: int, room: float, o: float) -> Strands:
    """Beads that fill a room, all as wide."""
    width = (room + (count - 1) * o) / count
    return [(-room / 2 + width / 2 + at * (width - o), width) for at in range(count)]


def sides(pairs: int, t: float, width: float, o: float) -> Strands:
    """Beads from both faces on."""
    one = [-t / 2 + width / 2 + at * (width - o) for at in range(pairs)]
    return sorted((sign * middle, width) for middle in one for sign in (1, -1))


@dataclass(frozen=True)
class Coupon:
    """A coupon of walls in its folder, and the strands of all that is no wall, by layer."""

    folder: Path
    features: list[dict[str, Any]]
    base: float
    rest: list[list[list[tuple[float, float]]]]

    @property
    def rules(self) -> Path:
        return self.folder.parent / "rules.yaml"


def coupon(
    top: Path, steps: list[float], features: set[str] | None = None, *, low: bool = False
) -> Coupon:
    """Make a coupon for RULES, of walls if nothing else is said.

    low  only what is walls along x, LOW mm high on two layers: soon laid and soon read
    """
    (top / "rules.yaml").write_text(RULES)
    rules = load_rules(top / "rules.yaml")
    planned = plan(rules, steps=steps, height=6.0, kinds=features or {"wall"})
    if low:
        sizes = replace(planned.sizes, base=2 * H, height=LOW)
        walls = planned.of("wall", "x")
        half = len(walls) // 2
        # In line behind what holds both are walls so unlike that none is taken for one of them.
        mixed = [wall for pair in zip_longest(walls[:half], walls[half:]) for wall in pair if wall]
        planned = replace(planned, features=tuple(mixed), sizes=sizes)
    write_coupon(Planned(rules, planned, lay_out(planned)), top / "coupon")
    manifest = json.loads((top / "coupon/manifest.json").read_text())
    (plate,) = manifest["plates"]
    sections = cut(read_mesh(top / "coupon/plate-1.stl"), H)
    upright = [one for one in plate["features"] if one["feature"] == "wall"]
    known: dict[int, list[list[tuple[float, float]]]] = {}
    rest = []
    for number, section in enumerate(sections.distinct.tolist()):
        if section not in known:
            shape = polygon(sections.rings(section))
            if sections.heights[number] > manifest["base"]:
                # What holds the walls, and else is thick; walls are laid by themselves.
                walls = [shapely.box(*one["box"][0][:2], *one["box"][1][:2]) for one in upright]
                shape = shape.difference(shapely.unary_union(walls).buffer(0.3))
            known[section] = list(rings(shape))
        rest.append(known[section])
    return Coupon(top / "coupon", upright, manifest["base"], rest)


def rings(shape: shapely.Geometry) -> Any:
    for inset in (0.225, 0.675):
        inner = shape.buffer(-inset, join_style="mitre").simplify(0.01)
        for piece in getattr(inner, "geoms", [inner]):
            if not piece.is_empty:
                for ring in (piece.exterior, *piece.interiors):
                    yield list(ring.coords)


def lay(made: Coupon, beads: Beads, path: Path) -> None:
    """Write the toolpath of a coupon, with mecode (PyPI), a general-purpose G-code writer."""
    with path.open("w") as stream:
        g = mecode.G(
            outfile=stream,
            print_lines=False,
            aerotech_include=False,
            extrude=False,
            layer_height=H,
            extrusion_width=0.45,
            filament_diameter=1.75,
        )
        g.absolute()

        def strand(points: list[tuple[float, float]], width: float = 0.45) -> None:
            g.extrude, g.extrusion_width = False, width
            g.abs_move(x=points[0][0] + LAID_AT[0], y=points[0][1] + LAID_AT[1])
            g.extrude = True
            for one, other in pairwise(points):
                if math.dist(one, other) > 1e-6:
                    g.abs_move(x=other[0] + LAID_AT[0], y=other[1] + LAID_AT[1])

        for number, rest in enumerate(made.rest):
            g.extrude = False
            g.abs_move(z=H * (number + 1))
            for ring in rest:
                strand(ring)
            if number * H + H / 2 < made.base:
                continue
            for feature in made.features:
                for points, width in wall(feature, beads, odd=number % 2 == 1):
                    strand(points, width)
        g.teardown()


def wall(feature: dict[str, Any], beads: Beads, odd: bool) -> Any:
    low, high = (corner[:2] for corner in feature["box"])
    across = 0 if feature["measure"]["across"] == "x" else 1
    middle = (low[across] + high[across]) / 2
    for place, width in strands(feature["nominal"], beads, odd)[1]:
        ends = []
        for end in (low, high):
            point = [float(value) for value in end]
            point[across] = middle + place
            ends.append((point[0], point[1]))
        yield ends, width
