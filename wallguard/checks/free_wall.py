"""No wall that stands free is thinner than the rules allow.

A wall counts as free where other material holds it on fewer than two of its sides: its two
ends in the layer, below and above (common practice, no published source). A fin on a plate is
free; a rib between two walls is not.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.checks.case import Broken, Case, Needs
from wallguard.checks.wall import below_minimum, needs_of_minimum

ID = "free_wall"


def needs(case: Case) -> Needs:
    """Walls below the minimum, divided at both its levels."""
    return needs_of_minimum(case, ID)


def findings(case: Case) -> Iterator[Broken]:
    """Each piece of a free wall below the minimum."""
    yield from below_minimum(case, ID, "free wall", "a wall with a free edge")
