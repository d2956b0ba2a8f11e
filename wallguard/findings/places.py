"""Which places are one place: how near boxes and points lie, for all who match findings or walls.

share       of two boxes: findings of two revisions, under the move between them
overlap     of two boxes: walls of two toolpaths, of which one may be a piece of the other
Boxes.meet  boxes that touch: findings under two processes, on one drawing
nearest     the place that a waiver names: within a finding's box or near it
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from wallguard.base.text import SHOWN
from wallguard.findings.model import Finding, Point

Box: TypeAlias = tuple[Point, Point]
_Floats: TypeAlias = NDArray[np.float64]

# One place: points within the first, mm, or boxes that share the second of what they cover.
NEAR_POINT, SHARED = 0.5, 0.3
# Boxes are widened by this, mm, since a wall is thin.
_WIDENED = 0.25
# A place that is named is that of a finding if it lies within its box or so near to it, mm, or so
# near to its point where it has no box.
_FROM_BOX, _FROM_POINT = 1.0, 2.0


def overlap(low: _Floats, high: _Floats, other_low: _Floats, other_high: _Floats) -> _Floats:
    """Of boxes (n, 3) and others (m, 3): what both cover, (n, m), mm³."""
    top = np.minimum(high[:, None], other_high[None])
    both = np.clip(top - np.maximum(low[:, None], other_low[None]), 0, None)
    return np.asarray(both.prod(axis=2))


def share(low: _Floats, high: _Floats, other_low: _Floats, other_high: _Floats) -> _Floats:
    """Of boxes (n, 3) and others (m, 3): the share (n, m) that both cover of what they cover."""
    low, high = low - _WIDENED, high + _WIDENED
    other_low, other_high = other_low - _WIDENED, other_high + _WIDENED
    common = overlap(low, high, other_low, other_high)
    whole = (high - low).prod(axis=1)[:, None] + (other_high - other_low).prod(axis=1)[None]
    return np.asarray(common / (whole - common))


class Boxes:
    """Where findings are. What has no box is everywhere."""

    def __init__(self, boxes: Sequence[Box | None]) -> None:
        placed = np.array([box for box in boxes if box is not None], np.float64).reshape(-1, 2, 3)
        self._everywhere = len(placed) < len(boxes)
        self._any = bool(boxes)
        self._low, self._high = placed[:, 0] - SHOWN, placed[:, 1] + SHOWN

    def meet(self, box: Box | None) -> bool:
        """Whether any of the boxes has a point in common with `box`."""
        if box is None or self._everywhere:
            return self._any
        low, high = box
        return bool(((self._low <= high) & (low <= self._high)).all(axis=1).any())


def nearest(place: Point, findings: Sequence[Finding], among: Iterable[int]) -> int | None:
    """The number of the finding that is at a place, of those whose numbers are given."""
    near = []
    for at in among:
        finding = findings[at]
        from_point = math.dist(place, finding.location) if finding.location else math.inf
        from_box = _from_box(place, finding.box) if finding.box else math.inf
        if from_box <= _FROM_BOX or (finding.box is None and from_point <= _FROM_POINT):
            near.append((round(from_box, 1), from_point, at))
    return min(near)[2] if near else None


def _from_box(place: Point, box: Box) -> float:
    inside = [min(max(value, low), high) for value, low, high in zip(place, *box, strict=True)]
    return math.dist(place, inside)
