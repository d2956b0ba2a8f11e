import struct
from pathlib import Path

import numpy as np
import pytest

from wallguard.base.errors import InputError
from wallguard.mesh.formats.ply import read

POINTS = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0.5)]


def head(form, vertices=4, faces=1, extra="", more=""):
    return (
        f"ply\nformat {form} 1.0\ncomment TextureFile no/such.png\nelement vertex {vertices}\n"
        f"property float x\nproperty float y\n{extra}property double z\n"
        f"element face {faces}\nproperty list uchar int vertex_indices\n{more}end_header\n"
    ).encode()


def ascii_ply(faces="3 0 1 2\n", count=1, vertices="0 0 0\n1 0 0\n1 1 0\n0 1 0.5\n", **options):
    return head("ascii", 4, count, **options) + (vertices + faces).encode()


def binary_ply(order, faces):
    form = "binary_little_endian" if order == "<" else "binary_big_endian"
    data = head(form, 4, len(faces), "property uchar red\n")
    data += b"".join(struct.pack(order + "ffBd", x, y, 7, z) for x, y, z in POINTS)
    return data + b"".join(struct.pack(f"{order}B{len(f)}i", len(f), *f) for f in faces)


def drawing(data):
    return read(Path("part.ply"), data)


def mistake(data):
    with pytest.raises(InputError) as caught:
        drawing(data)
    return str(caught.value)


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize(
    ("faces", "triangles"),
    [
        ([(0, 1, 2), (2, 3, 0)], [[0, 1, 2], [2, 3, 0]]),
        ([(0, 1, 2, 3)], [[0, 1, 2], [0, 2, 3]]),
        ([(0, 1, 2), (0, 1, 2, 3)], [[0, 1, 2], [0, 1, 2], [0, 2, 3]]),
    ],
)
def test_binary(order, faces, triangles):
    read_back = drawing(binary_ply(order, faces))
    assert read_back.vertices.tolist() == [list(point) for point in POINTS]
    assert read_back.triangles.tolist() == triangles


@pytest.mark.parametrize("faces", ["3 0 1 2\n3 2 3 0\n", "3 0 1 2\n\n  3 2 3 0"])
def test_ascii(faces):
    read_back = drawing(ascii_ply(faces, 2))
    assert read_back.vertices.tolist() == [list(point) for point in POINTS]
    assert read_back.triangles.tolist() == [[0, 1, 2], [2, 3, 0]]


def test_ascii_with_faces_of_several_sizes():
    read_back = drawing(ascii_ply("4 0 1 2 3\n3 0 1 2\n", 2))
    assert read_back.triangles.tolist() == [[0, 1, 2], [0, 2, 3], [0, 1, 2]]


def test_other_elements_and_lists_are_skipped():
    more = "property list uchar float texcoord\nelement edge 1\nproperty list uchar int a\n"
    data = ascii_ply("3 0 1 2 2 0.5 0.5\n1 9\n", more=more)
    assert drawing(data).triangles.tolist() == [[0, 1, 2]]


@pytest.mark.parametrize("newline", [b"\r\n", b"\r"])
def test_line_ends(newline):
    assert drawing(ascii_ply().replace(b"\n", newline)).triangles.tolist() == [[0, 1, 2]]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"plx\n", ": is not PLY"),
        (b"ply\nformat ascii 1.0\n", ":2: the file is cut short within its head"),
        (b"ply\nformat middle_endian 1.0\nend_header\n", ":2: unknown word 'middle_endian'"),
        (b"ply\nproperty float x\n", ":2: a property before any element"),
        (b"ply\nend_header\n", ":2: the head names no format"),
        (b"ply\nelement vertex -1\n", ":2: the head promises -1 of 'vertex'"),
        (b"ply\nelement vertex x\n", ":2: 'x' is not a number"),
        (b"ply\nelement vertex 99999999999\n", ":2: the head promises 99999999999"),
        (b"ply\nelement a 1\nproperty list float int b\n", ":3: the length of the list"),
        (b"ply\n\xff\xfe\n", ":2: binary data within the head"),
        (ascii_ply("3 0 1 4\n"), ": face 1 names a vertex that the file does not have"),
        (ascii_ply("3 0 1 -1\n"), ": face 1 names a vertex that the file does not have"),
        (ascii_ply("3 0 1\n"), ":15: too few numbers for the vertex_indices of this face"),
        (ascii_ply("3 0 1 x\n"), ":15: 'x' is not a number"),
        (ascii_ply("3 0 1 1.5\n"), ":15: '1.5' is not a number"),
        (ascii_ply("2 0 1\n"), ": face 1 has 2 corners"),
        (ascii_ply("-3 0 1\n"), ":15: too few numbers"),
        (ascii_ply("3 0 1 2\n", 2), ": is cut short: 2 of 'face' promised, 1 lines left"),
        (ascii_ply(vertices="0 0\n" * 4), ":11: too few numbers for the z of this vertex"),
        (binary_ply("<", [(0, 1, 2)])[:-1], ": is cut short or broken at face 1 of 1"),
        (binary_ply(">", [(0, 1, 2)])[:-20], ": is cut short or broken at vertex 4 of 4"),
        (binary_ply("<", [(0, 1, 2), (0, 1, 9)]), ": face 2 names a vertex"),
        (b"ply\nformat ascii 1.0\nelement tristrips 1\nend_header\n", ":4: the element"),
    ],
)
def test_mistake_names_its_place(data, message):
    assert mistake(data).startswith("part.ply" + message)


def test_count_is_not_believed():
    data = head("binary_little_endian", 29_999_999, 1)
    assert "cut short or broken at vertex 1" in mistake(data)


def test_not_finite_vertices_are_left_to_the_caller():
    read_back = drawing(ascii_ply(vertices="nan 0 0\n1 0 0\n1 1 0\n0 1 0\n"))
    assert np.isnan(read_back.vertices[0, 0])
