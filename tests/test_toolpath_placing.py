"""Where a part lies on the plate, from what is laid."""

import numpy as np
import pytest
import shapely
from solids import box, mesh
from toolpaths import Program, bar

from wallguard.base.errors import InputError
from wallguard.base.rotation import UPRIGHT
from wallguard.mesh.health import examine
from wallguard.part.geometry import Geometry
from wallguard.toolpath import placing
from wallguard.toolpath.beads import beads
from wallguard.toolpath.placing import find_places
from wallguard.toolpath.reader import read_toolpath

W, LAYERS = 0.45, 8
# An L: no turn of it is the same.
OUTLINE = shapely.union(shapely.box(0, 0, 40, 1.2), shapely.box(0, 0, 2.0, 25))
HEIGHT = LAYERS * 0.2


def part(scale=1.0):
    solid = box([40, 1.2, HEIGHT]) + box([2.0, 25, HEIGHT])
    found = mesh(solid.scale([scale] * 3))
    return Geometry(found, examine(found), UPRIGHT, 1.0)


def program(**options):
    made = Program(**options)
    for number in range(LAYERS):
        made.layer(number)
        made.loops(OUTLINE, 1)
    return made


def places(tmp_path, made, geometry=None, **options):
    path = tmp_path / "program.gcode"
    path.write_text(made if isinstance(made, str) else made.text())
    laid = beads(read_toolpath(path))
    return find_places(geometry or part(), laid, part="part.stl", path=path, **options).copies


@pytest.mark.parametrize(
    ("turns", "shift"),
    [(0, (0, 0)), (1, (-33.333, 12.345)), (2, (150.07, 99.99)), (3, (0.007, -12.5))],
)
def test_shifts_and_quarter_turns(tmp_path, turns, shift):
    (found,) = places(tmp_path, program(shift=shift, turns=turns))
    assert found.angle == 90 * turns
    assert found.shift == pytest.approx(shift, abs=0.02)
    assert found.outline > 0.95
    assert found.inside > 0.99
    points = np.array([[1.0, 2.0], [30.0, -4.0]])
    assert found.to_part(found.to_plate(points)) == pytest.approx(points)


def test_thicker_beads_on_both_sides_do_not_move_it(tmp_path):
    made = Program(shift=(30, 20))
    for number in range(LAYERS):
        made.layer(number)
        made.loops(OUTLINE.buffer(0.1, join_style="mitre"), 1)
    (found,) = places(tmp_path, made)
    assert found.shift == pytest.approx((30, 20), abs=0.02)


def test_skirt_brim_and_another_part_do_not_matter(tmp_path):
    made = Program()
    for number in range(LAYERS):
        made.layer(number)
        made.shift = (70, 80)
        if number == 0:
            made.skirt(OUTLINE)
            made.brim(OUTLINE)
        made.loops(OUTLINE, 1)
        made.shift = (150, 40)
        made.loops(bar(20, 20), 3)
    (found,) = places(tmp_path, made)
    assert found.shift == pytest.approx((70, 80), abs=0.02)


def test_copies_in_a_row_and_turned(tmp_path):
    made = Program()
    lying = [((20, 20), 0), ((20, 60), 0), ((120, 20), 1), ((120, 110), 2), ((20.5, 100), 0)]
    for number in range(LAYERS):
        made.layer(number)
        for made.shift, made.turns in lying:
            made.loops(OUTLINE, 1)
    found = places(tmp_path, made)
    told = sorted((round(place.angle / 90), *np.round(place.shift, 1)) for place in found)
    assert told == sorted((turns, *map(float, shift)) for shift, turns in lying)


def test_a_comb_is_one_part_and_not_several_shifted_ones(tmp_path):
    teeth = shapely.union_all([shapely.box(4 * k, 0, 4 * k + 1.2, 20) for k in range(12)])
    outline = shapely.union(teeth, shapely.box(0, 0, 45.2, 2))
    solid = box([45.2, 2, HEIGHT])
    for k in range(12):
        solid += box([1.2, 20, HEIGHT], [4 * k, 0, 0])
    found = mesh(solid)
    made = Program(shift=(50, 50))
    for number in range(LAYERS):
        made.layer(number)
        made.loops(outline, 1)
    (place,) = places(tmp_path, made, Geometry(found, examine(found), UPRIGHT, 1.0))
    assert place.shift == pytest.approx((50, 50), abs=0.02)


