"""Toolpaths that rise while they lay: what is known of them is known because the test writes them.

A way around an outline that rises by the pitch p from turn to turn, on a base of flat layers up to
the height b. Turn k lies p (k + 1/2) above b on average, and is p high, but for the first, which is
a wedge of p / 2, and a level one that closes the top, another wedge.
"""

import math
import random
from itertools import pairwise

import laid_coupons
import manifold3d as m3
import numpy as np
import pytest
from solids import box, mesh, tube
from spirals import Writer, oblong, regular, section

from wallguard.base.rotation import UPRIGHT
from wallguard.jobs.laid_readings import toolpath_readings
from wallguard.mesh.health import examine
from wallguard.part.geometry import Geometry
from wallguard.toolpath.beads import NotFlatError, beads
from wallguard.toolpath.comparison import compare
from wallguard.toolpath.placing import find_places
from wallguard.toolpath.reader import read_toolpath

W, H = 0.45, 0.2


def read(folder, text):
    path = folder / "program.gcode"
    path.write_text(text)
    return beads(read_toolpath(path))


def walls(folder, solid, text):
    """The walls of the one copy, and what is laid."""
    laid = read(folder, text)
    found = mesh(solid)
    part = Geometry(found, examine(found), UPRIGHT, 1.0)
    (place,) = find_places(part, laid, part="part.stl", path=folder).copies
    compared = compare(part, laid, place)
    assert compared.skipped == ()
    assert place.outline > 0.97
    return list(compared.walls), laid


def vase(ring, height, writer=None, *, base=3, **options):
    """Flat layers, and a way that rises from there to the height."""
    writer = writer or Writer()
    for number in range(base):
        writer.flat(ring((number + 0.5) * H), (number + 1) * H, W, H)
    turns = (height - base * H) / H
    writer.rise(ring, turns, base=base * H, pitch=H, width=W, **options)
    return writer.text()


def bar(thickness, length=40.0, height=6.0):
    """A straight wall, and the way around it: two beads side by side or with air between."""
    return (
        box([length, thickness, height], [-length / 2, -thickness / 2, 0]),
        lambda z: oblong(length - W, thickness - W),
    )


def layers(laid):
    return len(laid.layer_z[~laid.layer_partial])


@pytest.mark.parametrize("step", [0.7, 3.0, 100.0])
@pytest.mark.parametrize("base", [0, 1, 3])
@pytest.mark.parametrize("close", [False, True])
def test_two_beads_with_air_between(tmp_path, step, base, close):
    solid, ring = bar(1.2)
    (wall,), laid = walls(tmp_path, solid, vase(ring, 6.0, base=base, step=step, close=close))
    assert wall.fill == "hollow"
    assert wall.printed == pytest.approx(1.2, abs=0.005)
    assert wall.air == pytest.approx(0.3, abs=0.005)
    # The last turn's mean is half a layer below its end, unless a level one closes it.
    top = 6.0 if close else 6.0 - H / 2
    assert (wall.stretch.low, wall.stretch.high) == pytest.approx((0.0, top), abs=0.002)
    assert layers(laid) == 30 + close
    assert wall.laid == pytest.approx(1.0, abs=0.01)
    heights = laid.layer_height[~laid.layer_partial]
    wedges = [H / 2] if not close else [H / 2, H / 2]
    assert np.sort(heights) == pytest.approx(sorted([*wedges, *[H] * 29]), abs=0.001)
    assert not laid.odd.any()


@pytest.mark.parametrize("step", [0.7, 3.0, 100.0])
def test_two_beads_side_by_side(tmp_path, step):
    """The other side of the outline lies nearer than a turn's end may be from its beginning."""
    solid, ring = bar(0.9)
    (wall,), laid = walls(tmp_path, solid, vase(ring, 6.0, step=step))
    assert (wall.fill, layers(laid)) == ("solid", 30)
    assert wall.printed == pytest.approx(0.9, abs=0.005)


