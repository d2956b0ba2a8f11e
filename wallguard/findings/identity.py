"""Which findings of two revisions of one part, under the same rules, are the same finding.

First the rigid move between the two files is told from their walls, since an export may lie
elsewhere: of no move, the shifts, the quarter turns and the turns about an axis of the file that
walls of equal thickness suggest, the one that maps most walls onto walls. Under it
findings of one kind are the same where they are at one place: their points lie together, or their
boxes are largely one. What is left is compared without the move, and where walls are too few to
tell the move, by shape, if only one on either side has that.

A finding keeps its identity where the part is exported or triangulated anew, where its corners are
numbered otherwise, where the origin of the file moves, where the part is turned about its upright
axis, and where something else in the part changes. It does not where a wall moves against the rest
of the part: then the old finding is fixed and there is a new one. Mirrored parts are other parts.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import permutations, product
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from wallguard.base.text import wording
from wallguard.findings.model import Finding, PartReport, Point
from wallguard.findings.outcomes import least_of
from wallguard.findings.places import NEAR_POINT, SHARED, share
from wallguard.findings.worsening import before, worsening

_Floats: TypeAlias = NDArray[np.float64]
_Signature: TypeAlias = tuple[object, ...]

# At most so many walls, the rarest first, tell the move, in at most so many pairs.
_ANCHORS, _PAIRS, _BASELINES = 150, 4000, 80
# Turns are not tried where this share of the walls is mapped without.
_ENOUGH = 0.8
# How near walls come to each other under the right move, mm: boxes of curved walls stray.
_NEAR = 0.7
# Width of a vote on shifts, mm, and on turns, degrees; how many of the votes are followed.
_CELL, _TURN, _FOLLOWED = 0.5, 1.0, 3
# At most so many findings of one kind are compared, the worst first; the others are new.
_MOST = 5000
# So many at once, and each with so many others at most.
_ROWS, _CANDIDATES = 256, 16


@dataclass(frozen=True, eq=False)
class Move:
    """A rigid move: p_head = rotation · p_base + shift (mm), told from `support` walls of `of`; one
    of another length counts as much as it shares with its like."""

    rotation: _Floats
    shift: _Floats
    support: float = 0
    of: int = 0

    def apply(self, points: _Floats) -> _Floats:
        """Points (n, 3) of the base's frame in that of the head."""
        return np.asarray(points @ self.rotation.T + self.shift)

    @property
    def square(self) -> bool:
        """Whether boxes stay boxes."""
        return bool(np.allclose(np.abs(self.rotation), np.round(np.abs(self.rotation)), atol=1e-6))

    @property
    def is_none(self) -> bool:
        """Whether it leaves all where it is, but for what is computing error."""
        still = np.allclose(self.shift, 0, atol=0.02)
        return bool(still and np.allclose(self.rotation, np.eye(3), atol=1e-4))

    @property
    def firm(self) -> bool:
        """Whether walls enough agree on it."""
        return self.support >= 3 and 2 * self.support >= self.of


def compared(base: PartReport, head: PartReport, name: str = "the base") -> PartReport:
    """The head's report with the state of every finding, and with what is fixed.

    A finding that the base has too, but less bad, is `new`, with a remark that tells how it got
    worse. `name` is what the base is called there.
    """
    if base.status == "error":
        note = f"not compared with {name}, so that all its findings count as new: {base.error}"
        return replace(all_new(head), base_note=note)
    known = same_findings(base, head)
    findings = []
    for at, finding in enumerate(head.findings):
        if at not in known:
            findings.append(replace(finding, state="new"))
            continue
        how = worsening(before(base.findings[known[at]]), finding)
        if how:
            remark = f"{name} has it too, but it got worse: {how}"
            findings.append(replace(finding, state="new", worse=True, remark=remark))
        else:
            findings.append(replace(finding, state="unchanged"))
    left = set(range(len(base.findings))) - set(known.values())
    fixed = tuple(base.findings[at] for at in sorted(left))
    return replace(head, findings=tuple(findings), fixed=fixed)


def unbroken(base: PartReport, head: PartReport) -> tuple[Finding, ...]:
    """What the base breaks and the head does not: findings that are gone, and of those that are
    still there the limits that are not broken any more, as findings with these alone."""
    known = {old: new for new, old in same_findings(base, head).items()}
    findings = []
    for at, finding in enumerate(base.findings):
        still = head.findings[known[at]].breaches if at in known else ()
        checks = {least_of(breach.check) for breach in still}
        gone = tuple(breach for breach in finding.breaches if least_of(breach.check) not in checks)
        if gone:
            findings.append(finding if at not in known else replace(finding, breaches=gone))
    return tuple(findings)


def all_new(head: PartReport) -> PartReport:
    """The report on a part that the base has not, or that cannot be compared."""
    return replace(head, findings=tuple(replace(finding, state="new") for finding in head.findings))


