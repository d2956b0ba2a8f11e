"""Make two toolpaths for the goose's head: before and after an update of the slicing software.

    python make_toolpaths.py [FOLDER]

writes `toolpaths/goose_head-before.gcode.gz` and `toolpaths/goose_head-after.gcode.gz` into FOLDER
(this folder, if none is named). Both lay two contours of 0.52 mm along the wall of 1.7 mm, which
leave 0.66 mm. Before the update that is filled by a bead of its own; after it, it is left open.

The update is invented, and so are the programs: no slicing software made them. Like `make_parts.py`
this needs numpy and manifold3d, and each run writes the same bytes.
"""

from __future__ import annotations

import gzip
import math
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

from make_parts import disc
from manifold3d import CrossSection, JoinType

LAYER, BEAD, FILAMENT = 0.2, 0.52, 1.75
WALL, FLOOR, HEIGHT = 1.7, 2.0, 32.0
PLATE = (90.0, 90.0)

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
    """Moves that lay one closed bead: its cross-section is a rectangle with half-round ends."""
    area = LAYER * (width - LAYER) + math.pi * LAYER**2 / 4
    feed = area / (math.pi * FILAMENT**2 / 4)
    (x, y), dx, dy = ring[0], *PLATE
    yield f"G1 E-0.8 F2400\nG0 X{x + dx:.3f} Y{y + dy:.3f} F9000\nG1 E0.8 F2400"
    for one, other in pairwise([*ring, ring[0]]):
        length = math.dist(one, other)
        yield f"G1 X{other[0] + dx:.3f} Y{other[1] + dy:.3f} E{length * feed:.5f} F1800"


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
                yield from strand(ring, BEAD)
        for inset, width in floor if LAYER * (number + 0.5) < FLOOR else wall:
            for ring in rings(whole, inset):
                yield from strand(ring, width)
    yield "G1 E-0.8 F2400\nM104 S0"


def contents() -> dict[str, bytes]:
    """The text of every toolpath, by the path of its file."""
    return {
        f"toolpaths/goose_head-{name}.gcode.gz": ("\n".join(toolpath(filled)) + "\n").encode()
        for name, filled in (("before", True), ("after", False))
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
