"""Toolpaths of known beads, truth against output: `python tests/campaign_toolpath.py`.

Parts with walls of known thickness are laid with known beads: contours offset with shapely (a
general-purpose geometry library) and strands of fill, by a layer that shares nothing with
wallguard. What becomes of each wall follows from its thickness, the beads and the fill; the
campaign prints it beside what `verify` says, and ends with 1 if any differs. The cases vary how
far the outline is grown, how the part is turned, how seams rise, how dense the fill is, and how
the file is written. `--seeds N` adds N random cases to the 128 of the sweep.
"""

from __future__ import annotations

import argparse
import itertools
import math
import random
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry.polygon import orient
from solids import mesh, prism
from toolpaths import feed

from wallguard.base.errors import InputError
from wallguard.base.rotation import UPRIGHT
from wallguard.jobs.verify import verify
from wallguard.mesh.health import examine
from wallguard.part.geometry import Geometry

H = 0.2
# A fill is laid where the contours leave room for so many of its strands.
ROOM = 2.5


@dataclass(frozen=True)
class Drawn:
    """A wall: thickness, a point in its middle, and from where to where it goes up."""

    thickness: float
    point: tuple[float, float]
    low: float
    high: float
    length: float


@dataclass(frozen=True)
class Part:
    """Outlines by height (from, to, polygon), and the walls that stand in them."""

    name: str
    slabs: tuple[tuple[float, float, shapely.Geometry], ...]
    walls: tuple[Drawn, ...]

    def geometry(self) -> Geometry:
        solid = None
        for low, high, outline in self.slabs:
            for piece in getattr(outline, "geoms", [outline]):
                one = prism(list(orient(piece).exterior.coords)[:-1], high - low)
                for hole in piece.interiors:
                    inner = shapely.Polygon(hole)
                    cut = prism(list(orient(inner).exterior.coords)[:-1], high - low + 2)
                    one -= cut.translate([0, 0, -1])
                one = one.translate([0, 0, low])
                solid = one if solid is None else solid + one
        found = mesh(solid)
        return Geometry(found, examine(found), UPRIGHT, 1.0)

    @property
    def height(self) -> float:
        return max(high for _, high, _ in self.slabs)


def comb() -> Part:
    """Walls of rising thickness at one pitch on a spine: many a wrong place looks nearly right."""
    spine = shapely.box(0, 0, 38.4, 6)
    thick = (0.9, 1.0, 1.2, 1.35, 1.8, 2.0, 2.3)
    shapes, walls = [spine], []
    for number, t in enumerate(thick):
        x = 6 * number + 1.2
        shapes.append(shapely.box(x - t / 2, 3, x + t / 2, 24))
        walls.append(Drawn(t, (x, 15), 0.6, 2.0, 18))
    return Part(
        "comb",
        ((0, 0.6, spine), (0.6, 2.0, shapely.union_all(shapes))),
        tuple(walls),
    )


def grille() -> Part:
    """A frame with alike slats."""
    frame = shapely.box(0, 0, 45, 30).difference(shapely.box(2.0, 2.0, 43, 28))
    slats = [shapely.box(0.5, 5.5 + 4 * k - 0.6, 44.5, 5.5 + 4 * k + 0.6) for k in range(6)]
    walls = [Drawn(1.2, (22, 5.5 + 4 * k), 0, 1.6, 41) for k in range(6)]
    walls.append(Drawn(2.0, (22, 1.0), 0, 1.6, 43))
    return Part("grille", ((0, 1.6, shapely.union_all([frame, *slats])),), tuple(walls))


def angle() -> Part:
    """An L on a plate: no turn of it is the same."""
    plate = shapely.box(0, 0, 40, 25)
    upright = shapely.union(shapely.box(1, 1, 39, 2.6), shapely.box(1, 1, 3.4, 24))
    walls = (Drawn(1.6, (25, 1.8), 0.8, 2.4, 35), Drawn(2.4, (2.2, 15), 0.8, 2.4, 21))
    return Part("angle", ((0, 0.8, plate), (0.8, 2.4, upright)), walls)


