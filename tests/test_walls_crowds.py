"""How many boxes lie nearer than what is nearest, and parts that are refused for that."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest
from hostile import extruded
from solids import mesh

from wallguard.base.errors import TooLargeError
from wallguard.mesh.mesh import Mesh
from wallguard.walls import balls
from wallguard.walls.balls import find_walls
from wallguard.walls.crowds import boxes_nearer


def gaps(corners, point):
    """How far the box of each triangle is from a point."""
    low, high = corners.min(axis=1), corners.max(axis=1)
    return np.linalg.norm(np.maximum(np.maximum(low - point, point - high), 0), axis=1)


@pytest.mark.parametrize("count", [1, 2, 7, 64, 201])
def test_every_box_that_is_nearer_is_counted_and_those_it_is_in(count):
    rng = np.random.default_rng(count)
    corners = rng.uniform(0, 10, (count, 1, 3)) + rng.uniform(-1, 1, (count, 3, 3))
    points = rng.uniform(0, 10, (20, 3))
    for point, away in zip(points, rng.uniform(0, 4, 20), strict=True):
        nearer = int((gaps(corners, point) < away).sum())
        counted = boxes_nearer(corners, point[None], np.array([away]))
        levels = math.ceil(math.log2(count)) if count > 1 else 0
        # A box that is looked into has two halves; each of the nearer ones lies in one a level.
        assert nearer <= counted <= 1 + 2 * levels * max(nearer, 1) + count
    everything = boxes_nearer(corners, points, np.full(20, 100.0))
    sizes = [count]
    while sizes[-1] > 1:
        sizes.append(-(-sizes[-1] // 2))
    assert everything == sum(sizes)


def fan(count):
    """Wedges that meet in one edge."""
    turn = np.linspace(0, 2 * math.pi, 2 * count + 1)[:-1]
    rim = 50 * np.column_stack([np.cos(turn), np.sin(turn)])
    wedges = [
        extruded([(0, 0), tuple(rim[at]), tuple(rim[at + 1])], 10.0)
        for at in range(0, 2 * count, 2)
    ]
    corners, number = np.unique(np.concatenate(wedges).reshape(-1, 3), axis=0, return_inverse=True)
    return Mesh(corners, number.reshape(-1, 3).astype(np.int32))


def test_faces_that_meet_in_a_point_are_refused_before_the_time_is_spent(monkeypatch):
    monkeypatch.setattr(balls, "_ANY", 8_000_000)
    with pytest.raises(TooLargeError, match=r"boxes for .* \(the limit for a part of its size: "):
        find_walls(fan(600), 0.8, [0.8])


def test_a_ball_of_as_many_fine_facets_is_not(monkeypatch):
    monkeypatch.setattr(balls, "_ANY", 8_000_000)
    shell = m3.Manifold.sphere(25, 150) - m3.Manifold.sphere(24.5, 150)
    (wall,) = find_walls(mesh(shell), 0.8, [0.8])
    assert wall.typical == pytest.approx(0.5, abs=0.01)
