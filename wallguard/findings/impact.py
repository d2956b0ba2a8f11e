"""What a change of process does to parts: walls that come out otherwise, and what that means.

What is *worse*, for one wall: first what the rules do with the outcome (nothing, note, warn, fail,
as each rule file's own `outcomes` say), and where that is equal how much of the wall is lost:
solid, then porous, then indeterminate, then thickened or thinned, then hollow, then missing. An
outcome that a rule file ignores counts as solid under it. Less is *better*; equal, but not the
same, is *other*.

All coordinates are in the part file's own frame and in millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from wallguard.findings.model import Finding, Point, Printed, Spread, Status, Trouble
from wallguard.findings.outcomes import loss, status_rank

Direction = Literal["worse", "better", "other"]
Kind = Literal["error", "worse", "other", "better", "same"]
Effect = Literal["good", "ignore", "note", "warn", "fail"]

DIRECTIONS: tuple[Direction, ...] = ("worse", "other", "better")
_EFFECTS: dict[Effect, int] = {"good": 0, "ignore": 0, "note": 1, "warn": 2, "fail": 3}


@dataclass(frozen=True)
class Judged:
    """How a wall comes out under one process.

    verdict  `solid` is the good one; else one of the `outcomes` of the rule file
    level    what the rule file does with that
    printed  None where nothing is printed
    air      mm, in a hollow or porous wall, 0 where nobody knows how much
    """

    verdict: str
    level: Effect
    printed: Printed | None
    air: float = 0.0

    @property
    def badness(self) -> tuple[int, int]:
        """Larger is worse: what the rules do, then how much of the wall is lost."""
        if self.level in ("good", "ignore"):
            return 0, 0
        return _EFFECTS[self.level], loss(self.verdict)


@dataclass(frozen=True)
class Change:
    """One wall, at one place of one part, that comes out otherwise than before."""

    before: Judged
    after: Judged
    direction: Direction
    thickness: Spread
    length: float
    z: tuple[float, float]
    location: Point
    box: tuple[Point, Point]
    message: str
    advice: str


@dataclass(frozen=True)
class PartImpact:
    """One part under both processes.

    before, after  how it stands in a full check against the old and the new rules
    walls     how many walls were compared, each counted once for each pair of outcomes
    changes   walls that come out otherwise, worst first
    appeared  other findings that fail or warn under the new rules, and did not, or less, before
    gone      other findings that failed or warned under the old rules and no longer do, or less
    error     why it could not be compared, or empty
    rules     the rule file of its own that extends the old one, where it was compared under that;
              else empty
    """

    path: str
    before: Status
    after: Status
    walls: int = 0
    changes: tuple[Change, ...] = ()
    appeared: tuple[Finding, ...] = ()
    gone: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()
    error: str = ""
    rules: str = ""
    seconds: float = 0.0

    @property
    def starts_failing(self) -> bool:
        """Whether it passed the gate before and will not any more."""
        return self.after == "failed" and self.before != "failed"

    @property
    def stops_failing(self) -> bool:
        """Whether it did not pass the gate before and will now."""
        return self.before == "failed" and self.after in ("passed", "indeterminate")

    @property
    def direction(self) -> Direction | None:
        """What the change does to the part as a whole: worse if anything gets worse; None if
        nothing changes, or if it could not be compared."""
        if self.error:
            return None
        directions = {change.direction for change in self.changes}
        if (
            "worse" in directions
            or self.appeared
            or status_rank(self.after) > status_rank(self.before)
        ):
            return "worse"
        if (
            "better" in directions
            or self.gone
            or status_rank(self.after) < status_rank(self.before)
        ):
            return "better"
        return "other" if directions else None

    def count(self, direction: Direction) -> int:
        """How many walls change in this direction."""
        return sum(change.direction == direction for change in self.changes)


@dataclass(frozen=True)
class Process:
    """One side of the comparison: its rule file and its name."""

    rules: str
    name: str


@dataclass(frozen=True)
class Impact:
    """One comparison of two processes over parts.

    notes     what a reader has to know of how it was compared
    left_out  parts that answer to neither rule file and were not compared
    """

    before: Process
    after: Process
    parts: tuple[PartImpact, ...]
    notes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    version: str = ""
    started: str = ""
    seconds: float = 0.0

    @property
    def exit_code(self) -> int:
        """0 nothing gets worse, 1 something does, 2 some file could not be compared."""
        if self.troubles or any(part.error for part in self.parts):
            return 2
        return int(any(part.direction == "worse" for part in self.parts))


def direction(before: Judged, after: Judged) -> Direction:
    """Whether `after` is worse or better than `before`, or only other."""
    if after.badness == before.badness:
        return "other"
    return "worse" if after.badness > before.badness else "better"


def kind(part: PartImpact) -> Kind:
    """What the change does to a part, or `error` where nobody knows."""
    return "error" if part.error else part.direction or "same"


@dataclass(frozen=True)
class Directions:
    """How many walls change in each direction."""

    worse: int
    other: int
    better: int


@dataclass(frozen=True)
class ImpactCounts:
    """What an impact holds; `worse` to `errors`: parts by what the change does to them."""

    parts: int
    worse: int
    other: int
    better: int
    same: int
    errors: int
    starts_failing: int
    stops_failing: int
    walls: Directions
    left_out: int
    troubles: int


def summary(impact: Impact) -> ImpactCounts:
    """The counts of an impact."""
    kinds = [kind(part) for part in impact.parts]
    return ImpactCounts(
        parts=len(kinds),
        worse=kinds.count("worse"),
        other=kinds.count("other"),
        better=kinds.count("better"),
        same=kinds.count("same"),
        errors=kinds.count("error"),
        starts_failing=sum(part.starts_failing for part in impact.parts),
        stops_failing=sum(part.stops_failing for part in impact.parts),
        walls=Directions(*(sum(part.count(way) for part in impact.parts) for way in DIRECTIONS)),
        left_out=len(impact.left_out),
        troubles=len(impact.troubles),
    )
