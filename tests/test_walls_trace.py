"""Walls and gaps of known solids, published sections, and an independent reference."""

import math

import manifold3d as m3
import numpy as np
import pytest
import shapely
from solids import box, i_section, mesh, prism, tube, wedge

from wallguard.sections.cut import cut
from wallguard.walls.trace import find_gaps, find_walls, inside_section

TURNS = (0, 90, 17.3, 45, 211)


def walls(solid, largest=8.0, splits=(), layer_height=0.2):
    return find_walls(cut(mesh(solid), layer_height), largest, splits)


def gaps(solid, largest=2.0):
    return find_gaps(cut(mesh(solid), 0.2), largest)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("thickness", [0.2, 0.8, 1.5, 3.0])
def test_a_plate_is_one_wall_of_its_thickness(thickness, turn):
    (wall,) = walls(box([30, thickness, 10]).rotate([0, 0, turn]))
    assert wall.minimum == pytest.approx(thickness, abs=0.005)
    assert wall.typical == pytest.approx(thickness, abs=0.005)
    assert wall.maximum == pytest.approx(thickness, abs=0.005)
    assert wall.length == pytest.approx(30 - thickness, abs=0.25)
    assert (wall.low, wall.high) == (pytest.approx(0), pytest.approx(10))
    assert wall.sides == 0


def test_a_plate_lying_on_its_side_is_measured_in_the_layers():
    # 10 mm high, 30 mm wide, and 1.5 mm thick across: turned so that it still stands.
    (wall,) = walls(box([1.5, 30, 10]).rotate([90, 0, 0]).rotate([0, 0, 20]))
    assert wall.typical == pytest.approx(1.5, abs=0.005)
    assert wall.high - wall.low == pytest.approx(30)


def test_a_leaning_wall_has_the_thickness_its_section_has():
    # Leaning 45 degrees, 1.5 mm thick across: each layer shows 1.5 x sqrt(2).
    lean = prism([[0, 0], [1.5 * 2**0.5, 0], [1.5 * 2**0.5 + 10, 10], [10, 10]], 20)
    (wall,) = walls(lean.rotate([90, 0, 0]))
    assert wall.typical == pytest.approx(1.5 * 2**0.5, abs=0.005)


@pytest.mark.parametrize("turn", TURNS)
def test_a_hollow_box_has_four_walls(turn):
    solid = box([40, 30, 10]) - box([37, 27, 12], [1.5, 1.5, -1])
    found = walls(solid.rotate([0, 0, turn]))
    assert [round(wall.typical, 3) for wall in found] == [1.5] * 4
    assert [wall.sides for wall in found] == [2] * 4
    assert sorted(round(wall.length) for wall in found) == [28, 28, 38, 38]


@pytest.mark.parametrize("segments", [32, 64, 200])
def test_a_ring_is_as_long_as_its_middle_line(segments):
    # Right beside its vertices a facet is held by the next one, which shortens no wall.
    (wall,) = walls(tube(34, 1.4, 1, segments))
    half = np.pi / segments
    around = 2 * segments * np.sin(half) * (17 + 15.6) / 2
    assert wall.length == pytest.approx(around, rel=2e-3)
    assert wall.sides == 2


# ASME B36.10M, welded and seamless wrought steel pipe: nominal size and schedule, outside diameter,
# wall thickness in mm (from memory).
PIPES = [
    ("NPS 1/2 schedule 40", 21.3, 2.77),
    ("NPS 1/2 schedule 80", 21.3, 3.73),
    ("NPS 1 schedule 40", 33.4, 3.38),
    ("NPS 2 schedule 40", 60.3, 3.91),
    ("NPS 2 schedule 80", 60.3, 5.54),
    ("NPS 4 schedule 40", 114.3, 6.02),
]


