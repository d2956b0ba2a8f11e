"""No stroke that is sunk into a face runs narrower than the rules allow.

What such a stroke is says `shapes.strokes`; where there is a limit to it, it answers to that and
not to `gap` or `hole`. What is left of the wall behind it is a wall, floor or roof of its own.
Passes: 0.40 mm against a minimum of 0.40 mm; corners and tapering ends. Fails: 0.39 mm.
Indeterminate: where it is narrower by no more than the facets of its curve take off.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.checks import stroke
from wallguard.checks.case import Broken, Case

ID: Final = "sunken"


def findings(case: Case) -> Iterator[Broken]:
    """Each face with strokes that are too narrow, where they are narrowest."""
    yield from stroke.too_narrow(case, ID, "it may fill up, and not be seen")