def test_a_place_can_be_given(tmp_path):
    made = program(shift=(20, 20))
    for number in range(LAYERS):
        made.z = number * 0.2
        made.layer(number)
        made.shift = (90, 70)
        made.loops(OUTLINE, 1)
    (found,) = places(tmp_path, made, at=(110.3, 82.0))
    assert found.shift == pytest.approx((90, 70), abs=0.02)
    with pytest.raises(InputError, match="nowhere the part's outline"):
        places(tmp_path, made, at=(60.0, 140.0))


def test_another_scale_is_named(tmp_path):
    with pytest.raises(InputError) as error:
        places(tmp_path, program(), part(scale=1.25))
    assert "40.0 × 25.0 × 1.6 mm" in str(error.value)
    assert "50.0 × 31.2 × 2.0 mm" in str(error.value)
    assert "0.8 times the size" in str(error.value)


def test_another_orientation_is_named(tmp_path):
    solid = (box([40, 1.2, HEIGHT]) + box([2.0, 25, HEIGHT])).rotate([90, 0, 0])
    found = mesh(solid)
    with pytest.raises(InputError, match="lying otherwise"):
        places(tmp_path, program(), Geometry(found, examine(found), UPRIGHT, 1.0))


def test_another_part_is_refused(tmp_path):
    found = mesh(box([33, 21, HEIGHT]) - box([25, 15, HEIGHT], [4, 3, 0]))
    with pytest.raises(InputError, match="another part") as error:
        places(tmp_path, program(), Geometry(found, examine(found), UPRIGHT, 1.0))
    assert "33.0 × 21.0 × 1.6 mm as printed" in str(error.value)


@pytest.mark.parametrize("height", [0.8, 3.0])
def test_another_height_is_refused(tmp_path, height):
    solid = box([40, 12, height])
    made = Program()
    for number in range(LAYERS):
        made.layer(number)
        made.loops(shapely.box(0, 0, 40, 12), 14)
    found = mesh(solid)
    with pytest.raises(InputError, match=r"height of 1\.60 mm"):
        places(tmp_path, made, Geometry(found, examine(found), UPRIGHT, 1.0))


# Grown outlines, turns, rafts, what is no copy


def comb(count=12, pitch=4.0):
    """Teeth of one thickness at one pitch on a spine, its outline and its solid."""
    length = pitch * (count - 1) + 1.2
    teeth = [shapely.box(pitch * k, 0, pitch * k + 1.2, 20) for k in range(count)]
    solid = box([length, 2, HEIGHT])
    for k in range(count):
        solid += box([1.2, 20, HEIGHT], [pitch * k, 0, 0])
    found = mesh(solid)
    outline = shapely.union_all([*teeth, shapely.box(0, 0, length, 2)])
    return outline, Geometry(found, examine(found), UPRIGHT, 1.0)


@pytest.mark.parametrize(
    ("pitch", "grown"), [(2.4, -0.05), (3.0, 0.1), (4.0, 0.2), (2.4, 0.3), (4.0, 0.3)]
)
def test_a_grown_outline_is_not_placed_a_wall_further(tmp_path, pitch, grown):
    outline, geometry = comb(pitch=pitch)
    made = Program(shift=(50, 50))
    for number in range(LAYERS):
        made.layer(number)
        made.loops(outline.buffer(grown, join_style="mitre"), 1)
    (place,) = places(tmp_path, made, geometry)
    assert place.shift == pytest.approx((50, 50), abs=0.02)
    assert place.grown == pytest.approx(grown, abs=0.02)
    assert place.agrees > 0.9


def turned_program(outline, angle, shift=(60, 50)):
    turned = shapely.affinity.rotate(outline, angle, origin=(0, 0))
    made = Program(shift=shift)
    for number in range(LAYERS):
        made.layer(number)
        made.loops(turned, 1)
    return made


@pytest.mark.parametrize("angle", [0.4, 45, 123.4, 300])
def test_any_angle_is_found(tmp_path, angle):
    (found,) = places(tmp_path, turned_program(OUTLINE, angle))
    assert found.angle == pytest.approx(angle, abs=0.02)
    assert found.shift == pytest.approx((60, 50), abs=0.03)
    assert found.outline > 0.95
    assert f"turned by {angle:g}°" in found.words()


