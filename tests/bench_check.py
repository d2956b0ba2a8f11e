"""Time a check against the floor under it:

    python tests/bench_check.py [--runs N] [--parts fins,beam] [--slopes] [--start] [--features]

The floor is what reading and cutting alone cost: trimesh reads, manifold3d cuts. Floor and check
are timed in turn in this one process, in seconds of processor time (other work on the machine then
counts for less), imports excluded, and the smallest of each is compared. Peak memory and
whole-process times are of child processes. `--slopes` adds the slope of the logarithm of cost over
that of size, in triangles, in layers and in outline. Parts of `bench_parts.py` are made here; those
that are timed if none are named, and all others, need the shared benchmark folder.

How long a whole process takes on a part of 12 triangles is held against what `import numpy` takes,
measured in turn: both with compiled bytecode, as what is installed has it, and in processor time.
`--start` measures that alone.

`--features` holds a check of every limit that a process category knows against the check of the
benchmark's own few, and names the limits that cost most where that is too much.
"""

from __future__ import annotations

import argparse
import importlib.util
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import manifold3d as m3
import numpy as np
from bench_parts import MADE
from solids import save
from spent import spent

from wallguard.rules.features import FEATURES
from wallguard.rules.model import Limit

RULES = """\
wallguard: 1
name: benchmark
process: {category: material extrusion}
layer_height: 0.2
build_volume: [250, 250, 250]
beads: {nozzle: 0.4, width: 0.45, contours: 2, smallest_wall: 0.3, squeeze: 0.1, smallest_fill: 0.4,
        spacing: width}
minimum:
  wall: {fail: 0.8}
  free_wall: {warn: 1.2}
  gap: {fail: 0.3}
  hole: {warn: 2}
  pin: {warn: 2}
  floor: {fail: 3}
  roof: {fail: 3}
"""
POWDER = """\
wallguard: 1
name: benchmark in space
process: {category: powder bed fusion}
layer_height: 0.2
build_volume: [250, 250, 250]
bands:
  - {from: 0, to: 0.7, fill: missing}
  - {from: 0.7, fill: solid}
minimum:
  wall: {fail: 0.8}
  free_wall: {warn: 1.2}
  gap: {fail: 0.3}
  hole: {warn: 2}
  pin: {warn: 2}
"""
CATEGORIES = {
    "layers": RULES,
    "space": POWDER,
    "resin": POWDER.replace("powder bed fusion", "vat photopolymerization"),
}
# Of all others that a category knows, limits that parts break now and then.
OTHERS = {
    "deep_hole": 10, "edge": 20, "slender": 10, "overhang": 45, "ledge": 2, "bridge": 10,
    "island": 0, "contact": 8, "contact_area": 20, "trapped": 0, "escape": 3, "escape_holes": 2,
    "cup": 100, "clearance": 0.3, "upright_hole": 2, "lying_hole": 2,
}  # fmt: skip
# Every limit may cost so many times what few cost, and so many seconds more.
ALL_TIMES = 2.0
PARTS = ("fins", "housing", "shell", "lattice", "beam", "tray", "gears", "grille", "thread")
# A check may cost so many times the floor, and so many seconds more; the slopes may be so steep.
TIMES, SECONDS, STEEPEST = 5.0, 0.1, 1.1
# A whole process on a part of 12 triangles may take so many times what `import numpy` does; any
# process so many MB.
START, MEMORY = 5.0, 2048


# A part at which every limit has something to do.
LETTERED = "lettered"


def lettered() -> m3.Manifold:
    """A cup and a hollow box with a hole, a table, a pin, and a stroke on a face."""
    cup = m3.Manifold.cube([20, 20, 30]) - m3.Manifold.cube([16, 16, 30]).translate([2, 2, 2])
    hollow = m3.Manifold.cube([20, 20, 20]) - m3.Manifold.cube([16, 16, 16]).translate([2, 2, 2])
    hollow -= m3.Manifold.cylinder(5, 0.5, 0.5, 32).translate([10, 10, -1])
    hollow += m3.Manifold.cube([10, 0.4, 0.6]).translate([5, 10, 19.8])
    table = m3.Manifold.cube([30, 30, 3]).translate([0, 0, 17])
    table += m3.Manifold.cube([3, 3, 20]) + m3.Manifold.cylinder(40, 1, 1, 32).translate(
        [15, 15, 0]
    )
    return m3.Manifold.compose(
        [
            cup,
            hollow.translate([40, 0, 0]),
            table.translate([0, 40, 0]),
            cup.translate([20.2, 0, 0]),
        ]
    )


