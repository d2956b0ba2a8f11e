"""Layers between the ends of runs: what they are said to be without being searched."""

from __future__ import annotations

import random

import manifold3d as m3
import numpy as np
import pytest
from fuzz_exact import SPLITS, leaning
from solids import mesh

from wallguard.sections.cut import cut
from wallguard.sections.sections import section_heights
from wallguard.walls import runs, samples
from wallguard.walls.discs import Discs
from wallguard.walls.edges import material_edges
from wallguard.walls.paths import Points, outcome, starts_of
from wallguard.walls.runs import runs_of
from wallguard.walls.trace import find_gaps, find_walls

LAYER = 0.2


def searched(solid, monkeypatch, find=find_walls, largest=4.0, splits=()):
    """What is found along runs, what is found by searching each layer, and how many sections of
    how many are searched in the first way."""
    sections = cut(mesh(solid), LAYER)
    count = []
    ready = samples.ready

    def counting(edges, *rest):
        count.append(len(np.unique(edges.section)))
        return ready(edges, *rest)

    monkeypatch.setattr(samples, "ready", counting)
    along = find(sections, largest, splits)
    fast = sum(count)
    monkeypatch.setattr(samples, "runs_of", lambda edges, heights: runs_of(edges, heights[:0]))
    each = find(sections, largest, splits)
    monkeypatch.undo()
    return along, each, (fast, sum(count) - fast)


def frame(size, height, draft):
    """A block whose sides lean inward by `draft` (mm a mm)."""
    inset = 2 * height * draft
    top = tuple(1 - inset / each for each in size)
    return m3.CrossSection.square(size, True).extrude(height, scale_top=top)


def same(along, each):
    assert len(along) == len(each)
    for one, other in zip(along, each, strict=True):
        for name in ("minimum", "maximum", "across"):
            assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-3), name
        assert one.typical == pytest.approx(other.typical, abs=5e-3)
        # How far a wall goes on beyond its last sample is known to a chain (`chains.LONG`).
        assert one.length == pytest.approx(other.length, abs=0.15)
        assert (one.sides, one.ends, one.group) == (other.sides, other.ends, other.group)
        assert np.array(one.box) == pytest.approx(np.array(other.box), abs=0.21)


def test_a_drafted_tray_stood_on_end_is_searched_in_few_layers(monkeypatch):
    tray = frame((60, 40), 14, 0.0087) - frame((56, 36), 14, 0.0087).translate([0, 0, 2])
    along, each, (fast, slow) = searched(tray.rotate([0, 91, 0]), monkeypatch, splits=(1.9, 2.0))
    same(along, each)
    assert slow > 280
    assert fast < slow / 5


def test_a_turned_block_has_no_layer_searched_between_its_corners(monkeypatch):
    block = m3.Manifold.cube([60, 40, 50]).rotate([10, 10, 0])
    for find in (find_walls, find_gaps):
        along, each, (fast, slow) = searched(block, monkeypatch, find, 0.5)
        assert along == each == []
        assert fast < slow / 8


def test_a_wall_that_crosses_a_split_is_divided_in_the_right_layer(monkeypatch):
    wedge = m3.CrossSection.square([20, 1.6], True).extrude(30, scale_top=(1, 0.5))
    along, each, (fast, slow) = searched(wedge, monkeypatch, splits=(1.0, 1.31))
    same(along, each)
    assert [round(piece.high, 3) for piece in along] == [round(piece.high, 3) for piece in each]
    assert fast < slow / 2


def test_fins_that_taper_through_many_ranges_are_searched_in_few_layers(monkeypatch):
    fins = m3.Manifold.cube([40, 3, 60])
    for place in (6, 16, 26):
        fin = m3.CrossSection.square([1.6, 20], True).extrude(60, scale_top=(0.4, 0.9))
        fins += fin.translate([place, 12, 0])
    fins = fins.rotate([3, 0, 8])
    along, each, (fast, slow) = searched(fins, monkeypatch, splits=SPLITS)
    same(along, each)
    assert len(along) > 12
    assert fast < slow / 3


def test_a_disc_between_two_corners_is_told_the_same_whichever_edge_it_is_given():
    # Both edges that meet at a corner touch the disc there, and rounding tells which holds it.
    edges = material_edges(cut(mesh(m3.Manifold.cube([10, 1, 0.2])), LAYER))
    begin = starts_of(edges, 1)
    contact = edges.start[[2]]
    told = [
        outcome(
            edges,
            begin,
            Points(
                np.array([0]),
                np.zeros(1),
                edges.inward[[0]],
                Discs(np.array([0.5]), contact, np.array([held]), np.array([-1.0])),
                np.array([True]),
            ),
            lambda thickness: np.zeros(len(thickness), np.int64),
        ).tolist()
        for held in (1, 2)
    ]
    assert edges.after[1] == 2
    assert told[0] == told[1]


