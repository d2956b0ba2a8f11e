"""No wall that stands free is thinner than the rules allow.

A wall counts as free where other material holds it on fewer than two of its sides: its two
ends in the layer, below and above (common practice, no published source). A fin on a plate is
free; a rib between two walls is not.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.checks.case import Case, Draft
from wallguard.checks.wall import below_minimum

ID = "free_wall"


def applies(case: Case) -> str:
    """An empty string, or why the check has nothing to do."""
    if "free_wall" in case.rules.minimum:
        return ""
    return "the rules ask for no minimum for walls with a free edge"


def findings(case: Case) -> Iterator[Draft]:
    """One finding for each free wall below the minimum."""
    walls = [wall for wall in case.pieces if wall.sides < 2]
    limit = case.rules.minimum.get("free_wall")
    yield from below_minimum(case, walls, limit, ID, "free wall")