@pytest.mark.parametrize(
    "options",
    [
        {"relative_moves": True},
        {"relative_feed": False},
        {"relative_moves": True, "relative_feed": False},
        {"decimals": 3},
        {"decimals": 2},
    ],
)
@pytest.mark.parametrize("step", [0.3, 4.0])
def test_however_it_is_written(tmp_path, options, step):
    solid, ring = bar(1.2)
    text = vase(ring, 6.0, Writer(**options), step=step)
    (wall,), laid = walls(tmp_path, solid, text)
    coarse = options.get("decimals") == 2
    assert wall.fill == "hollow"
    assert wall.printed == pytest.approx(1.2, abs=0.012 if coarse else 0.005)
    # With two decimals 4 mm are level first, of the base: the last turn is short of them.
    assert 30 - layers(laid) in ((0, 1) if coarse else (0,))
    assert wall.stretch.high == pytest.approx(6.0 - H / 2, abs=H + 0.006 if coarse else 0.006)


@pytest.mark.parametrize("arcs", [1, 2, 5])
def test_arcs_that_rise(tmp_path, arcs):
    """G3 with Z: whole circles, halves, and pieces that end nowhere near where a turn does."""
    writer, radius = Writer(), 10 - W / 2
    ring = regular(radius, 400)
    for number in range(2):
        writer.flat(ring, (number + 1) * H, W, H)
    writer.rise(lambda _: ring, 1, base=2 * H, pitch=H, width=W)
    ends = np.linspace(0, 7, 7 * arcs + (arcs > 2) + 1)
    for gone, end in pairwise(ends.tolist()):
        place = tuple(radius * way(2 * math.pi * end) for way in (math.cos, math.sin))
        volume = section(W, H) * 2 * math.pi * radius * (end - gone)
        writer.arc((0, 0), place, H * (3 + end), volume)
    found, laid = walls(tmp_path, tube(20, W, 2.0), writer.text())
    assert {wall.fill for wall in found} == {"solid"}
    assert layers(laid) == 10
    assert found[0].printed == pytest.approx(W, abs=0.02)
    assert found[0].stretch.high == pytest.approx(2.0 - H / 2, abs=0.002)


def test_an_outline_that_shrinks_with_height(tmp_path):
    """A cone: the way of a turn lies beside that of the one below."""
    solid = m3.Manifold.cylinder(6, 15, 12, 480) - m3.Manifold.cylinder(6, 15 - W, 12 - W, 480)
    found, laid = walls(
        tmp_path, solid, vase(lambda z: regular(15 - W / 2 - z / 2, 160), 6.0, close=True)
    )
    assert {wall.fill for wall in found} == {"solid"}
    assert found[0].printed == pytest.approx(W, abs=0.02)
    assert layers(laid) == 31


def test_two_parts_one_after_the_other_and_turn_by_turn(tmp_path):
    def one(z):
        return oblong(40 - W, 0.9 - W)

    def other(z):
        return oblong(30 - W, 1.4 - W, (0, 20))

    solid = box([40, 0.9, 4.4], [-20, -0.45, 0]) + box([30, 1.4, 4.4], [-15, 19.3, 0])
    after, turnwise = Writer(), Writer()
    for ring in (one, other):
        for number in range(2):
            after.flat(ring(0), (number + 1) * H, W, H)
        after.rise(ring, 20, base=2 * H, pitch=H, width=W, step=5, close=True)
    for number in range(2):
        for ring in (one, other):
            turnwise.flat(ring(0), (number + 1) * H, W, H)
    for turn in range(20):
        for ring in (one, other):
            base = (2 + turn) * H
            turnwise.rise(ring, 1, base=base, pitch=H, width=W, step=5, ramp=turn == 0)
    for writer, count, top in ((after, 23, 4.4), (turnwise, 22, 4.3)):
        found, laid = walls(tmp_path, solid, writer.text())
        assert layers(laid) == count
        assert [(wall.fill, round(wall.stretch.typical, 2)) for wall in found] == [
            ("solid", 0.9),
            ("hollow", 1.4),
        ]
        assert [wall.printed for wall in found] == pytest.approx([0.9, 1.4], abs=0.005)
        assert [wall.stretch.high for wall in found] == pytest.approx([top, top], abs=0.002)


