"""Files that are made to stall a check or to bloat it, each by a function: none is stored.

A generator writes one file and has the suffix it needs; `HOSTILE` lists all of them, and
`campaign_hostile.py` runs each under limits. What was once found stays here.
"""

from __future__ import annotations

import itertools
import math
import random
import struct
import zipfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import manifold3d as m3
import numpy as np
from numpy.typing import NDArray

Faces = NDArray[np.float64]  # (n, 3, 3): triangles, corner by corner

HOSTILE: dict[str, tuple[str, Callable[[Path], None]]] = {}  # name: the suffix, what writes it

# The corners of a unit cube, and its twelve triangles, counter-clockwise seen from outside.
_CORNERS = np.array(list(itertools.product((0, 1), repeat=3)), float)
_SIDES = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
_FACES = [face for a, b, c, d in _SIDES for face in ((a, b, c), (a, c, d))]
CUBE: Faces = _CORNERS[np.array(_FACES)]


def hostile(suffix: str) -> Callable[[Callable[[Path], None]], Callable[[Path], None]]:
    """List a generator under its name."""

    def listed(write: Callable[[Path], None]) -> Callable[[Path], None]:
        HOSTILE[write.__name__] = suffix, write
        return write

    return listed


def stl(path: Path, faces: Faces) -> None:
    """Write a binary STL."""
    record = [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]
    records = np.zeros(len(faces), record)
    records["corners"] = faces
    path.write_bytes(bytes(80) + struct.pack("<I", len(faces)) + records.tobytes())


def of(solid: m3.Manifold) -> Faces:
    """The triangles of a solid."""
    raw = solid.to_mesh64()
    faces: Faces = raw.vert_properties[:, :3][raw.tri_verts]
    return faces


def cubes(low: NDArray[np.float64], size: float | NDArray[np.float64] = 1.0) -> Faces:
    """Cubes of a size each at their lowest corners (n, 3)."""
    sizes = np.broadcast_to(np.asarray(size, float), low.shape)
    faces = CUBE[None] * sizes[:, None, None] + low[:, None, None]
    return faces.reshape(-1, 3, 3)


def extruded(
    outline: Iterable[tuple[float, float]], height: float, ends: Iterable[tuple[int, ...]] = ()
) -> Faces:
    """An outline drawn up; `ends` are the triangles of its roof, or manifold3d finds them."""
    flat = np.array(list(outline), float)
    caps = np.array(list(ends), int)
    if not len(caps):
        caps = np.asarray(m3.triangulate([flat]), int)
    low, high = (np.column_stack([flat, np.full(len(flat), z)]) for z in (0.0, height))
    after = np.roll(np.arange(len(flat)), -1)
    walls = np.concatenate(
        [np.stack([low, low[after], high[after]], 1), np.stack([low, high[after], high], 1)]
    )
    return np.concatenate([low[caps[:, ::-1]], high[caps], walls])


# 3MF

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_RELATIONS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="r" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)
_TETRA = (
    '<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="9" y="0" z="0"/>'
    '<vertex x="0" y="9" z="0"/><vertex x="0" y="0" z="9"/></vertices><triangles>'
    '<triangle v1="0" v2="2" v3="1"/><triangle v1="0" v2="1" v3="3"/>'
    '<triangle v1="1" v2="2" v3="3"/><triangle v1="0" v2="3" v3="2"/></triangles></mesh>'
)


def model(resources: str | Iterable[str], build: str) -> Iterator[str]:
    """A model part, piece by piece."""
    yield f'<model unit="millimeter" xmlns="{_CORE}" xmlns:p="{_PRODUCTION}"><resources>'
    yield from (resources,) if isinstance(resources, str) else resources
    yield f"</resources><build>{build}</build></model>"


def threemf(
    path: Path,
    first: Iterable[str],
    others: Iterable[tuple[str, Iterable[str]]] = (),
    method: int = zipfile.ZIP_DEFLATED,
) -> None:
    """Write a 3MF package."""
    with zipfile.ZipFile(path, "w", method, compresslevel=9) as package:
        package.writestr("_rels/.rels", _RELATIONS)
        for name, pieces in (("3D/3dmodel.model", first), *others):
            with package.open(name, "w") as stream:
                for piece in pieces:
                    stream.write(piece.encode())


def _packed(path: Path, method: int) -> None:
    pieces = itertools.repeat(" " * 1024**2, 64)
    threemf(path, model(pieces, ""), method=method)


@hostile(".3mf")
def packed_with_bzip2(path: Path) -> None:
    _packed(path, zipfile.ZIP_BZIP2)


