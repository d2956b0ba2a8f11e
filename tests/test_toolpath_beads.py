"""Moves to beads: what the filament does, layers, widths, and the ground that strands cover."""

import math
import random

import mecode
import numpy as np
import pytest
import shapely

from wallguard.base.errors import InputError
from wallguard.toolpath.beads import NotFlatError, beads, footprint
from wallguard.toolpath.feeding import Kind, _comes_out, feeding
from wallguard.toolpath.reader import read_toolpath
from wallguard.toolpath.width import bead_width

FILAMENT = math.pi / 4 * 1.75**2  # mm^2


@pytest.fixture
def laid(tmp_path):
    """The beads of a program given as text."""

    def laying(text, **options):
        return beads(toolpath(tmp_path, text, **options))

    return laying


def toolpath(folder, text, **options):
    path = folder / "program.gcode"
    path.write_text(text)
    return read_toolpath(path, **options)


def area(width, height):
    """Cross-section of a bead: a rectangle with half-round ends."""
    return height * (width - height) + math.pi * height**2 / 4


def line(x, y, z, width=0.45, height=0.2, length=10.0):
    """One bead along x, fed relative."""
    fed = area(width, height) * length / FILAMENT
    return f"G0 X{x} Y{y} Z{z}\nG1 X{x + length} E{fed:.6f}\n"


# What the filament does


def test_kinds_of_moves(tmp_path):
    text = (
        "M83\nG1 Z0.2\nG1 E5\nG1 X10 E1\nG1 X8 E-0.5\nG1 E-1\nG0 X20\nG1 E1.5\nG1 X30 E1\nG1 E-2\n"
    )
    found = feeding(toolpath(tmp_path, text))
    assert [Kind(kind).name for kind in found.kind] == [
        "TRAVEL",
        "PRIME",
        "LAYING",
        "WIPE",
        "RETRACT",
        "TRAVEL",
        "PRIME",
        "LAYING",
        "RETRACT",
    ]
    assert found.laid.tolist() == [0, 0, 1, 0, 0, 0, 0, 1, 0]
    assert found.primed == 5.0
    assert found.withdrawn == 2.0


def test_what_was_drawn_back_is_not_laid(tmp_path):
    # 1.0 is drawn back, 0.6 pushed forward in place: the bead gets 2.0 - 0.4, and begins late.
    text = "M83\nG1 X10 E1\nG1 E-1\nG1 E0.6\nG1 X20 E2\nG1 E-1\nG1 E1.25\n"
    found = feeding(toolpath(tmp_path, text))
    assert found.laid == pytest.approx([1, 0, 0, 1.6, 0, 0])
    assert found.late == pytest.approx([0, 0, 0, 0.2, 0, 0])
    assert found.primed == pytest.approx(0.25)
    assert beads(toolpath(tmp_path, text)).start[1].tolist() == pytest.approx([12.0, 0.0])


def test_each_tool_has_its_own_account(tmp_path):
    text = "M83\nG1 X1 E1\nG1 E-2\nT1\nG1 X2 E1\nG1 E-3\nT0\nG1 E2\nG1 X3 E1\n"
    found = feeding(toolpath(tmp_path, text))
    assert found.laid == pytest.approx([1, 0, 1, 0, 0, 1])
    assert (found.primed, found.withdrawn) == (0.0, 3.0)


def test_account_is_the_same_as_move_by_move():
    rng = np.random.default_rng(5)
    e = np.round(rng.normal(0.2, 1.0, 5000), 3)
    out, left = _comes_out(e)
    back, expected = 0.0, []
    for fed in e:
        expected.append(max(fed - back, 0.0))
        back = max(back - fed, 0.0)
    assert out == pytest.approx(np.array(expected), abs=1e-9)
    assert left == pytest.approx(back, abs=1e-9)


