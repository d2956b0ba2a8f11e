"""What numpy lacks and many rooms need: ranges end to end, groups, what is connected.

Arrays in, arrays out, no loop over their items.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Of links that are walked at once, this share begin legs.
_LEGS, _GOLDEN = 1 / 16, (5**0.5 - 1) / 2


def ranges(first: NDArray[Any] | int, size: NDArray[Any]) -> tuple[_Ints, _Ints]:
    """The whole numbers first[i] to first[i] + size[i] - 1 of every i, one range after the other.

    first  (n,) whole numbers, or one number for all; size (n,) whole numbers, 0 or more
    Returns (owner, number), both (size.sum(),) int64: which range each number is of, and it.
    """
    size = size.astype(np.int64, copy=False)
    owner = np.repeat(np.arange(len(size)), size)
    shift = first - (np.cumsum(size) - size)
    number: _Ints = np.arange(len(owner)) + np.repeat(shift, size)
    return owner, number


def rows(values: NDArray[Any], which: _Ints) -> NDArray[Any]:
    """(m, d) the rows `which` (m,) of an array (n, d): `values[which]` in a tenth of the time."""
    chosen: NDArray[Any] = values.take(which, axis=0)
    return chosen


def dot(one: _Floats, other: _Floats) -> _Floats:
    """(n,) the scalar product of each row of two arrays (n, d)."""
    if one.shape[1] != 2:
        product: _Floats = np.einsum("ij,ij->i", one, other)
        return product
    # In the plane this takes a third of the time.
    product = one[:, 0] * other[:, 0]
    product += one[:, 1] * other[:, 1]
    return product


def columns(*arrays: NDArray[Any]) -> NDArray[Any]:
    """(m, n) the columns of arrays (n, k), and arrays (n,), one below the other and each in one row
    of memory: numbers that lie in a row are reckoned with four times as fast."""
    width = sum(1 if each.ndim == 1 else each.shape[1] for each in arrays)
    rows = np.empty((width, len(arrays[0])), np.result_type(*arrays))
    first = 0
    for each in arrays:
        last = first + (1 if each.ndim == 1 else each.shape[1])
        rows[first:last] = each.T
        first = last
    return rows


def cross(one: _Floats, other: _Floats) -> _Floats:
    """(n, 3) the vector product of each row of two arrays (n, 3): `np.cross` in a third of the
    time."""
    (a, b, c), (x, y, z) = one.T, other.T
    product = np.empty((len(one), 3))
    np.subtract(b * z, c * y, out=product[:, 0])
    np.subtract(c * x, a * z, out=product[:, 1])
    np.subtract(a * y, b * x, out=product[:, 2])
    return product


def lengths(vectors: _Floats) -> _Floats:
    """(n,) how long each row of an array (n, d) is."""
    found: _Floats = np.sqrt(dot(vectors, vectors))
    return found


def grouped(function: np.ufunc, label: _Ints, count: int, values: NDArray[Any]) -> NDArray[Any]:
    """`function` (np.minimum, np.maximum, np.logical_and: what makes nothing else of equal values)
    over the values (n, ...) of each label (n,).

    Every label from 0 to count - 1 must occur. Returns (count, ...).
    """
    if count == len(label) and (label[1:] > label[:-1]).all():
        return np.array(values)
    rows = np.ascontiguousarray(values.reshape(len(values), -1).T)
    found = np.empty((len(rows), count), values.dtype)
    for row, into in zip(rows, found, strict=True):
        into[label] = row
        function.at(into, label, row)
    return np.ascontiguousarray(found.T).reshape(count, *values.shape[1:])


def _by_label(label: NDArray[Any], value: _Floats, count: int) -> _Ints:
    """The order of values by label, below `count`, and then by value."""
    order = np.argsort(value, kind="stable")
    label = label[order]
    # So numpy sorts by counting.
    label = label.astype(np.uint16) if count <= 1 << 16 else label
    by_label: _Ints = order[np.argsort(label, kind="stable")]
    return by_label


def spread(
    label: NDArray[Any], value: _Floats, weight: _Floats, count: int
) -> tuple[_Floats, _Floats, _Floats]:
    """Least value, median by weight and greatest value of every label; (count,) each.

    Every label from 0 to count - 1 must occur; weights (n,) are positive.
    """
    order = _by_label(label, value, count)
    ordered, value = label[order], value[order]
    begin = np.searchsorted(ordered, np.arange(count))
    last = np.append(begin[1:], len(order)) - 1
    total = np.cumsum(weight[order])
    before = np.where(begin > 0, total[begin - 1], 0.0)
    middle = np.clip(np.searchsorted(total, (before + total[last]) / 2), begin, last)
    return value[begin], value[middle], value[last]


def medians(label: _Ints, low: _Floats, high: _Floats, weight: _Floats, count: int) -> _Floats:
    """(count,) the median of every label, where each weight (n,) is spread evenly over the values
    from low to high (n,), or lies at one where these are equal.

    Every label from 0 to count - 1 must occur; weights are positive.
    """
    wide = np.flatnonzero(high > low)
    alone = np.flatnonzero(high <= low)
    # The weight below a value grows by jumps, and evenly between where a slope begins and ends.
    slope = weight[wide] / (high - low)[wide]
    label = np.concatenate([label[alone], label[wide], label[wide]])
    value = np.concatenate([low[alone], low[wide], high[wide]])
    jump = np.concatenate([weight[alone], np.zeros(2 * len(wide))])
    slope = np.concatenate([np.zeros(len(alone)), slope, -slope])
    order = _by_label(label, value, count)
    label, value, jump, slope = label[order], value[order], jump[order], slope[order]
    begin = np.searchsorted(label, np.arange(count))
    last = np.append(begin[1:], len(order)) - 1
    steep = np.append(0.0, np.maximum(np.cumsum(slope)[:-1], 0.0))
    steep[begin] = 0.0
    reached = np.cumsum(jump + steep * np.diff(value, prepend=0.0))
    before = np.where(begin > 0, reached[begin - 1], 0.0)
    half = (before + reached[last]) / 2
    at = np.clip(np.searchsorted(reached, half), begin, last)
    # Reached by the jump there, or on the way to it.
    over = np.maximum(reached[at] - jump[at] - half, 0.0)
    back = np.divide(over, steep[at], out=np.zeros(count), where=steep[at] > 0)
    found: _Floats = np.maximum(value[at] - back, value[np.maximum(at - 1, begin)])
    return np.where(over > 0, found, value[at])


def quantiles(label: _Ints, value: _Floats, count: int, share: float = 0.5) -> _Floats:
    """(count,) the value that this share of each label's values lies below, the middle between
    two where it falls between them; 0 for a label that has none. The default is the median."""
    medians = np.zeros(count)
    if not len(label):
        return medians
    order = np.lexsort((value, label))
    label, value = label[order], value[order]
    begin = np.flatnonzero(np.diff(label, prepend=-1))
    at = (np.diff(np.append(begin, len(label))) - 1) * share
    below, above = begin + np.floor(at).astype(np.int64), begin + np.ceil(at).astype(np.int64)
    medians[label[begin]] = (value[below] + value[above]) / 2
    return medians


def distinct(values: NDArray[Any]) -> NDArray[Any]:
    """The different values of an array of any shape, rising: those of `np.unique`, which loads
    numpy.ma for it, and that takes longer than a small check."""
    ordered = np.sort(values, axis=None)
    fresh = np.ones(len(ordered), bool)
    np.not_equal(ordered[1:], ordered[:-1], out=fresh[1:])
    different: NDArray[Any] = ordered[fresh]
    return different


def common(one: NDArray[Any], other: NDArray[Any]) -> NDArray[Any]:
    """The values that are in both arrays, rising, each once."""
    both = np.sort(np.concatenate([distinct(one), distinct(other)]))
    shared: NDArray[Any] = both[1:][both[1:] == both[:-1]]
    return shared


def median(values: NDArray[Any]) -> float:
    """The median of an array of any shape, 0 of nothing: that of `np.median`, for which the same
    holds as for `np.unique`."""
    if not values.size:
        return 0.0
    half = values.size // 2
    lower = half if values.size % 2 else half - 1
    ordered = np.partition(values, (lower, half), axis=None)
    return float(ordered[lower : half + 1].mean())


def weighted_median(value: _Floats, weight: _Floats) -> float:
    """The value at which half of the weight is reached. There is at least one value."""
    order = np.argsort(value, kind="stable")
    total = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(total, total[-1] / 2)])


def connected(one: NDArray[Any], other: NDArray[Any], count: int) -> tuple[int, _Ints]:
    """Number the connected components of `count` nodes, each pair (one[i], other[i]) linked.

    Returns how many there are, and (count,) int64 the component of each node; components are
    numbered in the order of their first nodes.
    """
    # Every node points at a lower one of its component, or at itself. Of linked roots the higher is
    # hung on the lower, and ways are shortened, until nothing is linked any more: two rounds leave
    # half of the roots at most. (Shiloach and Vishkin, "An O(log n) parallel connectivity
    # algorithm", Journal of Algorithms 3, 1982; from memory.)
    every = np.arange(count)
    root = every
    one, other = one.astype(np.int64, copy=False), other.astype(np.int64, copy=False)
    while len(one):
        low, high = np.minimum(one, other), np.maximum(one, other)
        root = root.copy() if root is every else root
        np.minimum.at(root, high, low)
        while True:
            lower = root.take(root)
            if np.array_equal(lower, root):
                break
            root = lower
        one, other = root.take(low), root.take(high)
        apart = np.flatnonzero(one != other)
        one, other = one.take(apart), other.take(apart)
    first = root == every
    rank = np.cumsum(first) - 1
    return int(first.sum()), rank.take(root)


def rings(following: _Ints) -> tuple[_Ints, _Ints, NDArray[np.bool_]]:
    """Walk links: `following` (n,) is the item after each, -1 where a chain ends; no item comes
    after two.

    Returns the order of items chain after chain, where each begins in it and the end, and which
    are closed: open chains first, by their heads, then rings, each from its lowest item.

    All are walked at once, from many scattered items to the next of these, and then the short list
    of those one by one. (Reid-Miller, "List ranking and list scan on the Cray C-90", SPAA 1994;
    from memory.)
    """
    total = len(following)
    head = np.ones(total, bool)
    head[following[following >= 0]] = False
    leg, far = np.full(total, -1, np.int64), np.zeros(total, np.int64)
    begins, goes_on, length = np.zeros((3, 0), np.int64)
    left, share = np.arange(total), _LEGS
    while len(left):
        # A golden step scatters: what lies in a row in memory may lie in a row on a ring.
        chosen = left[(left * _GOLDEN % 1.0 < share) | head[left]]
        chosen = chosen if len(chosen) else left[:1]
        more = _legs(following, chosen, len(begins), leg, far)
        begins = np.concatenate([begins, chosen])
        goes_on, length = np.concatenate([goes_on, more[0]]), np.concatenate([length, more[1]])
        # What is left are rings that none was chosen of: short ones.
        left, share = left[leg[left] < 0], 2 * share
    chain, place = _in_turn(goes_on, length, head[begins])
    chain, place = chain[leg], place[leg] + far
    size = np.bincount(chain)
    lowest = np.full(len(size), total)
    np.minimum.at(lowest, chain, np.arange(total))
    lowest[chain[head]] = np.flatnonzero(head)
    closed = ~head[lowest]
    rank = np.lexsort((lowest, closed))
    start = np.append(0, np.cumsum(size[rank]))
    begin = np.empty(len(size), np.int64)
    begin[rank] = start[:-1]
    order = np.empty(total, np.int64)
    order[begin[chain] + (place - place[lowest][chain]) % size[chain]] = np.arange(total)
    return order, start, closed[rank]


def _legs(
    following: _Ints, chosen: _Ints, known: int, leg: _Ints, far: _Ints
) -> tuple[_Ints, _Ints]:
    """Walk from each of the chosen to the next of them: the number, from `known` on, of that one,
    -1 where a chain ends, and how long it is. The leg of each item, and how far along that it
    lies, are filled in."""
    count = len(chosen)
    goes_on, length = np.full(count, -1, np.int64), np.zeros(count, np.int64)
    leg[chosen] = known + np.arange(count)
    which, at = np.arange(count), chosen
    step = 0
    while len(which):
        step += 1
        at = following[at]
        met = np.where(at >= 0, leg[at], 0) >= 0
        done = which[met]
        length[done] = step
        goes_on[done] = np.where(at[met] >= 0, leg[at[met]], -1)
        which, at = which[~met], at[~met]
        leg[at] = known + which
        far[at] = step
    return goes_on, length


def _in_turn(goes_on: _Ints, length: _Ints, first: NDArray[np.bool_]) -> tuple[_Ints, _Ints]:
    """The chain of each leg and how far along it the leg begins, those that are `first` first."""
    ahead, far = goes_on.tolist(), length.tolist()
    chain, place = [-1] * len(ahead), [0] * len(ahead)
    number = 0
    for begin in (*np.flatnonzero(first).tolist(), *range(len(ahead))):
        if chain[begin] >= 0:
            continue
        at, walked = begin, 0
        while at >= 0 and chain[at] < 0:
            chain[at], place[at] = number, walked
            walked += far[at]
            at = ahead[at]
        number += 1
    return np.array(chain, np.int64), np.array(place, np.int64)
