"""Where on an edge a disc turns from one kind into another, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from solids import box, mesh, prism

from wallguard.sections.cut import cut
from wallguard.walls.discs import TIE
from wallguard.walls.edges import material_edges
from wallguard.walls.places import ready, spots_at
from wallguard.walls.turning import turns_at


def turn(solid, begin, end, splits=()):
    """Where the disc turns between two points on one edge, as a point; and the discs there."""
    outline = ready(material_edges(cut(mesh(solid), 0.2)), 6.0, False)
    edges = outline.edges
    way = np.subtract(end, begin) / np.linalg.norm(np.subtract(end, begin))
    off = np.abs((edges.along @ way) - 1) + np.abs(
        np.einsum("ij,ij->i", outline.inward, np.asarray(begin) - edges.start)
    )
    edge = np.array([np.argmin(off)])
    group = lambda t: np.searchsorted(splits, t, side="right")  # noqa: E731
    low, high = (
        spots_at(outline, edge, np.array([(point - edges.start[edge[0]]) @ way]), group)
        for point in (begin, end)
    )
    place = turns_at(outline, low, high, group)
    return edges.start[edge[0]] + place * way


def test_a_wedge_passes_a_thickness_where_its_bisector_says():
    # A disc that touches both faces of a wedge at the distance s from its tip has r = s tan(a / 2).
    half = np.radians(5)
    wide = 40 * np.tan(half)
    solid = prism([[0, 0], [40, -wide], [40, wide]], 1)
    along = np.array([np.cos(half), -np.sin(half)])
    x, y = turn(solid, 5 * along, 20 * along, [2.2])
    assert np.hypot(x, y) == pytest.approx(1.1 / np.tan(half), abs=1e-3)


def test_a_step_changes_hands_where_both_hold_the_disc():
    # Opposite y = 0 lies a face at y = 2 up to x = 10, beyond it one at y = 5. Beside the step its
    # side x = 10 holds the disc, r = x - 10, until that comes within a tie of r = 2.5.
    solid = box([10, 2, 1]) + box([30, 5, 1], [10, 0, 0])
    x, y = turn(solid, np.array([12.1, 0.0]), np.array([20.0, 0.0]))
    assert y == pytest.approx(0.0)
    assert x == pytest.approx(10 + 2.5 / (1 + TIE), abs=1e-3)


def test_a_disc_is_held_by_the_edge_it_touches_not_by_the_straighter_one_beside_it():
    # Below a ridge: left of x = 10 the ceiling rises by 0.04, beyond it falls by 0.01, and lies
    # straighter across, but its line is reached beyond its end.
    solid = prism([[0, 0], [20, 0], [20, 1.9], [10, 2], [0, 1.6]], 1)
    outline = ready(material_edges(cut(mesh(solid), 0.2)), 6.0, False)
    edge = int(np.flatnonzero((outline.edges.length > 19.9) & (outline.edges.along[:, 0] > 0))[0])
    x = np.array([9.7, 9.9, 9.95])
    spots = spots_at(outline, np.full(3, edge), x, lambda t: np.zeros(len(t), np.int64))
    for rise, middle in ((0.04, 1.6), (-0.01, 2.1)):
        line = (middle + rise * x) / (1 + np.hypot(1, rise))
        assert (spots.discs.radius == pytest.approx(line, abs=1e-9)) == (rise > 0)
    assert spots.discs.facing == pytest.approx(np.full(3, -1 / np.hypot(1, 0.04)))
