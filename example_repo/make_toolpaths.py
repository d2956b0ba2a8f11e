"""Make toolpaths of the goose's head and of Otto's coupon: before and after an update of the
slicing software.

    python make_toolpaths.py [FOLDER]

writes `toolpaths/goose_head-before.gcode.gz`, `toolpaths/goose_head-after.gcode.gz`, and the same
of `coupon` into FOLDER (this folder, if none is named). Those of the head lay two contours of
0.52 mm along the wall of 1.7 mm, which leave 0.66 mm. Before the update that is filled by a bead of
its own; after it, it is left open. So it is in the walls of the coupon, which `wallguard coupon
make rules/petg-0.4.yaml --quick -o coupon` made: before, 0.58 mm and more is filled; after it,
0.75 mm and more.

The update is invented, and so are the programs: no slicing software made them. Like `make_parts.py`
this needs numpy and manifold3d, and each run writes the same bytes.
"""

from __future__ import annotations

import gzip
import json
import math
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
from make_parts import disc
from manifold3d import CrossSection, JoinType, Manifold, Mesh64

LAYER, BEAD, FILAMENT = 0.2, 0.52, 1.75
WALL, FLOOR, HEIGHT = 1.7, 2.0, 32.0
PLATE = (90.0, 90.0)
COUPON = Path(__file__).parent / "coupon"
# Of Otto's rules; the update fills a left-over from 0.75 mm on.
SMALLEST_WALL, SQUEEZE, CONTOURS, FILL = 0.42, 0.18, 2, {"before": 0.58, "after": 0.75}

Ring = list[tuple[float, float]]


def outline() -> CrossSection:
    """The goose's head from above, as `make_parts.goose_head` draws it."""
    beak = CrossSection.hull_points([[14, -6], [30, -1.5], [30, 1.5], [14, 6]])
    return disc(34) + beak


def rings(shape: CrossSection, inset: float) -> list[Ring]:
    """The outline moved inward, each ring from its leftmost corner on."""
    moved = shape.offset(-inset, JoinType.Miter, 4).simplify(0.001)
    found = []
    for polygon in moved.to_polygons():
        ring = [(round(float(x), 3) + 0.0, round(float(y), 3) + 0.0) for x, y in polygon]
        first = ring.index(min(ring))
        found.append(ring[first:] + ring[:first])
    return sorted(found)


def strand(ring: Ring, width: float) -> Iterator[str]:
    """Moves that lay one bead: its cross-section is a rectangle with half-round ends."""
    area = LAYER * (width - LAYER) + math.pi * LAYER**2 / 4
    feed = area / (math.pi * FILAMENT**2 / 4)
    (x, y), dx, dy = ring[0], *PLATE
    yield f"G1 E-0.8 F2400\nG0 X{x + dx:.3f} Y{y + dy:.3f} F9000\nG1 E0.8 F2400"
    for one, other in pairwise(ring):
        length = math.dist(one, other)
        yield f"G1 X{other[0] + dx:.3f} Y{other[1] + dy:.3f} E{length * feed:.5f} F1800"


def across(thickness: float, smallest_fill: float) -> Iterator[tuple[float, float]]:
    """The beads of a straight wall: from its face to the middle of each, and how wide it is."""
    if thickness < SMALLEST_WALL:
        return
    if thickness < 2 * BEAD:
        count = 1 if thickness <= BEAD else 2
        for number in range(count):
            yield thickness / 2 + (number - (count - 1) / 2) * BEAD, BEAD
        return
    pairs = min(CONTOURS, math.floor(thickness / (2 * BEAD) + 1e-9))
    left = thickness - 2 * pairs * BEAD
    squeezed = left <= SQUEEZE + 1e-9
    width = thickness / (2 * pairs) if squeezed else BEAD
    for number in range(pairs):
        yield (number + 0.5) * width, width
        yield thickness - (number + 0.5) * width, width
    if not squeezed and left >= smallest_fill - 1e-9:
        count = max(1, round(left / BEAD))
        for number in range(count):
            yield pairs * BEAD + (number + 0.5) * left / count, left / count