def tray() -> Part:
    """A tray with thick walls that are filled, and a ring."""
    outer = shapely.box(0, 0, 44, 32)
    inner = shapely.box(3.7, 3.9, 40.3, 28.1)
    ring = shapely.Point(22, 16).buffer(8, quad_segs=32)
    ring = ring.difference(shapely.Point(22, 16).buffer(8 - 1.1, quad_segs=32))
    walls = (
        Drawn(3.7, (1.85, 16), 0.6, 2.2, 30),
        Drawn(3.9, (22, 1.95), 0.6, 2.2, 40),
        Drawn(1.1, (22, 16 + 7.45), 0.6, 2.2, 46),
    )
    shape = outer.difference(inner).union(ring)
    return Part("tray", ((0, 0.6, outer), (0.6, 2.2, shape)), walls)


PARTS = {part.name: part for part in (comb(), grille(), angle(), tray())}


@dataclass(frozen=True)
class Case:
    """How a part is laid and how the file is written. Lengths in mm, angle in degrees."""

    part: str
    grown: float = 0.0
    angle: float = 0.0
    ramp: float = 0.0
    density: float = 0.0
    width: float = 0.45
    contours: int = 2
    origin: tuple[float, float] = (100.0, 90.0)
    relative: bool = True
    inch: bool = False
    flow: float = 1.0
    raft: bool = False
    brim: bool = False
    skirt: bool = True
    support: bool = False
    copies: int = 1
    purge: bool = True
    shift_z: float = 0.0
    fill_angle: float = 45.0
    skip: tuple[int, ...] = field(default=())

    def words(self) -> str:
        rows = [f"{self.part:6}", f"grown {self.grown:.2f}", f"turned {self.angle:6.1f}"]
        rows += [f"ramp {self.ramp:4.0f}", f"fill {self.density:4.0%}"]
        plain = Case(self.part)
        for name in ("width", "contours", "relative", "inch", "flow", "raft", "brim", "support"):
            if getattr(self, name) != getattr(plain, name):
                rows.append(f"{name} {getattr(self, name)}")
        for name in ("copies", "shift_z", "skip"):
            if getattr(self, name) != getattr(plain, name):
                rows.append(f"{name} {getattr(self, name)}")
        return ", ".join(rows)


