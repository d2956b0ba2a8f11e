"""Triangles of a shown surface, cut where what is said of it changes.

What is said is asked for point by point. Triangles are halved until they are small, and each is
asked for at its middle and, where a neighbour says something else, at its corners:

    one answer        halves of one answer are put together again, so that a plain face stays plain,
                      and a value that changes slowly has few steps
    two, or three     the change is searched for along the sides, and the triangle cut from there to
                      there; where that does not follow the change, as at its corners, the
                      triangle is halved twice more

so a straight border is straight, wherever it runs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]
# What is said at points (n, 3) of faces with normals (n, 3): for each a kind, equal where no border
# is wanted, and a value.
Ask = Callable[[_Floats, _Floats], tuple[_Ints, _Floats]]

# A point of a triangle is asked for a little within it: so much of the way to its middle.
_IN = 0.01
# How often a side is halved in search of a change, and how often what is cut wrongly is halved.
_HALVINGS, _ROUNDS = 7, 4
# How far on either side of a cut it is tried, over the size of the triangle.
_ASIDE = 0.06
# Into so many steps all values are divided at most: of a colour nobody sees more.
_STEPS = 50


@dataclass(frozen=True, eq=False)
class Pieces:
    """Triangles (m, 3, 3) with the kind (m,) and the value (m,) that hold on them; `source`: the
    number of the triangle given that each lies on."""

    corner: _Floats
    kind: _Ints
    value: _Floats
    source: _Ints


def split(corner: _Floats, ask: Ask, finest: float, most: int, within: float = 0.0) -> Pieces:
    """Triangles (m, 3, 3) cut along changes of what is said on them.

    finest  triangles with shorter sides (mm) are not halved before anything is asked
    most    about so many triangles are asked for, and never more than there are otherwise
    within  values of one kind that differ by no more, or by less than can be seen of all, are one
    """
    tree = _Tree(corner)
    tree.halve_down_to(finest, most)
    leaves = tree.leaves()
    kind, value = tree.ask(ask, leaves, tree.corner[leaves].mean(axis=1))
    tree.say(leaves, kind, value)
    asked = leaves[_beside_others(tree.corner[leaves], tree.normal(leaves), kind)]
    made: list[Pieces] = []
    for rounds in range(_ROUNDS):
        cuts = _Cuts.of(tree, ask, asked)
        wrong = cuts.wrong(tree, ask) if rounds < _ROUNDS - 1 else np.zeros(len(cuts.leaf), bool)
        if len(tree.leaves()) + 3 * int(wrong.sum()) > 1.5 * most:
            wrong[:] = False
        made += cuts.pieces(tree, ~wrong)
        tree.cut(cuts.leaf[~wrong])
        asked = tree.halve(tree.halve(cuts.leaf[wrong]))
        if not len(asked):
            break
        tree.say(asked, *tree.ask(ask, asked, tree.corner[asked].mean(axis=1)))
    tree.join(max(within, float(np.ptp(value)) / _STEPS) if len(value) else within)
    made.append(tree.whole())
    order = np.argsort(np.concatenate([each.source for each in made]), kind="stable")
    return Pieces(
        *(
            np.concatenate([getattr(each, name) for each in made])[order]
            for name in ("corner", "kind", "value", "source")
        )
    )


class _Tree:
    """Triangles and their halves. `first`: the number of the first half, -1: not halved."""

    def __init__(self, corner: _Floats) -> None:
        count = len(corner)
        self.corner = corner
        self.first = np.full(count, -1)
        self.source = np.arange(count)
        self.kind, self.value = np.zeros(count, np.int64), np.zeros(count)
        self.done = np.zeros(count, bool)
        cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        self._normal = cross / np.maximum(np.linalg.norm(cross, axis=1), 1e-300)[:, None]

    def normal(self, which: _Ints) -> _Floats:
        return np.asarray(self._normal[self.source[which]])

    def leaves(self) -> _Ints:
        return np.flatnonzero(self.first < 0)

    def ask(self, ask: Ask, which: _Ints, point: _Floats) -> tuple[_Ints, _Floats]:
        return ask(point, self.normal(which))

    def say(self, which: _Ints, kind: _Ints, value: _Floats) -> None:
        self.kind[which], self.value[which] = kind, value

    def cut(self, which: _Ints) -> None:
        """These are told in pieces of their own."""
        self.done[which] = True

    def halve_down_to(self, finest: float, most: int) -> None:
        """Long sides halved, the longest first, as far as `most` allows."""
        while True:
            leaves = self.leaves()
            length = _sides(self.corner[leaves]).max(axis=1)
            # The longest in every pass, so that none stays large where the room runs out.
            some = leaves[length > max(finest, 0.6 * float(length.max(initial=0.0)))]
            if not len(some) or len(some) > most - len(leaves):
                return
            self.halve(some)

    def halve(self, which: _Ints) -> _Ints:
        """The numbers of the halves."""
        corner = self.corner[which]
        turn = (_sides(corner).argmax(axis=1)[:, None] + np.arange(3)) % 3
        a, b, c = np.take_along_axis(corner, turn[:, :, None], axis=1).transpose(1, 0, 2)
        middle = (a + b) / 2
        halves = np.stack(
            [np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)], axis=1
        )
        first = len(self.corner) + 2 * np.arange(len(which))
        self.first[which] = first
        self.corner = np.concatenate([self.corner, halves.reshape(-1, 3, 3)])
        twice = np.repeat(which, 2)
        self.source = np.concatenate([self.source, self.source[twice]])
        self.first = np.concatenate([self.first, np.full(len(twice), -1)])
        self.kind = np.concatenate([self.kind, self.kind[twice]])
        self.value = np.concatenate([self.value, self.value[twice]])
        self.done = np.concatenate([self.done, np.zeros(len(twice), bool)])
        return np.asarray(np.stack([first, first + 1], axis=1).reshape(-1))

    def join(self, within: float) -> None:
        """Halves of one kind, and of values that differ by no more, become one again."""
        low, high = self.value.copy(), self.value.copy()
        while True:
            halved = np.flatnonzero(self.first >= 0)
            one, other = self.first[halved], self.first[halved] + 1
            least = np.minimum(low[one], low[other])
            most = np.maximum(high[one], high[other])
            same = (
                (self.first[one] < 0)
                & (self.first[other] < 0)
                & ~(self.done[one] | self.done[other])
                & (self.kind[one] == self.kind[other])
                & (most - least <= within)
            )
            if not same.any():
                return
            joined = halved[same]
            low[joined], high[joined] = least[same], most[same]
            self.say(joined, self.kind[one[same]], (least[same] + most[same]) / 2)
            self.done[one[same]] = self.done[other[same]] = True
            self.first[joined] = -1

    def whole(self) -> Pieces:
        """What was not cut."""
        left = np.flatnonzero((self.first < 0) & ~self.done)
        return Pieces(self.corner[left], self.kind[left], self.value[left], self.source[left])


@dataclass(frozen=True, eq=False)
class _Cuts:
    """Triangles to be cut: their numbers (k,), their corners turned so that the first is unlike
    both others, or all are unlike (k, 3, 3), what is said there (k, 3), and where it changes on the
    sides from the first to the second, on to the third, and back (k, 3, 3)."""

    leaf: _Ints
    corner: _Floats
    kind: _Ints
    value: _Floats
    change: _Floats

    @classmethod
    def of(cls, tree: _Tree, ask: Ask, leaf: _Ints) -> _Cuts:
        corner = tree.corner[leaf]
        middle = corner.mean(axis=1, keepdims=True)
        inner = corner + _IN * (middle - corner)
        kinds, values = tree.ask(ask, np.repeat(leaf, 3), inner.reshape(-1, 3))
        kind, value = kinds.reshape(-1, 3), values.reshape(-1, 3)
        mixed = (kind != kind[:, :1]).any(axis=1)
        leaf, corner, inner = leaf[mixed], corner[mixed], inner[mixed]
        kind, value = kind[mixed], value[mixed]
        # The odd one first.
        odd = np.where(kind[:, 0] == kind[:, 1], 2, np.where(kind[:, 0] == kind[:, 2], 1, 0))
        turn = (odd[:, None] + np.arange(3)) % 3
        kind, value = np.take_along_axis(kind, turn, 1), np.take_along_axis(value, turn, 1)
        corner = np.take_along_axis(corner, turn[:, :, None], 1)
        inner = np.take_along_axis(inner, turn[:, :, None], 1)
        ahead = [1, 2, 0]
        share = _changes(tree, ask, leaf, (inner, inner[:, ahead]), kind)
        change = corner + share[:, :, None] * (corner[:, ahead] - corner)
        return cls(leaf, corner, kind, value, change)

    def wrong(self, tree: _Tree, ask: Ask) -> _Bools:
        """Which of them (k,) a straight cut does not follow."""
        start, end = self.change[:, 0], self.change[:, 2]
        two = self.kind[:, 1] == self.kind[:, 2]
        middle = (start + end) / 2
        toward = self.corner[:, 0] - middle
        size = np.linalg.norm(toward, axis=1, keepdims=True)
        large = _sides(self.corner).max(axis=1, keepdims=True)
        step = np.minimum(_ASIDE * large / np.maximum(size, 1e-12), 0.9) * toward
        here, _ = tree.ask(ask, self.leaf, middle + step)
        there, _ = tree.ask(ask, self.leaf, middle - step)
        follows = (here == self.kind[:, 0]) & (there == self.kind[:, 1])
        return np.asarray(~(two & follows))

    def pieces(self, tree: _Tree, which: _Bools) -> list[Pieces]:
        """The triangles of some of them."""
        a, b, c = self.corner[which].transpose(1, 0, 2)
        ab, bc, ca = self.change[which].transpose(1, 0, 2)
        kind, value, source = self.kind[which], self.value[which], tree.source[self.leaf[which]]
        two = kind[:, 1] == kind[:, 2]
        middle = (ab + bc + ca) / 3
        made = []
        for some, corners, own in (
            (two, (a, ab, ca), 0),
            (two, (ab, b, c), 1),
            (two, (ab, c, ca), 2),
            (~two, (a, ab, middle), 0),
            (~two, (a, middle, ca), 0),
            (~two, (b, bc, middle), 1),
            (~two, (b, middle, ab), 1),
            (~two, (c, ca, middle), 2),
            (~two, (c, middle, bc), 2),
        ):
            corner = np.stack([each[some] for each in corners], axis=1)
            made.append(Pieces(corner, kind[some, own], value[some, own], source[some]))
        return made


def _changes(
    tree: _Tree, ask: Ask, leaf: _Ints, sides: tuple[_Floats, _Floats], kind: _Ints
) -> _Floats:
    """Where on the way between points (k, 3, 3) what is said at the first, (k, 3), ends: the share
    (k, 3); 1/2 where it does not."""
    start, end = (each.reshape(-1, 3) for each in sides)
    own, owner = kind.reshape(-1), np.repeat(leaf, 3)
    some = np.flatnonzero(own != kind[:, [1, 2, 0]].reshape(-1))
    low, high = np.zeros(len(some)), np.ones(len(some))
    for _ in range(_HALVINGS):
        at = (low + high) / 2
        point = start[some] + at[:, None] * (end[some] - start[some])
        found, _ = tree.ask(ask, owner[some], point)
        before = found == own[some]
        low, high = np.where(before, at, low), np.where(before, high, at)
    share = np.full(len(own), 0.5)
    # The way begins and ends a little within the triangle.
    share[some] = (low + high) / 2
    return share.reshape(-1, 3)


def _sides(corner: _Floats) -> _Floats:
    return np.asarray(np.linalg.norm(corner[:, [1, 2, 0]] - corner, axis=2))


def _beside_others(corner: _Floats, normal: _Floats, kind: _Ints) -> _Bools:
    """Which triangles (m,) share a corner with one of another kind in the same plane."""
    size = max(float(np.ptp(corner, axis=(0, 1)).max(initial=0.0)), 1e-9)
    place = np.rint(corner.reshape(-1, 3) / size * 2**20)
    facing = np.rint(np.repeat(normal, 3, axis=0) * 50)
    _, which = np.unique(np.column_stack([place, facing]), axis=0, return_inverse=True)
    which, own = which.reshape(-1), np.repeat(kind, 3)
    count = int(which.max(initial=-1)) + 1
    least, most = np.full(count, np.iinfo(np.int64).max), np.full(count, -1)
    np.minimum.at(least, which, own)
    np.maximum.at(most, which, own)
    return np.asarray((least < most)[which].reshape(-1, 3).any(axis=1))
