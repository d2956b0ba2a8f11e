import numpy as np
import pytest

from wallguard.mesh.mesh import Mesh
from wallguard.mesh.read import read_mesh
from wallguard.mesh.scale_hint import suspect_size

PRINTER = (250.0, 210.0, 200.0)


def block(*size, unit="mm", source="default"):
    corners = np.array([[0.0, 0, 0], size])
    return Mesh(corners, np.zeros((1, 3), np.int32), unit, source)


def suspect_unit(mesh, build_volume=None, scale=1.0):
    drawn = tuple(float(np.ptp(column)) for column in mesh.vertices.T)
    return suspect_size(drawn, (mesh.unit, mesh.unit_source), build_volume, scale)


def units(hint):
    return [unit for unit, _ in hint.candidates]


def test_a_block_1_3_mm_long():
    hint = suspect_unit(block(1.3, 0.8, 0.5), PRINTER)
    assert hint.severity == "warn"
    assert units(hint) == ["inch", "cm"]
    assert hint.candidates[0][1] == pytest.approx((33.02, 20.32, 12.7))
    assert hint.message.startswith("the part is 1.3 × 0.8 × 0.5 mm (no unit is stated, so mm")
    assert "33 × 20.3 × 12.7 mm if drawn in inches" in hint.message
    assert "`unit: inch`" in hint.advice
    assert "`unit: mm` there says so" in hint.advice


def test_a_part_in_metres():
    assert units(suspect_unit(block(0.12, 0.08, 0.02), PRINTER))[0] == "m"


@pytest.mark.parametrize("size", [(100, 60, 30), (203.2, 50, 12.7), (75, 75, 10)])
def test_25_4_times_too_small(size):
    hint = suspect_unit(block(*np.float32(np.array(size) / 25.4)), PRINTER)
    assert units(hint)[0] == "inch"
    assert hint.candidates[0][1] == pytest.approx(size)


def test_25_4_times_too_large():
    hint = suspect_unit(block(2540, 1270, 254, unit="inch", source="repository"), PRINTER)
    assert units(hint)[0] == "mm"
    assert hint.candidates[0][1] == pytest.approx((100, 50, 10))
    assert hint.severity == "note"
    assert "wallguard.yaml says inch" in hint.message


@pytest.mark.parametrize(
    "size",
    [
        (3.0, 3.0, 1.0),
        (5.0, 2.5, 2.0),
        (5.5, 5.5, 5.0),  # an M3 nut
        (6.37, 4.21, 1.93),
        (8, 8, 7.2),
        (10, 10, 0.2),
        (19.05, 12.7, 6.35),  # inches, and rightly taken to mm
        (100, 60, 30),
        (400, 60, 30),  # larger than the printer is no question of the unit
        (24.6, 13.1, 8.4),
    ],
)
def test_no_alarm_on_honest_parts(size):
    assert suspect_unit(block(*size), PRINTER) is None
    assert suspect_unit(block(*size)) is None


def test_whoever_states_the_unit_is_believed():
    for source in ("format", "repository"):
        assert suspect_unit(block(1.3, 0.8, 0.5, source=source), PRINTER) is None
        assert suspect_unit(block(5, 2.5, 1.375, source=source), PRINTER) is None
        absurd = suspect_unit(block(0.3, 0.2, 0.2, source=source), PRINTER)
        assert absurd.severity == "note"
    assert (
        "export the part in its true unit"
        in suspect_unit(block(0.3, 0.2, 0.2, source="format"), PRINTER).advice
    )


def test_scale_of_the_repository_counts():
    building = block(60_000, 40_000, 25_000)
    assert suspect_unit(building, PRINTER, scale=1 / 500) is None
    assert suspect_unit(block(1.3, 0.8, 0.5), PRINTER, scale=25.4) is None


def test_a_long_part_is_told_in_whole_mm():
    hint = suspect_unit(block(20, 20, 20_000), PRINTER)
    assert hint.message.startswith("the part is 20 × 20 × 20000 mm")


def test_nothing_explains_the_size():
    assert suspect_unit(block(1e-5, 1e-5, 1e-5), PRINTER) is None
    assert suspect_unit(block(0, 0, 0), PRINTER) is None


@pytest.mark.parametrize(
    ("name", "first"),
    [
        ("angle_block.STL", "inch"),
        ("featuretype.STL", "inch"),
        ("octagonal_pocket.stl", "m"),
        ("cycloidal.ply", "inch"),
        ("multibody.stl", "inch"),
    ],
)
def test_real_parts_in_other_units(real, name, first):
    assert units(suspect_unit(read_mesh(real(name)), PRINTER))[0] == first


@pytest.mark.parametrize(
    "name",
    ["box.3mf", "busted.STL", "cube_gears.3mf", "featuretype.3MF", "plate_holes.STL"],
)
def test_real_parts_in_mm(real, name):
    assert suspect_unit(read_mesh(real(name)), PRINTER) is None