@pytest.mark.parametrize(("name", "outside", "thickness"), PIPES)
def test_pipes_have_their_tabulated_wall(name, outside, thickness):
    segments = 256
    (wall,) = walls(tube(outside, thickness, 4, segments))
    sagitta = outside / 2 * (1 - np.cos(np.pi / segments))
    assert wall.typical == pytest.approx(thickness, abs=max(0.005 * thickness, sagitta)), name
    assert wall.length == pytest.approx(np.pi * (outside - thickness), rel=0.005)
    assert wall.sides == 2


@pytest.mark.parametrize("segments", [8, 12, 24, 64])
def test_a_coarse_tube_is_still_one_wall(segments):
    (wall,) = walls(tube(20, 1.5, 4, segments))
    assert wall.minimum == pytest.approx(1.5 * np.cos(np.pi / segments), abs=0.005)


# EN 10365:2017, hot rolled I and H sections: height, width, web, flange in mm (from memory).
SECTIONS = [
    ("IPE 80", 80, 46, 3.8, 5.2),
    ("IPE 100", 100, 55, 4.1, 5.7),
    ("IPE 200", 200, 100, 5.6, 8.5),
    ("HE 100 A", 96, 100, 5.0, 8.0),
    ("HE 100 B", 100, 100, 6.0, 10.0),
]


@pytest.mark.parametrize("scale", [1.0, 0.1, 0.02])
@pytest.mark.parametrize(("name", "height", "width", "web", "flange"), SECTIONS)
def test_i_sections_have_their_tabulated_web_and_flanges(name, height, width, web, flange, scale):
    solid = i_section(height, width, web, flange, 100).scale([scale] * 3).rotate([0, 0, 31])
    found = walls(solid, largest=12 * scale)
    assert [wall.typical for wall in found] == pytest.approx(
        [web * scale, flange * scale, flange * scale], abs=0.005
    ), name
    assert found[0].sides == 2


def test_a_root_radius_does_not_hide_the_web():
    # IPE 100 with its root radius of 7 mm (EN 10365, from memory).
    web, radius = 4.1, 7
    outline = i_section(100, 55, web, 5.7, 10).slice(5)
    rounded = outline.offset(radius, m3.JoinType.Round, circular_segments=256).offset(
        -radius, m3.JoinType.Round, circular_segments=256
    )
    solid = m3.Manifold.extrude(rounded, 10)
    found = walls(solid, largest=5.9)
    webs = [wall for wall in found if wall.minimum < 4.5]
    assert len(webs) == 1
    assert webs[0].minimum == pytest.approx(web, abs=0.005)


@pytest.mark.parametrize("turn", TURNS)
def test_a_knife_edge_is_followed_to_its_end(turn):
    (wall,) = walls(wedge(0, 3, 30, 10).rotate([0, 0, turn]))
    assert wall.minimum < 0.01
    assert 2.7 < wall.maximum <= 3.0


def test_a_taper_is_divided_where_it_is_asked():
    found = walls(wedge(0, 3, 30, 10), splits=[0.5, 1.0, 2.0])
    assert [wall.group for wall in found] == [0, 1, 2, 3]
    # A wedge of 3 mm over 30 mm reaches each thickness after ten times as much length.
    assert [wall.length for wall in found[:3]] == pytest.approx([5, 5, 10], abs=0.1)
    for wall, edge in zip(found, [0.5, 1.0, 2.0], strict=False):
        assert wall.maximum == pytest.approx(edge, abs=0.005)


@pytest.mark.parametrize("corner", [50, 60, 90, 95])
def test_corners_are_no_walls(corner):
    far = [20 * np.cos(np.radians(corner)), 20 * np.sin(np.radians(corner))]
    assert walls(prism([[0, 0], [20, 0], far], 5), largest=3) == []


def test_a_gusset_of_45_degrees_has_no_thin_wall():
    assert walls(prism([[0, 0], [20, 0], [0, 20]], 5), largest=3) == []