@hostile(".3mf")
def packed_with_lzma(path: Path) -> None:
    _packed(path, zipfile.ZIP_LZMA)


@hostile(".3mf")
def components_in_a_ring(path: Path) -> None:
    """One object of 99,000 components, each of them that object again."""
    many = '<component objectid="1"/>' * 99_000
    threemf(path, model(f'<object id="1"><components>{many}</components></object>', _ITEM))


_ITEM = '<item objectid="1"/>'


@hostile(".3mf")
def components_that_double(path: Path) -> None:
    """Twelve objects, each two of the next: 4,096 times one tetrahedron in one place."""
    pairs = "".join(
        f'<object id="{at}"><components>{f"""<component objectid="{at + 1}"/>""" * 2}'
        "</components></object>"
        for at in range(1, 13)
    )
    threemf(path, model(f'<object id="13">{_TETRA}</object>{pairs}', _ITEM))


def _parts(path: Path, body: str, count: int, parts: int) -> None:
    """Many model parts; the first names them all."""
    names = [f"3D/{at}.model" for at in range(parts)]
    used = "".join(f'<component p:path="/{name}" objectid="1"/>' for name in names)
    first = model(f'<object id="1"><components>{used}</components></object>', _ITEM)
    mesh = f'<object id="1"><mesh>{body * count}</mesh></object>'
    threemf(path, first, [(name, model(mesh, "")) for name in names])


@hostile(".3mf")
def parts_of_vertices(path: Path) -> None:
    _parts(path, '<vertex x="0" y="0" z="0"/>', 125_000, 240)


@hostile(".3mf")
def parts_of_triangles(path: Path) -> None:
    body = '<vertex x="0" y="0" z="0"/>' + '<triangle v1="0" v2="0" v3="0"/>' * 100_000
    _parts(path, body, 1, 280)


@hostile(".3mf")
def parts_of_tiny_tags(path: Path) -> None:
    _parts(path, "<a/>", 1_000_000, 150)


@hostile(".3mf")
def a_million_objects(path: Path) -> None:
    many = (f'<object id="{at}"><components/></object>' for at in range(2, 1_000_000))
    threemf(path, model(itertools.chain([f'<object id="1">{_TETRA}</object>'], many), _ITEM))


@hostile(".3mf")
def a_huge_transform(path: Path) -> None:
    """Placed four times over by 1e90: coordinates beyond double precision."""
    huge = "1e90 0 0 0 1e90 0 0 0 1e90 0 0 0"
    nested = "".join(
        f'<object id="{at}"><components><component objectid="{at + 1}" transform="{huge}"/>'
        "</components></object>"
        for at in (1, 2, 3, 4)
    )
    threemf(path, model(f'<object id="5">{_TETRA}</object>{nested}', _ITEM))


# Text and other formats


@hostile(".obj")
def newlines(path: Path) -> None:
    path.write_bytes(b"\n" * 20_000_000)


@hostile(".obj")
def short_lines(path: Path) -> None:
    path.write_bytes(b"v 0 0 0\n" * 2_500_000)


@hostile(".ply")
def empty_lists(path: Path) -> None:
    count = 20_000_000
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element face {count}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    path.write_bytes(head.encode() + b"\1\0\0\0\0" + bytes(count - 1))