class Writer:
    """Writes strands as a toolpath; coordinates of the part go in."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.unit = 25.4 if case.inch else 1.0
        self.lines = ["; made", "G20" if case.inch else "G21", "G90"]
        self.lines += ["G28", "M83" if case.relative else "M82", "G92 E0"]
        if case.shift_z:
            self.lines += [f"G1 Z{case.shift_z / self.unit:.4f}", "G92 Z0"]
        if case.flow != 1:
            self.lines.append(f"M221 S{100 * case.flow:g}")
        self.e, self.z = 0.0, 0.0
        self.place = case.origin

    def number(self, value: float) -> str:
        return f"{value / self.unit:.{5 if self.case.inch else 3}f}"

    def at(self, point: tuple[float, float]) -> str:
        turn = math.radians(self.case.angle)
        x = point[0] * math.cos(turn) - point[1] * math.sin(turn) + self.place[0]
        y = point[0] * math.sin(turn) + point[1] * math.cos(turn) + self.place[1]
        return f"X{self.number(x)} Y{self.number(y)}"

    def push(self, length: float) -> str:
        said = length / self.case.flow / self.unit
        if self.case.relative:
            return f"E{said:.6f}"
        self.e += said
        return f"E{self.e:.6f}"

    def strand(self, points, width: float, *, ramp: float = 0.0) -> None:
        """Lay a strand through the points at the present height; one that rises at its start
        and fades out over the same way at its end, where `ramp` is given (closed strands)."""
        points = [tuple(map(float, point)) for point in points]
        self.lines.append(f"G1 {self.push(-0.7)}")
        self.lines.append(f"G0 {self.at(points[0])} Z{self.number(self.z - H * bool(ramp))}")
        self.lines.append(f"G1 {self.push(0.7)} F1800")
        line = shapely.LineString(points)
        ramp = min(ramp, line.length / 2)
        steps = 10
        cuts = [ramp * k / steps for k in range(steps + 1)] if ramp else [0.0]
        gone = np.cumsum([0.0] + [math.dist(a, b) for a, b in itertools.pairwise(points)])
        stops = sorted({*cuts, *gone.tolist()})
        amount = feed(width, H)
        for one, other in itertools.pairwise(stops):
            if other - one < 1e-6:
                continue
            middle = (one + other) / 2
            share = min(middle / ramp, 1.0) if ramp else 1.0
            rise = f" Z{self.number(self.z - H * (1 - other / ramp))}" if other <= ramp else ""
            rise = rise if ramp else ""
            end = line.interpolate(other)
            said = self.push(amount * share * (other - one))
            self.lines.append(f"G1 {self.at((end.x, end.y))}{rise} {said}")
        if ramp:
            for one, other in itertools.pairwise(cuts):
                end = line.interpolate(other)
                share = 1 - (one + other) / 2 / ramp
                said = self.push(amount * share * (other - one))
                self.lines.append(f"G1 {self.at((end.x, end.y))} {said}")

    def level(self, z: float) -> None:
        self.z = z
        self.lines.append(f"G0 Z{self.number(z + 0.4)} F9000")
        self.lines.append(f"G0 Z{self.number(z)}")

    def text(self) -> str:
        return "\n".join([*self.lines, "M107", "M84"]) + "\n"


def polygons(shape):
    return [one for one in getattr(shape, "geoms", [shape]) if not one.is_empty]


def rings(shape):
    for piece in polygons(shape):
        yield from (piece.exterior, *piece.interiors)


def hatch(shape, spacing: float, angle: float):
    """Parallel lines across a shape."""
    turned = affinity.rotate(shape, -angle, origin=(0, 0))
    if turned.is_empty:
        return
    x0, y0, x1, y1 = turned.bounds
    first = math.floor(y0 / spacing)
    for number in range(first, math.ceil(y1 / spacing) + 1):
        line = shapely.LineString([(x0 - 1, number * spacing), (x1 + 1, number * spacing)])
        cut = affinity.rotate(line.intersection(turned), angle, origin=(0, 0))
        for piece in polygons(cut):
            if piece.length > 0.2:
                yield list(piece.coords)


def lay(case: Case) -> str:
    """The file of a case."""
    part = PARTS[case.part]
    out = Writer(case)
    w = case.width
    if case.purge:
        out.level(0.3)
        out.place = (0.0, 0.0)
        out.lines += ["G0 X2 Y5" if not case.inch else "G0 X0.1 Y0.2"]
        x, y = (2, 120) if not case.inch else (0.1, 4.7)
        out.lines.append(f"G1 X{x} Y{y} {out.push(9.0)}")
    count = round(part.height / H)
    places = [
        (case.origin[0] + (k % 3) * 75, case.origin[1] + (k // 3) * 65) for k in range(case.copies)
    ]
    bottom = part.slabs[0][2]
    base = 0.0
    if case.raft:
        ground = bottom.buffer(4.0)
        for number in range(3):
            out.level(H * (number + 1))
            for out.place in places:
                for line in hatch(ground, 2.0 * w if number < 2 else w, 90.0 * (number % 2)):
                    out.strand(line, w)
        base = 3 * H + 0.1
    for number in range(count):
        if number in case.skip:
            continue
        low = number * H
        shape = next(s for a, b, s in part.slabs if a <= low + H / 2 < b)
        solid = len(part.slabs) > 1 and low + H / 2 < part.slabs[0][1]
        out.level(base + low + H)
        for out.place in places:
            if number == 0 and case.skirt:
                out.strand(bottom.buffer(5.0 + w).exterior.coords, w)
            if number == 0 and case.brim:
                for k in range(4):
                    out.strand(bottom.buffer(w / 2 + k * w + case.grown).exterior.coords, w)
            grown = shape.buffer(case.grown, join_style="mitre")
            for k in range(case.contours - 1, -1, -1):
                # Only where two beads of this contour fit side by side.
                deep = (k + 1) * w - 1e-4
                core = grown.buffer(-deep, join_style="mitre")
                fits = core.buffer(deep, join_style="mitre").intersection(grown)
                for ring in rings(fits.buffer(-w / 2 - k * w, join_style="mitre")):
                    out.strand(ring.coords, w, ramp=case.ramp)
            room = grown.buffer(-w * case.contours, join_style="mitre")  # left by all contours
            # Only where strands of fill fit side by side.
            deep = ROOM * w / 2 + 0.02
            wide = room.buffer(-deep).buffer(deep + 0.03).intersection(room)
            dense = 1.0 if solid else case.density
            if dense > 0:
                inner = wide.buffer(-w / 2 + 0.1)
                turn = case.fill_angle + 90.0 * (number % 2)
                for line in hatch(inner, w / dense, turn):
                    out.strand(line, w)
            if case.support:
                x0, y0, x1, _ = bottom.bounds
                for x in np.arange(x0, x1, 2.5):
                    away = y0 - case.grown - 0.3 - w / 2
                    out.strand([(x, away), (x, away - 4)], w * 0.8)
    return out.text()


@dataclass(frozen=True)
class Truth:
    """What becomes of a wall."""

    fills: tuple[str, ...]
    air: float
    printed: float


def truth(case: Case, wall: Drawn) -> Truth:
    """From the layer's own rules, not from wallguard's."""
    made = wall.thickness + 2 * case.grown
    pairs = min(case.contours, math.floor(made / 2 / case.width + 1e-6))
    if not pairs:
        return Truth(("missing",), 0.0, 0.0)
    room = made - 2 * pairs * case.width
    if room < 0.015:
        return Truth(("solid",), 0.0, made)
    if pairs == case.contours and room > ROOM * case.width + 0.04 and case.density > 0:
        # The fill's share of the wall is what decides; where it is dense either word is true, as
        # the corners that strands leave where they end come on top.
        open_ = room * (1 - case.density) / made
        fills = ("sparse",) if open_ > 0.08 else ("solid", "sparse")
        return Truth(fills, 0.0, made)
    return Truth(("hollow",), room, made)


def judge(case: Case) -> tuple[list[str], list[str], float]:
    """What is wrong, what was found (for the table), and the seconds it took."""
    part = PARTS[case.part]
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "toolpath.gcode"
        path.write_text(lay(case))
        begun = time.perf_counter()
        try:
            found = verify(path, part.geometry(), "part.stl")
        except InputError as error:
            return [f"refused: {error.problem}"], [], time.perf_counter() - begun
    seconds = time.perf_counter() - begun
    wrong, told = [], []
    if len(found.places) != case.copies:
        wrong.append(f"{len(found.places)} copies of {case.copies}")
    for copy, one in enumerate(found.comparisons):
        for wall in part.walls:
            expected = truth(case, wall)
            here = [
                laid
                for laid in one.walls
                if abs(laid.stretch.typical - wall.thickness) < 0.03
                and all(
                    laid.stretch.box[0][axis] - 0.1
                    <= wall.point[axis]
                    <= laid.stretch.box[1][axis] + 0.1
                    for axis in (0, 1)
                )
                and laid.stretch.high > wall.low + 0.01
                and laid.stretch.low < wall.high - 0.01
            ]
            label = f"{wall.thickness:.2f} at {wall.point[0]:.0f} {wall.point[1]:.0f}"
            says = [f"{laid.fill} {laid.air:.2f}/{laid.printed or 0:.2f}" for laid in here]
            told.append(
                f"{label}: {'/'.join(expected.fills)} {expected.air:.2f}/{expected.printed:.2f}"
                f" | {', '.join(says) or 'not found'}"
            )
            bad = [
                laid
                for laid in here
                if laid.fill not in expected.fills
                or (laid.fill == "hollow" and abs(laid.air - expected.air) > 0.03)
                or (laid.printed is not None and abs(laid.printed - expected.printed) > 0.05)
            ]
            if not here or bad:
                wrong.append(f"copy {copy + 1}: {told[-1]}")
        # A wall of the part that is told broken or missing nowhere is.
        for laid in one.walls:
            expected_missing = (
                any("missing" in truth(case, wall).fills for wall in part.walls) or case.skip
            )
            if laid.fill == "broken" or (laid.fill == "missing" and not expected_missing):
                wrong.append(
                    f"copy {copy + 1}: {laid.fill} {laid.stretch.typical:.2f} at "
                    f"{tuple(round(v, 1) for v in laid.stretch.point)}, "
                    f"{laid.stretch.length:.1f} long"
                )
    return wrong, told, seconds


GROWN = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3)
TURNS = (0.0, 90.0, 1.0, 17.0, 45.0, 180.0, -33.3, 270.0)
RAMPS = (0.0, 2.0, 5.0, 10.0, 20.0)
DENSITIES = (0.0, 0.05, 0.1, 0.15, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


def sweep() -> list[Case]:
    """The 128 cases: each of the four variations alone for every part, the rest mixed."""
    cases = []
    for name in PARTS:
        cases += [Case(name, grown=grown) for grown in GROWN]
        cases += [Case(name, angle=angle) for angle in TURNS[1:]]
        cases += [Case(name, ramp=ramp) for ramp in RAMPS[1:]]
    cases += [Case("tray", density=density) for density in DENSITIES[1:]]
    cases += [Case("tray", density=density, fill_angle=0.0) for density in (0.1, 0.4, 0.8)]
    rng = random.Random(14)
    while len(cases) < 128:
        cases.append(
            Case(
                rng.choice(list(PARTS)),
                grown=rng.choice(GROWN),
                angle=rng.choice(TURNS),
                ramp=rng.choice(RAMPS),
                density=rng.choice(DENSITIES),
                origin=(rng.uniform(-80, 150), rng.uniform(-50, 150)),
                relative=rng.random() < 0.5,
            )
        )
    return cases


def drawn_at_random(seed: int) -> Case:
    """One more case, with all that a file may hold besides."""
    rng = random.Random(seed)
    return Case(
        rng.choice(list(PARTS)),
        grown=rng.choice(GROWN),
        angle=rng.choice([*TURNS, rng.uniform(-180, 180)]),
        ramp=rng.choice([0.0, *RAMPS]),
        density=rng.choice(DENSITIES),
        width=rng.choice([0.4, 0.45, 0.5]),
        contours=rng.choice([1, 2, 2, 3]),
        origin=(round(rng.uniform(-120, 250), 2), round(rng.uniform(-120, 250), 2)),
        relative=rng.random() < 0.5,
        inch=rng.random() < 0.2,
        flow=rng.choice([1.0, 1.0, 0.95, 1.1]),
        raft=rng.random() < 0.2,
        brim=rng.random() < 0.2,
        skirt=rng.random() < 0.5,
        support=rng.random() < 0.2,
        copies=rng.choice([1, 1, 1, 2, 4]),
        purge=rng.random() < 0.7,
        shift_z=rng.choice([0.0, 0.0, 0.0, 0.3, 5.0]),
        fill_angle=rng.choice([0.0, 45.0, 30.0]),
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=0, help="random cases besides the sweep")
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of cases")
    parser.add_argument("--brief", action="store_true", help="only cases that are wrong")
    chosen = parser.parse_args()
    cases = sweep() + [drawn_at_random(chosen.first + seed) for seed in range(chosen.seeds)]
    numbers = chosen.only or range(len(cases))
    failing = 0
    for number in numbers:
        wrong, told, seconds = judge(cases[number])
        failing += bool(wrong)
        if wrong or not chosen.brief:
            print(
                f"{number:3} {'WRONG' if wrong else 'right'} {cases[number].words()}, "
                f"{seconds:.1f} s"
            )
            for row in wrong if chosen.brief else told + wrong:
                print("      ", row)
        sys.stdout.flush()
    print(f"{len(numbers)} cases, {failing} wrong")
    return int(failing > 0)


if __name__ == "__main__":
    sys.exit(main())
