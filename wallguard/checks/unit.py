"""The part's size suggests the unit it was read in.

Warns: a block 1.3 mm long that was drawn in metres or inches; a part 25.4 times too small or large.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.checks.case import Case, Draft
from wallguard.mesh.scale_hint import suspect_size

ID = "unit"


def findings(case: Case) -> Iterator[Draft]:
    """One finding where another unit is likely."""
    facts = case.geometry.facts
    drawn_in = facts.unit, facts.unit_source
    hint = suspect_size(facts.drawn, drawn_in, case.rules.build_volume, case.geometry.scale)
    if hint:
        yield Draft(
            check=ID,
            severity=hint.severity,
            message=hint.message,
            advice=hint.advice,
            measured=max(case.geometry.extents),
        )
