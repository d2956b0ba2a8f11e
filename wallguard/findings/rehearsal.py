"""An update of slicing software, rehearsed: what its toolpath of a coupon says against the rules of
a process, and what that does to parts. Lengths in mm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from wallguard.findings.impact import Impact, Kind, Process, kind
from wallguard.findings.model import Trouble

# `unproven`: nothing gets worse, but the rules do not describe what was laid before.
Verdict = Literal["not done", "hold back", "nothing compared", "unproven", "no change", "not worse"]


@dataclass(frozen=True)
class Otherwise:
    """Thicknesses that come out otherwise than the rules say.

    lower, upper    the first and the last; upper: None where there is no last
    before, after   fill: solid, hollow, missing, or uncertain where the toolpath does not tell
    printed_before, printed_after  of the first, None where nothing is printed
    read            walls of the coupon among them; where there are none, it follows from others
    """

    lower: float
    upper: float | None
    before: str
    after: str
    printed_before: float | None
    printed_after: float | None
    read: tuple[float, ...] = ()


@dataclass(frozen=True)
class Edge:
    """Where walls begin to come out otherwise: one edge of the band table.

    below, above  fill of thinner and of thicker walls
    before, after  the least and the greatest thickness from which `above` may hold; None: there is
                   no such edge
    """

    below: str
    above: str
    before: tuple[float, float] | None
    after: tuple[float, float] | None

    @property
    def shift(self) -> tuple[float, float] | None:
        """By how much it moved, at least and at most; None where it came or went."""
        if self.before is None or self.after is None:
            return None
        return self.after[0] - self.before[1], self.after[1] - self.before[0]


@dataclass(frozen=True)
class Setting:
    """A bead setting: what the rules say, and what explains the toolpath, as texts.

    key    of `beads` in the rule file
    before, after  such as "0.58 mm", "0.62 to 1.04 mm", "two beads"
    moved  whether what the rules say does not explain the toolpath
    """

    key: str
    before: str
    after: str
    moved: bool


@dataclass(frozen=True)
class Unlike:
    """A wall of the coupon that the toolpath of before lays otherwise than the rules say.

    axis   of the machine, along which it runs
    fill_said, fill_laid  by the rules, and by the toolpath
    printed_said, printed_laid  None where nothing is
    """

    nominal: float
    axis: str
    fill_said: str
    fill_laid: str
    printed_said: float | None
    printed_laid: float | None


@dataclass(frozen=True)
class Before:
    """The toolpath of before the update, against the rules: where they do not describe it, parts
    are compared by what it lays.

    walls   how many walls of the coupon it lays
    unlike  those that come out otherwise than the rules say
    """

    toolpath: str
    walls: int
    unlike: tuple[Unlike, ...]


@dataclass(frozen=True)
class Rehearsed:
    """One toolpath of the coupon, as the new release makes it.

    walls      how many walls of the coupon were found in it
    before     None: no toolpath of before the update was named
    otherwise  thicknesses that come out otherwise, thinnest first
    edges      of the band table that moved, came or went
    stand      those that stand; `after` tells between which thicknesses, the nearest of which the
               toolpath tells the fill, they may have moved unseen
    settings   of beads, as far as they explain it
    next_walls  thicknesses that, on the coupon too, would tell most of what is uncertain
    impact     what that does to parts
    notes      what a reader has to know of how it was read
    """

    toolpath: str
    walls: int
    before: Before | None
    otherwise: tuple[Otherwise, ...]
    edges: tuple[Edge, ...]
    stand: tuple[Edge, ...]
    settings: tuple[Setting, ...]
    next_walls: tuple[float, ...]
    notes: tuple[str, ...]
    impact: Impact


@dataclass(frozen=True)
class Row:
    """One part under every toolpath, in their order."""

    path: str
    kinds: tuple[Kind, ...]


@dataclass(frozen=True)
class Rehearsal:
    """An update of slicing software, rehearsed with one toolpath or more.

    coupon     the folder of the coupon that they make
    troubles   files that could not be used
    """

    rules: Process
    coupon: str
    toolpaths: tuple[Rehearsed, ...]
    troubles: tuple[Trouble, ...] = ()
    version: str = ""
    started: str = ""
    seconds: float = 0.0

    @property
    def exit_code(self) -> int:
        """0 nothing gets worse, 1 some part does, 2 something could not be compared."""
        if self.troubles or not self.toolpaths:
            return 2
        return max(each.impact.exit_code for each in self.toolpaths)

    @property
    def matrix(self) -> tuple[Row, ...]:
        """Every part that was compared, and what each toolpath does to it; parts by path."""
        rows: dict[str, list[Kind]] = {}
        for at, toolpath in enumerate(self.toolpaths):
            for part in toolpath.impact.parts:
                row = rows.setdefault(part.path, ["same"] * len(self.toolpaths))
                row[at] = min(row[at], kind(part), key=_KINDS.index)
        return tuple(Row(path, tuple(kinds)) for path, kinds in sorted(rows.items()))

    @property
    def hold_back(self) -> tuple[str, ...]:
        """Parts that get worse by any of the toolpaths, or that nobody could compare."""
        return tuple(row.path for row in self.matrix if {"worse", "error"}.intersection(row.kinds))


# The worst first.
_KINDS: tuple[Kind, ...] = ("error", "worse", "other", "better", "same")


def verdict(rehearsal: Rehearsal) -> Verdict:
    """What comes of it, in a word or two."""
    if rehearsal.exit_code == 2:
        return "not done"
    if not rehearsal.matrix:
        return "nothing compared"
    if rehearsal.exit_code == 1:
        return "hold back"
    if any(each.before and each.before.unlike for each in rehearsal.toolpaths):
        return "unproven"
    same = all(kind == "same" for row in rehearsal.matrix for kind in row.kinds)
    return "no change" if same else "not worse"
