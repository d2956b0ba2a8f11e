"""Walls of known beads: what is laid is known because the test lays it."""

import math

import mecode
import numpy as np
import pytest
import shapely
from shapely.geometry.polygon import orient
from solids import box, mesh, prism, tube
from toolpaths import Program, bar, feed

from wallguard.base.rotation import UPRIGHT
from wallguard.mesh.health import examine
from wallguard.part.geometry import Geometry
from wallguard.toolpath.beads import beads
from wallguard.toolpath.comparison import compare
from wallguard.toolpath.placement import Placement
from wallguard.toolpath.placing import find_places
from wallguard.toolpath.reader import read_toolpath

W, LAYERS = 0.45, 8


def geometry(solid):
    found = mesh(solid)
    return Geometry(found, examine(found), UPRIGHT, 1.0)


def read(tmp_path, text):
    path = tmp_path / "program.gcode"
    path.write_text(text)
    return beads(read_toolpath(path))


def found_walls(tmp_path, solid, text, **options):
    """The walls of every copy that is found on the plate, as the comparison finds them."""
    laid, part = read(tmp_path, text), geometry(solid)
    places = find_places(part, laid, part="part.stl", path=tmp_path).copies
    return [list(compare(part, laid, place, **options).walls) for place in places]


def walls(tmp_path, solid, text, **options):
    """The walls of the one copy, which lies where a `Program` lays it by itself."""
    laid, part = read(tmp_path, text), geometry(solid)
    place = Placement(0.0, (50.0, 40.0), 0.0, (50.0, 40.0))
    return [list(compare(part, laid, place, **options).walls)]


def one_wall(tmp_path, solid, text, **options):
    ((wall,),) = walls(tmp_path, solid, text, **options)
    return wall