@pytest.mark.parametrize(
    "solid",
    [
        box([10, 10, 10]),
        m3.Manifold.sphere(6, 96),
        m3.Manifold.cylinder(12, 6, 0, 96),
        prism([[0, 0], [10, 0], [5, 5]], 20).rotate([90, 0, 0]),
    ],
    ids=["cube", "ball", "cone", "ridge"],
)
def test_solid_shapes_have_no_thin_wall(solid):
    assert walls(solid, largest=3) == []


def test_a_square_post_is_one_wall_and_a_round_one_none():
    assert len(walls(box([20, 20, 2]) + box([0.5, 0.5, 5], [5, 5, 0]), largest=3)) == 1
    pin = m3.Manifold.cylinder(5, 0.3, 0.3, 32).translate([5, 5, 0])
    assert walls(box([20, 20, 2]) + pin, largest=3) == []


def test_a_square_block_is_no_wall_in_each_direction():
    (wall,) = walls(box([20, 20, 5]), largest=25)
    assert wall.typical == pytest.approx(20)


def test_a_groove_leaves_a_neck():
    groove = prism([[15, 0.5], [17, 2.5], [13, 2.5]], 12).translate([0, 0, -1])
    neck = walls(box([30, 2, 10]) - groove, splits=[1.0])[0]
    assert neck.minimum == pytest.approx(0.5, abs=0.005)
    assert neck.point[:2] == pytest.approx((15, 0.25), abs=0.05)


def test_letters_of_one_layer_are_walls():
    solid = box([20, 20, 2]) + box([0.5, 8, 0.2], [5, 5, 2])
    (wall,) = walls(solid, largest=3)
    assert (wall.low, wall.high) == (pytest.approx(2), pytest.approx(2.2))
    assert wall.sides == 1


def test_sides_count_what_holds_a_wall():
    def sides(solid):
        return min(walls(solid, largest=1), key=lambda wall: wall.typical).sides

    plate = box([40, 20, 2])
    fin = box([0.8, 16, 10], [20, 2, 2])
    assert sides(plate + fin) == 1
    assert sides(plate + fin + box([40, 3, 10], [0, 0, 2])) == 2
    assert sides(plate + fin + box([40, 3, 10], [0, 0, 2]) + box([40, 3, 10], [0, 17, 2])) == 3


@pytest.mark.parametrize("turn", TURNS)
def test_a_slot_is_a_gap_of_its_width(turn):
    solid = box([30, 20, 4]) - box([10, 0.3, 6], [10, 10, -1])
    (gap,) = gaps(solid.rotate([0, 0, turn]))
    assert gap.minimum == pytest.approx(0.3, abs=0.005)
    assert gap.length == pytest.approx(10, abs=0.5)


def test_air_between_bodies_is_a_gap_and_a_round_hole_is_none():
    (gap,) = gaps(box([10, 10, 5]) + box([10, 10, 5], [10.25, 0, 0]))
    assert gap.typical == pytest.approx(0.25, abs=0.005)
    bore = m3.Manifold.cylinder(9, 0.4, 0.4, 32).translate([5, 5, -1])
    assert gaps(box([10, 10, 5]) - bore) == []


def test_fins_of_the_benchmark_part_are_told_apart():
    # The benchmark part's fins: 40 of them, 0.20 to 2.15 mm in steps of 0.05 mm.
    solid = box([162, 20, 2])
    for i in range(40):
        thickness = 0.20 + 0.05 * i
        solid += box([thickness, 20, 18.5], [3 + 4 * i - thickness / 2, 0, 1.5])
    found = walls(solid, largest=3)
    assert [wall.typical for wall in found] == pytest.approx(
        [0.20 + 0.05 * i for i in range(40)], abs=0.005
    )


def test_the_order_of_triangles_does_not_matter():
    whole = mesh(tube(20, 1.5, 4) + box([30, 1, 4], [-15, -0.5, 0]))
    random = np.random.default_rng(1)
    shuffled = whole.triangles[random.permutation(len(whole.triangles))]
    from wallguard.mesh.mesh import Mesh

    one = find_walls(cut(whole, 0.2), 3)
    other = find_walls(cut(Mesh(whole.vertices, shuffled), 0.2), 3)
    assert [(round(w.typical, 4), round(w.length, 2)) for w in one] == [
        (round(w.typical, 4), round(w.length, 2)) for w in other
    ]


