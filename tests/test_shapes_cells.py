"""Cells of a part: what they hold against closed forms, and distances against scipy's."""

import math

import manifold3d as m3
import numpy as np
import pytest
from solids import box, mesh

from wallguard.shapes.cells import FARTHEST, Cells, halved, squares

TURNS = [(0, 0, 0), (30, 20, 10), (0, 90, 45)]


def filled(solid, cell, margin=1.0):
    whole = mesh(solid)
    cells = Cells.about(whole.vertices, cell, margin)
    return cells, *cells.filled(whole.vertices[whole.triangles])


@pytest.mark.parametrize("facets", [32, 100, 256])
@pytest.mark.parametrize("turn", TURNS)
def test_as_many_cells_as_the_volume_holds(turn, facets):
    hollow = m3.Manifold.sphere(6, facets) - m3.Manifold.sphere(3, facets)
    _, own, _ = filled(hollow.rotate(turn), 0.25)
    assert own.sum() * 0.25**3 == pytest.approx(hollow.volume(), rel=2e-3)


@pytest.mark.parametrize("turn", TURNS)
def test_a_surface_passes_through_cells_within_half_a_diagonal_of_it(turn):
    cells, own, passed = filled(box([7, 8, 9]).translate([-3.5, -4, -4.5]).rotate(turn), 0.5)
    places = cells.middle(np.argwhere(passed))
    # How far a box's surface is, in the box's own frame.
    ends = [
        box([0.002] * 3, [-0.001] * 3).translate(axis).rotate(turn).bounding_box()
        for axis in np.eye(3).tolist()
    ]
    axes = np.array([(np.array(end[:3]) + end[3:]) / 2 for end in ends])
    off = np.abs(places @ axes.T) - np.array([3.5, 4, 4.5])
    far = np.where(
        (off <= 0).all(axis=1), -off.max(axis=1), np.linalg.norm(np.maximum(off, 0), axis=1)
    )
    assert far.max() <= 0.5 * math.sqrt(3) / 2 + 1e-9
    assert (own & ~passed).any()


@pytest.mark.parametrize("wall", [0.01, 0.2])
@pytest.mark.parametrize("turn", TURNS)
def test_a_sheet_has_no_holes(turn, wall):
    from scipy.ndimage import label

    shell = box([8, 8, 8]) - box([8 - 2 * wall] * 3, [wall] * 3)
    _, own, passed = filled(shell.rotate(turn), 0.5)
    name, _ = label(~(own | passed))
    inner = tuple(np.array(name.shape) // 2)
    assert name[inner] and name[inner] != name[0, 0, 0]


@pytest.mark.parametrize("reach", [1, 5, FARTHEST])
def test_distances_are_those_of_scipy(reach):
    from scipy.ndimage import distance_transform_edt

    solid = np.random.default_rng(1).random((30, 20, 9)) < 0.003
    exact = np.rint(distance_transform_edt(~solid) ** 2)
    near = exact <= reach**2
    ours = squares(solid, reach)
    assert (ours[near] == exact[near]).all()
    assert (ours[~near] == reach**2 + 1).all()


def test_a_cell_twice_as_wide_is_solid_if_one_in_it_is():
    solid = np.zeros((5, 4, 3), bool)
    solid[4, 2, 2] = solid[0, 1, 0] = True
    assert np.argwhere(halved(solid)).tolist() == [[0, 0, 0], [2, 1, 1]]


def test_nothing_fills_nothing():
    cells = Cells.about(np.array([[0.0, 0, 0], [1, 1, 1]]), 0.5, 0.0)
    own, passed = cells.filled(np.zeros((0, 3, 3)))
    assert not own.any() and not passed.any()