def same_findings(base: PartReport, head: PartReport) -> dict[int, int]:
    """For the number of each finding of the head that the base has too, its number there."""
    known = _without_place(base.findings, head.findings)
    move = find_move(base, head)
    moves = [move]
    if not _is_still(move):
        moves.append(_still())
    for way in moves:
        for kind in sorted({kind_of(finding) for finding in head.findings}):
            old = _left(base.findings, kind, known.values())
            new = _left(head.findings, kind, known)
            known |= _by_place(base.findings, head.findings, old, new, way)
    if not move.firm:
        known |= _by_shape(base.findings, head.findings, known)
    return known


def kind_of(finding: Finding) -> str:
    """What a finding is about; where that is not known, the check that found it."""
    return finding.subject.kind if finding.subject else finding.check


def _thickness(finding: Finding) -> float:
    return finding.subject.thickness.typical if finding.subject else finding.measured or 0.0


def _left(findings: Sequence[Finding], kind: str, taken: Iterable[int]) -> list[int]:
    gone = set(taken)
    return [
        at
        for at, finding in enumerate(findings)
        if finding.box and at not in gone and kind_of(finding) == kind
    ][:_MOST]


def _without_place(base: Sequence[Finding], head: Sequence[Finding]) -> dict[int, int]:
    """Findings on the part as a whole, or on its mesh: of each kind there is one."""
    old: dict[tuple[str, str], list[int]] = {}
    for at, finding in enumerate(base):
        if not finding.box:
            old.setdefault((finding.check, wording(finding.message)), []).append(at)
    known = {}
    for at, finding in enumerate(head):
        alike = old.get((finding.check, wording(finding.message)), [])
        if not finding.box and alike:
            known[at] = alike.pop(0)
    return known


def _by_place(
    base: Sequence[Finding],
    head: Sequence[Finding],
    old: Sequence[int],
    new: Sequence[int],
    move: Move,
) -> dict[int, int]:
    """Findings of one kind at one place, nearest and most alike first."""
    if not old or not new:
        return {}
    was, now = _Places.of(base, old).moved(move), _Places.of(head, new)
    pairs: list[tuple[float, int, int]] = []
    for begin in range(0, len(new), _ROWS):
        rows = slice(begin, begin + _ROWS)
        apart = _distance(now.point[rows], was.point)
        middles = _distance(now.middle[rows], was.middle)
        one_place = apart <= NEAR_POINT
        grown = np.abs(now.size[rows, None] - was.size[None]).sum(axis=2)
        if move.square:
            one_place |= share(now.low[rows], now.high[rows], was.low, was.high) >= SHARED
        else:
            # A box turned by half a quarter is no box of the same wall: sizes stand in.
            alike = grown <= 0.1 * now.size[rows, None].sum(axis=2) + 1
            one_place |= (middles <= 2 * NEAR_POINT) & alike
        thinner = np.abs(now.thickness[rows, None] - was.thickness[None])
        cost = np.minimum(apart, middles) + 0.2 * np.minimum(grown, 10) + np.minimum(thinner, 1)
        cost[~one_place] = np.inf
        likely = np.argsort(cost, axis=1, kind="stable")[:, :_CANDIDATES]
        for row, column in _cells(likely, np.isfinite(np.take_along_axis(cost, likely, axis=1))):
            fill = head[new[begin + row]].fill == base[old[column]].fill
            pairs.append((float(cost[row, column]) + 2 * (not fill), column, begin + row))
    known: dict[int, int] = {}
    taken: set[int] = set()
    for _, column, row in sorted(pairs):
        if new[row] not in known and old[column] not in taken:
            known[new[row]] = old[column]
            taken.add(old[column])
    return known