@pytest.mark.parametrize("gap", [0.0, 0.1, 0.3])
def test_a_part_on_a_raft(tmp_path, gap):
    made = Program(shift=(30, 20))
    ground = OUTLINE.buffer(4)
    low, bottom, high, top = ground.bounds
    for number in range(3):
        made.layer(number)
        for x in np.arange(low, high, 1.0):
            line = shapely.LineString([(x, bottom), (x, top)]).intersection(ground)
            for piece in getattr(line, "geoms", [line]):
                made.path(list(piece.coords))
    for number in range(LAYERS):
        made.z = 0.6 + gap + number * 0.2
        made.layer(0, height=0.2)
        made.loops(OUTLINE, 1)
    (found,) = places(tmp_path, made)
    assert found.raised == pytest.approx(0.6 + gap, abs=0.01)
    assert found.shift == pytest.approx((30, 20), abs=0.02)


def test_a_taller_part_is_no_part_on_a_raft(tmp_path):
    made = Program()
    for number in range(2 * LAYERS):
        made.layer(number)
        made.loops(OUTLINE, 1)
    with pytest.raises(InputError, match="it goes on to a height"):
        places(tmp_path, made)


def with_others(tmp_path, other):
    """The part, and another outline beside it, laid by one loop each."""
    made = Program()
    for number in range(LAYERS):
        made.layer(number)
        made.shift = (20, 20)
        made.loops(OUTLINE, 1)
        made.shift = (90, 20)
        made.loops(other, 1)
    path = tmp_path / "toolpath.gcode"
    path.write_text(made.text())
    return find_places(part(), beads(read_toolpath(path)), part="part.stl", path=path)


@pytest.mark.parametrize(
    "other",
    [
        shapely.union(shapely.box(0, 0, 42, 1.2), shapely.box(0, 0, 2.0, 25)),
        shapely.union(shapely.box(0, 0, 40, 1.2), shapely.box(0, 0, 2.0, 23)),
        shapely.union(OUTLINE, shapely.box(15, 0, 17, 12)),
    ],
)
def test_a_similar_part_is_no_copy(tmp_path, other):
    copies, remarks = with_others(tmp_path, other)
    assert [tuple(np.round(place.shift, 1)) for place in copies] == [(20, 20)]
    assert all("no copy of it" in remark for remark in remarks)


def test_a_copy_is_a_copy(tmp_path):
    copies, remarks = with_others(tmp_path, OUTLINE)
    assert len(copies) == 2
    assert not remarks


def test_inches_in_the_middle_are_no_crash(tmp_path):
    lines = program().text().splitlines()
    lines.insert(len(lines) // 2, "G20")
    path = tmp_path / "toolpath.gcode"
    path.write_text("\n".join(lines))
    laid = beads(read_toolpath(path))
    with pytest.raises(InputError, match="does not make"):
        find_places(part(), laid, part="part.stl", path=path)
    lines.insert(1, "G20")
    path.write_text("\n".join(lines))
    with pytest.raises(InputError, match="does not make"):
        find_places(part(), beads(read_toolpath(path)), part="part.stl", path=path)


def test_places_that_agree_half_are_not_looked_at_by_the_hundred(tmp_path, monkeypatch):
    """Strands metres long: along each of them lies a side of a tube, anywhere."""
    made = Program()
    made.layer(0)
    for inset in (0.225, 0.675):
        a, b = inset, 12 - inset
        made.path([(a, a), (b, a), (b, b), (a, b)], closed=True)
    lines = made.text().splitlines()
    first = next(at for at, line in enumerate(lines) if line.startswith("G1 X"))
    # Inches from there on, and the first of them goes nowhere in x.
    lines[first] = "G20 G1 Y40.225 E0.39"
    path = tmp_path / "toolpath.gcode"
    path.write_text("\n".join([*lines, "G1 Z0.4"]))
    laid = beads(read_toolpath(path))
    tube = mesh(box([12, 12, 0.6]) - box([10.2, 10.2, 9]).translate([0.9, 0.9, -1]))
    geometry = Geometry(tube, examine(tube), UPRIGHT, 1.0)

    looked_at = []
    best = placing._best
    monkeypatch.setattr(placing, "_best", lambda *a: looked_at.append(a) or best(*a))
    with pytest.raises(InputError, match="does not make"):
        find_places(geometry, laid, part="part.stl", path=path)
    # 392 without the limit; each of eight searches has its likeliest besides.
    assert placing._IN_VAIN < len(looked_at) < placing._IN_VAIN + 8 * 4