def test_an_irregular_part_against_an_independent_thickness_map():
    """Reference library: localthickness (Dahl and Dahl, 2023), on an image of the section.

    Every pixel of the image lies in the largest disc that the library found over it; the discs of
    the wall samples, painted over the same pixels, must say the same.
    """
    localthickness = pytest.importorskip("localthickness")
    measure = pytest.importorskip("skimage.measure")
    from wallguard.walls.edges import material_edges
    from wallguard.walls.samples import take_samples

    size, points = 20.0, 400
    axis = np.linspace(0, size, points)
    x, y = np.meshgrid(axis, axis, indexing="ij")
    field = np.abs(np.sin(0.6 * x) * np.cos(0.5 * y) + np.sin(0.45 * y + 0.3 * x))
    field[[0, -1]], field[:, [0, -1]] = 1, 1
    rings = [ring * size / (points - 1) for ring in measure.find_contours(field, 0.35)]
    outline = m3.CrossSection([ring[:-1] for ring in rings], m3.FillRule.EvenOdd)
    edges = material_edges(cut(mesh(m3.Manifold.extrude(outline, 0.2)), 0.2))
    samples = take_samples(edges, 4.0, lambda t: np.zeros(len(t), np.int64))

    pixel = size / (points - 1)
    reference = localthickness.local_thickness(field < 0.35) * 2 * pixel
    own = np.zeros_like(reference)
    for centre, radius in zip(
        samples.centre[samples.wall], samples.discs.radius[samples.wall], strict=True
    ):
        low = np.maximum(np.floor((centre - radius) / pixel).astype(int), 0)
        high = np.ceil((centre + radius) / pixel).astype(int) + 1
        window = np.s_[low[0] : high[0], low[1] : high[1]]
        inside = np.hypot(x[window] - centre[0], y[window] - centre[1]) <= radius
        own[window] = np.maximum(own[window], np.where(inside, 2 * radius, 0))
    # Where walls are thin, and away from the border that the field was cut off at.
    judged = (reference > 0.4) & (reference < 1.8)
    judged[:30], judged[-30:], judged[:, :30], judged[:, -30:] = 0, 0, 0, 0
    assert judged.sum() > 5000
    agree = np.abs(own - reference)[judged] <= 3 * pixel
    assert agree.mean() > 0.97


def test_random_outlines_against_the_exact_medial_axis():
    """Reference library: pyvoronoi (Boost.Polygon's Voronoi diagram of segments)."""
    pytest.importorskip("pyvoronoi")
    from fuzz_walls import compare

    counts = [compare(seed) for seed in range(30, 38)]
    discs, missed = (sum(column) for column in zip(*counts, strict=True))
    assert discs > 300
    assert missed <= 0.005 * discs


def test_what_is_left_out_bounds_no_wall():
    """Walls and gaps of random parts are the same as where every edge is asked everywhere."""
    import fuzz_exact

    total, differs = 0, {}
    for seed in (0, 1, 2, 3, 4):
        solid = fuzz_exact.part(seed)
        count, differs[seed] = fuzz_exact.compare(cut(mesh(solid), fuzz_exact.LAYER))
        total += count
    assert total > 50
    assert not any(differs.values())


