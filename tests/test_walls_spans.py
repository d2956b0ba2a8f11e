"""Sections without samples: their walls follow from those at both ends of a span."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest
from fuzz_exact import SPLITS, leaning
from solids import mesh

from wallguard.sections.cut import cut
from wallguard.sections.sections import section_heights
from wallguard.walls import trace
from wallguard.walls.edges import material_edges
from wallguard.walls.samples import Layers, Taken, take_layers
from wallguard.walls.trace import find_walls

LAYER = 0.2


def grouping(splits):
    return lambda thickness: np.searchsorted(splits, thickness, side="right")


def taken(sections, largest=4.0, splits=()):
    edges = material_edges(sections)
    return take_layers(edges, largest, grouping(splits), Layers(section_heights(sections)))


def with_all(sections, monkeypatch, splits=()):
    """What is found with spans, and what is where every section has its samples."""
    along = find_walls(sections, 4.0, splits)

    def filled(*asked) -> Taken:
        every = take_layers(*asked)
        return every.filled(np.zeros(len(every.spans.first), bool))

    monkeypatch.setattr(trace, "take_layers", filled)
    each = find_walls(sections, 4.0, splits)
    monkeypatch.undo()
    return along, each


def same(along, each):
    assert len(along) == len(each) > 0
    for one, other in zip(along, each, strict=True):
        for name in ("minimum", "maximum", "typical", "low", "high", "sides", "ends", "group"):
            assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-3), name
        assert np.array(one.moves) == pytest.approx(np.array(other.moves), abs=1e-3)
        assert np.array(one.box) == pytest.approx(np.array(other.box), abs=2e-3)
        assert one.area == pytest.approx(other.area, rel=2e-3)


def test_a_wall_that_tapers_needs_samples_only_where_its_range_changes(monkeypatch):
    wedge = m3.CrossSection.square([20, 1.6], True).extrude(30, scale_top=(1, 0.5))
    sections = cut(mesh(wedge.rotate([4, 0, 20])), LAYER)
    few = taken(sections, splits=(1.0, 1.31))
    edges = few.edges
    assert len(few.spans.between()[0]) > 100
    assert len(np.unique(edges.section[few.samples.edge])) < 50
    same(*with_all(sections, monkeypatch, (1.0, 1.31)))


@pytest.mark.parametrize("seed", range(8))
def test_leaning_parts_have_the_same_walls_with_and_without(seed, monkeypatch):
    same(*with_all(cut(mesh(leaning(seed)), LAYER), monkeypatch, SPLITS))


def test_what_parts_on_the_way_has_samples_where_it_does(monkeypatch):
    """Two ribs that lean away from each other meet at their foot, and are two further up."""
    rib = m3.Manifold.cube([12, 1.2, 20], True)
    pair = rib.rotate([6, 0, 0]).translate([0, -1, 10]) + rib.rotate([-6, 0, 0]).translate(
        [0, 1, 10]
    )
    sections = cut(mesh(pair), LAYER)
    assert len(taken(sections).spans.first)
    same(*with_all(sections, monkeypatch))