def plate() -> Manifold:
    """The coupon's plate, from its file."""
    data = (COUPON / "plate-1.stl").read_bytes()
    face = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])
    corners = np.frombuffer(data[84:], face)["corners"].reshape(-1, 3)
    vertices, index = np.unique(corners, axis=0, return_inverse=True)
    return Manifold(Mesh64(vertices.astype(np.float64), index.reshape(-1, 3).astype(np.uint64)))


def coupon(smallest_fill: float) -> Iterator[str]:
    """The lines of one toolpath of the coupon: its walls bead by bead, what else there is as two
    contours."""
    manifest = json.loads((COUPON / "manifest.json").read_text(encoding="utf-8"))
    walls = manifest["plates"][0]["features"]
    top, solid = manifest["base"] + manifest["wall_height"], plate()
    yield "; Otto, PETG: an invented program\nG21\nG90\nM83\nG28\nG92 E0\nM104 S240\nG1 E0.8 F2400"
    for number in range(round(top / LAYER)):
        yield f"G1 Z{LAYER * (number + 1):.3f} F600"
        middle = LAYER * (number + 0.5)
        rest = solid.slice(middle)
        if middle > manifest["base"]:
            for wall in walls:
                (left, low, _), (right, high, _) = wall["box"]
                rest -= CrossSection.square([right - left, high - low]).translate([left, low])
                for inset, width in across(wall["nominal"], smallest_fill):
                    ends = [(left, low + inset), (right, low + inset)]
                    if wall["axis"] == "y":
                        ends = [(left + inset, low), (left + inset, high)]
                    yield from strand(ends, width)
        for inset in (0.5 * BEAD, 1.5 * BEAD):
            for ring in rings(rest, inset):
                yield from strand([*ring, ring[0]], BEAD)
    yield "G1 E-0.8 F2400\nM104 S0"


def toolpath(filled: bool) -> Iterator[str]:
    """The lines of one toolpath; `filled`: whether the middle of the wall gets a bead."""
    whole = outline()
    wall = [(BEAD / 2, BEAD), (WALL - BEAD / 2, BEAD)]
    if filled:
        wall.append((WALL / 2, WALL - 2 * BEAD))
    floor = [(BEAD * (number + 0.5), BEAD) for number in range(33)]
    yield "; Otto, PETG: an invented program\nG21\nG90\nM83\nG28\nG92 E0\nM104 S240\nG1 E0.8 F2400"
    for number in range(round(HEIGHT / LAYER)):
        yield f"G1 Z{LAYER * (number + 1):.3f} F600"
        if number == 0:
            for ring in rings(whole, -5.0):
                yield from strand([*ring, ring[0]], BEAD)
        for inset, width in floor if LAYER * (number + 0.5) < FLOOR else wall:
            for ring in rings(whole, inset):
                yield from strand([*ring, ring[0]], width)
    yield "G1 E-0.8 F2400\nM104 S0"


def contents() -> dict[str, bytes]:
    """The text of every toolpath, by the path of its file."""
    made = {
        f"goose_head-{name}": toolpath(filled)
        for name, filled in (("before", True), ("after", False))
    }
    made |= {f"coupon-{name}": coupon(fill) for name, fill in FILL.items()}
    return {
        f"toolpaths/{name}.gcode.gz": ("\n".join(lines) + "\n").encode()
        for name, lines in made.items()
    }


def main(arguments: list[str]) -> None:
    """Write both programs."""
    folder = Path(arguments[0]) if arguments else Path(__file__).parent
    for path, text in contents().items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(gzip.compress(text, 9, mtime=0))
        print(f"{path}: {target.stat().st_size / 1000:.1f} kB")


if __name__ == "__main__":
    main(sys.argv[1:])