def test_facets_of_a_turned_part_are_searched_in_the_layers_at_their_ends(monkeypatch):
    """Outer and inner facets lie straight across from each other, so which of two neighbours holds
    a disc at their corner is a matter of rounding, and differs from layer to layer."""
    outer, inner = [[0, 0]], []
    for step in range(7):
        radius, height = 12 + 3 * np.sin(step), 4.0 * step
        outer.append([radius, height])
        inner.append([radius - 1.5 - 0.1 * step, max(height, 2)])
    profile = outer + inner[::-1] + [[0, 2]]
    vase = m3.CrossSection([profile]).revolve(120)
    along, each, (fast, slow) = searched(vase, monkeypatch, splits=SPLITS)
    same(along, each)
    assert fast < slow / 4


def test_corners_that_slide_past_each_other_are_nearest_in_between(monkeypatch):
    """Two ridges that lean opposite ways: their edges pass each other at half height, 0.3 mm apart,
    and no layer at either end of the run tells."""
    ridge = m3.CrossSection([[[-4, 0], [4, 0], [0, 3]]]).extrude(16)
    lower = ridge.transform([[1, 0, 0.1, -0.8], [0, 1, 0, -3.15], [0, 0, 1, 0]])
    upper = ridge.rotate([0, 0, 180]).transform([[1, 0, -0.1, 0.8], [0, 1, 0, 3.15], [0, 0, 1, 0]])
    both = lower + upper
    block = m3.Manifold.cube([30, 14, 16], True).translate([0, 0, 8]) - both
    for solid, find, largest in ((both, find_gaps, 2.0), (block, find_walls, 4.0)):
        along, each, _ = searched(solid, monkeypatch, find, largest)
        same(along, each)
        least = min(along, key=lambda piece: piece.minimum)
        assert least.minimum == pytest.approx(0.3, abs=0.01)


@pytest.mark.parametrize("seed", range(12))
def test_random_leaning_parts_are_what_every_layer_tells(seed, monkeypatch):
    solid = leaning(seed)
    for find, largest, splits in ((find_walls, 4.0, SPLITS), (find_gaps, 0.5, ())):
        along, each, _ = searched(solid, monkeypatch, find, largest, splits)
        same(along, each)


def test_runs_end_where_an_outline_bends():
    draw = random.Random(3)
    tower = m3.CrossSection.square([10, 8], True).extrude(6, scale_top=(0.9, 0.8))
    tower += (
        m3.CrossSection.square([9, 6.4], True).extrude(6, scale_top=(1.1, 1.0)).translate([0, 0, 6])
    )
    edges = material_edges(sections := cut(mesh(tower.rotate([0, 0, draw.uniform(5, 40)])), LAYER))
    runs = runs_of(edges, section_heights(sections))
    heights = section_heights(sections)
    for first, last in zip(runs.first.tolist(), runs.last.tolist(), strict=True):
        assert not heights[first] < 6 < heights[last]
    assert len(runs.first) >= 2


def test_a_few_paths_at_a_time_are_what_all_at_once_tell(monkeypatch):
    cone = m3.Manifold.cylinder(40, 4, 0.01, 24)
    sections = cut(mesh(cone - m3.Manifold.cylinder(30, 3, 0.5, 24)), LAYER)
    whole = find_walls(sections, 4.0, (0.8, 1.2))
    monkeypatch.setattr(runs, "_AT_ONCE", 50)
    assert find_walls(sections, 4.0, (0.8, 1.2)) == whole
    assert whole


def test_what_two_ask_of_the_same_outlines_is_asked_once(monkeypatch):
    """And each finds what it would find alone, to the last bit."""
    sections = cut(mesh(leaning(3)), LAYER)
    ways = [(0.5, 1.1), (0.8, 1.31, 2.2)]
    alone = [find_walls(sections, 4.0, splits) for splits in ways]
    asked, ready = [], samples.ready
    monkeypatch.setattr(samples, "ready", lambda *some: asked.append(1) or ready(*some))
    kept = samples.Kept()
    first = find_walls(sections, 4.0, ways[0], kept=kept)
    once = len(asked)
    assert [first, find_walls(sections, 4.0, ways[1], kept=kept)] == alone
    assert once
    assert len(asked) < 2 * once