def lay(program, outline, count, void, *, width=W):
    """Beads across a straight wall about the origin along x: `count`, with `void` mm of air.

    An even count leaves the air in the middle, an odd one beside the middle bead."""
    program.loops(outline, count // 2, width=width)
    if count % 2:
        low, _, high, _ = outline.bounds
        end = width / 2 + (width if count > 1 else 0)
        program.path([(low + end, 0), (high - end, 0)], width=width)


def slab(length, thickness, height=LAYERS * 0.2):
    return box([length, thickness, height], [-length / 2, -thickness / 2, 0])


def straight(count, void, **options):
    thickness = count * W + void
    program = Program(**options)
    outline = bar(30, thickness)
    for number in range(LAYERS):
        program.layer(number)
        lay(program, outline, count, void)
    return slab(30, thickness), program, thickness


CASES = [(1, 0.0), (2, 0.0), (2, 0.05), (2, 0.33), (2, 0.6), (3, 0.0), (3, 0.12), (3, 0.6)]
CASES += [(4, 0.0), (4, 0.05), (4, 0.45), (5, 0.3), (6, 0.0), (6, 0.2), (6, 0.6)]


@pytest.mark.parametrize(("count", "void"), CASES)
def test_straight_walls_of_one_to_six_beads(tmp_path, count, void):
    solid, program, thickness = straight(count, void)
    wall = one_wall(tmp_path, solid, program.text(), largest=4.0)
    assert wall.fill == ("hollow" if void else "solid")
    assert wall.air == pytest.approx(void, abs=0.02)
    assert wall.printed == pytest.approx(thickness, abs=0.03)
    assert wall.bead == pytest.approx(W, abs=0.005)
    assert (wall.stretch.low, wall.stretch.high) == pytest.approx((0.0, LAYERS * 0.2))


def test_two_beads_forced_on_each_other_print_what_their_material_fills(tmp_path):
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        for y in (-0.075, 0.075):
            program.path([(-15, y), (15, y)], width=0.45)
    wall = one_wall(tmp_path, slab(30, 0.6), program.text())
    # Conservation of volume: two beads hold 2 h (w - o), a wall t thick with round ends h (t - o).
    assert wall.fill == "solid"
    assert wall.printed == pytest.approx(2 * 0.45 - 0.2 * (1 - math.pi / 4), abs=0.005)


@pytest.mark.parametrize(
    ("relative", "inch", "turns"),
    [(True, True, 0), (True, False, 1), (False, True, 2), (False, False, 3)],
)
def test_however_it_is_written_and_lies(tmp_path, relative, inch, turns):
    solid, program, _ = straight(
        2, 0.33, relative=relative, inch=inch, turns=turns, shift=(123.456, 78.9)
    )
    ((wall,),) = found_walls(tmp_path, solid, program.text())
    assert (wall.fill, round(wall.air, 2)) == ("hollow", 0.33)


@pytest.mark.parametrize("angle", [10, 27, 45, 61])
def test_slanted_walls(tmp_path, angle):
    outline = shapely.affinity.rotate(bar(30, 1.23), angle, origin=(0, 0))
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        program.loops(outline, 1)
    solid = prism(list(orient(outline).exterior.coords)[:-1], LAYERS * 0.2)
    wall = one_wall(tmp_path, solid, program.text())
    assert wall.fill == "hollow"
    assert wall.air == pytest.approx(0.33, abs=0.02)
    assert wall.printed == pytest.approx(1.23, abs=0.03)


def test_leaning_walls(tmp_path):
    # Leans by 0.1 mm a layer; the section at mid-height is what the layer lays.
    program = Program()
    solid = prism([[-15, -0.6], [15, -0.6], [15, 0.6], [-15, 0.6]], 2.0).transform(
        [[1, 0, 0, 0], [0, 1, 0.5, 0], [0, 0, 1, 0]]
    )
    for number in range(10):
        program.layer(number)
        aside = 0.5 * (number + 0.5) * 0.2
        program.loops(shapely.affinity.translate(bar(30, 1.2), 0, aside), 1)
    wall = one_wall(tmp_path, solid, program.text())
    assert wall.fill == "hollow"
    assert wall.air == pytest.approx(0.3, abs=0.02)
    assert wall.stretch.high - wall.stretch.low == pytest.approx(2.0)


@pytest.mark.parametrize("clockwise", [True, False])
@pytest.mark.parametrize(("count", "void"), [(2, 0.0), (2, 0.06), (2, 0.4), (1, 0.0), (3, 0.5)])
def test_round_walls_laid_in_arcs(tmp_path, clockwise, count, void):
    thickness = count * W + void
    radii = {
        1: [10 - W / 2],
        2: [10 - W / 2, 10 - thickness + W / 2],
        3: [10 - W / 2, 10 - thickness / 2, 10 - thickness + W / 2],
    }[count]
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        for radius in radii:
            program.circle(radius, clockwise=clockwise)
    wall = one_wall(tmp_path, tube(20, thickness, LAYERS * 0.2), program.text())
    assert wall.fill == ("hollow" if void else "solid")
    assert wall.air == pytest.approx(void, abs=0.02)
    assert wall.printed == pytest.approx(thickness, abs=0.03)


def test_programs_of_mecode(tmp_path):
    """mecode (PyPI), a general-purpose G-code writer: two beads with 0.21 mm between."""
    path = tmp_path / "mecode.gcode"
    with path.open("w") as stream:
        g = mecode.G(
            outfile=stream,
            print_lines=False,
            aerotech_include=False,
            extrude=True,
            layer_height=0.2,
            extrusion_width=0.5,
            filament_diameter=1.75,
        )
        g.absolute()
        for number in range(LAYERS):
            g.extrude = False
            g.abs_move(x=20.25, y=30.25)
            g.abs_move(z=0.2 * (number + 1))
            g.extrude = True
            # A closed rectangle: two strands 0.71 mm apart, joined at their ends.
            for x, y in ((49.75, 30.25), (49.75, 30.96), (20.25, 30.96), (20.25, 30.25)):
                g.move(x=x, y=y)
        g.teardown()
    ((wall,),) = found_walls(tmp_path, box([30, 1.21, LAYERS * 0.2]), path.read_text())
    assert (wall.fill, wall.air) == ("hollow", pytest.approx(0.21, abs=0.02))
    assert wall.printed == pytest.approx(1.21, abs=0.03)


# Gaps along walls


def base_and_wall(wall, thickness=W):
    """A plate with one wall on it along x, so that its place is known however the wall is laid."""
    plate = bar(40, 20)
    program = Program()
    for number in range(5):
        program.layer(number)
        program.loops(plate, 22)
    for number in range(5, 15):
        program.layer(number)
        wall(program, number)
    solid = box([40, 20, 1], [-20, -10, 0]) + box([30, thickness, 2], [-15, -thickness / 2, 1])
    return solid, program.text()


@pytest.mark.parametrize(
    ("on", "off"), [(1, 1), (0.5, 0.6), (3, 0.7), (0.2, 1.5), (4, 4), (10, 0.5)]
)
def test_a_dotted_wall_is_broken(tmp_path, on, off):
    solid, text = base_and_wall(
        lambda program, _: program.dots((-14.775, 0), (14.775, 0), on=on, off=off)
    )
    ((wall,),) = walls(tmp_path, solid, text)
    assert wall.fill == "broken"
    # Strands have round ends; a line across counts as laid where it meets any bead.
    assert wall.laid == pytest.approx(min((on + W) / (on + off), 1.0), abs=0.08)


def test_dots_that_touch_are_solid(tmp_path):
    # Round ends overlap where the way between two dots is shorter than a bead is wide.
    solid, text = base_and_wall(
        lambda program, _: program.dots((-14.775, 0), (14.775, 0), on=1.0, off=0.2)
    )
    ((wall,),) = walls(tmp_path, solid, text)
    assert wall.fill == "solid"


def test_one_gap_in_one_place_is_enough(tmp_path):
    def gapped(program, _):
        program.path([(-14.775, 0), (2, 0)])
        program.path([(2 + W + 0.08, 0), (14.775, 0)])

    solid, text = base_and_wall(gapped)
    ((wall,),) = walls(tmp_path, solid, text)
    assert wall.fill == "broken"


def test_two_dotted_skins_are_broken(tmp_path):
    def dotted(program, _):
        for y in (-0.4, 0.4):
            program.dots((-14.775, y), (14.775, y), on=2.0, off=1.5)

    solid, text = base_and_wall(dotted, 1.25)
    ((wall,),) = walls(tmp_path, solid, text)
    assert wall.fill == "broken"


def test_one_dotted_skin_is_not_solid(tmp_path):
    def dotted(program, _):
        program.path([(-14.775, -0.225), (14.775, -0.225)])
        program.dots((-14.775, 0.225), (14.775, 0.225), on=2.0, off=1.5)

    solid, text = base_and_wall(dotted, 0.9)
    ((wall,),) = walls(tmp_path, solid, text)
    assert wall.fill == "broken"


def test_a_dropped_wall_is_missing(tmp_path):
    plate = bar(40, 20)
    program = Program()
    for number in range(5):
        program.layer(number)
        program.loops(plate, 22)
    for number in range(5, 15):
        program.layer(number)
        program.loops(shapely.affinity.translate(bar(30, 0.9), 0, 6), 1)
    solid = (
        box([40, 20, 1], [-20, -10, 0])
        + box([30, 0.9, 2], [-15, 5.55, 1])
        + box([30, 0.4, 2], [-15, -6.2, 1])
    )
    (found,) = walls(tmp_path, solid, program.text())
    assert [(round(one.stretch.typical, 2), one.fill) for one in found] == [
        (0.4, "missing"),
        (0.9, "solid"),
    ]
    assert found[0].printed is None
    assert found[0].stretch.low == pytest.approx(1.0)


def test_a_wall_dropped_at_the_top_is_missing_there(tmp_path):
    solid, program, _ = straight(2, 0.0)
    solid += box([30, 0.3, 2], [-15, -0.15, LAYERS * 0.2])
    (found,) = walls(tmp_path, solid, program.text())
    top = next(one for one in found if one.fill == "missing")
    assert (top.stretch.low, top.stretch.high) == pytest.approx((LAYERS * 0.2, LAYERS * 0.2 + 2))


def test_beads_forced_side_by_side_make_a_wall_thicker(tmp_path):
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        program.path([(-14.775, -W / 2), (14.775, -W / 2), (14.775, W / 2), (-14.775, W / 2)])
    wall = one_wall(tmp_path, slab(30, 0.6), program.text())
    assert (wall.fill, wall.printed) == ("solid", pytest.approx(0.9, abs=0.03))


def test_a_taper_is_missing_where_it_is_thin_and_not_broken(tmp_path):
    # From 2 mm to nothing over 40 mm; laid by one loop as far as two beads fit.
    corners = [[0, -1], [40, 0], [0, 1]]
    outline = shapely.Polygon(corners)
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        program.loops(outline, 1)
    (found,) = walls(tmp_path, prism(corners, LAYERS * 0.2), program.text())
    fills = {one.fill for one in found}
    assert "missing" in fills
    assert "broken" not in fills
    missing = next(one for one in found if one.fill == "missing")
    assert missing.stretch.maximum < 1.0


# What is not the part


def test_skirt_brim_and_support_are_left_out(tmp_path):
    solid, _, thickness = straight(2, 0.33)
    outline = bar(30, thickness)
    fresh = Program()
    for number in range(LAYERS):
        fresh.layer(number)
        if number == 0:
            fresh.skirt(outline)
            fresh.brim(outline)
        lay(fresh, outline, 2, 0.33)
        for x in np.arange(-14, 14, 2.0):
            # Upright strands of a support, 0.2 mm off the wall's side.
            fresh.path([(x, thickness / 2 + 0.2 + W / 2), (x, 6.0)])
    wall = one_wall(tmp_path, solid, fresh.text())
    assert (wall.fill, wall.printed) == ("hollow", pytest.approx(thickness, abs=0.03))
    assert wall.air == pytest.approx(0.33, abs=0.02)


def test_sparse_fill_of_a_thick_wall_is_no_void(tmp_path):
    thickness = 3.9
    program = Program()
    outline = bar(30, thickness)
    for number in range(LAYERS):
        program.layer(number)
        program.loops(outline, 2)
        points = [(x, 1.0 if k % 2 else -1.0) for k, x in enumerate(np.arange(-13.5, 13.6, 1.5))]
        program.path(points)
    (found,) = walls(tmp_path, slab(30, thickness), program.text(), largest=4.0)
    assert {one.fill for one in found} == {"sparse"}


def test_an_empty_thick_wall_is_hollow(tmp_path):
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        program.loops(bar(30, 3.9), 2)
    wall = one_wall(tmp_path, slab(30, 3.9), program.text(), largest=4.0)
    assert (wall.fill, wall.air) == ("hollow", pytest.approx(2.1, abs=0.02))


def test_two_copies_are_compared_each(tmp_path):
    thickness = 1.23
    program = Program(shift=(40, 40))
    outline = bar(30, thickness)
    for number in range(LAYERS):
        program.layer(number)
        program.shift, program.turns = (40, 40), 0
        lay(program, outline, 2, 0.33)
        program.shift, program.turns = (90, 70), 1
        program.loops(outline, 1, width=thickness / 2)
    first, second = found_walls(tmp_path, slab(30, thickness), program.text())
    assert [one.fill for one in (*first, *second)] == ["hollow", "solid"]
    assert first[0].air == pytest.approx(0.33, abs=0.02)


def test_layers_of_varying_height(tmp_path):
    program = Program()
    outline = bar(30, 1.2)
    program.z = 0.0
    for height in (0.3, 0.2, 0.2, 0.1, 0.1, 0.2, 0.15, 0.25):
        program.layer(0, height=height)
        program.loops(outline, 1)
    wall = one_wall(tmp_path, slab(30, 1.2, 1.5), program.text())
    assert (wall.fill, wall.air) == ("hollow", pytest.approx(0.3, abs=0.02))
    assert wall.stretch.high - wall.stretch.low == pytest.approx(1.5)


def test_walls_that_cross_keep_their_own_outcome(tmp_path):
    """A cross of a wall of two beads (solid) and one with air in it, laid as one outline."""
    thick, thin = bar(40, 1.4), shapely.affinity.rotate(bar(40, 0.9), 90, origin=(0, 0))
    outline = shapely.union(thick, thin)
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        program.loops(outline, 1)
    solid = slab(40, 1.4) + box([0.9, 40, LAYERS * 0.2], [-0.45, -20, 0])
    (found,) = walls(tmp_path, solid, program.text())
    told = {(round(one.stretch.typical, 1), one.fill) for one in found}
    assert told == {(0.9, "solid"), (1.4, "hollow")}
    hollow = next(one for one in found if one.fill == "hollow")
    assert hollow.air == pytest.approx(0.5, abs=0.02)


def test_posts_are_walls_too(tmp_path):
    plate = shapely.box(0, -5, 20, 5)
    program = Program()
    for number in range(4):
        program.layer(number)
        program.loops(plate, 20)
    for number in range(4, 14):
        program.layer(number)
        program.loops(shapely.box(2, 0, 3.2, 1.2), 1)
    solid = box([20, 10, 0.8], [0, -5, 0])
    for x in (2, 8):
        solid += box([1.2, 1.2, 2.8], [x, 0, 0])
    (found,) = walls(tmp_path, solid, program.text())
    told = [(round(one.stretch.point[0], 1), one.fill, round(one.air, 2)) for one in found]
    assert sorted(told) == [(2.6, "hollow", 0.3), (8.6, "missing", 0.0)]


def test_fill_that_touches_the_contours_leaves_no_void(tmp_path):
    """A thick wall with a raster across it: notches where strands turn are no air in a wall."""
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        program.loops(bar(40, 3.6), 1)
        points, side = [], 1
        for x in np.arange(-19.3, 19.3, 0.43):
            points += [(x, -1.2 * side), (x, 1.2 * side)]
            side = -side
        program.path(points)
    wall = one_wall(tmp_path, slab(40, 3.6), program.text())
    assert (wall.fill, wall.printed) == ("solid", pytest.approx(3.6, abs=0.03))


def test_a_dotted_tube_is_broken(tmp_path):
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        for start in range(0, 360, 30):
            turn = np.radians(np.arange(start, start + 21, 2))
            program.path(9.775 * np.column_stack([np.cos(turn), np.sin(turn)]))
    wall = one_wall(tmp_path, tube(20, W, LAYERS * 0.2), program.text())
    assert wall.fill == "broken"


def test_long_strands_are_met_anywhere_along_them():
    from wallguard.toolpath.lines import Cells, Strands, crossings

    long = Strands(
        np.array([[0.0, 0.0]]), np.array([[300.0, 40.0]]), np.array([0.5]), np.zeros(1, np.int64)
    )
    way = np.array([300.0, 40.0]) / math.hypot(300, 40)
    across = np.array([-way[1], way[0]])
    at = np.linspace(5, 295, 30)[:, None] * way
    found = list(
        crossings(
            Cells(long), np.zeros(30, np.int64), at, np.tile(across, (30, 1)), np.full(30, 1.0)
        )
    )
    low = np.concatenate([one.low for one in found])
    high = np.concatenate([one.high for one in found])
    assert len(low) == 30
    assert low == pytest.approx(-0.25)
    assert high == pytest.approx(0.25)


def test_intervals_are_those_of_shapely():
    """Random lines and stadiums, against shapely (PyPI), with 64 sides to a quarter circle."""
    from wallguard.toolpath.lines import intervals

    rng = np.random.default_rng(3)
    start, end = rng.normal(0, 2, (400, 2)), rng.normal(0, 2, (400, 2))
    radius, angle = rng.uniform(0.1, 0.8, 400), rng.uniform(0, 2 * np.pi, 400)
    direction = np.column_stack([np.cos(angle), np.sin(angle)])
    low, high = intervals(start, end, radius, direction)
    met = 0
    for k in range(400):
        stadium = shapely.LineString([start[k], end[k]]).buffer(radius[k], quad_segs=64)
        line = shapely.LineString([-20 * direction[k], 20 * direction[k]])
        cut = stadium.intersection(line)
        if cut.length < 0.05:
            assert high[k] - low[k] < 0.08
            continue
        met += 1
        ends = np.array(cut.coords) @ direction[k]
        assert (low[k], high[k]) == pytest.approx((ends.min(), ends.max()), abs=2e-3)
    assert met > 100


# What is no wall, fills, pores, layers left out


def test_a_part_without_walls_has_none(tmp_path):
    block = shapely.box(-10, -10, 10, 10)
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        program.loops(block, 22)
    (found,) = walls(tmp_path, box([20, 20, LAYERS * 0.2], [-10, -10, 0]), program.text())
    assert found == []


def filled(tmp_path, density, thickness=3.9, angle=45.0, layers=LAYERS):
    """A thick wall of two contours on either side, with strands of fill in its room."""
    outline = bar(37, thickness)
    room = outline.buffer(-2 * W - W / 2 + 0.1, join_style="mitre")
    program = Program()
    for number in range(layers):
        program.layer(number)
        program.loops(outline, 2)
        turned = shapely.affinity.rotate(room, -angle - 90 * (number % 2), origin=(0, 0))
        low, bottom, high, top = turned.bounds
        for y in np.arange(bottom, top, W / density) if density else []:
            line = shapely.LineString([(low - 1, y), (high + 1, y)]).intersection(turned)
            line = shapely.affinity.rotate(line, angle + 90 * (number % 2), origin=(0, 0))
            if line.length > 0.2:
                program.path(list(line.coords))
    return walls(tmp_path, slab(37, thickness, layers * 0.2), program.text(), largest=5.0)[0]


ORDER = {"hollow": 0, "sparse": 1, "solid": 2}


@pytest.mark.parametrize("angle", [0.0, 45.0, 60.0])
def test_more_fill_is_never_worse(tmp_path, angle):
    found = []
    for density in (0.0, 0.05, 0.15, 0.3, 0.4, 0.6, 0.8, 0.9, 1.0):
        (wall,) = filled(tmp_path, density, angle=angle, layers=4)
        assert wall.stretch.length > 30
        assert wall.printed == pytest.approx(3.9, abs=0.03)
        found.append(ORDER[wall.fill])
    assert found == sorted(found)
    assert (found[0], found[-1]) == (0, 2)
    assert found[1:7] == [1] * 6


def test_pores_are_weighed_by_share_and_length(tmp_path):
    """A void in the middle of a wall of three beads: short it is a pore, long it is hollow."""

    def with_void(length):
        program = Program()
        for number in range(LAYERS):
            program.layer(number)
            program.loops(bar(40, 3 * W), 1)
            program.path([(-19, 0), (-length / 2, 0)])
            program.path([(length / 2, 0), (19, 0)])
        return walls(tmp_path, slab(40, 3 * W), program.text())[0]

    (short,) = with_void(2.5)
    assert short.fill == "solid"
    assert 0.01 < short.pores < 0.06
    fills = {one.fill: one for one in with_void(15.0)}
    assert fills["hollow"].air == pytest.approx(W, abs=0.02)


def test_a_slit_in_one_layer_is_found(tmp_path):
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        lay(program, bar(30, 1.2), 2, 0.3 if number == 3 else 0.0, width=W if number == 3 else 0.6)
    (found,) = walls(tmp_path, slab(30, 1.2), program.text())
    (slit,) = [one for one in found if one.fill == "hollow"]
    assert slit.layers == (4, 4)
    assert slit.air == pytest.approx(0.3, abs=0.02)
    assert (slit.stretch.low, slit.stretch.high) == pytest.approx((0.6, 0.8))


@pytest.mark.parametrize("left_out", [(3,), (2, 3), (5,)])
def test_layers_left_out_are_told_as_such(tmp_path, left_out):
    program = Program()
    for number in range(LAYERS):
        if number not in left_out:
            program.layer(number)
            program.loops(bar(30, 0.9), 1)
    path = tmp_path / "toolpath.gcode"
    path.write_text(program.text())
    laid = beads(read_toolpath(path))
    part = geometry(slab(30, 0.9))
    (place,) = find_places(part, laid, part="part.stl", path=path).copies
    found = compare(part, laid, place)
    assert [one.fill for one in found.walls] == ["solid"]
    ((low, high),) = found.skipped
    assert (low, high) == pytest.approx((0.2 * left_out[0], 0.2 * left_out[-1] + 0.2))


def test_fill_does_not_make_a_wall_thicker(tmp_path):
    """Strands of fill that reach beyond the contours of a wall beside a thick region."""
    program = Program()
    for number in range(LAYERS):
        program.layer(number)
        program.loops(bar(40, 2.0), 2)
        for x in np.arange(-18, 18, 0.5):
            program.path([(x, -1.2), (x, 1.2)], width=0.4)
    wall = one_wall(tmp_path, slab(40, 2.0), program.text())
    assert wall.printed == pytest.approx(2.0, abs=0.03)
    assert wall.fill == "solid"


def test_a_spiral_of_one_bead(tmp_path):
    program = Program()
    for number in range(2):
        program.layer(number)
        program.circle(10 - W / 2)
    steps = 120
    radius = 10 - W / 2
    for turn in range(8):
        for k in range(1, steps + 1):
            angle, z = 2 * math.pi * k / steps, 0.4 + 0.2 * (turn + k / steps)
            x, y = program.place((radius * math.cos(angle), radius * math.sin(angle)))
            amount = program.say(feed(W, 0.2) * 2 * math.pi * radius / steps)
            program.lines.append(f"G1 X{x:.4f} Y{y:.4f} Z{z:.4f} {amount}")
    (found,) = walls(tmp_path, tube(20, W, 2.0), program.text())
    assert {one.fill for one in found} == {"solid"}
    assert found[0].printed == pytest.approx(W, abs=0.03)