def test_pauses_that_draw_filament_back(tmp_path):
    solid, ring = bar(1.2)
    (wall,), laid = walls(tmp_path, solid, vase(ring, 6.0, step=3.0, pause=33.0))
    assert (wall.fill, layers(laid)) == ("hollow", 30)


@pytest.mark.parametrize("end", [5.82, 5.9, 5.98])
def test_an_end_that_does_not_come_around(tmp_path, end):
    """Is no layer, and nothing is missing above."""
    solid, ring = bar(1.2, height=end)
    (wall,), laid = walls(tmp_path, solid, vase(ring, end, step=3.0))
    assert (wall.fill, layers(laid)) == ("hollow", 29)
    assert laid.layer_partial.sum() == 1
    assert wall.stretch.high == pytest.approx(5.8 - H / 2, abs=0.002)


def test_a_part_that_is_higher_than_its_spiral(tmp_path):
    """What is really missing is found."""
    solid, ring = bar(1.2)
    found, _ = walls(tmp_path, solid, vase(ring, 5.0, step=3.0))
    assert sorted(wall.fill for wall in found) == ["hollow", "missing"]
    missing = next(wall for wall in found if wall.fill == "missing")
    assert missing.stretch.low == pytest.approx(5.0, abs=H)


def test_a_first_turn_that_is_fed_in_full_is_pressed_together(tmp_path):
    solid, ring = bar(1.2)
    (wall,), _ = walls(tmp_path, solid, vase(ring, 6.0, step=3.0, ramp=False))
    assert wall.printed == pytest.approx(1.2, abs=0.005)


def test_a_bead_that_is_too_thin_is_seen_in_a_spiral(tmp_path):
    """From half of its height on, the way is fed for a bead of 0.36 mm."""
    writer = Writer()
    solid, ring = bar(1.2)
    vase(ring, 3.0, writer, step=3.0)
    writer.rise(ring, 15, base=3.0, pitch=H, width=0.36, step=3.0, ramp=False)
    _, laid = walls(tmp_path, solid, writer.text())
    assert layers(laid) == 30
    assert laid.width[laid.z > 3.2] == pytest.approx(0.36, abs=0.003)
    assert laid.width[laid.z < 2.8] == pytest.approx(W, abs=0.005)


def test_a_pitch_that_changes(tmp_path):
    _, ring = bar(1.2)
    writer = Writer()
    writer.flat(ring(0), H, W, H)
    z = H
    pitches = [0.2, 0.2, 0.18, 0.16, 0.14, 0.12, 0.12, 0.12, 0.14, 0.16, 0.18, 0.2, 0.2]
    for number, pitch in enumerate(pitches):
        writer.rise(ring, 1, base=z, pitch=pitch, width=W, step=3.0, ramp=number == 0)
        z += pitch
    laid = read(tmp_path, writer.text())
    assert layers(laid) == 1 + len(pitches)
    assert laid.layer_z[1:] == pytest.approx(
        np.cumsum([H, *pitches])[:-1] + np.array(pitches) / 2, abs=0.02
    )


def test_heights_in_separate_moves(tmp_path):
    """Small steps up between level moves are a rise too, and no layers."""
    _, ring = bar(1.2)
    writer = Writer()
    corners = ring(0)[:-1]
    writer.flat(corners, H, W, H)
    z = H
    for _ in range(12):
        for k in range(4):
            one, other = corners[k], corners[(k + 1) % 4]
            for part in range(10):
                z += H / 40
                writer.go(*(a + (b - a) * part / 10 for a, b in zip(one, other, strict=True)), z)
                end = [a + (b - a) * (part + 1) / 10 for a, b in zip(one, other, strict=True)]
                writer.lay(*end, z, section(W, H) * math.dist(one, other) / 10)
    laid = read(tmp_path, writer.text())
    assert layers(laid) <= 14


