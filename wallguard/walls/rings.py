"""Convex rings of points, many at once: cut along lines, split into triangles.

A ring's points carry a value that runs evenly over it, and each of its edges a label.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# The label of an edge inside a surface: what lies beyond goes on.
INNER = -1
# So many rings are split into triangles at a time: bounds the memory.
_TOGETHER = 100_000


@dataclass(frozen=True)
class Rings:
    """Convex rings (k,) of up to v points each.

    points  (k, v, 4) place (mm) and a value that is linear over the ring
    count   (k,) how many of them count
    label   (k, v) of the edge from each point to the next
    """

    points: _Floats
    count: _Ints
    label: _Ints

    def chosen(self, which: _Ints | _Bools) -> Rings:
        """Those with these numbers."""
        return Rings(self.points[which], self.count[which], self.label[which])

    @property
    def after(self) -> _Ints:
        """(k, v) which point follows each."""
        step = np.arange(self.points.shape[1]) + 1
        following: _Ints = np.where(step[None] < self.count[:, None], step[None], 0)
        return following

    def cut(self, height: _Floats, label: _Ints) -> Rings:
        """What lies where `height` (k, v), linear over each ring, is not negative. The new edge
        gets the label (k,); a ring that lies elsewhere has no points left."""
        size = self.points.shape[1]
        valid = np.arange(size) < self.count[:, None]
        within = (height >= 0) & valid
        changed: _Bools = ~np.all(within | ~valid, axis=1)
        if not changed.any():
            return self
        if not changed.all():
            return self._put(changed, self.chosen(changed).cut(height[changed], label[changed]))
        after = self.after
        rows = np.arange(len(self.count))[:, None]
        crossing = valid & (within != within[rows, after])
        beyond = height[rows, after]
        share = height / np.where(crossing, height - beyond, 1.0)
        met = self.points + share[:, :, None] * (self.points[rows, after] - self.points)
        kept = np.stack([within, crossing], axis=2).reshape(len(rows), -1)
        points = np.stack([self.points, met], axis=2).reshape(len(rows), -1, 4)
        leaving = np.where(within, label[:, None], self.label)
        labels = np.stack([self.label, leaving], axis=2).reshape(len(rows), -1)
        count = kept.sum(axis=1)
        order = np.argsort(~kept, axis=1, kind="stable")[:, : max(int(count.max()), 1)]
        return Rings(points[rows, order], count, labels[rows, order])

    def _put(self, where: _Bools, other: Rings) -> Rings:
        """With others in the place of some."""
        size = max(self.points.shape[1], other.points.shape[1])
        points = np.zeros((len(self.count), size, 4))
        label = np.full((len(self.count), size), INNER)
        count = self.count.copy()
        points[:, : self.points.shape[1]], label[:, : self.label.shape[1]] = (
            self.points,
            self.label,
        )
        points[where, : other.points.shape[1]] = other.points
        label[where, : other.label.shape[1]] = other.label
        count[where] = other.count
        return Rings(points, count, label)

    def _is_plain(self) -> _Bools:
        """(k,) whether triangles from the first point fill a ring, each with an area."""
        if self.points.shape[1] < 3:
            return np.zeros(len(self.points), bool)
        way = self.points[:, :, :3] - self.points[:, :1, :3]
        area = np.linalg.norm(np.cross(way[:, 1:-1], way[:, 2:]), axis=2)
        used = np.arange(area.shape[1]) + 2 < self.count[:, None]
        area[~used] = np.inf
        plain: _Bools = area.min(axis=1) > 1e-4 * np.where(used, area, 0.0).sum(axis=1)
        return plain

    def triangles(self) -> tuple[_Floats, _Ints, _Ints]:
        """Triangles (t, 3, 4) that fill the rings, their edges' labels (t, 3), and the number of
        the ring that each is of (t,). What has no area is left out."""
        if len(self.count) <= _TOGETHER:
            return self._triangles()
        points, labels, owner = [], [], []
        for at in range(0, len(self.count), _TOGETHER):
            some = self.chosen(np.arange(at, min(at + _TOGETHER, len(self.count))))
            corners, label, ring = some._triangles()
            points.append(corners)
            labels.append(label)
            owner.append(ring + at)
        return np.concatenate(points), np.concatenate(labels), np.concatenate(owner)

    def _triangles(self) -> tuple[_Floats, _Ints, _Ints]:
        size, after = self.points.shape[1], self.after
        plain, pieces = self._is_plain(), []
        for i in range(1, size - 1):
            there = np.flatnonzero(plain & (self.count > i + 1))
            first = self.label[there, 0] if i == 1 else INNER
            last = np.where(self.count[there] == i + 2, self.label[there, i + 1], INNER)
            labels = np.full((len(there), 3), INNER)
            labels[:, 0], labels[:, 1], labels[:, 2] = first, self.label[there, i], last
            pieces.append((self.points[there][:, [0, i, i + 1]], labels, there))
        # Others from their middle, so that each edge belongs to a triangle that has an area.
        valid = np.arange(size) < self.count[:, None]
        sums = (self.points * valid[:, :, None]).sum(axis=1)
        middle = sums / np.maximum(self.count, 1)[:, None]
        for i in range(size):
            there = np.flatnonzero((self.count > i) & (self.count > 2) & ~plain)
            corners = self.points[there, i], self.points[there, after[there, i]], middle[there]
            labels = np.full((len(there), 3), INNER)
            labels[:, 0] = self.label[there, i]
            pieces.append((np.stack(corners, axis=1), labels, there))
        points = np.concatenate([each[0] for each in pieces])
        labels = np.concatenate([each[1] for each in pieces])
        owner = np.concatenate([each[2] for each in pieces])
        u, v = points[:, 1, :3] - points[:, 0, :3], points[:, 2, :3] - points[:, 0, :3]
        area = np.linalg.norm(np.cross(u, v), axis=1)
        order = np.argsort(owner, kind="stable")
        order = order[area[order] > 1e-10]
        return points[order], labels[order], owner[order]


def rings_of(points: _Floats, label: _Ints) -> Rings:
    """Rings that all have as many points: (k, v, 4) and (k, v)."""
    return Rings(points, np.full(len(points), points.shape[1]), label)
