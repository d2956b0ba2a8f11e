"""Boxes that meet, and chains that may face each other, against looking at every pair."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest
from solids import mesh

from wallguard.base.errors import TooLargeError
from wallguard.sections.cut import cut
from wallguard.walls import boxes
from wallguard.walls.boxes import Boxes, meetings, near_each_other
from wallguard.walls.chains import chains_of, near_pairs, turns
from wallguard.walls.edges import air_edges, material_edges
from wallguard.walls.effort import Effort


def some_boxes(draw, count):
    low = draw.uniform(-20, 20, (count, 2))
    size = draw.exponential(1.0, (count, 2)) * draw.choice([0.1, 1, 20], (count, 1))
    return Boxes(low, low + size, draw.integers(0, 3, count))


def test_all_boxes_that_meet_are_found_once():
    draw = np.random.default_rng(5)
    askers, others = some_boxes(draw, 80), some_boxes(draw, 120)
    found = [
        pair
        for one, other in meetings(askers, others, 0.5)
        for pair in zip(one.tolist(), other.tolist(), strict=True)
    ]
    wanted = {
        (i, j)
        for i in range(80)
        for j in range(120)
        if askers.section[i] == others.section[j]
        and (askers.low[i] <= others.high[j]).all()
        and (others.low[j] <= askers.high[i]).all()
    }
    assert len(found) == len(set(found))
    assert set(found) == wanted


def test_boxes_near_each_other_are_found_once():
    boxes_ = some_boxes(np.random.default_rng(6), 200)
    found = [
        tuple(sorted(pair))
        for one, other in near_each_other(boxes_, 1.5)
        for pair in zip(one.tolist(), other.tolist(), strict=True)
    ]
    wide = boxes_.wider(1.5)
    wanted = {
        (i, j)
        for i in range(200)
        for j in range(i + 1, 200)
        if boxes_.section[i] == boxes_.section[j]
        and (wide.low[i] <= boxes_.high[j]).all()
        and (boxes_.low[j] <= wide.high[i]).all()
    }
    assert len(found) == len(set(found))
    assert set(found) == wanted


def test_too_many_boxes_in_one_place_are_refused(monkeypatch):
    monkeypatch.setattr(boxes, "_PAIRS", 1000)
    place = Boxes(np.zeros((50, 2)), np.ones((50, 2)), np.zeros(50, np.int64))
    with pytest.raises(TooLargeError):
        list(meetings(place, place, 1.0))


@pytest.mark.parametrize("side", [material_edges, air_edges])
def test_chains_hold_their_edges_and_near_ones_are_all_found(side):
    ring = m3.CrossSection.circle(5.5, 90) - m3.CrossSection.square([9, 1.3], True).rotate(20)
    edges = side(cut(mesh(m3.Manifold.extrude(ring, 0.2)), 0.2))
    chains = chains_of(edges, turns(edges), 1.0)
    away = edges.start - chains.start[chains.chain]
    along = chains.along[chains.chain]
    run = np.clip((away * along).sum(axis=1), 0, chains.length[chains.chain])
    off = np.linalg.norm(away - run[:, None] * along, axis=1)
    assert (off <= chains.off[chains.chain] + 1e-9).all()


@pytest.mark.parametrize("side", [material_edges, air_edges])
def test_what_discs_may_touch_is_all_found(side):
    ring = m3.CrossSection.circle(5.5, 90) - m3.CrossSection.square([9, 1.3], True).rotate(20)
    edges = side(cut(mesh(m3.Manifold.extrude(ring, 0.2)), 0.2))
    chains = chains_of(edges, turns(edges), 1.0)
    near = near_pairs(chains, 2.0, Effort.endless())
    reached = set(zip(near.reached.one.tolist(), near.reached.other.tolist(), strict=True))
    draw = np.random.default_rng(3)
    owner = draw.integers(0, len(edges.length), 2000)
    point = (
        edges.start[owner]
        + (draw.random(2000) * edges.length[owner])[:, None] * (edges.along[owner])
    )
    radius = draw.uniform(0.05, 1.0, 2000)
    centre = point + radius[:, None] * edges.inward[owner]
    away = edges.start[None] - centre[:, None]
    run = np.clip(-(away * edges.along[None]).sum(axis=2), 0, edges.length[None])
    off = np.linalg.norm(away + run[..., None] * edges.along[None], axis=2)
    which, touched = np.nonzero(off < radius[:, None] - 1e-9)
    one, other = chains.chain[owner[which]], chains.chain[touched]
    wanted = {pair for pair in zip(one.tolist(), other.tolist(), strict=True) if len({*pair}) == 2}
    assert len(wanted) > 3
    assert wanted <= reached
    assert len(near.face.one)
    assert set(zip(near.face.one.tolist(), near.face.other.tolist(), strict=True)) <= reached
