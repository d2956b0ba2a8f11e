"""Where measured bands meet calculated ones in one table, and the two do not agree.

What is measured goes first, and bead settings fill up. At the last reading that a measured band
holds, both say what becomes of a wall; where these differ by more than U of both together, or in
the fill over all of the settings' own U, one of them is wrong just beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from wallguard.bands.declared import band_table, believed
from wallguard.bands.table import COMPUTING_ERROR, BandTable, Outcome, reading
from wallguard.rules.model import Axis, Rules


@dataclass(frozen=True)
class Meeting:
    """A step between what is measured and what is calculated.

    thickness   the last that is measured, mm
    above       whether what is calculated lies above it
    measured, calculated  what both say of a wall of this thickness
    """

    thickness: float
    above: bool
    measured: Outcome
    calculated: Outcome
    axis: Axis | None = None

    @property
    def beside(self) -> float:
        """The reading next to it (mm), of which nothing but the settings tell."""
        return reading(self.thickness + (0.01 if self.above else -0.01))

    @property
    def words(self) -> str:
        side = "above" if self.above else "below"
        along = f" along {self.axis}" if self.axis else ""
        return (
            f"a step at {self.thickness:.2f} mm{along}: {_said(self.measured)} was measured there, "
            f"where `beads`, which hold {side}, say {_said(self.calculated)}"
        )


def meetings(rules: Rules) -> tuple[Meeting, ...]:
    """Every such step of the tables of `rules`, thinnest first; of walls in any direction first."""
    if rules.beads is None:
        return ()
    from wallguard.bands.calculated import calculated  # which brings numpy

    beads = calculated(rules.beads, rules.layer_height)
    axes: tuple[Axis | None, ...] = (None, *sorted(rules.axes))
    # How uncertain edges are is no agreement.
    told = believed(rules)
    return tuple(step for axis in axes for step in _steps(band_table(told, axis), beads, axis))


def _steps(table: BandTable, beads: BandTable, axis: Axis | None) -> Iterator[Meeting]:
    for before, after in pairwise(table.bands):
        if before.source == "measured" and after.source == "calculated":
            measured, beside = before, after
        elif before.source == "calculated" and after.source == "measured":
            measured, beside = after, before
        else:
            continue
        if "uncertain" in (measured.fill, beside.fill) or measured.readings is None:
            continue
        thickness = measured.readings[measured is before]
        said, expected = table.outcome(thickness), beads.outcome(thickness)
        if _differ(said, expected, beads, thickness):
            yield Meeting(thickness, measured is before, said, expected, axis)


def _differ(said: Outcome, expected: Outcome, beads: BandTable, thickness: float) -> bool:
    """Whether neither what the settings say here agrees, nor what they say so near beside that
    their edges may well lie otherwise."""
    off = math.hypot(said.uncertainty, expected.uncertainty)
    near = (beads.outcome(max(0.0, thickness + way * off)) for way in (-1, 1))
    return not any(_agree(said, other, off) for other in (expected, *near))


def _agree(said: Outcome, other: Outcome, off: float) -> bool:
    if other.fill == "uncertain":
        return True
    if said.fill != other.fill:
        return False
    if said.printed is None or other.printed is None:
        return True
    assert said.deviation is not None and other.deviation is not None
    # Whichever the printed thickness follows: the beads alone, or what is drawn.
    apart = min(abs(said.printed - other.printed), abs(said.deviation - other.deviation))
    return apart <= off + COMPUTING_ERROR


def _said(outcome: Outcome) -> str:
    if outcome.printed is None:
        return "nothing"
    return f"{outcome.fill}, {outcome.printed:.2f} mm thick"
