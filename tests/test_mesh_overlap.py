"""Of two large solids, which triangles are compared: none that may meet is left out."""

import manifold3d as m3
import numpy as np

from wallguard.mesh import overlap
from wallguard.mesh.nesting import expand


def boxes(rng: np.random.Generator, count: int, scale: np.ndarray, size: float):
    low = rng.random((count, 3)) * scale
    return low, low + rng.random((count, 3)) * scale * size


def test_boxes_that_meet_are_all_candidates_each_once():
    rng = np.random.default_rng(1)
    for size in (0.01, 0.2, 0.9) * 20:
        scale = 10 ** rng.uniform(-1, 2, 3)
        own, theirs = boxes(rng, 40, scale, 0.1), boxes(rng, 50, scale, size)
        owner, start, number, order = overlap._candidates(own, theirs)
        pairs = [
            pair
            for row, place in expand(start, number)
            for pair in zip(owner[row].tolist(), order[place].tolist(), strict=True)
        ]
        (low, high), (its_low, its_high) = own, theirs
        meet = ((low[:, None] <= its_high) & (its_low <= high[:, None])).all(axis=2)
        assert len(pairs) == len(set(pairs))
        assert {(int(i), int(j)) for i, j in zip(*np.nonzero(meet), strict=True)} <= set(pairs)


def near(gap: float) -> bool:
    """Whether two rods that cross at this distance are near each other."""
    rod = m3.Manifold.cylinder(20, 1, 1, 90, True)
    other = rod.rotate([57, 0, 0]).translate([2 + gap, 0, 0])
    one, two = rod.rotate([17, 5, 0]), other.rotate([17, 5, 0])
    first, second = (np.asarray(each.to_mesh64().vert_properties)[:, :3] for each in (one, two))
    faces = [np.asarray(each.to_mesh64().tri_verts).astype(np.int32) for each in (one, two)]
    return overlap._near(np.vstack([first, second]), faces[0], faces[1] + len(first))


def test_surfaces_side_by_side_are_told_from_those_that_meet():
    assert near(-0.01)
    assert not near(0.01)
