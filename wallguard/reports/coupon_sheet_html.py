"""The measurement sheet as one HTML page for A4, with drawings of the plates.

Self-contained: no script, nothing fetched; every text from the rule file is escaped.
"""

from __future__ import annotations

from collections.abc import Sequence

from wallguard.coupon.layout import Plate
from wallguard.coupon.plan import Axis, Plan
from wallguard.drawings.coupon_plates import elevation, plate_svg
from wallguard.reports.coupon_sheet import Table, instructions, tables
from wallguard.reports.templates import render
from wallguard.rules.model import Rules

# Tables side by side: walls, gaps over pins, holes.
_COLUMNS = (("wall",), ("gap", "pin"), ("hole",))
# Narrow ones that have room under the drawings.
_UNDER = (("raised",), ("sunken",), ("escape",))
_SHORT: dict[Axis, str] = {"x": "x", "y": "y", "vertical": "U", "horizontal": "L"}


def html_sheet(
    rules: Rules,
    plan: Plan,
    plates: Sequence[Plate],
    round_number: int,
    takes: Sequence[str] = (),
) -> str:
    """The sheet as HTML; `takes`: what it takes to print."""
    about = [
        *(part for part in (rules.printer, rules.material) if part),
        rules.category,
        f"layers of {plan.sizes.layer_height:g} mm",
        f"rule file {rules.path.rpartition('/')[2]}",
        f"round {round_number}",
    ]
    *how, note = instructions(rules, plan, len(plates), takes)
    return render(
        "coupon_sheet.html",
        name=rules.name,
        about=" · ".join(about),
        plates=[(plate, plate_svg(plate, plan)) for plate in plates],
        elevation=elevation(plan) if plan.of("wall", "x") else "",
        how=how,
        note=note,
        columns=_columns(tables(plan), _COLUMNS),
        under=_columns(tables(plan), _UNDER),
        short=_SHORT,
    )


def _columns(made: Sequence[Table], wanted: Sequence[Sequence[str]]) -> list[list[Table]]:
    columns = [[each for each in made if each.kind in kinds] for kinds in wanted]
    return [column for column in columns if column]
