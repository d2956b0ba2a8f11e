from pathlib import Path

import numpy as np
import pytest
from test_mesh_read import CORNERS, binary_stl

from wallguard.base.errors import InputError
from wallguard.mesh.formats.stl import read

FACET = b"""facet normal 0 0 1
 outer loop
  vertex 0 0 0
  vertex 1.5e0 0 -0
  vertex 0 +.5 1E-3
 endloop
endfacet
"""


def corners(data):
    drawing = read(Path("part.stl"), data)
    assert drawing.triangles is None
    return drawing.vertices.reshape(-1, 3, 3)


def mistake(data):
    with pytest.raises(InputError) as caught:
        read(Path("part.stl"), data)
    return str(caught.value)


def test_binary_keeps_single_precision():
    read_back = corners(binary_stl(np.array(CORNERS) * 0.1))
    assert read_back.dtype == np.float32
    assert (read_back == (np.array(CORNERS) * 0.1).astype(np.float32)).all()


def test_binary_that_begins_with_solid():
    assert len(corners(binary_stl(head=b"solid facet normal"))) == 4


def test_binary_with_padding_after_its_triangles():
    assert len(corners(binary_stl() + bytes(512))) == 4
    assert len(corners(binary_stl() + b"by me")) == 4


def test_binary_with_more_triangles_than_its_head_counts():
    assert "promises 3 triangles, and there is room for 4" in mistake(binary_stl(count=3))


def test_binary_cut_short():
    whole = binary_stl()
    assert "promises 4 triangles, and 3 are there" in mistake(whole[:-1])
    assert "promises 4 triangles, and 0 are there" in mistake(whole[:84])
    assert "within the head" in mistake(bytes(83))


def test_ascii():
    data = b"solid a name with facet in it\n" + FACET + b"endsolid\n"
    assert corners(data).tolist() == [[[0, 0, 0], [1.5, 0, 0], [0, 0.5, 0.001]]]


@pytest.mark.parametrize(
    "data",
    [
        (b"solid\n" + FACET + b"endsolid").upper(),
        (b"solid\n" + FACET + b"endsolid").replace(b"\n", b"\r\n"),
        (b"solid\n" + FACET + b"endsolid").replace(b"\n", b"\r"),
        b"\xef\xbb\xbf\n\tsolid\n" + FACET + b"end solid x",
        (b"solid x\n" + FACET + b"endsolid x\n").replace(b"0 0 1\n", b"nan nan nan\n\n\n"),
    ],
)
def test_ascii_dialects(data):
    assert corners(data)[0, 1, 0] == 1.5


def test_ascii_with_several_solids():
    one = b"solid a\n" + FACET + FACET + b"endsolid a\n"
    assert len(corners(one + one.replace(b" a\n", b" b c\n"))) == 4


def test_ascii_without_facets():
    assert corners(b"solid Empty\nendsolid Empty").shape == (0, 3, 3)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (b"1.5e0", b"1,5", ":5: expected a number, found '1,5'."),
        (b"1.5e0", b"nan", ":5: expected a number, found 'nan'."),
        (b"outer", b"inner", ":3: expected outer, found 'inner'."),
        (b"  vertex 0 +.5 1E-3\n", b"", ":6: expected vertex, found 'endloop'."),
        (b"facet normal", b"facets normal", ":2: expected facet, found 'facets'."),
    ],
)
def test_ascii_mistake_names_its_line(old, new, message):
    data = b"solid a\n" + FACET.replace(old, new, 1) + b"endsolid\n"
    assert mistake(data).startswith("part.stl" + message)


def test_ascii_cut_short():
    assert mistake(b"solid a\n" + FACET).startswith("part.stl:9: is cut short: the last `solid`")
    assert "part.stl:6: is cut short where a number should follow" in mistake(
        b"solid\n" + FACET[:80]
    )


def test_what_is_not_stl():
    assert "text that is not STL" in mistake(b"<!DOCTYPE html><p>Not found</p>")
    assert "is not STL" in mistake(b"PK\x03\x04" + bytes(range(256)))


def test_a_very_long_number_is_read_once():
    assert "is cut short" in mistake(b"solid\nfacet normal 0 0 1 outer loop vertex " + b"1" * 10**7)
