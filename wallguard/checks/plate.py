"""What `floor` and `roof` share: vertical thickness in layers against a minimum."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from wallguard.checks import stroke
from wallguard.checks.case import Broken, Case
from wallguard.findings.model import Breach


def below_minimum(case: Case, kind: Literal["floor", "roof"]) -> Iterator[Broken]:
    """Floors or roofs of fewer layers than the minimum, below sunken strokes, too."""
    for plate in case.plates:
        broken = case.severity(kind, plate.layers)
        if plate.kind == kind and broken:
            least = round(broken[1])
            says = f"is below the minimum of {least} layers"
            breach = Breach(kind, broken[0], plate.layers, least, "layers", says)
            yield Broken(kind, plate, breach)
    yield from stroke.too_little_left(case, kind)
