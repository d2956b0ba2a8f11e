"""Every wall of a part: for a designer who asks what is in a file."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.bands.declared import band_table
from wallguard.checks.case import Case
from wallguard.findings.model import Wall
from wallguard.jobs.check import plain_walls, report_walls
from wallguard.part.part import Part
from wallguard.rules.model import Rules

if TYPE_CHECKING:
    from wallguard.jobs.limits import Allowed
    from wallguard.repository.entry import Assignment

# Walls as thick as are listed, in layers as fine, take so many times as long as a check looks for.
_WAYS, _LAYER = 2.0, 0.2


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


def walls_of(
    file: Path,
    placed: Assignment,
    rules: Rules | None,
    allowed: Allowed,
    layer_height: float,
    up_to: float,
) -> tuple[Wall, ...]:
    """The same of a part's file, held to what may be taken.

    Raises InputError as `find_walls` does, where the file cannot be read, and where it takes more.
    """
    from wallguard.jobs.limits import is_small, most_for
    from wallguard.jobs.watched import Watch, watched

    height = rules.layer_height if rules else layer_height
    most = most_for([file], allowed, _WAYS * max(1.0, _LAYER / height))
    watch = Watch(str(file), most, lambda: is_small(file, [(placed, height)]))
    return watched(partial(_walls_of, file, placed, rules, layer_height, up_to), watch)


def _walls_of(
    file: Path, placed: Assignment, rules: Rules | None, layer_height: float, up_to: float
) -> tuple[Wall, ...]:
    part = Part.load(file, placed)
    return find_walls(part, rules, layer_height=layer_height, up_to=up_to)