@pytest.mark.parametrize("mode", ["M82", "M83"])
@pytest.mark.parametrize("unit", ["G20", "G21"])
def test_filament_is_conserved(tmp_path, mode, unit):
    rng = random.Random(11)
    lines, e, expected = [unit, mode, "G1 Z0.2"], 0.0, 0.0
    for _ in range(4000):
        fed = rng.choice([0.03, 0.05, 0.05, 0.04, -0.02, 0.0])
        if rng.random() < 0.02:
            fed = rng.choice([-0.8, 0.8, 0.9, -1.0])
        fed = round(fed * rng.uniform(0.9, 1.1), 5)
        expected += fed
        e = round(e + fed, 5)
        way = f"X{rng.uniform(0, 50):.3f} Y{rng.uniform(0, 50):.3f}" if abs(fed) < 0.5 else ""
        lines.append(f"G1 {way} E{e if mode == 'M82' else fed:.5f}")
        if rng.random() < 0.01:
            lines.append(f"T{rng.randrange(3)}")
        if rng.random() < 0.01:
            lines.append("G92 E0")
            e = 0.0
    found = beads(toolpath(tmp_path, "\n".join(lines) + "\n", flow=0.95))
    fed = expected * FILAMENT * 0.95 * (25.4 if unit == "G20" else 1.0)
    assert found.fed == pytest.approx(fed, rel=1e-6)
    assert found.volume.sum() + found.primed - found.withdrawn == pytest.approx(fed, rel=1e-6)
    assert found.primed > 0.0
    assert (found.volume > 0.0).all()


# Width


def test_width_is_that_of_the_cross_section():
    widths, heights = np.meshgrid([0.2, 0.31, 0.45, 0.8, 1.2], [0.05, 0.1, 0.2])
    found = bead_width(area(widths, heights).ravel(), heights.ravel())
    assert found == pytest.approx(widths.ravel(), abs=1e-12)


def test_a_strand_too_thin_for_its_layer_is_round():
    thin = np.array([0.3, 0.2999, 0.15])
    found = bead_width(np.pi / 4 * thin**2, np.full(3, 0.3))
    assert found == pytest.approx(thin)


def test_width_allows_for_filament_and_flow(laid):
    text = "M83\n" + line(0, 0, 0.2)
    assert laid(text).width[0] == pytest.approx(0.45, abs=1e-5)
    thick = area(laid(text, filament=2.85, flow=0.9).width[0], 0.2)
    assert thick / area(0.45, 0.2) == pytest.approx(0.9 * (2.85 / 1.75) ** 2, rel=1e-5)


@pytest.mark.parametrize("relative", [True, False])
def test_programs_of_mecode(tmp_path, relative):
    """mecode (PyPI), a general-purpose G-code writer, feeds for a bead of given width and height
    by the same cross-section (with pi to three or four digits)."""
    path = tmp_path / "mecode.gcode"
    with path.open("w") as stream:
        g = mecode.G(
            outfile=stream,
            print_lines=False,
            aerotech_include=False,
            extrude=True,
            layer_height=0.25,
            extrusion_width=0.5,
            filament_diameter=2.85,
        )
        g.move(z=0.25, E=0)
        if relative:
            g.move(x=20)
            g.move(y=20)
            g.arc(x=-20, y=0, radius=15, direction="CCW")
            g.arc(x=0, y=-20, radius=-11, direction="CW")
        else:
            g.absolute()
            g.move(x=20)
            g.move(x=20, y=20)
            g.arc(x=0, y=20, radius=15, direction="CCW")
            g.arc(x=0, y=0, radius=-11, direction="CW")
        g.teardown()
    found = beads(read_toolpath(path, filament=2.85))
    assert found.height == pytest.approx(0.25)
    assert found.width == pytest.approx(0.5, abs=5e-4)
    assert np.unique(found.line).tolist() == ([3, 4, 6, 8] if relative else [4, 5, 7, 9])
    length = np.hypot(*(found.end - found.start).T)
    by_line = [length[found.line == number].sum() for number in np.unique(found.line)]
    arcs = [2 * 15 * math.asin(10 / 15), 2 * 11 * (math.pi - math.asin(10 / 11))]
    assert by_line == pytest.approx([20, 20, *arcs], rel=1e-3)
    assert found.end[-1] == pytest.approx([0, 0], abs=1e-6)


def test_impossible_widths_are_reported_with_their_lines(laid):
    normal = "".join(line(0, y, 0.2) for y in range(20))
    found = laid("M83\n" + normal + line(0, 30, 0.2, width=9) + "G1 X15 E0.00001\n" + normal)
    wide, thin = found.odd_beads()
    assert (wide.line, wide.problem) == (43, "too wide")
    assert wide.width == pytest.approx(9, abs=1e-3)
    assert (thin.line, thin.problem) == (44, "too thin")
    assert found.odd.sum() == 2
    assert footprint(found, found.in_layer(0)).bounds[3] == pytest.approx(19.225, abs=1e-3)


def test_material_below_the_plate_has_no_height(laid):
    found = laid("M83\n" + line(0, 0, -0.1) + line(0, 5, 0.2))
    assert [odd.problem for odd in found.odd_beads()] == ["no height"]
    assert found.odd_beads()[0].line == 3
    assert found.layer_height.tolist()[-1] == pytest.approx(0.2)


