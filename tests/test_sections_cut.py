"""Cutting a mesh into layers, against manifold3d's own slices as an independent reference."""

from dataclasses import fields, replace

import manifold3d as m3
import numpy as np
import pytest
from solids import box, mesh, tube

from wallguard.base.errors import TooLargeError
from wallguard.mesh.mesh import Mesh
from wallguard.sections import crossings
from wallguard.sections.cut import cut


def area(ring):
    x, y = ring.T
    return 0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


def layer_area(sections, layer):
    return sum(area(ring) for ring in sections.rings(int(sections.distinct[layer])))


def test_layers_lie_at_mid_height():
    sections = cut(mesh(box([10, 5, 1.0], [0, 0, 3])), 0.2)
    assert np.allclose(sections.heights, [3.1, 3.3, 3.5, 3.7, 3.9])


def test_a_part_lower_than_half_a_layer_has_none():
    assert len(cut(mesh(box([10, 10, 0.09])), 0.2).heights) == 0


def test_a_block_is_one_distinct_section_of_four_corners():
    sections = cut(mesh(box([10, 5, 4])), 0.2)
    assert set(sections.distinct.tolist()) == {0}
    assert len(sections.points) == 4
    assert layer_area(sections, 0) == pytest.approx(50)


@pytest.mark.parametrize("turn", [(0, 0, 0), (30, 40, 50), (90, 0, 0), (12, 0, 77)])
def test_areas_equal_those_of_an_independent_slicer(turn):
    # Reference library: manifold3d's Manifold.slice.
    solid = (tube(20, 3, 30) + box([25, 4, 9], [-12, -2, 3])).rotate(turn)
    sections = cut(mesh(solid), 0.2)
    for layer in range(0, len(sections.heights), 7):
        expected = solid.slice(float(sections.heights[layer])).area()
        assert layer_area(sections, layer) == pytest.approx(expected, rel=2e-4, abs=1e-3)


def test_material_lies_to_the_left():
    sections = cut(mesh(tube(20, 3, 2)), 0.2)
    assert sorted(np.sign([area(ring) for ring in sections.rings(0)])) == [-1, 1]


def test_slope_of_a_cone_is_that_of_its_surface():
    sections = cut(mesh(m3.Manifold.cylinder(10, 10, 5, 64)), 0.2)
    # 5 mm inward over 10 mm up: the normal rises 0.5 for each unit outward.
    assert np.allclose(sections.slope, 0.5, atol=2e-3)


def test_a_face_in_the_cutting_plane_is_no_trouble():
    solid = box([10, 10, 1.1]) + box([4, 4, 3], [3, 3, 0])  # a step exactly at a mid-height
    sections = cut(mesh(solid), 0.2)
    areas = [layer_area(sections, layer) for layer in range(len(sections.heights))]
    assert sorted({round(a, 6) for a in areas}) == [16, 100]


def test_an_open_mesh_names_the_layers_that_do_not_close():
    whole = mesh(box([10, 10, 4]))
    middle = whole.vertices[whole.triangles].mean(axis=1)
    sections = cut(Mesh(whole.vertices, whole.triangles[middle[:, 0] < 9.9]), 0.2, untangle=True)
    assert len(sections.loose) == 20


def test_a_missing_lid_leaves_the_sections_whole():
    whole = mesh(box([10, 10, 4]))
    middle = whole.vertices[whole.triangles].mean(axis=1)
    sections = cut(Mesh(whole.vertices, whole.triangles[middle[:, 2] < 3.9]), 0.2, untangle=True)
    assert len(sections.loose) == 0
    assert layer_area(sections, 10) == pytest.approx(100)


def test_crossing_bodies_are_untangled():
    one, other = mesh(box([10, 10, 4])), mesh(box([10, 10, 4], [5, 5, 0]))
    both = Mesh(
        np.concatenate([one.vertices, other.vertices]),
        np.concatenate([one.triangles, other.triangles + len(one.vertices)]).astype(np.int32),
    )
    assert layer_area(cut(both, 0.2, untangle=True), 3) == pytest.approx(175, abs=1e-3)


