"""No more is trapped in a cavity that nothing leaves than the rules allow.

The limit is a volume, mm³. Counts closed cavities and, where `escape` has a limit, those of which
no way out was found at all. Passes: a cavity of 100 mm³ against a limit of 100 mm³, or one with a
way out (which `escape` judges). Fails: 101 mm³ without one.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.base.text import mm
from wallguard.checks import hollow
from wallguard.checks.case import Broken, Case

ID: Final = "trapped"


def unjudged(case: Case) -> str:
    """Why some cavities could not be judged; empty: all were."""
    return hollow.unjudged(case)


def findings(case: Case) -> Iterator[Broken]:
    """Each cavity that nothing leaves."""
    what = hollow.stuff(case)
    least = case.rules.strictest("escape")
    harm = (
        "it may leak, go on reacting or run out" if what == "resin" else "it may fall out as dust"
    )
    for cavity, spot in hollow.cavities(case):
        if cavity.openings:
            continue
        out = "has no way out"
        if cavity.blind:
            out = f"has no way out as wide as {mm(cavity.blind)} mm"

        def says(level: float, out: str = out) -> str:
            more = f", more than {level:g} mm³" if level else ""
            return (
                f"{out}: {what} stays in it{more}; {harm} when the part is opened "
                "(see the material's safety data sheet)"
            )

        breach = case.breach(ID, cavity.volume, says)
        if breach:
            wide = f" of a diameter ≥ {mm(least)} mm" if least else ""
            yield Broken("cavity", spot, breach, draw=f"draw a hole{wide} into it, or fill it")