# Layers


def test_variable_heights(laid):
    tops = [0.3, 0.4, 0.6, 0.65, 0.95]
    heights = [0.3, 0.1, 0.2, 0.05, 0.3]
    layers = zip(tops, heights, strict=True)
    found = laid("M83\n" + "".join(line(0, 0, z, 0.5, h) for z, h in layers))
    assert found.layer_z == pytest.approx(tops)
    assert found.layer_height == pytest.approx(heights)
    assert found.width == pytest.approx(0.5, abs=1e-4)
    assert found.layer.tolist() == [0, 1, 2, 3, 4]


def test_objects_one_after_the_other_with_heights_of_their_own(laid):
    one = "".join(line(0, 0, round(0.2 * k, 3), 0.45, 0.2) for k in range(1, 11))
    other = "".join(line(60, 40, round(0.3 * k, 3), 0.6, 0.3) for k in range(1, 9))
    found = laid("M83\n" + one + other)
    first = found.start[:, 0] < 30
    assert found.height[first] == pytest.approx(0.2)
    assert found.height[~first] == pytest.approx(0.3)
    assert found.width[first] == pytest.approx(0.45, abs=1e-4)
    assert found.width[~first] == pytest.approx(0.6, abs=1e-4)
    # 0.6, 1.2 and 1.8 are heights of both, each a layer of its own for either.
    assert len(found.layer_z) == 18
    assert sorted(np.concatenate([found.in_layer(k) for k in range(18)])) == list(range(18))


def test_objects_layer_by_layer_share_a_layer(laid):
    text = "".join(line(0, 0, z) + line(40, 0, z) for z in (0.2, 0.4, 0.6))
    found = laid("M83\n" + text)
    assert found.layer.tolist() == [0, 0, 1, 1, 2, 2]


def test_hops_and_priming_above_the_plate_are_no_layers(laid):
    hop = "G1 E-1\nG0 Z5\nG0 X50 Y50\nG1 E1.2\n"
    found = laid("M83\n" + line(0, 0, 0.2) + hop + line(0, 0, 0.4) + hop + line(0, 0, 0.6))
    assert found.layer_z == pytest.approx([0.2, 0.4, 0.6])
    assert found.primed == pytest.approx(0.4 * FILAMENT)


def test_a_roof_over_a_hollow_has_the_height_of_its_layer(laid):
    """Only the ends of the roof's beads lie on the walls; between them is air down to the plate."""

    def ring(z):
        return "".join(line(x, y, z, length=2) for x in (0, 28) for y in range(10))

    walls = "".join(ring(round(0.2 * k, 3)) for k in range(1, 21))
    roof = "".join(line(0, y, 4.2, length=30) for y in range(10))
    found = laid("M83\n" + walls + roof)
    assert found.height == pytest.approx(0.2)


def test_crossing_sparse_fill_has_the_height_of_its_layer(laid):
    text = ""
    for k in range(1, 9):
        z = round(0.2 * k, 3)
        for n in range(0, 60, 6):
            if k % 2:
                text += line(0, n, z, length=60)
            else:
                fed = area(0.45, 0.2) * 60 / FILAMENT
                text += f"G0 X{n} Y0 Z{z}\nG1 Y60 E{fed:.6f}\n"
    assert laid("M83\n" + text).height == pytest.approx(0.2)


def test_a_spiral_has_the_layers_of_its_turns(laid):
    turns = "".join(
        f"G1 X{10 * math.cos(k / 10):.3f} Y{10 * math.sin(k / 10):.3f} Z{0.2 + k / 300:.4f} E0.03\n"
        for k in range(600)
    )
    base = "".join(line(-5, y, 0.2) for y in range(5))
    found = laid("M83\n" + base + turns)
    pitch = 0.2 * 2 * math.pi / 6
    rising = found.z > 0.2001
    # The first turn lies on the plate, the last one does not come around.
    whole = rising & ~found.layer_partial[found.layer]
    heights = found.height[whole]
    assert heights[heights < 0.25] == pytest.approx(pitch, abs=0.003)
    assert heights[heights > 0.25] == pytest.approx(0.2 + pitch / 2, abs=0.003)
    assert len(np.unique(found.z[rising])) == pytest.approx(600 / 10 / 2 / math.pi, abs=1)
    assert "in a spiral" in found.notes[0]


