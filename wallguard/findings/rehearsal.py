"""An update of slicing software, rehearsed: what its toolpath of a coupon says against the rules of
a process, and what that does to parts; for one rule file or several. Lengths in mm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from wallguard.findings.impact import Impact, Kind, Process, kind
from wallguard.findings.model import Trouble

# The worst first. `unproven`: nothing gets worse, but the rules do not describe what was laid
# before; `not asked`: no toolpath is another than before.
Verdict = Literal[
    "not done", "hold back", "unproven", "not worse", "no change", "nothing compared", "not asked"
]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)


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
    """One part under every toolpath, in their order; None where it was not compared."""

    path: str
    kinds: tuple[Kind | None, ...]


@dataclass(frozen=True)
class Printer:
    """A rule file, and what toolpaths of its coupon do to the parts that answer to it.

    coupon     the folder of the coupon that they make
    troubles   files that could not be used
    """

    rules: Process
    coupon: str
    toolpaths: tuple[Rehearsed, ...]
    troubles: tuple[Trouble, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """Whether its slicing software may be updated: `not worse` and `no change` say so."""
        nothing = self.troubles or not self.toolpaths
        if nothing or any(each.impact.exit_code == 2 for each in self.toolpaths):
            return "not done"
        kinds = {kind for row in matrix(self.toolpaths) for kind in row.kinds}
        if not kinds:
            return "nothing compared"
        if "worse" in kinds or any(each.impact.exit_code for each in self.toolpaths):
            return "hold back"
        if any(each.before and each.before.unlike for each in self.toolpaths):
            return "unproven"
        return "no change" if kinds <= {"same", None} else "not worse"

    @property
    def hold_back(self) -> tuple[str, ...]:
        """Parts that get worse by any of its toolpaths, or that nobody could compare."""
        return _held(self.toolpaths)


@dataclass(frozen=True)
class Rehearsal:
    """An update of slicing software, rehearsed with one rule file or more.

    unchanged  toolpaths that `wallguard.yaml` names and that are what they were before
    troubles   files that could not be used, apart from those of one printer
    """

    printers: tuple[Printer, ...]
    unchanged: tuple[str, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    version: str = ""
    started: str = ""
    seconds: float = 0.0

    @property
    def verdict(self) -> Verdict:
        """The worst of all printers."""
        if self.troubles:
            return "not done"
        verdicts = [printer.verdict for printer in self.printers]
        none: Verdict = "not asked" if self.unchanged else "not done"
        return min(verdicts, key=VERDICTS.index, default=none)

    @property
    def exit_code(self) -> int:
        """0 nothing gets worse, 1 some part does, 2 some file could not be compared."""
        return {"not done": 2, "hold back": 1}.get(self.verdict, 0)

    @property
    def toolpaths(self) -> tuple[Rehearsed, ...]:
        """Those of all printers."""
        return tuple(toolpath for printer in self.printers for toolpath in printer.toolpaths)

    @property
    def every_trouble(self) -> tuple[Trouble, ...]:
        """Files that could not be used."""
        return (*self.troubles, *(each for printer in self.printers for each in printer.troubles))

    @property
    def matrix(self) -> tuple[Row, ...]:
        """Every part that was compared, and what the toolpaths of all printers do to it; by path;
        null where it answers to other rules."""
        return matrix(self.toolpaths)

    @property
    def hold_back(self) -> tuple[str, ...]:
        """Parts that get worse by any of the toolpaths, or that nobody could compare."""
        return _held(self.toolpaths)


# The worst first.
_KINDS: tuple[Kind, ...] = ("error", "worse", "other", "better", "same")


def matrix(toolpaths: Sequence[Rehearsed]) -> tuple[Row, ...]:
    """Every part that was compared, and what each toolpath does to it; parts by path."""
    rows: dict[str, list[Kind | None]] = {}
    for at, toolpath in enumerate(toolpaths):
        for part in toolpath.impact.parts:
            row = rows.setdefault(part.path, [None] * len(toolpaths))
            row[at] = min(row[at] or "same", kind(part), key=_KINDS.index)
    return tuple(Row(path, tuple(kinds)) for path, kinds in sorted(rows.items()))


def _held(toolpaths: Sequence[Rehearsed]) -> tuple[str, ...]:
    held = (row for row in matrix(toolpaths) if {"worse", "error"}.intersection(row.kinds))
    return tuple(row.path for row in held)
