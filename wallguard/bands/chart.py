"""The chart of a process: its band tables, and which thicknesses are good to draw; as rows of text
for terminals, Markdown and pictures alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from wallguard.bands.advice import range_text
from wallguard.bands.declared import band_table
from wallguard.bands.table import Band, BandTable
from wallguard.rules.model import Axis, Rules

if TYPE_CHECKING:
    from wallguard.bands.meetings import Meeting

# The uncertainty is the expanded one (k = 2), which covers 95 % (JCGM 100, from memory).
HEADS = ("nominal t, mm", "outcome", "printed, mm", "± (95 %)", "air, mm", "source")


@dataclass(frozen=True)
class Chart:
    """What a chart of one process says, however it is shown.

    table  of walls in any direction
    axes   of walls along one machine axis, where the rules tell the axes apart
    good   ranges (first, last) of thickness in mm that are good to draw; the last may be inf
    steps  where measured bands meet calculated ones and the two do not agree
    """

    rules: Rules
    table: BandTable
    axes: dict[Axis, BandTable]
    good: tuple[tuple[float, float], ...]
    steps: tuple[Meeting, ...] = ()

    @property
    def about(self) -> tuple[str, ...]:
        """What process it is of, in words."""
        rules = self.rules
        known = (rules.printer, rules.material)
        layers = f"layers of {rules.layer_height:g} mm"
        return (*(part for part in known if part), rules.category, layers)

    @property
    def asked(self) -> str:
        """What a good thickness has to be, in words."""
        thinner, thicker = self.rules.tolerance
        least = self.rules.strictest("wall")
        return (
            f"solid, at most {thinner:.2f} mm thinner or {thicker:.2f} mm thicker, uncertainty "
            "included" + (f", at least {least:.2f} mm" if least > 0 else "")
        )

    @property
    def reach(self) -> float:
        """How far (mm) a drawing has to reach to show every change, and a little beyond."""
        ends = (end for range_ in self.good for end in range_ if math.isfinite(end))
        return 1.1 * max([*self.table.edges, *ends], default=0.0) or 1.0


def chart_of(rules: Rules) -> Chart:
    """The chart of one process. Raises InputError where no band table follows from the rules."""
    table = band_table(rules)
    good = table.good_ranges(rules.tolerance, rules.strictest("wall"))
    axes = {axis: band_table(rules, axis) for axis in sorted(rules.axes)}
    from wallguard.bands.meetings import meetings

    return Chart(rules, table, axes, good, meetings(rules))


def basis_remark(chart: Chart) -> str:
    """What is to be known of a table with no reading in it; empty where there is one."""
    basis, beads = chart.table.basis, chart.rules.beads
    if basis == "assumed":
        return "taken to come out as drawn, never measured"
    if basis == "declared":
        return "declared, with no reading"
    if basis == "measured" or beads is None:
        return ""
    edges = ""
    if beads.edge_uncertainty:
        edges = (
            f": an edge between two fills may lie {beads.edge_uncertainty:g} mm elsewhere "
            "(`beads.edge_uncertainty`), and nearer to it the fill is uncertain"
        )
    return f"calculated, never measured{edges}. A coupon tells: `wallguard coupon make`"


def growth_remark(rules: Rules) -> str:
    """What grown faces make of what is no wall; empty where nothing is known of it."""
    off = 2 * (rules.growth or 0.0)
    if f"{abs(off):.2f}" == "0.00":
        return ""
    less, more = ("narrower", "wider") if off > 0 else ("wider", "narrower")
    return (
        f"gaps and holes come out {abs(off):.2f} mm {less} than drawn, pins {abs(off):.2f} mm "
        f"{more} (`growth`)"
    )


def spacing_remark(rules: Rules) -> str:
    """What beads spaced by volume would change, where a rule file does not say how they lie.

    Empty where it does, or where nothing would change.
    """
    beads = rules.beads
    if beads is None or beads.spacing is not None:
        return ""
    closer = replace(rules, beads=replace(beads, spacing="from volume"))
    now, then = band_table(rules), band_table(closer)
    if now == then:
        return ""
    least = rules.strictest("wall")
    was, is_ = (_ranges(table.good_ranges(rules.tolerance, least)) for table in (now, then))
    change = (
        f"{is_} would be good to draw, where {was} is now" if was != is_ else "bands would move"
    )
    return (
        "`beads.spacing` is not given: beads are taken to lie as far apart as they are wide. "
        f"With `from volume` {change}. Write `width` or `from volume`, whichever your software does"
    )


def _ranges(ranges: tuple[tuple[float, float], ...]) -> str:
    said = ", ".join(range_text(*ends) for ends in ranges)
    return f"{said} mm" if said else "nothing"


def rows(table: BandTable, steps: Sequence[Meeting] = ()) -> list[tuple[str, ...]]:
    """One row of HEADS for every band that holds a reading.

    steps  of this table; calculated bands that do not agree with what was measured beside are so
           marked
    """
    marked = {step.beside for step in steps}
    return [
        (
            range_text(*band.readings),
            band.fill,
            _printed(band),
            "-" if band.fill == "missing" else f"{band.uncertainty:.2f}",
            _air(band),
            f"{band.source}, a step" if marked.intersection(band.readings) else band.source,
        )
        for band in table.bands
        if band.readings is not None
    ]


def _printed(band: Band) -> str:
    if band.fill == "missing":
        return "-"
    if band.slope == 0:
        return f"{band.offset:.2f}"
    if band.slope == 1:
        size = f"{abs(band.offset):.2f}"
        return f"t {'-' if band.offset < 0 else '+'} {size}" if size != "0.00" else "as drawn"
    return f"{band.offset:.2f} + {band.slope:.2f} t"


def _air(band: Band) -> str:
    if band.fill != "hollow" or band.readings is None:
        return "-"
    if band.solid_width == 0:
        return "not known"
    first, last = band.readings
    if math.isinf(last) and band.slope > 0:
        return f"≥ {band.air(first):.2f}"
    ends = sorted({band.air(first), band.air(first if math.isinf(last) else last)})
    return range_text(ends[0], ends[-1])
