"""Parts that a program holds: whatever gives triangles."""

import math
from types import SimpleNamespace

import manifold3d as m3
import numpy as np
import pytest
from solids import box, tube

import wallguard
from wallguard.mesh.formats import threemf
from wallguard.mesh.objects import drawing_of
from wallguard.mesh.threemf_file import threemf_of

SOLID = box([40, 1.5, 10])
RAW = SOLID.to_mesh64()
VERTICES, FACES = np.asarray(RAW.vert_properties)[:, :3], np.asarray(RAW.tri_verts)


class Shape:
    """What build123d and CadQuery shapes can do, of a cylinder without its caps' insides."""

    def __init__(self, radius=10.0, names="XYZ"):
        self.radius, self.names = radius, names

    def vertices(self):  # there this lists corners of the shape
        raise AssertionError("nobody asks for these")

    def faces(self):
        raise AssertionError("nobody asks for these")

    def tessellate(self, chord, angle):
        # Facets of a chord c lie r - sqrt(r² - c²/4) off a circle of radius r.
        sides = math.ceil(math.pi / math.acos(1 - chord / self.radius))
        raw = m3.Manifold.cylinder(10, self.radius, self.radius, sides).to_mesh64()
        points = np.asarray(raw.vert_properties)[:, :3].tolist()
        vectors = [
            SimpleNamespace(**dict(zip(self.names, point, strict=True))) if self.names else point
            for point in points
        ]
        return vectors, [tuple(face) for face in raw.tri_verts.tolist()]


def trimesh_mesh():
    trimesh = pytest.importorskip("trimesh")
    return trimesh.Trimesh(VERTICES, FACES)


def trimesh_scene():
    trimesh = pytest.importorskip("trimesh")
    return trimesh.Scene([trimesh.Trimesh(VERTICES, FACES)])


@pytest.mark.parametrize(
    "thing",
    [
        SOLID,
        SOLID.to_mesh(),
        (VERTICES, FACES),
        [VERTICES.tolist(), FACES.tolist()],
        VERTICES[FACES],
        SimpleNamespace(vectors=VERTICES[FACES]),
        SimpleNamespace(vertices=VERTICES, triangles=FACES),
        SimpleNamespace(part=SOLID),
        SimpleNamespace(vals=lambda: [SOLID]),
        SimpleNamespace(toCompound=lambda: SOLID),
        [SOLID],
        trimesh_mesh,
        trimesh_scene,
    ],
)
def test_all_kinds_give_the_same_wall(thing):
    thing = thing() if callable(thing) else thing
    sizes = wallguard.measure(wallguard.part_from(thing, "rib")).walls
    assert [size.mm for size in sizes] == [1.5]


@pytest.mark.parametrize("names", ["XYZ", "xyz", ""])
def test_shapes_are_given_facets_within_the_chord_error(names):
    drawing = drawing_of(Shape(names=names), "shape", 0.02)
    radii = np.hypot(*drawing.vertices[drawing.triangles].mean(axis=1)[:, :2].T)
    assert radii.max() <= 10 and np.ptp(drawing.vertices, axis=0)[0] == pytest.approx(20, abs=0.05)
    part = wallguard.part_from(Shape(names=names), "shape")
    assert wallguard.measure(part, up_to=30).smallest_pin == 20.0


def test_several_are_objects_of_their_own():
    drawing = drawing_of([SOLID, box([5, 5, 5], [40, 0, 0])], "two")
    assert drawing.objects.tolist() == [0] * 8 + [1] * 8
    part = wallguard.part_from([SOLID, box([5, 5, 5], [40, 0, 0])], "two")
    # They touch, and are two bodies all the same.
    assert part.geometry.health.bodies == 2


def test_names_and_objects_are_kept_in_a_file(tmp_path):
    """As of a part that code makes, which is checked as a file."""
    lid, rib = SimpleNamespace(part=SOLID, label="lid"), box([5, 5, 5], [40, 0, 0])
    named = SimpleNamespace(vertices=VERTICES, faces=FACES, name="two  lines\nlong")
    drawing = drawing_of([lid, named, rib], "three")
    file = tmp_path / "three.3mf"
    file.write_bytes(threemf_of(drawing, "three"))
    back = threemf.read(file, file.read_bytes())
    assert back.names == drawing.names == ("", "two lines long", "")
    assert np.array_equal(back.objects, drawing.objects)
    assert np.array_equal(back.vertices, drawing.vertices)
    assert np.array_equal(back.triangles, drawing.triangles)


def test_how_it_is_printed():
    part = wallguard.part_from(tube(20, 2, 30), "tube", unit="inch", up="+x", scale=0.1)
    # 20 inches across and 30 long, at a tenth, in mm; what lay along x stands up.
    assert sorted(part.geometry.extents) == pytest.approx([50.8, 50.8, 76.2], abs=0.1)
    assert part.geometry.extents[2] == pytest.approx(50.8, abs=0.1)
    with pytest.raises(wallguard.InputError, match="no direction 'up'"):
        wallguard.part_from(SOLID, up="up")


@pytest.mark.parametrize(
    ("thing", "said"),
    [
        (None, "gives no triangles: NoneType"),
        ([], "gives no triangles: list"),
        ({"a": 1}, "gives no triangles: dict"),
        ("text", "gives no triangles: str"),
        (np.zeros((3, 2)), "gives no triangles: numpy.ndarray"),
        ((np.zeros((3, 3)), np.zeros((0, 3))), "gives no triangles"),
        ((np.zeros((3, 3)), [[0, 1, 3]]), "face 1 names a vertex that it does not have"),
        ((np.zeros((3, 3)), [[0, 1, 1.5]]), "its arrays are no triangles"),
        ((np.zeros((3, 3)), [[0, 1, 2, 2]]), "its arrays are no triangles"),
        ((np.zeros((8, 3)), np.zeros((6, 4), int)), "its arrays are no triangles"),
        ((np.zeros((3, 3)), [[0, 1, np.inf]]), "its arrays are no triangles"),
        (np.zeros((6, 4, 3)), "gives no triangles: numpy.ndarray"),
        ((np.full((3, 3), np.nan), [[0, 1, 2]]), "is not a number"),
        (SimpleNamespace(tessellate=lambda chord, angle: 1 / 0), "ZeroDivisionError"),
    ],
)
def test_what_is_no_part_is_refused(thing, said):
    with pytest.raises(wallguard.InputError, match=said) as refused:
        wallguard.part_from(thing, "thing")
    assert str(refused.value).startswith("thing: ")


def test_lists_without_end_are_refused():
    endless = []
    endless.append(endless)
    with pytest.raises(wallguard.InputError, match="gives no triangles"):
        wallguard.part_from(endless)


def test_real_shapes_of_build123d():
    """Where it is installed: it is too large for every run of the tests."""
    b3d = pytest.importorskip("build123d")
    with b3d.BuildPart() as plate:
        b3d.Box(40, 30, 10)
        b3d.Hole(4)
        b3d.offset(amount=-1.2, openings=plate.faces().sort_by(b3d.Axis.Z)[-1])
    for shape in (plate, plate.part, [plate.part], plate.part.solids()):
        sizes = wallguard.measure(wallguard.part_from(shape, "plate"))
        assert sizes.thinnest == 1.2
        assert sizes.smallest_hole == 8.0 - 2.4 or sizes.smallest_hole == 8.0
