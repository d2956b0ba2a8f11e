"""What checks of holes and pins share: diameters against a minimum."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from wallguard.base.text import limit_text
from wallguard.checks.case import Broken, Case
from wallguard.findings.model import Breach


def below_minimum(case: Case, kind: Literal["hole", "pin"], why: str) -> Iterator[Broken]:
    """Round holes or pins with a diameter below the minimum; `why` that matters."""
    for feature in case.rounds:
        broken = case.severity(kind, feature.diameter)
        if feature.kind == kind and broken:
            says = f"is below the minimum of {limit_text(broken[1])} mm: {why}"
            yield Broken(
                kind, feature, Breach(kind, broken[0], feature.diameter, broken[1], says=says)
            )


def narrow_holes(case: Case, check: str, *, vertical: bool) -> Iterator[Broken]:
    """Round holes that stand upright, or do not, with a diameter below their own minimum."""
    way = "an upright hole" if vertical else "a lying hole"
    for hole in case.rounds:
        if hole.kind != "hole" or hole.vertical != vertical:
            continue

        def says(level: float) -> str:
            return f"is below the minimum of {limit_text(level)} mm for {way}: it may close"

        breach = case.breach(check, hole.diameter, says)
        if breach:
            yield Broken("hole", hole, breach, least=case.rules.strictest(check))