def test_a_wall_between_short_facets_is_as_thin_as_where_it_ends():
    # A lens of facets 0.72 mm long, each end a point of 90 degrees, which is no wall.
    tip, end, half, tall = 0.89, 0.69, 0.4, 0.2
    right = [[tip, 0], [end, tall], [0, half]]
    upper = right + [[-x, y] for x, y in right[1::-1]]
    lens = upper + [[x, -y] for x, y in upper[-2:0:-1]]
    (wall,) = find_walls(cut(mesh(prism(lens, 1)), 0.2), 1.2)
    # It ends where a disc on its middle line, at (c, 0), touches both the facets and the point:
    # (half - slope c) / hypot(1, slope) = (tip - c) / hypot(1, 1).
    slope = (half - tall) / end
    one, other = 1 / math.hypot(1, slope), 1 / math.hypot(1, 1)
    c = (tip * other - half * one) / (other - slope * one)
    assert wall.minimum == pytest.approx(2 * (tip - c) * other, abs=0.001)


@pytest.mark.parametrize(
    ("make", "seed"),
    [
        ("part", 48),  # the mean of a piece decides whether it swells
        ("part", 77),  # a wall that is as long as it is thick, to 0.0005 mm
        ("part", 390),  # a corner that lies straight across for 0.013 mm
        ("leaning", 56),  # discs at a corner that are seen from across
        ("leaning", 82),  # a gap on a long edge of which both ends face nothing
        ("leaning", 76),  # one corner of two facets: by which of them it is named
        ("leaning", 190),  # and a wall that lies within a tie of it
        ("leaning", 244),  # a piece between two that are as thin as each other
        ("part", 255),  # facets straighter across than the one that is touched
        ("part", 9),  # held by what lies below half of it
    ],
)
def test_what_was_told_otherwise_where_all_is_asked(make, seed):
    import fuzz_exact

    solid = getattr(fuzz_exact, make)(seed)
    assert fuzz_exact.compare(cut(mesh(solid), fuzz_exact.LAYER))[1] == []


def test_a_turned_block_is_hardly_asked_anywhere():
    from wallguard.walls.edges import material_edges
    from wallguard.walls.samples import take_samples

    block = box([300, 200, 40]).rotate([10, 10, 0])
    edges = material_edges(cut(mesh(block), 0.2))
    samples = take_samples(edges, 4.0, lambda t: np.zeros(len(t), np.int64), dense=False)
    assert len(samples.edge) < 40 * len(edges.length)
    assert edges.length.sum() > 500 * len(edges.length) / 10
    assert not find_walls(cut(mesh(block), 0.2), 4.0)


@pytest.mark.parametrize("lean", [30, 56, 60, 70, 75])
def test_a_wall_holds_together_however_far_it_leans(lean):
    plate = box([40, 1.0, 40]).rotate([-lean, 0, 0])
    walls = [w for w in find_walls(cut(mesh(plate), 0.2), 4.5) if w.high - w.low > 2]
    assert len(walls) == 1
    assert walls[0].typical == pytest.approx(1 / np.cos(np.radians(lean)), rel=0.005)


def test_pieces_meet_the_same_whether_few_samples_are_asked_first_or_all(monkeypatch):
    import fuzz_exact

    from wallguard.walls import upward

    solids = [*map(fuzz_exact.part, range(4)), tube(20, 1, 6).rotate([20, 0, 0])]
    cuts = [cut(mesh(solid), 0.2) for solid in solids]
    found = [find_walls(sections, 4.0, fuzz_exact.SPLITS) for sections in cuts]
    monkeypatch.setattr(upward, "_FEW", 0)
    assert [find_walls(sections, 4.0, fuzz_exact.SPLITS) for sections in cuts] == found
    assert all(found)


def test_walls_are_divided_where_their_thickness_passes_the_split():
    """A long taper has few samples; where it is divided, and its median, are right all the same."""
    taper = wedge(1.0, 2.0, 100, 2)
    thin, thick = sorted(find_walls(cut(mesh(taper), 0.2), 4.0, [1.5]), key=lambda w: w.minimum)
    assert thin.maximum == pytest.approx(1.5, abs=0.002)
    assert thick.minimum == pytest.approx(1.5, abs=0.002)
    assert thin.typical == pytest.approx(1.25, abs=0.01)
    assert thick.typical == pytest.approx(1.75, abs=0.02)


