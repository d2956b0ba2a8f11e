"""Bounds in space: which of them meet, against looking at every pair."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wallguard.base.errors import TooLargeError
from wallguard.walls import bounds
from wallguard.walls.bounds import Nodes, Tree, Ways, bounds_of, meetings, near_any, wider


def some(rng, count):
    points = rng.uniform(0, 20, (count, 1, 3)) + rng.uniform(-1, 1, (count, 3, 3))
    way = rng.normal(size=(count, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    made = wider(bounds_of(points, way), rng.uniform(0, 2))
    return replace(made, like=rng.integers(-1, 3, count), unlike=rng.integers(-1, 3, count))


def meet(one, i, other, j):
    if (np.maximum(one.low[i], other.low[j]) > np.minimum(one.high[i], other.high[j])).any():
        return False
    for a, at, b, its in ((one, i, other, j), (other, j, one, i)):
        middle, half = (b.low[its] + b.high[its]) / 2, (b.high[its] - b.low[its]) / 2
        along, reach = middle @ a.way[at], half @ np.abs(a.way[at])
        if along - reach > a.last[at] or along + reach < a.first[at]:
            return False
    if -1 not in (one.like[i], other.like[j]) and one.like[i] != other.like[j]:
        return False
    return one.unlike[i] != other.unlike[j] or one.unlike[i] == -1


@pytest.mark.parametrize(("count", "its"), [(200, 301), (1, 7), (64, 1), (0, 5)])
@pytest.mark.parametrize("facing", [None, -0.5])
def test_pairs_are_those_that_meet(count, its, facing):
    rng = np.random.default_rng(count)
    one, other = some(rng, count), some(rng, its)
    group = rng.integers(0, 4, count)
    pairs = []
    for a, b in meetings(Tree(one, group), Tree(other), facing):
        pairs += list(zip(a.tolist(), b.tolist(), strict=True))
    expected = {
        (i, j)
        for i in range(count)
        for j in range(its)
        if meet(one, i, other, j) and (facing is None or one.way[i] @ other.way[j] <= facing)
    }
    assert len(pairs) == len(set(pairs))
    assert set(pairs) == expected


def test_what_is_wanted_no_more_is_not_followed(monkeypatch):
    monkeypatch.setattr(bounds, "_AT_ONCE", 50)
    rng = np.random.default_rng(3)
    one, other = (replace(some(rng, 400), like=np.full(400, -1)) for _ in range(2))
    one, other = (replace(each, unlike=rng.integers(0, 5, 400)) for each in (one, other))
    every = {
        (int(one.unlike[i]), int(other.unlike[j]))
        for a, b in meetings(Tree(one, one.unlike), Tree(other, other.unlike))
        for i, j in zip(a, b, strict=True)
    }
    known = np.zeros((5, 5), bool)
    looked_at = []

    def wanted(nodes, others):
        a, b = nodes.unlike, others.unlike
        looked_at.append(len(a))
        return (a < 0) | (b < 0) | ~known[a, b]

    for a, b in meetings(Tree(one, one.unlike), Tree(other, other.unlike), wanted=wanted):
        assert not known[one.unlike[a], other.unlike[b]].any()
        known[one.unlike[a], other.unlike[b]] = True
    assert set(zip(*np.nonzero(known), strict=True)) == every
    assert len(every) > 10
    until_known = sum(looked_at)
    known[:] = False
    looked_at.clear()
    for _ in meetings(Tree(one, one.unlike), Tree(other, other.unlike), wanted=wanted):
        pass
    assert until_known < sum(looked_at)


@pytest.mark.parametrize("spread", [0.01, 0.3, 2.0])
def test_nodes_are_alike_where_all_that_they_hold_is(spread):
    rng = np.random.default_rng(8)
    most = 0.5

    def made(count):
        kind = np.sort(rng.integers(0, 3, count))
        way = np.array([1.0, 0.5, 0.2]) + spread * rng.normal(size=(count, 3))
        way /= np.linalg.norm(way, axis=1)[:, None]
        tree = Tree(bounds_of(np.zeros((count, 3, 3)), way), kind)
        return tree, Ways(tree.order, kind, way), kind[tree.order], way[tree.order]

    (one, ways, kind, way), (other, its_ways, its_kind, its_way) = made(37), made(64)
    seen = {False: 0, True: 0}
    for level in range(4):
        node, its = np.indices((-(-37 >> level), 64 >> level)).reshape(2, -1)
        said = ways.alike(Nodes(one, level, node), its_ways, Nodes(other, level, its), most)
        for i, j, alike in zip(node, its, said, strict=True):
            a, b = (slice(k << level, (k + 1) << level) for k in (i, j))
            turn = np.arccos(np.clip(way[a] @ its_way[b].T, -1, 1)).max()
            all_alike = len({*kind[a], *its_kind[b]}) == 1 and turn <= most
            assert all_alike or not alike
            # Single ones are told exactly, but for rounding.
            assert level or alike == all_alike or abs(turn - most) < 1e-5
            seen[bool(alike)] += 1
    assert seen[False] > 100 and (spread == 2.0 or seen[True] > 100)


def test_too_many_pairs_are_refused(monkeypatch):
    monkeypatch.setattr(bounds, "_PAIRS", 100)
    tree = Tree(bounds_of(np.zeros((64, 3, 3)), np.zeros((64, 3))))
    with pytest.raises(TooLargeError):
        list(meetings(tree, tree))


@pytest.mark.parametrize("count", [0, 1, 5, 300])
@pytest.mark.parametrize("far", [0.0, 15.0, 1000.0])
def test_nothing_that_meets_a_box_is_left_out(count, far):
    rng = np.random.default_rng(count)
    low, its_low = rng.uniform(0, 20, (count, 3)), rng.uniform(-far, 20 + far, (400, 3))
    high = low + rng.uniform(0, 0.5, low.shape)
    its_high = its_low + rng.uniform(0, 3, its_low.shape) * rng.integers(0, 2, (400, 1))
    if count == 5:
        high[0], its_low[0], its_high[0] = low[0], low[0], low[0]  # points
        its_low[1], its_high[1] = high.max(axis=0), high.max(axis=0) + 1  # touches at a corner
    near = near_any((low, high), (its_low, its_high))
    meets = ((its_low[:, None] <= high) & (low <= its_high[:, None])).all(axis=2).any(axis=1)
    assert not (meets & ~near).any()
    if far == 1000.0:
        assert near.sum() < 200  # most lie far away, and are left out
