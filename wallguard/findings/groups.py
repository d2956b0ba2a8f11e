"""What is alike in all but its place: a reader wants to be told of it once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from wallguard.findings.model import Finding
from wallguard.findings.naming import SIZE_STEP, THICKNESS_STEP, step

if TYPE_CHECKING:
    from wallguard.findings.impact import Change

Item = TypeVar("Item")


@dataclass(frozen=True)
class Group:
    """Alike findings of one part, in the order given; the first stands for all."""

    findings: tuple[Finding, ...]

    @property
    def first(self) -> Finding:
        """The one that is told."""
        return self.findings[0]


def groups(findings: Iterable[Finding]) -> list[Group]:
    """Findings of one part in groups: one group holds what is of one shape, body, state and
    severity, accepted or not. A group stands where its first finding stood."""

    def alike(at: int, finding: Finding) -> tuple[object, ...]:
        if not finding.shape:
            return (at,)
        return (
            finding.shape,
            finding.bodies,
            finding.severity,
            finding.state,
            finding.worse,
            finding.cause,
            bool(finding.waived),
        )

    numbered = gathered(enumerate(findings), lambda pair: alike(*pair))
    return [Group(tuple(finding for _, finding in group)) for group in numbered]


def alike_changes(changes: Iterable[Change]) -> list[tuple[Change, ...]]:
    """Changes of walls of one part in groups, as `groups` does it: one group holds walls of one
    thickness and size that come out alike before and after. The first stands for all."""

    def alike(change: Change) -> tuple[object, ...]:
        states = ((state.verdict, state.level) for state in (change.before, change.after))
        return (
            change.direction,
            *states,
            change.advice,
            size(change.thickness.typical, change.length, change.z),
        )

    return gathered(changes, alike)


def size(thickness: float, length: float, z: tuple[float, float]) -> tuple[int, ...]:
    """Equal for walls of one thickness, length and height, as far as `naming.shape` tells."""
    low, high = z
    return step(thickness, THICKNESS_STEP), step(length, SIZE_STEP), step(high - low, SIZE_STEP)


def gathered(items: Iterable[Item], key: Callable[[Item], object]) -> list[tuple[Item, ...]]:
    """Items of equal keys together, each group where its first item stood."""
    groups: dict[object, list[Item]] = {}
    for item in items:
        groups.setdefault(key(item), []).append(item)
    return [tuple(group) for group in groups.values()]
