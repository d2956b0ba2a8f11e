import importlib
import os
import stat
import struct

import numpy as np
import pytest

from wallguard.base.errors import InputError
from wallguard.base.formats import MESH_FORMATS, PART_SUFFIXES
from wallguard.base.units import MILLIMETRES
from wallguard.mesh.read import read_mesh

CORNERS = [[(0, 0, 0), (0, 1, 0), (1, 0, 0)], [(0, 0, 0), (1, 0, 0), (0, 0, 1)]]
CORNERS += [[(0, 0, 0), (0, 0, 1), (0, 1, 0)], [(1, 0, 0), (0, 1, 0), (0, 0, 1)]]


def binary_stl(corners=CORNERS, count=None, head=b""):
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *np.ravel(each), 0) for each in corners)
    return head.ljust(80) + struct.pack("<I", len(corners) if count is None else count) + body


def problem(path, **options):
    with pytest.raises(InputError) as caught:
        read_mesh(path, **options)
    assert str(caught.value).startswith(str(path))
    return str(caught.value)


@pytest.fixture
def part(tmp_path):
    path = tmp_path / "part.stl"
    path.write_bytes(binary_stl())
    return path


def test_reads_by_suffix_in_any_case(part):
    upper = part.rename(part.with_suffix(".STL"))
    assert read_mesh(upper).triangles.shape == (4, 3)
    assert read_mesh(upper).vertices.shape == (4, 3)


@pytest.mark.parametrize("name", MESH_FORMATS)
def test_every_format_of_the_table_has_a_module(name):
    assert callable(importlib.import_module(f"wallguard.mesh.formats.{name}").read)


def test_unknown_suffix(tmp_path):
    assert "'.txt' are not read" in problem(tmp_path / "part.txt")
    assert "no suffix" in problem(tmp_path / "part")


@pytest.mark.parametrize("unit", MILLIMETRES)
def test_unit_of_the_repository_scales_to_mm(part, unit):
    mesh = read_mesh(part, unit=unit)
    assert mesh.vertices.max() == MILLIMETRES[unit]
    assert (mesh.unit, mesh.unit_source) == (unit, "repository")


def test_unit_is_mm_by_default(part):
    assert (read_mesh(part).unit, read_mesh(part).unit_source) == ("mm", "default")


def test_missing_directory_empty(tmp_path):
    assert "there is no such file" in problem(tmp_path / "no.stl")
    (tmp_path / "folder.stl").mkdir()
    assert "this is a folder. Name a mesh file" in problem(tmp_path / "folder.stl")
    (tmp_path / "empty.stl").touch()
    assert "is empty" in problem(tmp_path / "empty.stl")
    assert "cannot be read" in problem(tmp_path / f"{'x' * 300}.stl")


def test_pipe_does_not_block(tmp_path):
    os.mkfifo(tmp_path / "pipe.stl")
    assert "not a regular file" in problem(tmp_path / "pipe.stl")


def test_device(tmp_path):
    (tmp_path / "zero.stl").symlink_to("/dev/zero")
    assert "not a regular file" in problem(tmp_path / "zero.stl")


def test_no_permission(part):
    part.chmod(0)
    if os.access(part, os.R_OK):  # root reads everything
        part.chmod(stat.S_IRUSR)
        pytest.skip("this user may read any file")
    assert "no permission" in problem(part)


def test_link_out_of_the_repository(tmp_path, part):
    root = tmp_path / "repository"
    root.mkdir()
    (root / "out.stl").symlink_to(part)
    assert "outside the repository" in problem(root / "out.stl", root=root)
    assert "outside the repository" in problem(root / ".." / "part.stl", root=root)
    (root / "in.stl").write_bytes(part.read_bytes())
    (root / "link.stl").symlink_to("in.stl")
    assert len(read_mesh(root / "link.stl", root=root).triangles) == 4


def test_links_in_a_ring(tmp_path):
    (tmp_path / "a.stl").symlink_to("b.stl")
    (tmp_path / "b.stl").symlink_to("a.stl")
    assert "cannot be read: its links lead in a ring" in problem(tmp_path / "a.stl")


@pytest.mark.parametrize("suffix", PART_SUFFIXES)
def test_lfs_pointer_says_how_to_fetch(tmp_path, suffix):
    path = tmp_path / f"part{suffix}"
    path.write_text("version https://git-lfs.github.com/spec/v1\noid sha256:0\nsize 12345\n")
    assert "git lfs pull" in problem(path)