def load(path: Path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def started(words: list[str], folder: Path) -> float:
    """Seconds of processor time of Python as a process, with its bytecode at hand."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    kept |= {"PYTHONPYCACHEPREFIX": str(folder / "bytecode"), "OPENBLAS_NUM_THREADS": "1"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], cwd=folder, env=kept, capture_output=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def start(folder: Path, category: str, runs: int) -> bool:
    """Print what a whole process on the part `small.stl` takes; whether that is within the
    target."""
    (folder / f"{category}.yaml").write_text(CATEGORIES[category])
    check = ["-m", "wallguard", "check", "--no-cache", "--rules", f"{category}.yaml", "small.stl"]
    words = ["-c", "import numpy"], check
    for each in words:
        started(each, folder)  # writes the bytecode
    taken = [[started(each, folder) for each in words] for _ in range(runs)]
    numpy, whole = (min(each) for each in zip(*taken, strict=True))
    within = whole <= START * numpy
    print(
        f"whole process in {category:6} on 12 triangles: {whole:.3f} s, {whole / numpy:.1f} times "
        f"the {numpy:.3f} s of `import numpy`  {'' if within else 'NOT '}within",
        flush=True,
    )
    return within


def clocked(run) -> float:
    """Seconds of processor time that a call takes."""
    begun = time.process_time()
    run()
    return time.process_time() - begun


def floor(path: Path, layer_height: float) -> None:
    """Read a part and cut it at mid-height of every layer: what a check costs at the very least."""
    import trimesh

    mesh = trimesh.load_mesh(path)
    corners, faces = np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.uint32)
    solid = m3.Manifold(m3.Mesh(corners, faces))
    assert solid.status() == m3.Error.NoError, solid.status()
    low, high = mesh.bounds[:, 2]
    for height in np.arange(low + layer_height / 2, high, layer_height):
        solid.slice(float(height)).to_polygons()


class Bench:
    """A folder with parts and rules, and what is measured there."""

    def __init__(self, folder: Path, runs: int) -> None:
        from wallguard.checks import registry  # noqa: F401 - imports are not timed
        from wallguard.jobs.check import Task, check_part
        from wallguard.repository.entry import Assignment
        from wallguard.rules.load import load_rules

        self.folder, self.runs = folder, runs
        self.task, self.check_part, self.assignment = Task, check_part, Assignment
        self.rules = {}
        for name, text in CATEGORIES.items():
            (folder / f"{name}.yaml").write_text(text)
            self.rules[name] = load_rules(folder / f"{name}.yaml")

    def check(self, part: str, category: str) -> int:
        """Check a part in this process; how many walls it has."""
        rules = ((self.assignment(f"{category}.yaml"), self.rules[category]),)
        (report,) = self.check_part(self.task(part, self.folder / f"{part}.stl", rules))
        assert not report.error, report.error
        return len(report.walls)

    def seconds(self, part: str, category: str) -> float:
        return min(clocked(lambda: self.check(part, category)) for _ in range(self.runs))

    def ratio(self, part: str, category: str) -> bool:
        """Print what a part costs; whether that is within the target."""
        path = self.folder / f"{part}.stl"
        least = min(clocked(lambda: floor(path, 0.2)) for _ in range(self.runs))
        seconds = self.seconds(part, category)
        words = ["check", "--no-cache", "--rules", f"{category}.yaml", path.name]
        # What it takes is told, though it be more than a part may take.
        taken = spent([*words, "--part-timeout", "3600", "--part-memory", "100000"], self.folder)
        memory = max(taken.memory, taken.started)
        within = seconds <= TIMES * least + SECONDS and memory <= MEMORY
        print(
            f"{part:12} in {category:6}  floor {least:6.3f} s  check {seconds:7.3f} s  "
            f"ratio {seconds / least:6.1f}  {memory:5.0f} MB  {'' if within else 'NOT '}within",
            flush=True,
        )
        return within

    def others(self, category: str) -> dict[str, Limit]:
        """The limits that a category knows beside few."""
        few = self.rules[category]
        return {
            row.id: Limit(fail=OTHERS.get(row.id, 0.5))
            for row in FEATURES
            if row.limit and few.category in row.categories and row.id not in few.minimum
        }

    def features(self, part: str, category: str) -> bool:
        """Print what every limit costs beside few; whether that is within the target."""
        few, known = self.rules[category], self.others(category)

        def seconds(more: dict[str, Limit], part: str = part) -> float:
            self.rules[category] = replace(few, minimum={**few.minimum, **more})
            return self.seconds(part, category)

        seconds(known, LETTERED)  # what is imported late is not timed
        base, every = seconds({}), seconds(known)
        within = every <= ALL_TIMES * base + SECONDS
        said = f"{part:8} in {few.category:25}  few {base:7.3f} s  all {every:7.3f} s  "
        said += f"ratio {every / base:5.2f}  {'' if within else 'NOT '}within"
        if not within:
            dear = [(seconds({name: limit}) - base, name) for name, limit in known.items()]
            said += "; dearest: "
            said += ", ".join(f"{name} {cost:.2f}" for cost, name in sorted(dear)[:-4:-1])
        self.rules[category] = few
        print(said, flush=True)
        return within

    def slope(self, what: str, solids: list, category: str) -> bool:
        """Print how cost grows over solids, each given with its size."""
        sizes, costs = [], []
        for size, solid in solids:
            save(self.folder / "slope.stl", solid)
            sizes.append(math.log(size))
            costs.append(math.log(self.seconds("slope", category)))
        steep = (costs[-1] - costs[0]) / (sizes[-1] - sizes[0])
        print(f"slope in {category} over {what}: {steep:.2f}", flush=True)
        return steep <= STEEPEST


def growing() -> dict[str, list]:
    """Parts of three sizes each: more triangles, more layers, more outline."""
    balls = [
        (steps**2, m3.Manifold.sphere(20, steps) - m3.Manifold.sphere(19, steps))
        for steps in (64, 128, 256)
    ]
    leaning = m3.CrossSection.square([20, 1.2], True)
    layers = [(tall, leaning.extrude(tall, scale_top=[0.8, 0.9])) for tall in (40, 80, 160)]
    slats = []
    for count in (20, 40, 80):
        whole = m3.Manifold.cube([4.0 * count, 30, 1])
        for i in range(count):
            whole += m3.Manifold.cube([0.9, 30, 12]).rotate([0, 4, 0]).translate([4.0 * i, 0, 0])
        slats.append((count, whole))
    return {"triangles": balls, "layers": layers, "outline": slats}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--parts", default=",".join(PARTS))
    parser.add_argument("--categories", default="layers,space")
    parser.add_argument("--slopes", action="store_true")
    parser.add_argument("--features", action="store_true", help="every limit against few, no more")
    parser.add_argument("--start", action="store_true", help="how long a process takes, no more")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        save(folder / "small.stl", m3.Manifold.cube([10, 10, 10]))
        within = [start(folder, each, 3 * asked.runs) for each in asked.categories.split(",")]
    if asked.start:
        return 0 if all(within) else 1
    bench = Path(__file__).resolve().parents[2] / "shared" / "bench"
    names = asked.parts.split(",")
    if not bench.is_dir() and not set(names) <= set(MADE):
        print(f"no benchmark folder at {bench}")
        return 2
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if set(names) - set(MADE):
            load(bench / "parts.py").main(folder)
        for each in set(names) & set(MADE):
            save(folder / f"{each}.stl", MADE[each]())
        here = Bench(folder, asked.runs)
        save(folder / "small.stl", m3.Manifold.cube([10, 10, 10]))
        save(folder / f"{LETTERED}.stl", lettered())
        for category in asked.categories.split(","):
            here.check("small", category)  # what is imported late is not timed
            floor(folder / "small.stl", 0.2)
            for part in names:
                measure = here.features if asked.features else here.ratio
                within.append(measure(part, category))
            if asked.slopes:
                for what, solids in growing().items():
                    within.append(here.slope(what, solids, category))
    print("within the targets" if all(within) else "NOT within the targets")
    return 0 if all(within) else 1


if __name__ == "__main__":
    sys.exit(main())
