"""No gap is so narrow that its sides fuse: within a part, and between its bodies.

Passes: 0.40 mm of air against a minimum of 0.40 mm. Fails: 0.30 mm.
Round holes are not gaps; `hole` speaks of them.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base.text import limit_text
from wallguard.checks.case import Broken, Case, Needs
from wallguard.findings.model import Breach

ID = "gap"


def needs(case: Case) -> Needs:
    """Gaps below the minimum."""
    return Needs(gaps=case.rules.strictest(ID))


def findings(case: Case) -> Iterator[Broken]:
    """Each gap below the minimum."""
    for gap in case.gaps:
        broken = case.severity(ID, gap.minimum)
        if broken:
            says = f"is below the minimum of {limit_text(broken[1])} mm: its sides may fuse"
            yield Broken("gap", gap, Breach(ID, broken[0], gap.minimum, broken[1], says=says))