def outline(rng):
    """A random star about the origin: radii at even angles."""
    count = rng.choice([5, 8, 24, 90])
    radii = [rng.uniform(8, 20) for _ in range(count)]
    lean = rng.uniform(-0.4, 0.4)

    def ring(z):
        return [
            (
                (radius + lean * z) * math.cos(2 * math.pi * k / count),
                (radius + lean * z) * math.sin(2 * math.pi * k / count),
            )
            for k, radius in enumerate(radii)
        ]

    return ring


@pytest.mark.parametrize("seed", range(12))
def test_random_outlines_have_the_layers_of_their_turns(tmp_path, seed):
    rng = random.Random(seed)
    ring, turns, base = outline(rng), rng.randint(3, 40), rng.randint(0, 4)
    pitch, width = rng.choice([0.08, 0.2, 0.3]), rng.uniform(0.4, 0.7)
    close = rng.random() < 0.5
    writer = Writer(
        relative_moves=rng.random() < 0.5,
        relative_feed=rng.random() < 0.5,
        decimals=rng.choice([3, 4, 5]),
    )
    for number in range(base):
        writer.flat(ring(0), (number + 1) * pitch, width, pitch)
    step = rng.choice([0.5, 2.0, 50.0])
    start = base * pitch
    writer.rise(ring, turns, base=start, pitch=pitch, width=width, step=step, close=close)
    laid = read(tmp_path, writer.text())
    assert layers(laid) == base + turns + close
    expected = start + pitch * (np.arange(turns) + 0.5)
    assert laid.layer_z[base : base + turns] == pytest.approx(expected, abs=0.005)
    assert np.median(laid.width) == pytest.approx(width, abs=0.01)
    # Each turn comes around once: as long as its outline there.
    way = np.hypot(*(laid.end - laid.start).T)
    for number in range(base, base + turns):
        corners = np.array([*ring(laid.layer_z[number]), ring(laid.layer_z[number])[0]])
        around = np.hypot(*np.diff(corners, axis=0).T).sum()
        assert way[laid.layer == number].sum() == pytest.approx(around, rel=0.02)
    assert laid.volume.sum() == pytest.approx(math.pi / 4 * 1.75**2 * writer.fed, rel=1e-4)


def test_zigzag_that_rises_is_no_spiral(tmp_path):
    """There and back: no turn, and what is said is that it has no layers."""
    lines = ["G21", "G90", "M83"]
    for k in range(200):
        lines.append(f"G1 X{80 if k % 2 == 0 else 50} Y40 Z{0.2 + 0.1 * k:.3f} E1")
    with pytest.raises(NotFlatError):
        read(tmp_path, "\n".join(lines) + "\n")


def test_a_coupon_of_which_each_wall_rises_turn_by_turn_is_read(tmp_path):
    """A way around each wall, half a bead inside: two beads with what is left between them."""
    steps = [0.9, 1.2, 1.5, 1.8]
    made = laid_coupons.coupon(tmp_path, steps, low=True)
    writer = Writer(shift=laid_coupons.LAID_AT)
    for number, rest in enumerate(made.rest):
        for ring in rest:
            writer.flat(ring[:-1], (number + 1) * H, W, H)
        if number * H + H / 2 < made.base:
            continue
        for feature in made.features:
            (x0, y0, _), (x1, y1, _) = feature["box"]
            way = oblong(x1 - x0 - W, y1 - y0 - W, ((x0 + x1) / 2, (y0 + y1) / 2))
            ramp = number * H - H / 2 < made.base
            writer.rise(lambda _, way=way: way, 1, base=number * H, pitch=H, width=W, ramp=ramp)
    path = tmp_path / "coupon.gcode"
    path.write_text(writer.text())
    readings = toolpath_readings(path, made.folder)
    assert sorted(row.nominal for row in readings.rows) == steps
    for row in readings.rows:
        assert row.fill == ("solid" if row.nominal == 0.9 else "hollow")
        assert row.readings == pytest.approx([row.nominal] * len(row.readings), abs=0.01)
