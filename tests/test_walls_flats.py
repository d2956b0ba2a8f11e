"""Flat faces are filled anew, and what cannot be stays as it is."""

import numpy as np
import shapely

from wallguard.walls.flats import _in_triangles

SQUARE = [(0, 0), (10, 0), (10, 10), (0, 10)]


def test_an_area_that_cannot_be_triangulated_keeps_no_other_from_it():
    # A hole on the outline itself, as a face of a mutated file had: there is nothing to fill.
    areas = np.array([shapely.Polygon(SQUARE), shapely.Polygon(SQUARE, [SQUARE])], object)
    whole, none = _in_triangles(areas)
    assert len(whole.geoms) == 2 and whole.area == 100
    assert none.is_empty