def _cells(columns: NDArray[np.intp], wanted: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Row and column of each wanted cell, where a table lists columns row by row."""
    rows, places = np.nonzero(wanted)
    return zip(rows.tolist(), columns[rows, places].tolist(), strict=True)


@dataclass(frozen=True, eq=False)
class _Places:
    """Points, middles and boxes (n, 3), sizes (n, 2) and thicknesses (n,) of findings."""

    point: _Floats
    low: _Floats
    high: _Floats
    size: _Floats
    thickness: _Floats

    @classmethod
    def of(cls, findings: Sequence[Finding], numbers: Sequence[int]) -> _Places:
        chosen = [findings[at] for at in numbers]
        boxes = np.array([finding.box for finding in chosen], np.float64)
        return cls(
            np.array(
                [finding.location or _middle(finding.box) for finding in chosen if finding.box],
                np.float64,
            ),
            boxes[:, 0],
            boxes[:, 1],
            np.array([(*finding.size, 0.0, 0.0)[:2] for finding in chosen], np.float64),
            np.array([_thickness(finding) for finding in chosen], np.float64),
        )

    @property
    def middle(self) -> _Floats:
        return (self.low + self.high) / 2

    def moved(self, move: Move) -> _Places:
        low, high = _moved(self.low, self.high, move)
        return _Places(move.apply(self.point), low, high, self.size, self.thickness)


def _moved(low: _Floats, high: _Floats, move: Move) -> tuple[_Floats, _Floats]:
    """The boxes round moved boxes (n, 3)."""
    middle = move.apply((low + high) / 2)
    reach = (high - low) / 2 @ np.abs(move.rotation).T
    return middle - reach, middle + reach


def _distance(one: _Floats, other: _Floats) -> _Floats:
    return np.asarray(np.linalg.norm(one[:, None] - other[None], axis=2))


def _by_shape(
    base: Sequence[Finding], head: Sequence[Finding], known: dict[int, int]
) -> dict[int, int]:
    """Findings that are alike but for their place, where either side has only one such."""
    taken = set(known.values())
    old = _shapes(finding for at, finding in enumerate(base) if at not in taken)
    new = _shapes(finding for at, finding in enumerate(head) if at not in known)
    numbers = {id(finding): at for at, finding in enumerate(base)}
    return {
        at: numbers[id(old[shape][0])]
        for at, finding in enumerate(head)
        if at not in known
        and (shape := _shape(finding)) in old
        and len(old[shape]) == len(new[shape]) == 1
    }


def _shapes(findings: Iterable[Finding]) -> dict[_Signature, list[Finding]]:
    shapes: dict[_Signature, list[Finding]] = {}
    for finding in findings:
        if finding.size:
            shapes.setdefault(_shape(finding), []).append(finding)
    return shapes


def _shape(finding: Finding) -> _Signature:
    sizes = tuple(_step(side, 0.5) for side in finding.size)
    return kind_of(finding), finding.fill or "", _step(_thickness(finding), 0.05), sizes


def _step(value: float, step: float) -> int:
    """The number of the step that a value lies on; what people draw lies off the edges."""
    return math.floor(value / step + 0.37)


def find_move(base: PartReport, head: PartReport) -> Move:
    """The rigid move from the base's frame to the head's that maps most walls onto walls alike.

    No move where none maps more. Bounded in time, whatever the number of walls.
    """
    was, now = _anchors(base, head)
    if not len(was.low) or not len(now.low):
        return replace(_still(), of=len(now.low))
    whole = was.whole[:, None] == now.whole[None]
    thick = was.thick[:, None] == now.thick[None]
    pairs, more = np.argwhere(whole)[:_PAIRS], np.argwhere(thick)[:_PAIRS]

    def scored(rotation: _Floats, shift: _Floats) -> Move:
        move = Move(rotation, shift, of=len(now.low))
        mapped = (whole & (_distance(move.apply(was.middle), now.middle) <= _NEAR)).astype(float)
        if move.square:
            shared = share(*_moved(was.low, was.high, move), now.low, now.high)
            mapped = np.maximum(mapped, np.where(thick & (shared >= SHARED), shared, 0))
        support = min(mapped.max(axis=0).sum(), mapped.max(axis=1).sum())
        return replace(move, support=float(support))

    best = scored(np.eye(3), np.zeros(3))
    most = min(len(was.low), len(now.low))
    for number, rotation in enumerate(_turns(was.middle, now.middle, pairs)):
        if best.support >= (_ENOUGH if number else 1) * most - 1e-6:
            break
        turned = Move(rotation, np.zeros(3))
        low, high = _moved(was.low, was.high, turned)
        shifts = [*_shifts(turned.apply(was.middle), now.middle, pairs)]
        shifts += _shifts(turned.apply(was.middle), now.middle, more)
        # Where few walls stayed, the part as a whole may tell.
        shifts += [now.low.min(axis=0) - low.min(axis=0), now.high.max(axis=0) - high.max(axis=0)]
        for shift in shifts:
            move = scored(rotation, shift)
            # A single wall can be put anywhere.
            if move.support > max(best.support, 1) + 1e-6:
                best = move
    return best


def _is_still(move: Move) -> bool:
    return not move.shift.any() and bool((move.rotation == np.eye(3)).all())


def _still() -> Move:
    return Move(np.eye(3), np.zeros(3))


@dataclass(frozen=True, eq=False)
class _Anchors:
    """Boxes (n, 3) of walls, and the numbers of what they are alike in: thickness alone, (n,), and
    all that stays of a wall when the part is moved."""

    low: _Floats
    high: _Floats
    thick: NDArray[np.int64]
    whole: NDArray[np.int64]

    @property
    def middle(self) -> _Floats:
        return (self.low + self.high) / 2


_Kinds: TypeAlias = tuple[_Signature, _Signature, tuple[Point, Point]]


def _anchors(base: PartReport, head: PartReport) -> tuple[_Anchors, _Anchors]:
    """The walls of either side that tell a move: those that both have, the rarest, first."""
    sides = list(_kinds(base)), list(_kinds(head))
    old, new = (Counter(whole for _, whole, _ in side) for side in sides)
    numbers: dict[_Signature, int] = {}

    def rarity(kinds: _Kinds) -> tuple[object, ...]:
        pairs = old[kinds[1]] * new[kinds[1]]
        return not pairs, pairs, kinds

    def made(side: list[_Kinds]) -> _Anchors:
        rows = sorted(side, key=rarity)[:_ANCHORS]
        boxes = np.array([box for _, _, box in rows], np.float64).reshape(-1, 2, 3)
        thick = [numbers.setdefault(("thick", thickness), len(numbers)) for thickness, _, _ in rows]
        whole = [numbers.setdefault(("whole", wall), len(numbers)) for _, wall, _ in rows]
        return _Anchors(
            boxes[:, 0], boxes[:, 1], np.array(thick, np.int64), np.array(whole, np.int64)
        )

    return made(sides[0]), made(sides[1])


def _kinds(report: PartReport) -> Iterator[_Kinds]:
    for wall in report.walls:
        thick = (_step(wall.thickness.typical, 0.05),)
        yield thick, (*thick, _step(wall.length, 0.5)), wall.box
    for finding in report.findings if not report.walls else ():
        if finding.box:
            yield (kind_of(finding),), _shape(finding), finding.box


def _middle(box: tuple[Point, Point]) -> Point:
    x, y, z = ((low + high) / 2 for low, high in zip(*box, strict=True))
    return x, y, z


def _turns(was: _Floats, now: _Floats, pairs: NDArray[np.int64]) -> Iterator[_Floats]:
    """Rotations worth trying: none, quarter turns, and those that pairs of walls suggest."""
    yield np.eye(3)
    yield from quarter_turns()
    for axis in (2, 1, 0):
        yield from _turns_about(axis, was, now, pairs[:_BASELINES])


def quarter_turns() -> Iterator[_Floats]:
    """The 23 rotations that take axes to axes, but for none at all."""
    for order in permutations(range(3)):
        for signs in product((1.0, -1.0), repeat=3):
            matrix = np.zeros((3, 3))
            matrix[np.arange(3), order] = signs
            if np.linalg.det(matrix) > 0 and not (matrix == np.eye(3)).all():
                yield matrix


def _turns_about(
    axis: int, was: _Floats, now: _Floats, pairs: NDArray[np.int64]
) -> Iterator[_Floats]:
    """Rotations about one axis of the file by angles that lines between two walls suggest."""
    across = [(axis + 1) % 3, (axis + 2) % 3]
    first, second = np.triu_indices(len(pairs), 1)
    old = was[pairs[second, 0]] - was[pairs[first, 0]]
    new = now[pairs[second, 1]] - now[pairs[first, 1]]
    length = np.hypot(*old[:, across].T)
    usable = np.abs(old[:, axis] - new[:, axis]) <= _NEAR
    usable &= np.abs(length - np.hypot(*new[:, across].T)) <= _NEAR
    usable &= length > 0.2 * max(length.max(initial=0.0), 1.0)
    old, new, length = old[usable][:, across], new[usable][:, across], length[usable]
    angles = np.degrees(np.arctan2(new[:, 1], new[:, 0]) - np.arctan2(old[:, 1], old[:, 0])) % 360
    votes: Counter[int] = Counter()
    for turn, weight in zip(np.floor(angles / _TURN).astype(int).tolist(), length, strict=True):
        votes[turn] += weight
    for turn in sorted(votes, key=lambda turn: (-votes[turn], turn))[:_FOLLOWED]:
        off = (angles - (turn + 0.5) * _TURN + 180) % 360 - 180
        near = np.abs(off) <= _TURN
        angle = (turn + 0.5) * _TURN + np.average(off[near], weights=length[near])
        cosine, sine = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        matrix = np.eye(3)
        matrix[np.ix_(across, across)] = [[cosine, -sine], [sine, cosine]]
        yield matrix


def _shifts(was: _Floats, now: _Floats, pairs: NDArray[np.int64]) -> Iterator[_Floats]:
    """Shifts worth trying, mm: those that most pairs of walls suggest."""
    if not len(pairs):
        return
    shifts = now[pairs[:, 1]] - was[pairs[:, 0]]
    cells, counts = np.unique(np.floor(shifts / _CELL), axis=0, return_counts=True)
    for at in np.argsort(-counts, kind="stable")[:_FOLLOWED]:
        middle = (cells[at] + 0.5) * _CELL
        near = np.abs(shifts - middle).max(axis=1) <= _CELL
        yield np.median(shifts[near], axis=0)
