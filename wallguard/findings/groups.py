"""Findings that are alike in all but their place: a reader wants to be told of them once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from wallguard.findings.model import Finding


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