def test_size_limit(part, monkeypatch):
    monkeypatch.setattr("wallguard.mesh.content.MAX_BYTES", 100)
    assert "larger than 0 kB" in problem(part)
    assert "coarser facets" in problem(part)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_not_finite_names_the_triangle(part, value):
    corners = [*CORNERS[:2], [(0, 0, value), (0, 1, 0), (1, 0, 0)]]
    part.write_bytes(binary_stl(corners))
    assert "triangle 3 has a coordinate that is not a number" in problem(part)


def test_huge_coordinates_depend_on_the_unit(part):
    part.write_bytes(binary_stl(np.array(CORNERS) * 5e6))
    assert read_mesh(part).vertices.max() == 5e6
    assert "triangle 1 lies beyond 10 km" in problem(part, unit="cm")


def test_what_the_files_precision_loses_far_from_the_origin_is_known(part, tmp_path):
    """IEEE 754: single precision has 24 bits, so 1 mm above 2^23 mm (8.4 km); a text of six digits
    after the point ends there as well, and one without an exponent may be exact."""
    far = np.array(CORNERS) * 10 + 9e6
    part.write_bytes(binary_stl(far))
    assert read_mesh(part).step == 1
    assert read_mesh(part, unit="micrometre").step == pytest.approx(1e-3)
    part.write_bytes(binary_stl(np.array(CORNERS) * 100))
    assert read_mesh(part).step < 1e-5

    def step(name, text):
        (tmp_path / name).write_text(text)
        return read_mesh(tmp_path / name).step

    for form, lost in (("{:.6e}", 1.0), ("{:.5e}", 10.0), ("{:.1f}", 0)):
        shown = [["v " + " ".join(map(form.format, each)) for each in face] for face in far]
        lines = [line for face in shown for line in face]
        faces = [f"f {3 * at + 1} {3 * at + 2} {3 * at + 3}" for at in range(4)]
        assert step("far.obj", "\n".join([*lines, *faces])) == lost
        loops = [
            "facet normal 0 0 1 outer loop "
            + " ".join(line.replace("v ", "vertex ") for line in face)
            + " endloop endfacet"
            for face in shown
        ]
        assert step("far.stl", "solid\n" + "\n".join(loops) + "\nendsolid\n") == lost


def test_zero_triangles(part):
    part.write_bytes(binary_stl([]))
    assert "no triangles" in problem(part)


def test_noise_around_zero_is_welded(part):
    # Many programs write one corner as 1e-9 here and as -3e-10 there.
    corners = np.array(CORNERS, float) * 10
    noise = np.random.default_rng(1).uniform(-1e-9, 1e-9, corners.shape)
    part.write_bytes(binary_stl(corners + noise))
    assert len(read_mesh(part).vertices) == 4


@pytest.mark.parametrize(
    "name",
    [
        "1002_tray_bottom.STL",
        "angle_block.STL",
        "box.3mf",
        "busted.STL",
        "cube_gears.3mf",
        "cycloidal.ply",
        "featuretype.3MF",
        "featuretype.STL",
        "octagonal_pocket.stl",
        "plate_holes.STL",
    ],
)
def test_real_meshes_agree_with_trimesh(real, name):
    """trimesh is the independent reader; it keeps the file's unit."""
    trimesh = pytest.importorskip("trimesh")
    theirs = trimesh.load_scene(real(name)).to_mesh()
    ours = read_mesh(real(name))
    vertices = ours.vertices / MILLIMETRES[ours.unit]
    assert ours.triangles.shape == theirs.faces.shape
    assert len(vertices) == len(theirs.vertices)
    assert np.ptp(vertices, axis=0) == pytest.approx(theirs.extents, rel=1e-12)
    a, b, c = (vertices[ours.triangles[:, i]] for i in range(3))
    volume = np.einsum("ij,ij->", a, np.cross(b, c)) / 6
    assert volume == pytest.approx(theirs.volume, rel=1e-9)


def test_real_mesh_without_triangles(real):
    assert "no triangles" in problem(real("empty.stl"))


def test_real_part_in_inches(real):
    mesh = read_mesh(real("featuretype.3MF"))
    assert (mesh.unit, mesh.unit_source) == ("inch", "format")
    assert np.ptp(mesh.vertices, axis=0) == pytest.approx([127.0, 63.5, 34.925])
    same = read_mesh(real("featuretype.STL"), unit="inch")
    assert np.ptp(same.vertices, axis=0) == pytest.approx([127.0, 63.5, 34.925])