def test_layers_alike_are_untangled_once(monkeypatch):
    counted = []
    whole = m3.CrossSection
    monkeypatch.setattr(m3, "CrossSection", lambda *rings: counted.append(0) or whole(*rings))
    one, other = mesh(box([10, 10, 4])), mesh(box([10, 10, 2], [5, 5, 0]))
    both = Mesh(
        np.concatenate([one.vertices, other.vertices]),
        np.concatenate([one.triangles, other.triangles + len(one.vertices)]).astype(np.int32),
    )
    sections = cut(both, 0.2, untangle=True)
    assert [layer_area(sections, at) for at in (0, 9, 10, 19)] == pytest.approx(
        [175] * 2 + [100] * 2
    )
    assert len(counted) == 2


def test_a_part_of_a_million_layers_is_refused():
    with pytest.raises(TooLargeError, match="layers"):
        cut(mesh(box([1, 1, 1e6])), 0.2)


def test_kilometres_of_outline_are_refused():
    with pytest.raises(TooLargeError, match="km of outline"):
        cut(mesh(m3.Manifold.cylinder(2000, 3e6, 2e6, 64)), 0.2)


def test_a_sliver_in_a_flat_face_carries_no_shape():
    whole = mesh(box([10, 10, 10]))
    side = (np.abs(whole.vertices[whole.triangles][:, :, 0] - 10) < 1e-9).all(axis=1)
    (a, b, c), others = whole.triangles[side][0], whole.triangles[side][1:]
    kept = np.concatenate([whole.triangles[~side], others])
    # Beside the middle of the diagonal, off the plane by little more than a float's step.
    corners = whole.vertices[[a, b, c]]
    long = np.argmax(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1))
    middle = (corners[long] + corners[(long + 1) % 3]) / 2
    tip = corners[(long + 2) % 3]
    extra = middle + 1e-4 * (tip - middle) / np.linalg.norm(tip - middle) + [4e-6, 0, 0]
    p = len(whole.vertices)
    cut_up = Mesh(
        np.concatenate([whole.vertices, [extra]]),
        np.concatenate([kept, [[a, b, p], [b, c, p], [c, a, p]]]).astype(np.int32),
    )
    sections = cut(cut_up, 0.2)
    assert set(sections.distinct.tolist()) == {0}
    assert len(sections.points) == 4
    assert np.abs(sections.slope).max() < 1e-6


@pytest.mark.parametrize("kind", ["twisted", "lying", "open", "crossing", "flat faces"])
def test_layers_cut_a_few_at_a_time_are_those_cut_at_once(kind, monkeypatch):
    ring = m3.CrossSection.circle(10, 40) - m3.CrossSection.square([9, 9], True)
    solid = ring.extrude(12, n_divisions=30, twist_degrees=80)
    if kind == "lying":
        solid = solid.rotate([80, 7, 3])
    elif kind == "flat faces":
        solid = m3.Manifold.compose(
            [box([30, 2, 20], [3 * i, 0, 0]).rotate([4, 9, 2]) for i in (0, 20)]
        )
    cut_from = mesh(solid)
    if kind in ("open", "crossing"):
        triangles = cut_from.triangles[np.arange(len(cut_from.triangles)) % 400 != 3]
        cut_from = replace(cut_from, triangles=triangles)
    untangle = kind == "crossing"
    whole = cut(cut_from, 0.2, untangle=untangle)
    monkeypatch.setattr(crossings, "_AT_ONCE", 300)
    parts = cut(cut_from, 0.2, untangle=untangle)
    assert len(whole.points) > 300
    for field in fields(whole):
        one, other = getattr(whole, field.name), getattr(parts, field.name)
        assert np.array_equal(one, other), field.name
