from pathlib import Path

import numpy as np
import pytest

from wallguard.base.errors import InputError
from wallguard.mesh.formats.obj import read

SQUARE = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n"


def drawing(text):
    return read(Path("part.obj"), text.encode())


def mistake(text):
    with pytest.raises(InputError) as caught:
        drawing(text)
    return str(caught.value)


def test_triangles():
    read_back = drawing(SQUARE + "f 1 2 3\nf 3/1 4//2 1/2/3\n")
    assert read_back.triangles.tolist() == [[0, 1, 2], [2, 3, 0]]
    assert read_back.vertices[2].tolist() == [1, 1, 0]
    assert read_back.unit is None


def test_polygon_becomes_a_fan():
    assert drawing(SQUARE + "f 1 2 3 4").triangles.tolist() == [[0, 1, 2], [0, 2, 3]]


def test_negative_numbers_count_back_from_the_face():
    text = SQUARE + "f -4 -3 -2\nv 5 5 5\nf -4 -3 -2\n"
    assert drawing(text).triangles.tolist() == [[0, 1, 2], [1, 2, 3]]


def test_line_goes_on_after_a_backslash():
    assert drawing(SQUARE + "f 1 2 \\\n3 \\\n4\n").triangles.shape == (2, 3)


def test_other_statements_are_skipped_and_no_file_is_opened(tmp_path):
    text = "# a comment\nmtllib no/such.mtl\no x\ng y\nvn 0 0 1\nvt 0 0\ns off\nusemtl z\n"
    assert drawing(text + SQUARE + "f 1 2 3").triangles.shape == (1, 3)


def test_vertex_with_weight_and_colour():
    assert drawing("v 1 2 3 1 0.5 0.5 0.5\n").vertices.tolist() == [[1, 2, 3]]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (SQUARE + "f 1 2", ":5: a face needs 3 to 1000 corners, not 2"),
        (SQUARE + "f 0 1 2", ":5: a face names a vertex that the file does not have"),
        (SQUARE + "f -5 1 2", ":5: a face names a vertex that the file does not have"),
        (SQUARE + "f 1 2 x", ":5: 'x' is not a number"),
        ("v 1 2\n", ":1: a vertex needs x, y and z"),
        ("v 1 2,5 3\n", ":1: '2,5' is not a number"),
        ("\nsurf 0 1 0 1 1 2 3\n", ":2: free-form"),
        ("\n\n<html>\n", ":3: unknown statement '<html>'"),
        (SQUARE + "f 1 2 99", ": face 1 names vertex 99, and there are 4"),
        ("f 1 2 " + "9" * 5000, ":1: "),
        ("f 1 2 99999999999999999999", ":1: "),
    ],
)
def test_mistake_names_its_line(text, message):
    assert mistake(text).startswith("part.obj" + message)
    assert len(mistake(text)) < 300


def test_binary_data():
    assert "binary data" in mistake("v 0 0 0\n\0")


def test_concave_polygon_is_cut_in_its_own_plane():
    """An L in a slanting plane: a fan from its first corner would fold over."""
    flat = np.array([[2, 1], [1, 1], [1, 2], [0, 2], [0, 0], [2, 0]], float)
    points = np.column_stack([flat, flat @ [0.5, -2.0]])
    text = "".join(f"v {x} {y} {z}\n" for x, y, z in points) + "f 1 2 3 4 5 6\n"
    read_back = drawing(text)
    a, b, c = (read_back.vertices[read_back.triangles[:, i], :2] for i in range(3))
    u, v = b - a, c - a
    areas = (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2
    assert (areas > 0).all()
    assert areas.sum() == pytest.approx(3.0)


def test_too_many_concave_polygons_are_refused():
    angle = np.linspace(0, 2 * np.pi, 1000, endpoint=False)
    radius = np.where(np.arange(1000) % 2, 1.0, 0.3)
    star = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    text = "".join(f"v {x} {y} 0\n" for x, y in star)
    text += ("f " + " ".join(map(str, range(1, 1001))) + "\n") * 600
    assert "concave polygons" in mistake(text)


@pytest.mark.parametrize("digits", [19, 25, 5000])
def test_a_vertex_number_too_long_for_any_file_is_told_as_one_that_is_not_there(digits):
    text = "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 " + "9" * digits + "\n"
    with pytest.raises(InputError, match="names a vertex that the file does not have") as told:
        read(Path("a.obj"), text.encode())
    assert told.value.line == 4
