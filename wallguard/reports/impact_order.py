"""What every report on an impact says first, and in which order it names things."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from wallguard.base.plain import counted, listed
from wallguard.findings.impact import DIRECTIONS, Change, Direction, Impact, PartImpact

# Worst first.
KINDS = ("error", "worse", "other", "better", "same")


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


def kind(part: PartImpact) -> str:
    """`error`, `worse`, `better`, `other` or `same`."""
    return "error" if part.error else part.direction or "same"


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
    numbers = [(part.count(one), one) for one in DIRECTIONS if part.count(one)]
    if not numbers:
        return "no wall changes"
    if len(numbers) == 1:
        return f"{numbers[0][0]} of {total} {numbers[0][1]}"
    listed = ", ".join(f"{number} {direction}" for number, direction in numbers)
    return f"{len(part.changes)} of {total}: {listed}"


def changes(impact: Impact) -> list[tuple[PartImpact, Change]]:
    """All changes: what gets worse first, by part; within a part in its own order."""
    pairs = [(part, change) for part in parts(impact) for change in part.changes]
    return sorted(pairs, key=lambda pair: DIRECTIONS.index(pair[1].direction))


def transitions(impact: Impact) -> list[Transition]:
    """All pairs of verdicts, the worse and the more frequent first."""
    found: dict[tuple[Direction, str, str], list[str]] = {}
    for part in impact.parts:
        for change in part.changes:
            key = change.direction, change.before.verdict, _after(change)
            found.setdefault(key, []).append(part.path)
    made = [
        Transition(before, after, direction, len(paths), len(set(paths)))
        for (direction, before, after), paths in found.items()
    ]
    return sorted(
        made,
        key=lambda one: (DIRECTIONS.index(one.direction), -one.walls, one.before, one.after),
    )


def _after(change: Change) -> str:
    before, after = change.before, change.after
    if before.verdict != after.verdict:
        return after.verdict
    if before.gate != after.gate:
        return f"{after.verdict} ({after.gate})"
    return f"{after.verdict}, printed otherwise"


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
    errors = sum(kind(part) == "error" for part in impact.parts)
    undone = [
        counted(number, what)
        for number, what in ((errors, "part"), (len(impact.troubles), "file"))
        if number
    ]
    if undone:
        yield f"{listed(undone)} could not be compared"
    total = len(impact.parts) - errors
    if total:
        kinds = [kind(part) for part in impact.parts]
        words = {"worse": "worse", "better": "better", "other": "changed", "same": "unchanged"}
        numbers = [f"{kinds.count(one)} {word}" for one, word in words.items() if one in kinds]
        yield f"{counted(total, 'part')} compared: {', '.join(numbers)}"
    starting = sum(part.starts_failing for part in impact.parts)
    stopping = sum(part.stops_failing for part in impact.parts)
    if starting:
        yield f"{starting} start{'s' if starting == 1 else ''} failing"
    if stopping:
        yield f"{stopping} stop{'s' if stopping == 1 else ''} failing"
    numbers = [
        f"{number} {one}"
        for one in DIRECTIONS
        if (number := sum(part.count(one) for part in impact.parts))
    ]
    if numbers:
        yield f"walls: {', '.join(numbers)}"
    if impact.left_out:
        yield f"{counted(len(impact.left_out), 'part')} left out"


LEFT_OUT = "they answer to neither rule file; --all compares them too"
WORSE = (
    "Worse: the gate does more (fail, warn, nothing), or as much where more of the wall is lost "
    "(missing, hollow, thicker or thinner, indeterminate)."
)