def test_a_part_without_walls_has_none_to_link_or_follow():
    from wallguard.walls.edges import material_edges
    from wallguard.walls.samples import take_samples
    from wallguard.walls.trace import follow, linked

    sections = cut(mesh(box([20, 20, 2])), 0.2)
    edges = material_edges(sections)
    samples = take_samples(edges, 4.0, lambda t: np.zeros(len(t), np.int64))
    links = linked(edges, samples)
    assert not len(links.one)
    assert follow(sections, edges, samples, links, np.zeros(0, np.int64)).walls == []


def test_a_long_taper_is_followed_to_its_blunt_end():
    """However far apart the samples on its sides begin: its end is as thick as it was drawn."""
    (wall,) = find_walls(cut(mesh(wedge(0.3, 1.2, 60, 2)), 0.2), 4.0)
    assert wall.minimum == pytest.approx(0.3, abs=0.003)


def test_a_place_is_in_the_middle_of_its_wall():
    """Also of one as thick all along, whose samples stand at its ends."""
    for turn in (0.0, 17.3):
        (wall,) = walls(box([40, 0.8, 10]).rotate([0, 0, turn]))
        middle = m3.CrossSection.square([40, 0.8]).rotate(turn).bounds()
        assert wall.point[0] == pytest.approx((middle[0] + middle[2]) / 2, abs=0.1)
        assert wall.point[1:] == pytest.approx(((middle[1] + middle[3]) / 2, 5), abs=0.1)
    frame = box([40, 30, 10]) - box([37, 27, 12], [1.5, 1.5, -1])
    points = (tuple(round(x, 6) for x in wall.point) for wall in walls(frame))
    assert sorted(points) == [
        pytest.approx(point, abs=0.1)
        for point in ((0.75, 15, 5), (20, 0.75, 5), (20, 29.25, 5), (39.25, 15, 5))
    ]


def test_a_wall_that_leans_is_as_thick_square_to_it_as_it_is_drawn():
    """Exactly where it leans alike all along, as a plate that is turned and a cone's shell do."""
    for degrees in (0, 20, 45, 60):
        plate = box([20, 1.2, 12], [0, 0, -3]).rotate([degrees, 0, 0]).trim_by_plane([0, 0, 1], 0)
        wall = max(walls(plate, largest=4), key=lambda wall: wall.area)
        assert wall.across == pytest.approx(1.2, abs=0.005)
        assert wall.minimum == pytest.approx(1.2 / np.cos(np.radians(degrees)), abs=0.02)
    # Of 1.0 mm square to it.
    wide = np.sqrt(2)
    shell = m3.Manifold.cylinder(8, 20, 12, 256) - m3.Manifold.cylinder(
        8, 20 - wide, 12 - wide, 256
    )
    (wall,) = walls(shell, largest=4)
    assert wall.across == pytest.approx(1, abs=0.01)


def test_what_lies_in_the_material_of_a_section_is_as_shapely_says():
    drawn = box([20, 12, 9]) - box([8, 6, 9]).translate([3, 3, 0.5]) + m3.Manifold.sphere(5, 40)
    sections = cut(mesh(drawn.rotate([0, 0, 17])), 0.2)
    draw = np.random.default_rng(4)
    count = int(sections.distinct.max()) + 1
    section = draw.integers(-1, count, 3000)
    point = draw.uniform([-8, -8], [24, 16], (3000, 2))
    # Heights of corners, too.
    point[::7, 1] = sections.points[draw.integers(0, len(sections.points), len(point[::7])), 1]
    material = [shapely.Polygon() for _ in range(count)]
    for number in range(count):
        for ring in sections.rings(number):
            material[number] = material[number].symmetric_difference(shapely.Polygon(ring))
    expected = [
        number >= 0 and shapely.contains_xy(material[number], *at)
        for number, at in zip(section.tolist(), point.tolist(), strict=True)
    ]
    assert 0 < sum(expected) < 3000
    assert inside_section(sections, section, point).tolist() == expected
