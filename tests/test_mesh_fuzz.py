"""Whatever is done to a file, reading it gives a mesh or an InputError, and soon."""

import random

import numpy as np
import pytest
from test_mesh_ply import ascii_ply, binary_ply
from test_mesh_read import CORNERS, binary_stl
from test_mesh_stl import FACET
from test_mesh_threemf import RELATIONSHIPS, model, package

from wallguard.base.errors import InputError
from wallguard.mesh.health import examine
from wallguard.mesh.read import read_mesh
from wallguard.mesh.repair import solid

OBJ = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nf 1 3 2\nf 1 2 4\nf 1/1 4/2 -2/3\nf 2 3 4\n"
SMALL = {
    "binary.stl": binary_stl(),
    "ascii.stl": b"solid a\n" + FACET * 3 + b"endsolid a\n",
    "part.3mf": package(model()),
    "part.obj": OBJ,
    "ascii.ply": ascii_ply("3 0 2 1\n4 0 1 2 3\n", 2),
    "little.ply": binary_ply("<", [(0, 1, 2), (0, 1, 2, 3)]),
    "big.ply": binary_ply(">", [(0, 1, 2), (2, 3, 0)]),
}
REAL = ["angle_block.STL", "box.3mf", "featuretype.3MF", "multibody.stl", "plate_holes.STL"]


def survives(path, data):
    """Read, examine and mend; how many times it got as far as a mesh (0 or 1)."""
    path.unlink(missing_ok=True)  # some file systems wait for the disk where a file is written anew
    path.write_bytes(data)
    try:
        mesh = read_mesh(path)
    except InputError as error:
        assert len(str(error)) < 1000
        return 0
    assert np.isfinite(mesh.vertices).all()
    assert 0 <= mesh.triangles.min() <= mesh.triangles.max() < len(mesh.vertices)
    solid(mesh, examine(mesh))
    return 1


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("name", SMALL)
def test_every_truncation_of_small_files(tmp_path, name):
    data = SMALL[name]
    assert survives(tmp_path / name, data) == 1
    whole = sum(survives(tmp_path / name, data[:size]) for size in range(len(data)))
    assert whole < len(data) / 2


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("name", SMALL)
def test_flipped_bytes_of_small_files(tmp_path, name):
    rng = random.Random(5)
    outcomes = []
    for _ in range(300):
        data = bytearray(SMALL[name])
        for _ in range(rng.randint(1, 4)):
            data[rng.randrange(len(data))] = rng.choice([rng.randrange(256), *b"0-9eE \n"])
        outcomes.append(survives(tmp_path / name, bytes(data)))
    assert 0 < sum(outcomes) < len(outcomes)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("inside", ["_rels/.rels", "3D/3dmodel.model"])
def test_flipped_bytes_within_the_zip(tmp_path, inside):
    rng = random.Random(6)
    parts = {
        "_rels/.rels": RELATIONSHIPS.format(target="/3D/3dmodel.model").encode(),
        "3D/3dmodel.model": model().encode(),
    }
    outcomes = []
    for _ in range(300):
        data = bytearray(parts[inside])
        for _ in range(rng.randint(1, 3)):
            data[rng.randrange(len(data))] = rng.choice(b'0-9eE<>"&/ ')
        outcomes.append(survives(tmp_path / "part.3mf", package(**{**parts, inside: bytes(data)})))
    assert 0 < sum(outcomes) < len(outcomes)


@pytest.mark.parametrize("name", REAL)
def test_real_files_cut_short_or_damaged(real, tmp_path, name):
    data = real(name).read_bytes()
    rng = random.Random(7)
    for share in (0.0, 0.001, 0.01, 0.3, 0.5, 0.9, 0.999):
        assert survives(tmp_path / name, data[: int(share * len(data))]) == 0
    for _ in range(15):
        damaged = bytearray(data)
        for _ in range(rng.randint(1, 20)):
            damaged[rng.randrange(len(damaged))] = rng.randrange(256)
        assert survives(tmp_path / name, bytes(damaged)) in (0, 1)


def test_random_triangles_between_few_points(tmp_path):
    rng = np.random.default_rng(8)
    points = rng.integers(0, 3, (27, 3))
    for _ in range(60):
        faces = points[rng.integers(0, 27, (int(rng.integers(4, 60)), 3))]
        assert survives(tmp_path / "soup.stl", binary_stl([*faces.tolist(), *CORNERS])) == 1
