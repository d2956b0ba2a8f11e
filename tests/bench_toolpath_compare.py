"""Time `wallguard toolpath` whole: `python tests/bench_toolpath_compare.py [--large]`.

A tube with a web, in programs of 0.1, 0.3 and 1 million moves (with `--large` 3 million). Each runs
in a process of its own, whose peak memory is shown. Exit 1 if a target is missed.
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
from solids import box, save
from toolpaths import Program

SECONDS, MEGABYTES, LINEAR = 25.0, 1500.0, 1.5
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


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--large", action="store_true", help="3 million moves too")
    sizes = [100_000, 300_000, 1_000_000] + [3_000_000] * parser.parse_args().large
    within, rates = True, {}
    with tempfile.TemporaryDirectory() as name:
        for size in sizes:
            path, mesh = Path(name) / "program.gcode", Path(name) / "part.stl"
            save(mesh, part(write(path, size)))
            begun = time.perf_counter()
            child = subprocess.Popen(
                [sys.executable, "-m", "wallguard", "toolpath", str(path), "--part", str(mesh)],
                stdout=subprocess.DEVNULL,
            )
            _, status, usage = os.wait4(child.pid, 0)
            seconds = time.perf_counter() - begun
            scale = 1024**2 if sys.platform == "darwin" else 1024
            memory, busy = usage.ru_maxrss / scale, usage.ru_utime + usage.ru_stime
            rates[size] = busy / size
            print(
                f"{size:9,d} moves {path.stat().st_size / 1e6:6.1f} MB  {seconds:6.2f} s  "
                f"busy {busy:6.2f} s  {1e6 * busy / size:5.1f} us/move  peak {memory:5.0f} MB  "
                f"exit {os.waitstatus_to_exitcode(status)}",
                flush=True,
            )
            within &= os.waitstatus_to_exitcode(status) in (0, 1)
            if size == 1_000_000:
                within &= busy <= SECONDS and memory <= MEGABYTES
    growth = rates[1_000_000] / rates[300_000]
    within &= growth <= LINEAR and math.isfinite(growth)
    print(f"time per move, 1 million against 0.3 million: {growth:.2f}")
    print("within the targets" if within else "NOT within the targets")
    return 0 if within else 1


if __name__ == "__main__":
    sys.exit(main())
