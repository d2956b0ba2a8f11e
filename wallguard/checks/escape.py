"""No cavity's widest way out is narrower than the rules allow.

The diameter of the largest ball that leaves (see `shapes.openings`). Passes: a hole of 3.50 mm
against a minimum of 3.50 mm. Fails: 3.00 mm. Indeterminate: what the search leaves open, a few
hundredths of a millimetre. A cavity without any way out is told by `trapped`, where that is asked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from wallguard.base.text import limit_text, mm
from wallguard.checks import hollow
from wallguard.checks.case import Broken, Case, Draft, severity_of

ID: Final = "escape"


def unjudged(case: Case) -> str:
    """Why no cavity could be judged; empty: they were, or `trapped` says why."""
    return "" if "trapped" in case.rules.minimum else hollow.unjudged(case)


def findings(case: Case) -> Iterator[Broken | Draft]:
    """Each cavity that is too hard to leave, and whether any could not be looked for."""
    yield from _unsearched(case)
    what, least = hollow.stuff(case), case.rules.strictest(ID)
    for cavity, spot in hollow.cavities(case):
        wide = cavity.way_out
        if not wide and "trapped" in case.rules.minimum:
            continue

        def says(level: float, wide: float = wide) -> str:
            out = f"has a way out of only {mm(wide)} mm" if wide else "has no way out"
            return f"{out}, less than {limit_text(level)} mm: {what} stays in it"

        breach = case.breach(ID, wide, says)
        if breach is None:
            continue
        doubt = cavity.openings[0].uncertainty if cavity.openings else 0.0
        if case.severity(ID, wide + doubt) is None:
            level = severity_of(case.rules.level("indeterminate"))
            if level is None:
                continue
            breach = replace(breach, severity=level, indeterminate=True)
        draw = f"draw a hole of a diameter ≥ {limit_text(least)} mm into it"
        yield Broken("cavity", spot, breach, draw=draw)


def _unsearched(case: Case) -> Iterator[Draft]:
    """A part that is too large for its open cavities to be found: that is no pass."""
    large, severity = hollow.too_much(case), severity_of(case.rules.level("indeterminate"))
    if large and severity is not None:
        yield Draft(
            check=ID,
            severity=severity,
            message=f"only closed cavities were looked for: {large} is too much to search",
            advice=(
                f"look by eye for hollows whose ways out are narrower than "
                f"{limit_text(case.rules.strictest(ID))} mm, or check their parts one by one"
            ),
            indeterminate=True,
            unit="",
        )
