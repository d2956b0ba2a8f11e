"""Time a check against the floor under it: `python tests/bench_check.py [--runs N]`.

The floor is what reading and cutting alone cost (the benchmark folder's own `floor.py`); floor and
check are timed in turn in this one process, imports excluded, and the smallest of each is compared.
Whole-process times and peak memory are of child processes. Needs the shared benchmark folder.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RULES = """\
wallguard: 1
name: benchmark
process: {category: material extrusion}
layer_height: 0.2
build_volume: [250, 250, 250]
beads: {nozzle: 0.4, width: 0.45, contours: 2, smallest_wall: 0.3, squeeze: 0.1, smallest_fill: 0.4}
minimum:
  wall: {fail: 0.8}
  free_wall: {warn: 1.2}
  gap: {fail: 0.3}
  hole: {warn: 2}
  pin: {warn: 2}
  floor: {fail: 3}
  roof: {fail: 3}
"""
TARGETS = {"shell": 15.0, "lattice": 15.0}


def load(path: Path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def process(command: list[str], folder: Path) -> tuple[float, float]:
    """Wall-clock seconds and peak memory in MB of one child process."""
    begun = time.perf_counter()
    child = subprocess.Popen(
        command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    _, _, usage = os.wait4(child.pid, 0)
    scale = 1024**2 if sys.platform == "darwin" else 1024
    return time.perf_counter() - begun, usage.ru_maxrss / scale


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=3)
    runs = parser.parse_args().runs
    bench = Path(__file__).resolve().parents[2] / "shared" / "bench"
    if not bench.is_dir():
        print(f"no benchmark folder at {bench}")
        return 2
    floor, parts = load(bench / "floor.py").floor, load(bench / "parts.py")

    from wallguard.checks import registry  # noqa: F401 - imports are not timed
    from wallguard.jobs.check import Task, check_part
    from wallguard.repository.config import Assignment
    from wallguard.rules.load import load_rules

    within = True
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        parts.main(folder)
        (folder / "rules.yaml").write_text(RULES)
        rules = load_rules(folder / "rules.yaml")
        check_part(Task("fins", folder / "fins.stl", ((Assignment("rules.yaml"), rules),)))
        for part in ("fins", "housing", "shell", "lattice"):
            task = Task(part, folder / f"{part}.stl", ((Assignment("rules.yaml"), rules),))
            floors, checks = [], []
            for _ in range(runs):
                floors.append(floor(task.file, rules.layer_height)[0])
                begun = time.perf_counter()
                (report,) = check_part(task)
                checks.append(time.perf_counter() - begun)
                assert not report.error, report.error
            ratio = min(checks) / min(floors)
            within &= ratio <= TARGETS.get(part, float("inf"))
            target = f"  (at most {TARGETS[part]:g})" if part in TARGETS else ""
            print(
                f"{part:8} floor {min(floors):6.3f} s  check {min(checks):6.3f} s  "
                f"ratio {ratio:5.1f}{target}  {len(report.walls)} walls"
            )
        command = [sys.executable, "-m", "wallguard"]
        check = [*command, "check", "--rules", "rules.yaml"]
        for what, words, most in (
            ("--version", [*command, "--version"], 0.25),
            ("check housing.stl", [*check, "housing.stl"], 1.5),
            ("check lattice.stl", [*check, "lattice.stl"], float("inf")),
        ):
            taken = [process(words, folder) for _ in range(runs)]
            seconds, memory = min(t for t, _ in taken), max(m for _, m in taken)
            within &= seconds <= most and memory <= 2048
            print(f"whole process, {what}: {seconds:.2f} s, {memory:.0f} MB at most")
    print("within the targets" if within else "NOT within the targets")
    return 0 if within else 1


if __name__ == "__main__":
    sys.exit(main())
