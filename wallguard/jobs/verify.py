"""From a program file and a part to what becomes of its walls: reading, placing, comparing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from wallguard.base.errors import TooLargeError
from wallguard.part.geometry import Geometry
from wallguard.toolpath.beads import Beads, beads
from wallguard.toolpath.comparison import Comparison, LaidWall, compare
from wallguard.toolpath.placing import Placement, find_places
from wallguard.toolpath.reader import read_toolpath

# What is being done, and how far it has come: share from 0 to 1.
Step = Callable[[str, float], None]


@dataclass(frozen=True)
class Verified:
    """One toolpath against one part.

    notes  what was read but may mean something else, and what was not known
    """

    path: str
    laid: Beads
    places: tuple[Placement, ...]
    comparisons: tuple[Comparison, ...]
    notes: tuple[str, ...]

    @property
    def walls(self) -> tuple[LaidWall, ...]:
        """The walls of all copies."""
        return tuple(wall for one in self.comparisons for wall in one.walls)


def verify(
    file: Path,
    geometry: Geometry,
    part: str,
    *,
    filament: float = 1.75,
    flow: float = 1.0,
    at: tuple[float, float] | None = None,
    largest: float = 4.0,
    splits: tuple[float, ...] = (),
    step: Step | None = None,
) -> Verified:
    """Read a program, find the part on its plate, and compare every copy.

    at  near which place of the plate (mm) the middle of the part's box lies; None: search

    Raises InputError: a program that cannot be used, or one of something else.
    """
    tell = step or (lambda what, share: None)
    toolpath = read_toolpath(
        file,
        filament=filament,
        flow=flow,
        progress=lambda done, size: tell("reading", done / max(size, 1)),
    )
    tell("finding beads", 0.0)
    laid = beads(toolpath)
    notes = [*toolpath.warnings, *laid.notes]
    # M words set things such as temperatures; there are some in every program.
    unknown = [f"{code} ({n})" for code, n in toolpath.unknown.items() if code[:1] != "M"]
    if unknown:
        more = f" and {len(unknown) - 8} more" if len(unknown) > 8 else ""
        notes.append(f"codes passed over: {', '.join(unknown[:8])}{more}")
    del toolpath
    tell("placing", 0.0)
    try:
        places = find_places(geometry, laid, part=part, path=file, at=at)
        found = []
        for copy, place in enumerate(places):
            tell("comparing", copy / len(places))
            found.append(compare(geometry, laid, place, largest=largest, splits=splits, copy=copy))
    except TooLargeError as error:
        raise error.of(part) from None
    return Verified(str(file), laid, places, tuple(found), tuple(notes))
