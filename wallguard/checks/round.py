"""What `hole` and `pin` share: diameters against a minimum."""

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
