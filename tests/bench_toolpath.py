"""Time reading a program and finding its beads: `python tests/bench_toolpath.py [--large]`.

Programs of 0.1, 0.3 and 1 million moves (with `--large` also 5 million): outlines in short moves,
raster fill, retractions, comments and settings, as plain lines, and the smallest also as numbered
lines with checksums and as modal lines without a code, which are read one by one. Every program is
read in a child process of its own, whose peak memory is shown. Exit 1 if a target is missed.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
from functools import reduce
from operator import xor
from pathlib import Path

SECONDS, MEGABYTES = 8.0, 1024.0  # reading 1 million moves
LINEAR = 1.5  # seconds per move at 1 million against 0.1 million

CHILD = """
import json, sys, time
from pathlib import Path
import numpy, shapely
from wallguard.toolpath.beads import beads, footprint
from wallguard.toolpath.reader import read_toolpath
begun = time.perf_counter()
toolpath = read_toolpath(Path(sys.argv[1]))
read = time.perf_counter()
found = beads(toolpath)
done = time.perf_counter()
layers = range(min(len(found.layer_z), 5))
covered = [footprint(found, found.in_layer(layer)) for layer in layers]
ground = (time.perf_counter() - done) / sum(len(found.in_layer(layer)) for layer in layers)
balance = (found.volume.sum() + found.primed - found.withdrawn) / found.fed - 1
print(json.dumps([len(toolpath), read - begun, done - read, ground, len(found), float(balance)]))
"""


def program(moves: int):
    """Lines of a program of about so many moves, with absolute E."""
    yield from ("; made for timing", "G21", "G90", "M82", "G28", "G92 E0")
    count, e, layer = 0, 0.0, 0
    while count < moves:
        layer += 1
        yield from (f"G1 Z{layer * 0.2:.3f} F6000", "M106 S200", f"; layer {layer}")
        count += 1
        for ring in range(4):
            radius, around = 40.0 - 0.45 * ring, 400
            yield f"G1 E{e - 0.8:.5f} F2400"
            yield f"G0 X{100 + radius:.3f} Y100.000 F9000"
            yield f"G1 E{e:.5f} F2400"
            yield "M204 S1000"
            for step in range(1, around + 1):
                turn = 2 * math.pi * step / around
                e += 2 * math.pi * radius / around * 0.0341
                x, y = 100 + radius * math.cos(turn), 100 + radius * math.sin(turn)
                yield f"G1 X{x:.3f} Y{y:.3f} E{e:.5f}"
            count += around + 3
        for number in range(150):
            y = 70 + 0.4 * number
            e += (50 + 0.4) * 0.0341
            side = 125 if number % 2 else 75
            yield f"G1 X{200 - side} Y{y:.2f} E{e - 0.4 * 0.0341:.5f}"
            yield f"G1 X{200 - side} Y{y + 0.4:.2f} E{e:.5f}"
        count += 300
    yield "M104 S0"


def numbered(lines):
    for number, line in enumerate(lines, 1):
        text = f"N{number} {line.partition(';')[0]}"
        yield f"{text}*{reduce(xor, text.encode())}"


def modal(lines):
    last = ""
    for line in lines:
        code, _, words = line.partition(" ")
        yield words if code == last == "G1" else line
        last = code if code in ("G0", "G1") else last


def run(path: Path) -> tuple[list[float], float]:
    """What the child measured, and its peak memory in MB."""
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE)
    with child.stdout as stream:
        out = stream.read()
    _, status, usage = os.wait4(child.pid, 0)
    if status:
        raise SystemExit(f"reading {path.name} failed")
    return json.loads(out), usage.ru_maxrss / (1024**2 if sys.platform == "darwin" else 1024)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--large", action="store_true", help="5 million moves too")
    sizes = [100_000, 300_000, 1_000_000] + [5_000_000] * parser.parse_args().large
    jobs = [("plain", size, lambda lines: lines) for size in sizes]
    jobs += [("numbered", sizes[0], numbered), ("modal", sizes[0], modal)]
    within, rates = True, {}
    with tempfile.TemporaryDirectory() as name:
        for kind, size, change in jobs:
            path = Path(name) / f"{kind}.gcode"
            with path.open("w") as stream:
                stream.writelines(line + "\n" for line in change(program(size)))
            (count, read, laid, ground, beads, balance), memory = run(path)
            if kind == "plain":
                rates[size] = (read + laid) / count
            print(
                f"{kind:8} {count:9,.0f} moves {path.stat().st_size / 1e6:6.1f} MB  "
                f"read {read:6.2f} s  beads {laid:5.2f} s  {beads:9,.0f} beads  "
                f"{1e6 * (read + laid) / count:5.2f} us/move  ground {1e6 * ground:5.1f} us/bead  "
                f"peak {memory:5.0f} MB  balance {balance:.0e}"
            )
            within &= abs(balance) < 1e-6
            if kind == "plain" and size == 1_000_000:
                within &= read <= SECONDS and memory <= MEGABYTES
    growth = rates[1_000_000] / rates[100_000]
    within &= growth <= LINEAR
    print(f"time per move, 1 million against 0.1 million: {growth:.2f}")
    print("within the targets" if within else "NOT within the targets")
    return 0 if within else 1


if __name__ == "__main__":
    sys.exit(main())