@hostile(".ply")
def lists_of_other_things(path: Path) -> None:
    count = 13_000_000
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element thing {count}\nproperty list uchar uchar that\nend_header\n"
    )
    path.write_bytes(head.encode() + b"\0\1\0" * (count // 2))


@hostile(".stl")
def text_of_facets_without_area(path: Path) -> None:
    loop = "outer loop vertex 0 0 0 vertex 1 0 0 vertex 2 0 0 endloop"
    path.write_text("solid\n" + f"facet normal 0 0 1 {loop} endfacet\n" * 190_000 + "endsolid\n")


# Solids


@hostile(".stl")
def wedges_in_a_point(path: Path) -> None:
    """2,500 wedges that meet in one edge."""
    turn = np.linspace(0, 2 * math.pi, 5001)[:-1]
    rim = np.column_stack([50 * np.cos(turn), 50 * np.sin(turn)])
    solids = [
        extruded([(0, 0), tuple(rim[at]), tuple(rim[at + 1])], 10.0) for at in range(0, 5000, 2)
    ]
    stl(path, np.concatenate(solids))


@hostile(".stl")
def tetrahedra_in_a_point(path: Path) -> None:
    """5,000 tetrahedra that share one corner."""
    rng = np.random.default_rng(1)
    ends = rng.normal(size=(5000, 3))
    ends *= 40 / np.linalg.norm(ends, axis=1)[:, None]
    other = ends + rng.normal(size=(5000, 3))
    third = ends + rng.normal(size=(5000, 3))
    volume = np.einsum("ij,ij->i", ends, np.cross(other, third))
    other[volume < 0], third[volume < 0] = third[volume < 0], other[volume < 0]
    zero = np.zeros_like(ends)
    sides = [(zero, other, ends), (zero, third, other), (zero, ends, third), (ends, other, third)]
    faces = np.stack([np.stack(side, 1) for side in sides], 1)
    stl(path, faces.reshape(-1, 3, 3))


@hostile(".stl")
def tetrahedra_strewn(path: Path) -> None:
    """5,000 small tetrahedra that lie in each other's way."""
    _strewn(path, 5000, 60)


@hostile(".stl")
def tetrahedra_in_a_heap(path: Path) -> None:
    """As many as a part has at most that has no process of its own."""
    _strewn(path, 1250, 10)


def _strewn(path: Path, count: int, room: float) -> None:
    rng = np.random.default_rng(2)
    base = rng.uniform(0, room, (count, 1, 3))
    a, b, c, d = np.moveaxis(base + rng.uniform(0, 6, (count, 4, 3)), 1, 0)
    volume = np.einsum("ij,ij->i", b - a, np.cross(c - a, d - a))
    c[volume < 0], d[volume < 0] = d[volume < 0], c[volume < 0]
    faces = np.stack(
        [np.stack(side, 1) for side in ((a, c, b), (a, b, d), (b, c, d), (a, d, c))], 1
    )
    stl(path, faces.reshape(-1, 3, 3))


@hostile(".stl")
def checkerboard(path: Path) -> None:
    """Every second of 30 by 30 by 30 cubes: they touch along edges."""
    at = np.array(list(itertools.product(range(30), repeat=3)), float)
    stl(path, cubes(at[at.sum(axis=1) % 2 == 0] * 2.0, 2.0))


@hostile(".stl")
def overlapping_boxes(path: Path) -> None:
    rng = np.random.default_rng(3)
    stl(path, cubes(rng.uniform(0, 20, (1000, 3)), rng.uniform(5, 25, (1000, 3))))


@hostile(".stl")
def spiral(path: Path) -> None:
    """A wall of 0.4 mm in 1,000 turns."""
    turn = np.linspace(2 * math.pi, 2 * math.pi * 1001, 45_001)
    ways = [0.8 / (2 * math.pi) * turn + side for side in (0.2, -0.2)]
    out, back = (np.column_stack([way * np.cos(turn), way * np.sin(turn)]) for way in ways)
    outer, inner = map(tuple, out), map(tuple, back[::-1])
    faces = _ribbon(list(outer), list(inner)[::-1], 2.0)
    stl(path, faces)


def _ribbon(one: list[tuple[float, float]], other: list[tuple[float, float]], z: float) -> Faces:
    """A wall of the height z between two lines; the first is on its right."""
    first, second = np.array(one), np.array(other)
    corners = [
        np.column_stack([line, np.full(len(line), h)]) for line in (first, second) for h in (0, z)
    ]
    a, a_up, b, b_up = corners

    def strip(low: Faces, high: Faces) -> Faces:
        quads = low[:-1], low[1:], high[1:], high[:-1]
        p, q, r, s = quads
        return np.concatenate([np.stack([p, q, r], 1), np.stack([p, r, s], 1)])

    ends = [[a[0], a_up[0], b_up[0]], [a[0], b_up[0], b[0]]]
    ends += [[a[-1], b_up[-1], a_up[-1]], [a[-1], b[-1], b_up[-1]]]
    return np.concatenate([strip(a, a_up), strip(b_up, b), strip(a_up, b_up), strip(b, a), ends])


@hostile(".stl")
def comb(path: Path) -> None:
    """20,000 teeth, each 0.4 mm wide."""
    count = 20_000
    last = 4 * count
    outline: list[tuple[float, float]] = []
    ends: list[tuple[int, ...]] = []
    for at in range(count):  # a gap, then a tooth that hangs down to -10
        x, a = at * 0.8, 4 * at
        outline += [(x, 0.0), (x + 0.4, 0.0), (x + 0.4, -10.0), (x + 0.8, -10.0)]
        ends += [(a + 2, a + 3, a + 4), (a + 2, a + 4, a + 1)]
        ends += [(last + 2, a, a + 1), (last + 2, a + 1, a + 4)]
    outline += [(count * 0.8, 0.0), (count * 0.8, 2.0), (0.0, 2.0)]
    ends.append((last + 2, last, last + 1))
    stl(path, extruded(outline, 5.0, ends))


@hostile(".stl")
def spikes(path: Path) -> None:
    """A disc with 40,000 spikes."""
    count = 80_000
    turn = np.linspace(0, 2 * math.pi, count + 1)[:-1]
    radius = np.where(np.arange(count) % 2, 55.0, 60.0)
    outline = list(zip(radius * np.cos(turn), radius * np.sin(turn), strict=True))
    tips = [((at - 1) % count, at, at + 1) for at in range(0, count, 2)]
    inner = [(1, at, at + 2) for at in range(3, count - 2, 2)]
    stl(path, extruded(outline, 3.0, [*tips, *inner]))


@hostile(".stl")
def thin_cone(path: Path) -> None:
    """A cone of 60 sides, 2 mm across and 900 mm high."""
    stl(path, of(m3.Manifold.cylinder(900, 1, 0.01, 60)))


@hostile(".stl")
def few_triangles_over_65_metres(path: Path) -> None:
    stl(path, of(m3.Manifold.cylinder(65_000, 300, 20_000, 48)))


@hostile(".stl")
def flat_over_65_metres(path: Path) -> None:
    rng = np.random.default_rng(4)
    low = np.column_stack([rng.uniform(0, 65_000, (200, 2)), np.zeros(200)])
    stl(path, cubes(low, np.array([30_000, 1.0, 100.0])))


@hostile(".stl")
def over_nine_kilometres(path: Path) -> None:
    stl(path, of(m3.Manifold.cube([1, 1, 9e6])))


@hostile(".stl")
def wide_over_nine_kilometres(path: Path) -> None:
    stl(path, of(m3.Manifold.cylinder(20, 4.5e6, 4.4e6, 100).translate([0, 0, 0])))


@hostile(".stl")
def two_million_layers(path: Path) -> None:
    stl(path, of(m3.Manifold.cylinder(400_000, 10, 10, 100)))


@hostile(".stl")
def sponge(path: Path) -> None:
    """A cube with square holes in every side and in every cube that is left, four times over."""
    cells = np.zeros((1, 3), int)
    keep = [one for one in itertools.product(range(3), repeat=3) if one.count(1) < 2]
    for _ in range(4):
        cells = (cells[:, None] * 3 + np.array(keep)[None]).reshape(-1, 3)
    full = np.zeros((83, 83, 83), bool)
    full[tuple(cells.T + 1)] = True
    faces = []
    for axis, sign in itertools.product(range(3), (-1, 1)):
        open_side = full & ~np.roll(full, -sign, axis)
        at = np.argwhere(open_side).astype(float)
        normals = np.cross(CUBE[:, 1] - CUBE[:, 0], CUBE[:, 2] - CUBE[:, 0])
        side = CUBE[normals[:, axis] == sign]
        faces.append((side[None] + at[:, None, None]).reshape(-1, 3, 3))
    stl(path, np.concatenate(faces))


@hostile(".stl")
def noise(path: Path) -> None:
    """80,000 triangles anywhere."""
    rng = np.random.default_rng(5)
    at = rng.uniform(0, 100, (80_000, 1, 3))
    stl(path, at + rng.normal(0, 2, (80_000, 3, 3)))


@hostile(".stl")
def large_noise(path: Path) -> None:
    """4,000 triangles, each through all of the part."""
    stl(path, np.random.default_rng(6).uniform(0, 100, (4000, 3, 3)))


@hostile(".stl")
def mutated(path: Path) -> None:
    """A box of many facets in which bits of some coordinates are turned over."""
    faces = of(m3.Manifold.cube([40, 30, 20]).refine(40)).astype("<f4")
    bits = faces.view("<u4").ravel()
    chance = random.Random(7)
    for _ in range(300):
        bits[chance.randrange(len(bits))] ^= 1 << chance.randrange(18, 27)
    faces[~np.isfinite(faces)] = 0
    stl(path, np.clip(faces, -1000, 1000).astype(float))


@hostile(".stl")
def flat_cone(path: Path) -> None:
    """Far wider than its lowest section, as its rim lies below the middle of the first layer."""
    stl(path, of(m3.Manifold.cylinder(0.6, 60, 0.4, 64)))


@hostile(".step")
def ball_the_size_of_a_house(path: Path) -> None:
    """A ball of 10 m asks for five million facets and more that lie no more than 0.01 mm off it."""
    ball = (Path(__file__).parent / "steps/ball.step").read_bytes()
    path.write_bytes(ball.replace(b".MILLI.,.METRE.", b"$,.METRE."))
