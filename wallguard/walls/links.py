"""Which cells of walls in space belong together.

two cells                               are joined where
--------------------------------------  ------------------------------------------------------
side by side on one surface             the surface turns by up to 50 degrees from the one to
                                        the other, and what lies between that is no wall is no
                                        wider than two thicknesses, as below a rib
on the two faces of a wall              the one's balls touch the other
of a post, one in each direction        a ball touches all four faces
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, distinct, dot, lengths, ranges
from wallguard.walls.bounds import Nodes, Tree, bounds_of, meetings, wider
from wallguard.walls.clear import Cells, nearest
from wallguard.walls.facets import ALONG, Facets
from wallguard.walls.samples import FACING

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# A wall goes on across a junction no wider than twice its thickness.
_JUNCTION = 2.0
# Of that, how far is looked at a time.
_SHARES = (0.05, 1.0)
# Corners this near are one, mm.
_SAME = 1e-4
# A ball touches what it lies within this share of its radius of.
_TOUCH = 0.01


def links_of(facets: Facets, cells: Cells, twin: _Ints, limits: _Floats) -> tuple[_Ints, _Ints]:
    """Pairs of cells that belong together: enough of them for all that is joined, also where it is
    divided at the limits (mm).

    twin (k,): the same cell on the other face, or -1
    """
    size = len(cells.own)
    paired = np.flatnonzero(twin >= 0)
    pairs = [(paired, twin[paired]), _over_fine(facets, cells), _beside(facets, cells)]
    pairs.append(_posts(facets, cells))
    one = np.concatenate([each for each, _ in pairs])
    other = np.concatenate([each for _, each in pairs])
    label = connected(one, other, size)[1]
    kind = np.searchsorted(limits, 2 * cells.points[:, :, 3].mean(axis=1), side="right")
    alike = kind[one] == kind[other]
    island = connected(one[alike], other[alike], size)[1]
    past = _past_junctions(facets, cells, label, island, kind)
    return np.concatenate([one, past[0]]), np.concatenate([other, past[1]])


def _cell_of(facets: Facets, cells: Cells) -> _Ints:
    """(m,) the cell on each fine facet, -1 where none is."""
    number = np.full(len(facets.area), -1)
    fine = np.flatnonzero(facets.fine[cells.own])
    number[cells.own[fine]] = fine
    return number


def _over_fine(facets: Facets, cells: Cells) -> tuple[_Ints, _Ints]:
    """Cells and those on the fine facets that their balls touch."""
    other = _cell_of(facets, cells)[cells.contact]
    turned = dot(facets.normal[cells.own], facets.normal[cells.contact]) <= -ALONG
    one = np.flatnonzero((other >= 0) & turned)
    return one, other[one]


def _beside(facets: Facets, cells: Cells) -> tuple[_Ints, _Ints]:
    """Cells of one surface that share a corner, and fine ones that share a side."""
    number = _cell_of(facets, cells)
    side = np.flatnonzero((facets.beside.ravel() >= 0) & (np.cos(facets.bend.ravel()) >= ALONG))
    one, other = number[side // 3], number[facets.beside.ravel()[side]]
    both = (one >= 0) & (other >= 0) & (one < other)
    coarse = np.flatnonzero(~facets.fine[cells.own])
    corner = np.round(cells.points[coarse, :, :3].reshape(-1, 3) / _SAME).astype(np.int64)
    cell = np.repeat(coarse, 3)
    patch = facets.patch[cells.own[cell]]
    order = np.lexsort((*corner.T, patch))
    key = np.column_stack([patch, corner])[order]
    same = (key[1:] == key[:-1]).all(axis=1)
    first, second = cell[order[:-1][same]], cell[order[1:][same]]
    # Along one face corners may be shared all the same with a face that turns off sharply.
    alike = dot(facets.normal[cells.own[first]], facets.normal[cells.own[second]]) >= ALONG
    return (
        np.concatenate([one[both], first[alike]]),
        np.concatenate([other[both], second[alike]]),
    )


class _Joined:
    """What is joined so far: labels, and islands of what has one kind of thickness."""

    def __init__(self, patch: _Ints, label: _Ints, island: _Ints, kind: _Ints) -> None:
        self.patch, self.label, self.island, self.kind = patch, label, island, kind
        self.first = label
        self._kinds = int(kind.max(initial=0)) + 1
        self._of_labels: tuple[_Ints, _Ints] | None = None

    def left(self, one: _Ints, other: _Ints) -> _Bools:
        """Which pairs of cells, of different labels at first, would join what is not joined yet."""
        alike = (self.kind[one] == self.kind[other]) & (self.island[one] != self.island[other])
        left: _Bools = alike | (self.label[one] != self.label[other])
        left &= self.first[one] != self.first[other]
        return left

    def wanted(self, nodes: Nodes, others: Nodes) -> _Bools:
        """Whether cells of two nodes may yet be such a pair, by their labels at first (see
        `Bounds.unlike`); -1 for any label."""
        one, other = nodes.unlike, others.unlike
        if self._of_labels is None:
            count = int(self.first.max()) + 1
            now = np.zeros(count, np.int64)
            now[self.first] = self.label
            # The one island of each kind, -1 where there is none, -2 and below where several.
            lowest = np.full((count, self._kinds), len(self.first) + 1)
            highest = np.full((count, self._kinds), -1)
            np.minimum.at(lowest, (self.first, self.kind), self.island)
            np.maximum.at(highest, (self.first, self.kind), self.island)
            several = highest > lowest
            highest[several] = -2 - np.flatnonzero(several.ravel())
            self._of_labels = now, highest
        now, islands = self._of_labels
        wanted: _Bools = (one < 0) | (other < 0) | (now[one] != now[other])
        for alike in islands.T:
            mine, its = alike[one], alike[other]
            wanted |= (mine != its) & (mine != -1) & (its != -1)
        return wanted

    def open(self) -> _Bools:
        """(k,) on which surfaces something is not joined yet."""
        size = int(self.patch.max()) + 1
        several = np.zeros(size, bool)
        for number, alike in ((self.label, 0 * self.kind), (self.island, self.kind)):
            group = self.patch * self._kinds + alike
            group = distinct(group * (int(number.max()) + 1) + number) // (int(number.max()) + 1)
            several[group[1:][group[1:] == group[:-1]] // self._kinds] = True
        there: _Bools = several[self.patch]
        return there

    def join(self, one: _Ints, other: _Ints) -> None:
        """Join pairs of cells."""
        self.label = _merged(self.label, one, other)
        alike = self.kind[one] == self.kind[other]
        self.island = _merged(self.island, one[alike], other[alike])
        self._of_labels = None

    def chosen(self, which: _Ints) -> _Joined:
        """The cells with these numbers."""
        some = _Joined(*(each[which] for each in (self.patch, self.label, self.island, self.kind)))
        some.first = self.first[which]
        return some


def _merged(label: _Ints, one: _Ints, other: _Ints) -> _Ints:
    merged: _Ints = connected(label[one], label[other], int(label.max()) + 1)[1][label]
    return merged


def _past_junctions(
    facets: Facets, cells: Cells, label: _Ints, island: _Ints, kind: _Ints
) -> tuple[_Ints, _Ints]:
    """Cells of one surface that are not joined yet and lie near each other."""
    none = np.zeros(0, np.int64)
    # Where all that lies on a surface is joined already, nothing is to be done.
    patch = facets.patch[cells.own]
    size = int(label.max(initial=0)) + 1
    kinds = distinct(patch * size + label) // size
    several = np.bincount(kinds, minlength=int(patch.max(initial=0)) + 1) > 1
    rim = np.flatnonzero((cells.label != -1).any(axis=1) & several[patch])
    if facets.fine.any():
        number = _cell_of(facets, cells)
        inner = (facets.beside[cells.own[rim]] >= 0) & (number[facets.beside[cells.own[rim]]] >= 0)
        rim = rim[~(facets.fine[cells.own[rim]] & inner.all(axis=1))]
    if len(rim) < 2:
        return none, none
    place = cells.points[rim, :, :3]
    reach = _JUNCTION * 2 * cells.points[rim, :, 3].max(axis=1)
    pairs = [(none, none)]
    known = _Joined(patch[rim], label[rim], island[rim], kind[rim])
    # What lies side by side is joined first: then little is left that might be farther on.
    for share in _SHARES:
        some = np.flatnonzero(known.open())
        rim, place, reach, known = rim[some], place[some], reach[some], known.chosen(some)
        if not len(some):
            break
        for one, other in _apart(facets, place, cells.own[rim], share * reach, known):
            pairs.append((rim[one], rim[other]))
            known.join(one, other)
    return (
        np.concatenate([each for each, _ in pairs]),
        np.concatenate([each for _, each in pairs]),
    )


def _apart(
    facets: Facets, place: _Floats, own: _Ints, reach: _Floats, known: _Joined
) -> Iterator[tuple[_Ints, _Ints]]:
    """Pairs of cells at `place` (k, 3, 3) on facets `own` (k,) of one surface that lie alike within
    `reach` (k,) of each other, and that are not joined yet."""
    normal = facets.normal[own]
    bounds = replace(bounds_of(place, normal), like=known.patch, unlike=known.first)
    asked = replace(wider(bounds, reach), normal=(-normal, -normal))
    trees = Tree(asked, known.first), Tree(bounds, known.first)
    for pair in meetings(*trees, -ALONG, wanted=known.wanted):
        one, other = pair
        kept = known.left(one, other)
        one, other = one[kept], other[kept]
        kept = dot(normal[one], normal[other]) >= ALONG
        one, other = one[kept], other[kept]
        # Corners that are near each other are found soonest.
        gap = np.full(len(one), np.inf)
        for i in range(3):
            for j in range(3):
                np.minimum(gap, lengths(place[one, i] - place[other, j]), out=gap)
        near = gap <= reach[one]
        for exactly in (False, True):
            if exactly:
                rest = known.left(one, other)
                one, other = one[rest], other[rest]
                near = _gaps(place, normal, one, other) <= reach[one]
            if near.any():
                yield one[near], other[near]


def _gaps(place: _Floats, normal: _Floats, one: _Ints, other: _Ints) -> _Floats:
    """How far triangles `one` are from `other`, of those at `place` (k, 3, 3) with their normals:
    from the corners of either."""
    gap = np.full(len(one), np.inf)
    for i in range(3):
        for a, b in ((one, other), (other, one)):
            spot = place[a, i]
            np.minimum(gap, lengths(nearest(spot, place[b], normal[b]) - spot), out=gap)
    return gap


def _enclosed(pair: _Ints, meet: _Ints, size: int) -> _Bools:
    """Which pairs of faces meet two others, both of them; pairs of faces, and those that meet, are
    the one's number times `size` and the other's, rising."""
    one, other = pair // size, pair % size
    begin = np.searchsorted(meet, one * size)
    owner, place = ranges(begin, np.searchsorted(meet, (one + 1) * size) - begin)
    asked = other[owner] * size + meet[place] % size
    at = np.minimum(np.searchsorted(meet, asked), len(meet) - 1)
    both: _Bools = np.bincount(owner[meet[at] == asked], minlength=len(pair)) >= 2
    return both


def _posts(facets: Facets, cells: Cells) -> tuple[_Ints, _Ints]:
    """A square post is one wall, not one in each direction: cells of pairs of flat faces where
    each pair touches a ball of the other, and is as thick."""
    size = int(facets.face.max()) + 1
    # Of the two edges of a face between two that face each other one is as sharp as this.
    sharp = np.zeros(size, bool)
    sharp[facets.face[(facets.bend >= np.arccos(FACING) / 2 - 1e-6).any(axis=1)]] = True
    some = np.flatnonzero(sharp[facets.face[cells.own]] | sharp[facets.face[cells.contact]])
    low, high = facets.face[cells.own[some]], facets.face[cells.contact[some]]
    key = np.minimum(low, high) * size + np.maximum(low, high)
    order = np.argsort(key, kind="stable")
    order = order[np.diff(key[order], prepend=-1) > 0]
    pair, first = key[order], some[order]
    radius = cells.points[:, :, 3].mean(axis=1)
    # Faces of both pairs meet each other, with what holds the searched side in.
    side = np.flatnonzero((facets.bend.ravel() > 0) & (facets.beside.ravel() >= 0))
    meet = distinct(facets.face[side // 3] * size + facets.face[facets.beside.ravel()[side]])
    enclosed = _enclosed(pair, meet, size)
    pair, first = pair[enclosed], first[enclosed]
    faces = np.column_stack([pair // size, pair % size])
    one_of: dict[int, list[int]] = {}
    for number, (a, b) in enumerate(faces.tolist()):
        one_of.setdefault(a, []).append(number)
        one_of.setdefault(b, []).append(number)
    beside: dict[int, set[int]] = {}
    for each in meet.tolist():
        if each // size in one_of and each % size in one_of:
            beside.setdefault(each // size, set()).add(each % size)
    ones, others = [], []
    for number, (a, b) in enumerate(faces.tolist()):
        common = beside.get(a, set()) & beside.get(b, set())
        for face in common:
            for its in one_of[face]:
                if its > number and set(faces[its].tolist()) <= common:
                    ones.append(number)
                    others.append(its)
    one, other = first[np.array(ones, np.int64)], first[np.array(others, np.int64)]
    alike = np.abs(radius[one] - radius[other]) <= 0.02 * radius[one]
    # All cells of one pair of flat faces need not be joined: those that are named are.
    return one[alike], other[alike]
