"""How much looking for walls may take, counted before it is done.

What a search costs is how often one piece of outline is held against another: a few hundred times
for each edge of a usual part, 2,400 times in the worst of those tried. Where outlines were made to
stall a check, as thousands of edges meet in a point or lie beside each other, each is held against
all. So there is a limit that grows with the outline, between two that do not.

The outline may be long because the part is high, and its file small. A layer with many edges takes
a large file: each edge is cut from a triangle of its own. So edges of the fullest layer are worth
more: what the time for 50 bytes, a triangle of an STL, allows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from wallguard.base.errors import TooLargeError

# Comparisons (some 0.1 to 0.2 microseconds each): for any part, for each edge, for each edge of the
# fullest layer besides (2.4 s for 1 MB, see `jobs/limits.py`), and for no part more.
_ANY, _EACH, _FULLEST, _MOST = 30_000_000, 60, 600, 80_000_000


@dataclass
class Effort:
    """How many comparisons (`most`) may be made, and how many were (`made`)."""

    most: float
    made: int = 0

    @classmethod
    def of(cls, edges: int, fullest: int = 0) -> Effort:
        """What outlines of so many edges are worth, of which the fullest layer has so many."""
        return cls(min(_ANY + _EACH * edges + _FULLEST * fullest, _MOST))

    @classmethod
    def endless(cls) -> Effort:
        """As much as it takes."""
        return cls(math.inf)

    def spend(self, count: int) -> None:
        """Say that so many comparisons are made next. Raises TooLargeError where that is more than
        there may be."""
        self.made += count
        if self.made > self.most:
            raise TooLargeError(
                f"comparing pieces of outline that lie close together {self.made:,} times "
                f"(the limit for a part of its size: {self.most:,.0f})"
            )
