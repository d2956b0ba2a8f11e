"""Time `wallguard toolpath` whole: `python tests/bench_toolpath_compare.py [--large]`.

A tube with a web, in toolpaths of 0.1, 0.3 and 1 million moves (with `--large` 3 and 5 million); a
tube in quarter arcs, 80,000 with `--large`, against the same in chords; a bar on 1 and on 25 places
of the plate. Each runs in a process of its own, whose peak memory is shown. What counts is the time
that the processor was busy. Exit 1 if a target is missed.
"""

from __future__ import annotations

import argparse
import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import manifold3d as m3
import shapely
from solids import box, save, tube
from toolpaths import Program, bar, feed

# Busy seconds and memory by the number of moves; growth of the time per move; arcs against their
# chords; each copy against the first.
SECONDS = {1_000_000: 8.0, 3_000_000: 25.0, 5_000_000: 45.0}
MEGABYTES, LINEAR = {5_000_000: 2000.0}, 1.5
ARCS, COPIES = 1.3, 0.2
_AROUND = 400


def outline():
    ring = shapely.Point(0, 0).buffer(30, quad_segs=_AROUND // 4)
    return ring.difference(shapely.Point(0, 0).buffer(28.5, quad_segs=_AROUND // 4)).union(
        shapely.box(-29, -0.6, 29, 0.6)
    )


def part(height):
    outside = m3.Manifold.cylinder(height, 30, 30, _AROUND)
    inside = m3.Manifold.cylinder(height + 2, 28.5, 28.5, _AROUND).translate([0, 0, -1])
    return (outside - inside) + box([58, 1.2, height], [-29, -0.6, 0])


def write(path, moves):
    """A program of about so many moves; returns the height of the part."""
    shape = outline()
    count, layers = 0, 0
    with path.open("w") as stream:
        program = Program(shift=(110, 100))
        while count < moves:
            program.lines.clear()
            if layers == 0:
                program.lines += ["G21", "G90", "M83"]
            program.layer(layers)
            program.loops(shape, 2, width=0.44)
            layers += 1
            count += len(program.lines)
            stream.write(program.text())
    return layers * 0.2


def write_arcs(path, rounds, *, chords):
    """A tube of two beads in quarter arcs, or in the chords of these; returns its height."""
    program = Program(shift=(60, 60))
    steps = 24 if chords else 1
    for number in range(rounds):
        program.layer(number)
        for radius in (9.775, 9.325):
            program.go((radius, 0))
            for step in range(1, 4 * steps + 1):
                one, other = (2 * math.pi * k / (4 * steps) for k in (step - 1, step))
                x, y = program.place((radius * math.cos(other), radius * math.sin(other)))
                i, j = -radius * math.cos(one), -radius * math.sin(one)
                said = program.say(feed(0.45, 0.2) * radius * (other - one))
                centre = "" if chords else f" I{i:.4f} J{j:.4f}"
                code = "G1" if chords else "G3"
                program.lines.append(f"{code} X{x:.4f} Y{y:.4f}{centre} {said}")
    path.write_text(program.text())
    return rounds * 0.2


def write_copies(path, count):
    """A bar on several places, a hundred layers; returns its height."""
    program = Program()
    for number in range(100):
        program.layer(number)
        for copy in range(count):
            program.shift = (30 + 40 * (copy % 5), 30 + 8 * (copy // 5))
            program.loops(bar(30, 1.35), 1)
    path.write_text(program.text())
    return 20.0


def measure(path, mesh, said):
    """Run the command on a toolpath; busy seconds and MB."""
    begun = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-m", "wallguard", "toolpath", str(path), "--part", str(mesh)],
        stdout=subprocess.DEVNULL,
    )
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.perf_counter() - begun
    memory = usage.ru_maxrss / (1024**2 if sys.platform == "darwin" else 1024)
    busy = usage.ru_utime + usage.ru_stime
    ended = os.waitstatus_to_exitcode(status)
    print(
        f"{said:24} {path.stat().st_size / 1e6:6.1f} MB  {seconds:6.2f} s  busy {busy:6.2f} s  "
        f"peak {memory:5.0f} MB  exit {ended}",
        flush=True,
    )
    if ended not in (0, 1):
        raise SystemExit(f"{said} could not be used")
    return busy, memory


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--large", action="store_true", help="3 and 5 million moves, 80,000 arcs")
    large = parser.parse_args().large
    within, rates = True, {}
    with tempfile.TemporaryDirectory() as name:
        path, mesh = Path(name) / "toolpath.gcode", Path(name) / "part.stl"
        for size in [100_000, 300_000, 1_000_000] + [3_000_000, 5_000_000] * large:
            save(mesh, part(write(path, size)))
            busy, memory = measure(path, mesh, f"{size:,d} moves")
            rates[size] = busy / size
            within &= busy <= SECONDS.get(size, math.inf) and memory <= MEGABYTES.get(size, 1500.0)
        times = {}
        for chords in (True, False):
            height = write_arcs(path, 10_000 if large else 1000, chords=chords)
            save(mesh, tube(20, 0.9, height))
            times[chords], _ = measure(path, mesh, "chords" if chords else "arcs")
        within &= times[False] <= ARCS * times[True] + 0.5
        copies = {}
        for count in (1, 25):
            save(mesh, box([30, 1.35, write_copies(path, count)], [-15, -0.675, 0]))
            copies[count], _ = measure(path, mesh, f"{count} on the plate")
        within &= copies[25] - copies[1] <= 24 * COPIES * copies[1]
    growth = rates[1_000_000] / rates[300_000]
    within &= growth <= LINEAR and math.isfinite(growth)
    print(f"time per move, 1 million against 0.3 million: {growth:.2f}")
    print("within the targets" if within else "NOT within the targets")
    return 0 if within else 1


if __name__ == "__main__":
    sys.exit(main())
