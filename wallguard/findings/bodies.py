"""Whether two bodies are one body that was moved, and how: told from the numbers of their surface.

Nothing of a file's name, format or triangles is in those numbers, so that a part is known again
after it was renamed, converted, moved in its file, or divided into files, and without its history.
Bodies that agree may still differ in what the numbers do not tell, so that whoever follows a
finding from one to the other looks for it at its place.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from wallguard.findings.identity import Move, quarter_turns
from wallguard.findings.model import Body, Point

# How far surfaces of one body may lie apart in two files, mm, and as a share of its reach: files
# keep three decimals at least, or seven digits.
_APART, _SHARE = 0.01, 2e-4


def moves(was: Body, now: Body) -> Iterator[Move]:
    """The rigid moves that take a body to where it is now: one that only shifts it, or else those
    that turn it too. None where it is another body. Mirrored bodies are told apart where they are
    not the same on all sides."""
    reach = math.sqrt(max(sum(was.spread[:3]), 0.0))
    apart = _APART + _SHARE * reach
    if abs(was.area - now.area) > 4 * apart * math.sqrt(max(was.area, 0.0)) + apart**2:
        return
    if abs(was.volume - now.volume) > apart * was.area:
        return
    spread, lean = _tensor(was), np.array(was.lean)
    wanted, leans = _tensor(now), np.array(now.lean)
    for rotation in _turns(was, now):
        if np.abs(rotation @ spread @ rotation.T - wanted).max() > 2 * apart * reach + apart**2:
            continue
        if np.abs(rotation @ lean - leans).max() <= 3 * apart:
            yield Move(rotation, np.array(now.centre) - rotation @ np.array(was.centre))


def same(was: Body, now: Body) -> bool:
    """Whether two bodies are one that was moved."""
    return next(moves(was, now), None) is not None


def around(place: Point | None, bodies: Sequence[Body]) -> Body | None:
    """The body that a place belongs to: the smallest of those whose box holds it, else the part as
    a whole, which is the last."""
    if not bodies:
        return None
    held = [body for body in bodies if place is not None and _holds(body, place)]
    return min(held, key=_size, default=bodies[-1])


def _holds(body: Body, place: Point) -> bool:
    sides = zip(*body.box, place, strict=True)
    return all(low - _APART <= value <= high + _APART for low, high, value in sides)


def _size(body: Body) -> float:
    return math.prod(high - low for low, high in zip(*body.box, strict=True))


def _tensor(body: Body) -> NDArray[np.float64]:
    xx, yy, zz, yz, xz, xy = body.spread
    return np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])


def _turns(was: Body, now: Body) -> Iterator[NDArray[np.float64]]:
    """Rotations worth trying: none, quarter turns, and turns about an axis of the file."""
    yield np.eye(3)
    yield from quarter_turns()
    for axis in (2, 1, 0):
        across = [(axis + 1) % 3, (axis + 2) % 3]
        for angle in _angles(was, now, across):
            cosine, sine = math.cos(angle), math.sin(angle)
            matrix = np.eye(3)
            matrix[np.ix_(across, across)] = [[cosine, -sine], [sine, cosine]]
            yield matrix


def _angles(was: Body, now: Body, across: Sequence[int]) -> Iterable[float]:
    """By what angles in a plane the body may have turned: as its longest side did, one way or the
    other, and as what it leans to did."""
    long = [_longest(_tensor(body)[np.ix_(across, across)]) for body in (was, now)]
    ways = [math.atan2(body.lean[across[1]], body.lean[across[0]]) for body in (was, now)]
    turn = long[1] - long[0]
    return turn, turn + math.pi, ways[1] - ways[0]


def _longest(block: NDArray[np.float64]) -> float:
    return 0.5 * math.atan2(2 * block[0, 1], block[0, 0] - block[1, 1])
