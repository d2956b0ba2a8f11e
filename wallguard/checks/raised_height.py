"""No stroke that stands out of a face stands out less than the rules allow.

Measured square to the face (`shapes.strokes`). Passes: 0.40 mm against a minimum of 0.40 mm. Fails:
0.39 mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wallguard.checks import stroke
from wallguard.checks.case import Broken, Case

ID: Final = "raised_height"


def findings(case: Case) -> Iterator[Broken]:
    """Each face with strokes that stand out too little."""
    yield from stroke.too_shallow(case, ID, "raised")