def test_what_goes_up_and_down_all_the_time_is_refused(laid):
    base = "".join(line(-5, y, 0.2) for y in range(5))
    waves = "".join(
        f"G1 X{k % 20} Y{k // 20} Z{0.4 + 0.1 * math.sin(k):.3f} E0.05\n" for k in range(400)
    )
    with pytest.raises(NotFlatError) as caught:
        laid("M83\n" + base + waves)
    assert caught.value.line > 11
    assert isinstance(caught.value, InputError)


def test_a_ramp_joins_the_layer_that_it_leads_to(laid):
    ramp = "G1 X0.2 Z0.4 E0.003\n"
    found = laid("M83\n" + line(-30, 0, 0.2, length=30) + ramp + line(-30, 0, 0.4, length=30))
    assert found.notes == ()
    up = "".join(
        f"G1 X{k} Z{0.2 + 0.02 * k:.2f} E{0.0341 * (k - 0.5) / 10:.5f}\n" for k in range(1, 11)
    )
    seam = "G0 X0 Y0 Z0.2\n" + up + "G1 X40 E1.023\n"
    found = laid("M83\n" + line(0, 0, 0.2, length=40) + seam)
    assert found.notes == ()
    assert sorted(set(found.z.tolist())) == pytest.approx([0.2, 0.4])
    assert not found.odd.any()
    # As wide as the rest, but for the roundness of what is lower.
    assert found.width[1:] == pytest.approx(found.width[-1], abs=0.045)


def test_a_layer_left_out_does_not_thin_the_next(laid):
    text = "M83\n" + "".join(line(0, 0, 0.2 * k, length=40) for k in (1, 2, 3, 4, 6, 7, 8))
    found = laid(text)
    assert found.width == pytest.approx(found.width[0], abs=0.002)
    assert found.layer_height == pytest.approx(0.2)
    assert 1.0 not in np.round(found.layer_z, 3)


# Ground covered


def test_one_bead_covers_a_rectangle_with_round_ends(laid):
    found = laid("M83\n" + line(3, 4, 0.2))
    covered = footprint(found, found.in_layer(0))
    assert covered.area == pytest.approx(10 * 0.45 + math.pi * 0.45**2 / 4, abs=0.0015)
    assert covered.bounds == pytest.approx((2.775, 3.775, 13.225, 4.225), abs=1e-6)


def test_ground_covered_is_where_some_bead_is_near_enough(laid):
    """Against the distance of a net of points to each bead, without shapely."""
    rng = np.random.default_rng(2)
    text, at = "M83\nG1 Z0.2\n", np.zeros(2)
    for _ in range(60):
        to = np.round(rng.uniform(0, 12, 2), 3)
        if rng.random() < 0.3:
            text += f"G0 X{to[0]} Y{to[1]}\n"
        else:
            fed = area(rng.choice([0.4, 0.45, 0.9]), 0.2) * math.dist(at, to) / FILAMENT
            text += f"G1 X{to[0]} Y{to[1]} E{fed:.6f}\n"
        at = to
    found = laid(text)
    covered = footprint(found, found.in_layer(0))
    points = rng.uniform(-1, 13, (4000, 2))
    way = found.end - found.start
    near = points[:, None] - found.start
    part = ((near * way).sum(axis=2) / (way**2).sum(axis=1)).clip(0, 1)
    room = (np.hypot(*(near - part[..., None] * way).transpose(2, 0, 1)) - found.width / 2).min(1)
    inside = shapely.contains_xy(covered, points)
    clear = np.abs(room) > 0.004
    assert clear.sum() > 3900
    assert (inside == (room < 0))[clear].all()
    assert 0.1 < inside.mean() < 0.9


def test_two_beads_leave_a_gap_or_none(laid):
    apart = laid("M83\n" + line(0, 0, 0.2) + line(0, 0.75, 0.2))
    covered = footprint(apart, apart.in_layer(0))
    assert len(covered.geoms) == 2
    assert covered.geoms[0].distance(covered.geoms[1]) == pytest.approx(0.3, abs=1e-5)
    close = laid("M83\n" + line(0, 0, 0.2) + line(0, 0.44, 0.2))
    assert footprint(close, close.in_layer(0)).geom_type == "Polygon"
    assert footprint(close, close.in_layer(0)[:0]).is_empty


def test_a_program_that_never_pushes_out_what_it_drew_back(laid):
    with pytest.raises(InputError, match="lays no material"):
        laid("M83\nG1 E-50\nG1 X10 E1\nG1 X20 E1\n")
