"""Every wall of a part: for a designer who asks what is in a file."""

from __future__ import annotations

from wallguard.bands.declared import band_table
from wallguard.checks.case import Case
from wallguard.findings.model import Wall
from wallguard.jobs.check import plain_walls, report_walls
from wallguard.part.part import Part
from wallguard.rules.model import Rules


def find_walls(
    part: Part, rules: Rules | None = None, *, layer_height: float = 0.2, up_to: float = 20.0
) -> tuple[Wall, ...]:
    """Every wall of a part up to `up_to` mm thick, with how it comes out where there are rules.

    layer_height  in mm, where no rules give one

    Raises InputError where no band table follows from the rules, or for a part of absurd size.
    """
    if rules is None:
        return plain_walls(part.geometry, part.geometry.walls(layer_height, up_to, ()))
    case = Case(part.geometry, rules, band_table(rules))
    case.largest = max(case.largest, up_to)
    return report_walls(case)
