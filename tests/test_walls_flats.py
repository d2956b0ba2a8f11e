"""Flat faces are filled anew, and what cannot be stays as it is."""

import numpy as np
import shapely

from wallguard.walls import flats
from wallguard.walls.flats import _in_triangles, filled_anew

SQUARE = [(0, 0), (10, 0), (10, 10), (0, 10)]


def test_an_area_that_cannot_be_triangulated_keeps_no_other_from_it():
    # A hole on the outline itself, as a face of a mutated file had: there is nothing to fill.
    areas = np.array([shapely.Polygon(SQUARE), shapely.Polygon(SQUARE, [SQUARE])], object)
    whole, none = _in_triangles(areas)
    assert len(whole.geoms) == 2 and whole.area == 100
    assert none.is_empty


def test_faces_of_too_many_corners_together_stay_as_they_are(monkeypatch):
    def fan(corners, x):
        """A flat disc about a point in its middle, which filling anew leaves out."""
        turn = np.linspace(0, 2 * np.pi, corners + 1)[:-1]
        rim = np.column_stack([x + np.cos(turn), np.sin(turn), np.zeros(corners)])
        around = np.arange(corners) + 1
        faces = np.column_stack([np.zeros(corners, int), around, np.roll(around, -1)])
        return np.concatenate([[[x, 0.0, 0.0]], rim]), faces

    (one, few), (other, many) = fan(8, 0.0), fan(20, 5.0)
    vertices, triangles = np.concatenate([one, other]), np.concatenate([few, many + len(one)])
    face = np.repeat([0, 1], [8, 20])
    normal = np.tile([0.0, 0.0, 1.0], (28, 1))
    assert len(filled_anew(vertices, triangles, normal, face)) == 6 + 18
    monkeypatch.setattr(flats, "_SQUARES", 8**2)
    assert len(filled_anew(vertices, triangles, normal, face)) == 6 + 20
    monkeypatch.setattr(flats, "_SQUARES", 8**2 - 1)
    assert len(filled_anew(vertices, triangles, normal, face)) == 28
