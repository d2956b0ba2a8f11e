"""What is alike in all but its place: a reader wants to be told of it once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from wallguard.findings.impact import Change
from wallguard.findings.model import Finding
from wallguard.findings.naming import SIZE_STEP, THICKNESS_STEP, step


@dataclass(frozen=True)
class Group:
    """Alike findings of one part, in the order given; the first stands for all."""

    findings: tuple[Finding, ...]

    @property
    def first(self) -> Finding:
        """The one that is told."""
        return self.findings[0]


def groups(findings: Iterable[Finding]) -> list[Group]:
    """Findings of one part in groups: one group holds what is of one shape, state and severity,
    accepted or not. A group stands where its first finding stood."""
    found: dict[tuple[object, ...], list[Finding]] = {}
    for number, one in enumerate(findings):
        alike = (one.shape, one.severity, one.state, one.worse, one.cause, bool(one.waived))
        found.setdefault(alike if one.shape else (number,), []).append(one)
    return [Group(tuple(group)) for group in found.values()]


def alike_changes(changes: Iterable[Change]) -> list[tuple[Change, ...]]:
    """Changes of walls of one part in groups, as `groups` does it: one group holds walls of one
    thickness and size that come out alike before and after. The first stands for all."""
    found: dict[tuple[object, ...], list[Change]] = {}
    for one in changes:
        low, high = one.z
        alike = (
            one.direction,
            *((state.verdict, state.gate) for state in (one.before, one.after)),
            step(one.thickness.typical, THICKNESS_STEP),
            step(one.length, SIZE_STEP),
            step(high - low, SIZE_STEP),
            one.advice,
        )
        found.setdefault(alike, []).append(one)
    return [tuple(group) for group in found.values()]
