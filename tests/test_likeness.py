"""A part that was renamed, converted or divided is known by its geometry."""

import manifold3d as m3
import numpy as np
import pytest
from solids import box, mesh, tube

from wallguard.mesh.mesh import Mesh
from wallguard.mesh.read import read_mesh
from wallguard.part.likeness import likeness, origins

FRAME = box([60, 40, 6]) - box([56, 36, 8], [2, 2, -1]) + box([1.5, 38, 10], [10, 1, 0])
CLIP = tube(16, 1.5, 12)


def of(**solids):
    return {name: likeness(mesh(solid)) for name, solid in solids.items()}


def single(solid) -> Mesh:
    """As an export with single precision and four decimals has it."""
    drawn = mesh(solid)
    return Mesh(drawn.vertices.astype(np.float32).astype(np.float64).round(4), drawn.triangles)


@pytest.mark.parametrize(
    "changed",
    [
        FRAME,
        FRAME.refine(3),
        FRAME.translate([100, -3, 7]),
        FRAME.rotate([0, 0, 33]),
        FRAME + box([1, 1, 6], [0.5, 0.5, 0.5]),
    ],
    ids=["renamed", "triangulated anew", "moved", "turned", "edited a little"],
)
def test_a_part_is_known_again(changed):
    known = of(frame=FRAME, clip=CLIP, plate=box([60, 40, 6]))
    assert origins({"new": likeness(single(changed))}, known) == {"new": "frame"}


@pytest.mark.parametrize(
    "other",
    [FRAME.rotate([180, 0, 0]), FRAME.rotate([90, 0, 0]), FRAME.scale([1.1, 1.1, 1.1]), CLIP],
    ids=["upside down", "lying", "larger", "another"],
)
def test_another_part_is_not(other):
    assert origins(of(new=other), of(frame=FRAME)) == {}


def test_of_equal_parts_the_name_tells():
    known = of(**{"a/left.stl": CLIP, "a/right.stl": CLIP})
    added = of(**{"b/right.obj": CLIP, "b/left.obj": CLIP})
    assert origins(added, known) == {"b/left.obj": "a/left.stl", "b/right.obj": "a/right.stl"}


def test_what_a_part_was_divided_into_has_one_origin():
    apart = m3.Manifold.compose([FRAME, CLIP.translate([80, 0, 0])])
    assert origins(of(a=FRAME, b=CLIP), of(both=apart)) == {"a": "both", "b": "both"}
    left, right = FRAME.split_by_plane([1, 0, 0], 30)
    assert origins(of(a=left, b=right), of(frame=FRAME)) == {"a": "frame", "b": "frame"}
    assert origins(of(a=left, b=CLIP), of(frame=FRAME)) == {}


def test_a_real_part_is_known_in_another_format(shared):
    folder = shared / "meshes"
    drawn = read_mesh(folder / "featuretype.STL", unit="inch")
    other = likeness(read_mesh(folder / "featuretype.3MF"))
    names = ("angle_block.STL", "plate_holes.STL", "1002_tray_bottom.STL", "multibody.stl")
    known = {name: likeness(read_mesh(folder / name)) for name in names}
    known["featuretype.STL"] = likeness(drawn)
    assert origins({"part.3mf": other}, known) == {"part.3mf": "featuretype.STL"}
    for name in names:
        assert origins({"x": known[name]}, known) == {"x": name}
