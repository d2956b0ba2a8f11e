"""What every report on an impact says first, and in which order it names things."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from wallguard.base.plain import counted, listed
from wallguard.findings.groups import Group, alike_changes, groups
from wallguard.findings.impact import (
    DIRECTIONS,
    Change,
    Direction,
    Impact,
    Kind,
    PartImpact,
    kind,
)
from wallguard.findings.impact import summary as counts
from wallguard.findings.model import Trouble

# Worst first.
KINDS: tuple[Kind, ...] = ("error", "worse", "other", "better", "same")


@dataclass(frozen=True)
class Transition:
    """How many walls, in how many parts, go from one verdict to another in one direction.

    `after` says so where the verdict stays and only the gate or the printed thickness changes.
    """

    before: str
    after: str
    direction: Direction
    walls: int
    parts: int


def parts(impact: Impact) -> list[PartImpact]:
    """Parts, those that start failing first, then by what gets worse, then by path."""
    return sorted(
        impact.parts,
        key=lambda part: (
            KINDS.index(kind(part)),
            not part.starts_failing,
            -part.count("worse"),
            part.path,
        ),
    )


def label(part: PartImpact) -> str:
    """What becomes of a part, in two or three words."""
    if part.starts_failing:
        return "starts failing"
    if part.stops_failing:
        return "stops failing" + (", but parts of it are worse" if kind(part) == "worse" else "")
    return {"error": "error", "same": "unchanged", "other": "changed"}.get(kind(part), kind(part))


def what(part: PartImpact) -> str:
    """What changes in it: "3 of 12 walls: 2 worse, 1 better; 1 new finding"."""
    clauses = [_walls(part)]
    if part.appeared:
        clauses.append(counted(len(part.appeared), "new finding"))
    if part.gone:
        clauses.append(counted(len(part.gone), "finding") + " gone")
    return "; ".join(clauses)


def _walls(part: PartImpact) -> str:
    total = counted(part.walls, "wall")
    numbers = [
        (part.count(direction), direction) for direction in DIRECTIONS if part.count(direction)
    ]
    if not numbers:
        return "no wall changes"
    if len(numbers) == 1:
        return f"{numbers[0][0]} of {total} {numbers[0][1]}"
    listed = ", ".join(f"{number} {direction}" for number, direction in numbers)
    return f"{len(part.changes)} of {total}: {listed}"


def changes(impact: Impact) -> list[tuple[PartImpact, tuple[Change, ...]]]:
    """All changes in groups of alike ones: what gets worse first, by part; within a part in its
    own order."""
    pairs = [(part, group) for part in parts(impact) for group in alike_changes(part.changes)]
    return sorted(pairs, key=lambda pair: DIRECTIONS.index(pair[1][0].direction))


_Changed = tuple[PartImpact, tuple[Change, ...]]
_Found = tuple[PartImpact, Group]


class Sorted(NamedTuple):
    """What a page shows of an impact, in order of weight."""

    changed: list[PartImpact]
    same: list[PartImpact]
    worse: list[_Changed]
    rest: list[_Changed]
    appeared: list[_Found]
    gone: list[_Found]
    troubles: list[Trouble]


def sorted_out(impact: Impact) -> Sorted:
    """All of it, each once."""
    every, ways = parts(impact), changes(impact)
    return Sorted(
        changed=[part for part in every if kind(part) != "same"],
        same=[part for part in every if kind(part) == "same"],
        worse=[way for way in ways if way[1][0].direction == "worse"],
        rest=[way for way in ways if way[1][0].direction != "worse"],
        appeared=[(part, group) for part in every for group in groups(part.appeared)],
        gone=[(part, group) for part in every for group in groups(part.gone)],
        troubles=troubles(impact),
    )


def troubles(impact: Impact) -> list[Trouble]:
    """Files that could not be used, by path."""
    return sorted(impact.troubles, key=lambda trouble: (trouble.path, trouble.message))


def transitions(impact: Impact) -> list[Transition]:
    """All pairs of verdicts, the worse and the more frequent first."""
    paths_of: dict[tuple[Direction, str, str], list[str]] = {}
    for part in impact.parts:
        for change in part.changes:
            key = change.direction, change.before.verdict, _after(change)
            paths_of.setdefault(key, []).append(part.path)
    made = [
        Transition(before, after, direction, len(paths), len(set(paths)))
        for (direction, before, after), paths in paths_of.items()
    ]
    return sorted(
        made,
        key=lambda transition: (
            DIRECTIONS.index(transition.direction),
            -transition.walls,
            transition.before,
            transition.after,
        ),
    )


def _after(change: Change) -> str:
    before, after = change.before, change.after
    if before.verdict != after.verdict:
        return after.verdict
    if before.level != after.level:
        return f"{after.verdict} ({after.level})"
    return f"{after.verdict}, printed otherwise"


# The verdict as the heading of a page: what is said, and how far it holds.
HEADINGS = {
    "worse": ("Something gets worse", ""),
    "not worse": ("Nothing gets worse", " as far as walls go"),
    "no change": ("Nothing changes", " as far as walls go"),
    "nothing compared": ("Nothing was compared", ""),
    "not done": ("Not done", ""),
}


def verdict(impact: Impact) -> str:
    """The verdict in one or two words."""
    if impact.exit_code == 2:
        return "not done"
    if not impact.parts:
        return "nothing compared"
    if impact.exit_code == 1:
        return "worse"
    return "no change" if all(kind(part) == "same" for part in impact.parts) else "not worse"


def summary(impact: Impact) -> str:
    """The counts behind the verdict, as clauses."""
    return "; ".join(_clauses(impact)) or "there was no part to compare"


def _clauses(impact: Impact) -> Iterator[str]:
    number = counts(impact)
    undone = [
        counted(many, what)
        for many, what in ((number.errors, "part"), (number.troubles, "file"))
        if many
    ]
    if undone:
        yield f"{listed(undone)} could not be compared"
    if number.parts > number.errors:
        kinds = (
            (number.worse, "worse"),
            (number.better, "better"),
            (number.other, "changed"),
            (number.same, "unchanged"),
        )
        words = ", ".join(f"{many} {word}" for many, word in kinds if many)
        yield f"{counted(number.parts - number.errors, 'part')} compared: {words}"
    for many, word in ((number.starts_failing, "start"), (number.stops_failing, "stop")):
        if many:
            yield f"{many} {word}{'s' if many == 1 else ''} failing"
    walls = number.walls
    ways = ((walls.worse, "worse"), (walls.other, "other"), (walls.better, "better"))
    if any(many for many, _ in ways):
        yield "walls: " + ", ".join(f"{many} {way}" for many, way in ways if many)
    if number.left_out:
        yield f"{counted(number.left_out, 'part')} left out"


def left_out(number: int) -> str:
    """Why so many parts were left out, and what to do about it."""
    they, them = ("It answers", "it") if number == 1 else ("They answer", "them")
    return f"{they} to neither rule file; --all compares {them} too."


WORSE = (
    "Worse: the gate does more (fail, warn, note, nothing), or as much where more of the wall is "
    "lost (missing, hollow, thicker or thinner, indeterminate, porous)."
)
