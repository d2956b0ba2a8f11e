"""The array helpers, each against a plain loop."""

from __future__ import annotations

import numpy as np
import pytest

from wallguard.base.arrays import (
    common,
    connected,
    distinct,
    dot,
    grouped,
    median,
    medians,
    quantiles,
    ranges,
    rings,
    spread,
    weighted_median,
)


def test_ranges_stand_one_after_the_other():
    owner, number = ranges(np.array([5, 0, 7]), np.array([2, 0, 3]))
    assert owner.tolist() == [0, 0, 2, 2, 2]
    assert number.tolist() == [5, 6, 7, 8, 9]
    assert ranges(0, np.array([2, 3], np.int32))[1].tolist() == [0, 1, 0, 1, 2]
    assert not len(ranges(0, np.zeros(0, np.int64))[0])


@pytest.mark.parametrize("count", [0, 1, 2, 3, 8, 999, 1000])
def test_the_median_and_what_is_different_and_common_are_those_of_numpy(count):
    rng = np.random.default_rng(count)
    values, others = rng.normal(size=count), rng.integers(0, 50, count)
    assert median(values[:0]) == 0.0
    for each in (values, rng.normal(size=(count, 3))) if count else ():
        assert median(each) == np.median(each)
    for each in (values, others, others.reshape(-1, 1), others > 20):
        assert distinct(each).tolist() == np.unique(each).tolist()
        assert distinct(each).dtype == each.dtype
    few = rng.integers(20, 80, count)
    assert common(others, few).tolist() == np.intersect1d(others, few).tolist()


def test_dot_and_grouped():
    assert dot(np.array([[1.0, 2], [3, 4]]), np.array([[1.0, 1], [0, 2]])).tolist() == [3, 8]
    label, values = np.array([1, 0, 1]), np.array([[3.0, 1], [5, 5], [2, 9]])
    assert grouped(np.minimum, label, 2, values).tolist() == [[5, 5], [2, 1]]


def test_spread_is_least_median_by_weight_and_greatest():
    label = np.array([1, 0, 1, 1])
    value, weight = np.array([3.0, 7, 1, 2]), np.array([5.0, 1, 1, 1])
    low, typical, high = spread(label, value, weight, 2)
    assert (low.tolist(), typical.tolist(), high.tolist()) == ([7, 1], [7, 3], [7, 3])


def test_quantiles_agree_with_the_median_and_leave_empty_labels_zero():
    draw = np.random.default_rng(3)
    label, value = draw.integers(0, 4, 31) * 2, draw.normal(size=31)
    found = quantiles(label, value, 8)
    for each in range(8):
        own = value[label == each]
        assert found[each] == pytest.approx(np.median(own) if len(own) else 0.0)


def test_weighted_median():
    assert weighted_median(np.array([3.0, 1, 2]), np.array([1.0, 1, 5])) == 2


def test_connected_numbers_components_by_their_first_nodes():
    draw = np.random.default_rng(7)
    for links in (1, 5, 30, 80):
        one, other = draw.integers(0, 60, (2, links))
        label = list(range(60))
        for a, b in zip(one.tolist(), other.tolist(), strict=True):
            label = [label[a] if each == label[b] else each for each in label]
        order = list(dict.fromkeys(label))
        number, found = connected(one, other, 60)
        assert number == len(order)
        assert found.tolist() == [order.index(each) for each in label]


def test_a_long_chain_is_one_component():
    one = np.random.default_rng(1).permutation(20_000 - 1)
    assert connected(one, one + 1, 20_000)[0] == 1


def test_rings_are_walked_as_one_by_one():
    for seed in range(60):
        random = np.random.default_rng(seed)
        count = int(random.integers(0, 400))
        # Long rings, short ones, or some cut open.
        following = np.arange(count) if seed % 3 == 1 else random.permutation(count)
        following = np.where(random.random(count) < 0.05 * (seed % 3), -1, following)
        order, begins = [], []
        heads = sorted(set(range(count)) - set(following.tolist()))
        for begin in [*heads, *range(count)]:
            if begin not in order:
                begins.append(len(order))
            at = begin
            while at >= 0 and at not in order:
                order.append(at)
                at = int(following[at])
        found, start, closed = rings(following)
        assert found.tolist() == order
        assert start.tolist() == [*begins, count]
        assert closed.tolist() == [False] * len(heads) + [True] * (len(begins) - len(heads))


def test_the_median_of_values_that_are_spread_evenly_has_half_of_the_weight_below_it():
    draw = np.random.default_rng(1)
    for _ in range(40):
        count = int(draw.integers(1, 6))
        label = np.concatenate([np.arange(count), draw.integers(0, count, draw.integers(1, 60))])
        low = draw.uniform(0, 3, len(label)).round(1)
        high = low + draw.choice([0, 0, 0.3, 1.1], len(label))
        weight = draw.uniform(0.01, 2, len(label))
        found = medians(label, low, high, weight, count)
        for own in range(count):
            its = label == own
            width = np.maximum(high - low, 1e-12)[its]
            for value, sign in ((found[own] + 1e-9, 1), (found[own] - 1e-9, -1)):
                below = np.clip((value - low[its]) / width, 0.0, 1.0) * weight[its]
                assert sign * (below.sum() - weight[its].sum() / 2) >= -1e-6
