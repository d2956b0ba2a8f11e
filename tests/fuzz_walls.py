"""Hold the wall samples against the exact medial axis of random outlines.

python tests/fuzz_walls.py [FIRST LAST]     seeds, 0 to 40 if not given

Reference library: pyvoronoi (Boost.Polygon's Voronoi diagram of segments). Every disc of the medial
axis that lies between facing boundaries must have a sample near it with about its thickness.
"""

from __future__ import annotations

import math
import random
import sys

import manifold3d as m3
import numpy as np
from scipy.spatial import cKDTree
from solids import mesh

from wallguard.sections.cut import cut
from wallguard.sections.sections import Sections
from wallguard.walls.edges import material_edges
from wallguard.walls.samples import Samples, take_samples

LARGEST = 3.0
# Well inside what counts as facing (140 degrees), so that computing error decides nothing.
FACING = 144.0
NEAR = 0.42


def outline(seed: int) -> m3.CrossSection:
    """A random union and difference of bars, discs, rings and triangles."""
    draw = random.Random(seed)
    whole = m3.CrossSection()
    for _ in range(draw.randint(2, 9)):
        kind = draw.random()
        if kind < 0.5:
            piece = m3.CrossSection.square([draw.uniform(1, 15), draw.uniform(0.3, 3)], True)
        elif kind < 0.7:
            piece = m3.CrossSection.circle(draw.uniform(0.5, 5), draw.choice([6, 12, 32, 64]))
        elif kind < 0.85:
            radius = draw.uniform(2, 6)
            bore = m3.CrossSection.circle(radius - draw.uniform(0.3, 1.8), draw.choice([16, 48]))
            piece = m3.CrossSection.circle(radius, 48) - bore
        else:
            tip = [draw.uniform(4, 12), draw.uniform(-1, 1)]
            piece = m3.CrossSection([[[0, 0], tip, [draw.uniform(0, 4), draw.uniform(0.5, 5)]]])
        piece = piece.rotate(draw.choice([0, 0, 90, draw.uniform(0, 360)]))
        piece = piece.translate([draw.uniform(-6, 6), draw.uniform(-6, 6)])
        whole = whole + piece if draw.random() < 0.75 else whole - piece
    return whole


def axis_discs(sections: Sections) -> list[tuple[np.ndarray, float]]:
    """Centre and diameter of medial-axis discs between facing boundaries, up to LARGEST."""
    import pyvoronoi

    diagram = pyvoronoi.Pyvoronoi(1_000_000)
    segments = []
    for ring in sections.rings(0):
        for start, end in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            diagram.AddSegment([start.tolist(), end.tolist()])
            segments.append((start, end))
    diagram.Construct()
    vertices, edges, cells = diagram.GetVertices(), diagram.GetEdges(), diagram.GetCells()

    def foot(cell, point):
        start, end = segments[cells[cell].site]
        if cells[cell].contains_point:
            nearer = np.hypot(*(point - start)) <= np.hypot(*(point - end))
            return start if nearer else end
        chord = end - start
        return start + np.clip((point - start) @ chord / (chord @ chord), 0, 1) * chord

    def inside(point):
        x, y = point
        crossings = sum(
            (a[1] > y) != (b[1] > y) and x < a[0] + (y - a[1]) * (b[0] - a[0]) / (b[1] - a[1])
            for a, b in segments
        )
        return crossings % 2 == 1

    found = []
    for number, edge in enumerate(edges):
        if edge.start < 0 or edge.end < 0 or not edge.is_primary or edge.twin < number:
            continue
        ends = [np.array([vertices[i].X, vertices[i].Y]) for i in (edge.start, edge.end)]
        for point in [*ends, (ends[0] + ends[1]) / 2] if edge.is_linear else ends:
            one, other = foot(edge.cell, point), foot(edges[edge.twin].cell, point)
            radius = np.hypot(*(point - one))
            if abs(radius - np.hypot(*(point - other))) > 1e-3 or not 0.02 < radius < LARGEST / 2:
                continue
            cosine = np.clip((one - point) @ (other - point) / radius**2, -1, 1)
            if math.degrees(math.acos(cosine)) >= FACING and inside(point):
                found.append((point, 2 * radius))
    return found


def wall_samples(sections: Sections) -> Samples:
    edges = material_edges(sections)
    return take_samples(
        edges, LARGEST + 0.2, lambda t: np.searchsorted([0.5, 0.9, 1.3, 2.0], t).astype(np.int64)
    )


def compare(seed: int) -> tuple[int, int]:
    """How many discs of the axis there are, and for how many no sample stands."""
    section = outline(seed)
    if section.is_empty():
        return 0, 0
    sections = cut(mesh(m3.Manifold.extrude(section, 0.2)), 0.2)
    samples = wall_samples(sections)
    # A circle with itself is a pin, and no wall on purpose; the axis does not know that.
    facing = samples.discs.facing < -0.7
    if not facing.any():
        discs = axis_discs(sections)
        return len(discs), len(discs)
    tree = cKDTree(samples.centre[facing])
    thickness = samples.thickness[facing]
    discs = axis_discs(sections)
    missed = 0
    for centre, diameter in discs:
        near = thickness[tree.query_ball_point(centre, NEAR)]
        # The diameter may change by twice the cosine of half the angle for each mm along.
        slack = 0.02 + 0.01 * diameter + 2 * NEAR * math.cos(math.radians(FACING / 2))
        missed += not (np.abs(near - diameter) <= slack).any()
    return len(discs), missed


def main() -> int:
    first, last = map(int, sys.argv[1:3]) if len(sys.argv) > 2 else (0, 40)
    total = missed = 0
    for seed in range(first, last):
        discs, without = compare(seed)
        total, missed = total + discs, missed + without
        if without:
            print(f"seed {seed}: {without} of {discs} discs without a sample")
    print(f"{total} discs, {missed} without a sample ({100 * missed / max(total, 1):.2f} %)")
    return 0 if missed <= 0.005 * total else 1


if __name__ == "__main__":
    sys.exit(main())
