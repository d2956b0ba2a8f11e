"""Fit a band table to the readings of a coupon: what is known of a process, and how well."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table
from wallguard.bands.table import BandTable
from wallguard.base.errors import InputError
from wallguard.coupon.readings import Readings, merged
from wallguard.coupon.rows import Row
from wallguard.fitting.against_base import against_base
from wallguard.fitting.doubt import with_settings
from wallguard.fitting.lines import Lines, lines_of
from wallguard.fitting.minima import Minimum, minima
from wallguard.fitting.recovery import Recovered, recover
from wallguard.fitting.settings import Estimate, estimate
from wallguard.fitting.steps import (
    ASSUMED_SCATTER,
    FEWEST_FREEDOM,
    Grouped,
    Scatter,
    Step,
    axes_differ,
    by_axis,
    odd_rows,
    scatter_of,
    steps,
)
from wallguard.fitting.tables import closed, doubted_beyond, measured_bands, worse
from wallguard.fitting.uncertainty import Component
from wallguard.rules.model import Axis, Beads, DeclaredBand, Rules

# Thicknesses of walls in one fit: beyond this, files of something else are being read.
MAX_STEPS = 120
# The last digit that is shown: axes that differ by less do not differ, mm.
SHOWN = 0.01


@dataclass(frozen=True)
class Fit:
    """What readings say of a process. Lengths in mm.

    bands     of walls in any direction
    axes      of walls along one axis; empty where the axes do not differ
    beads     settings for what lies between and beyond; None where nothing can be calculated
    found     the settings that explain the readings; None where none do
    recovered what of them the toolpath shows by itself, where there is nothing but toolpaths
    measured  the steps along each axis
    lines     through the steps that the tables rest on, by axis, or under "" for both together
    scatter   of readings
    odd       what is odd, in words
    differ    how the axes differ, in words
    claimed   whether there were readings enough to claim k = 2
    others    what the gaps, holes and pins came out like, in words
    minima    from which size on they and others come out
    otherwise bead settings of the base that the readings do not agree with, in words
    """

    bands: tuple[DeclaredBand, ...]
    axes: dict[Axis, tuple[DeclaredBand, ...]]
    beads: Beads | None
    found: Estimate | None
    measured: Grouped
    lines: dict[str, Lines]
    scatter: Scatter
    odd: tuple[str, ...] = ()
    differ: tuple[str, ...] = ()
    claimed: bool = True
    others: tuple[str, ...] = ()
    otherwise: tuple[str, ...] = ()
    minima: tuple[Minimum, ...] = ()
    files: tuple[Readings, ...] = field(default=(), repr=False)
    recovered: Recovered | None = None

    def uncertainty_of(self, step: Step) -> float:
        """U (mm, k = 2) of the mean reading of a step."""
        return self.scatter.expanded(self.scatter.of_mean(step))


def fit(files: Sequence[Readings], base: Rules) -> Fit:
    """The band table of a process from the readings of one coupon or more (rounds merge).

    base  what is known of the process before: category, layer height, nozzle, contours

    Where no wall was printed, walls come out as the base says. Raises InputError: nothing that was
    printed among the readings, too many walls, or files of two processes.
    """
    rows = list(merged(files))
    walls = [row for row in rows if row.feature == "wall"]
    first = files[0].path
    if not walls:
        return _without_walls(rows, files, base)
    measured = by_axis(walls)
    if len(steps(walls)) > MAX_STEPS:
        raise InputError(
            first,
            f"more than {MAX_STEPS} thicknesses of walls",
            remedy="Fit fewer readings at a time",
        )
    limit = max(file.error for file in files)
    scatter = scatter_of(walls, max(file.resolution for file in files), limit)
    differ: tuple[str, ...] = ()
    if len(measured) == 2:
        differ = tuple(axes_differ(measured["x"], measured["y"], scatter, SHOWN))
    together: dict[str, tuple[Step, ...]] = {"": steps(walls)}
    if differ:
        together = {axis: steps for axis, steps in measured.items()}  # noqa: C416  wider keys
    lines = {axis: lines_of(steps, scatter) for axis, steps in together.items()}
    estimated = recovered = None
    otherwise: tuple[str, ...] = ()
    if base.category == "material extrusion":
        every = [step for part in together.values() for step in part]
        ordered = sorted(every, key=lambda step: step.nominal)
        estimated, recovered = _settings(ordered, scatter, base, files)
        otherwise = against_base(estimated, base, ordered, scatter)
    beads = estimated.beads if estimated else base.beads
    table = calculated(beads, base.layer_height) if beads else None
    known = estimated, recovered
    tables = {axis: _table(together[axis], lines[axis], known, table, base) for axis in together}
    by_name: dict[Axis, tuple[DeclaredBand, ...]] = {
        axis: tables[axis] for axis in measured if differ
    }
    made = Fit(
        bands=worse(tables.values(), table) if differ else tables[""],
        axes=by_name,
        beads=beads,
        found=estimated,
        recovered=recovered,
        measured=measured,
        lines=lines,
        scatter=scatter,
        differ=differ,
        claimed=scatter.known,
        others=tuple(_others(rows, scatter)),
        minima=minima(files),
        otherwise=otherwise,
        files=tuple(files),
    )
    return replace(made, odd=tuple(_odd(made, walls, base)))


def _without_walls(rows: Sequence[Row], files: Sequence[Readings], base: Rules) -> Fit:
    """What is known where only other features were looked at."""
    found = minima(files)
    if not found:
        path = files[0].path
        raise InputError(path, "no wall is among the readings", remedy="Measure the walls")
    scatter = scatter_of((), max(file.resolution for file in files), max(f.error for f in files))
    return Fit(
        bands=base.bands,
        axes=base.axes,
        beads=base.beads,
        found=None,
        measured={},
        lines={},
        scatter=scatter,
        odd=tuple(remark for file in files for remark in file.remarks),
        claimed=False,
        others=tuple(_others(rows, scatter)),
        minima=found,
        files=tuple(files),
    )


def _settings(
    steps: Sequence[Step], scatter: Scatter, base: Rules, files: Sequence[Readings]
) -> tuple[Estimate | None, Recovered | None]:
    """The settings that explain the steps, and what toolpaths show of them by themselves."""
    recovered = _recovered(files)
    estimated = estimate(steps, scatter, base, recovered)
    if estimated is None and recovered is not None:
        return estimate(steps, scatter, base), None
    return estimated, recovered


def _recovered(files: Sequence[Readings]) -> Recovered | None:
    """What toolpaths show of bead settings; None where there are readings of a print too."""
    if not all(file.keys.get("source") == "toolpath" for file in files):
        return None
    return recover([wall for file in files for wall in file.laid])


def _table(
    found_steps: Sequence[Step],
    lines: Lines,
    known: tuple[Estimate | None, Recovered | None],
    table: BandTable | None,
    base: Rules,
) -> tuple[DeclaredBand, ...]:
    estimated, recovered = known
    bands = measured_bands(lines, table)
    if estimated is not None and table is not None:
        shown = recovered is not None
        bands = with_settings(bands, estimated, found_steps, table, shown=shown)
    if table is not None:
        # Settings, those of the base if need be, hold where nothing was measured.
        return doubted_beyond(bands, found_steps, table, lines.scatter)
    beyond = band_table(base) if base.bands else None
    return closed(bands, beyond, prints_all=base.category != "material extrusion")


def _odd(fitted: Fit, walls: Sequence[Row], base: Rules) -> list[str]:
    """Everything odd about the readings and what follows from them, in words."""
    scatter, beads = fitted.scatter, base.category == "material extrusion"
    said = [remark for file in fitted.files for remark in file.remarks]
    said += odd_rows(walls, base, scatter)
    for along, found_steps in fitted.measured.items():
        said += [
            f"{step.nominal:.2f} mm along {along} was seen to come out "
            f"{' and '.join(sorted({row.fill for row in step.rows}))}: measure it again"
            for step in found_steps
            if step.fill == "uncertain"
        ]
    if len(fitted.measured) == 1:
        only = next(iter(fitted.measured))
        other = "y" if only == "x" else "x"
        said.append(f"only walls along {only} were measured: those along {other} may differ")
    single = sum(len(row.readings) == 1 for row in walls)
    if not scatter.known:
        said.append(
            f"too few readings to claim k = 2: fewer than {FEWEST_FREEDOM} degrees of freedom; "
            f"a scatter of {scatter.solid.u:.3f} mm is assumed. Read each wall at three heights"
        )
    elif single:
        said.append(
            f"{single} walls were read once only: the scatter of the others is taken for them"
        )
    for axis, made in fitted.lines.items():
        suffix = f" along {axis}" if axis else ""
        said += [f"{text}{suffix}" for text in _off(made, beads)]
    if beads:
        said += _unexplained(fitted.found, base)
    return list(dict.fromkeys(said))


def _off(lines: Lines, beads: bool) -> list[str]:
    """Walls that do not go with their neighbours."""
    said, scatter = [], lines.scatter
    if lines.tau.u > 2 * scatter.solid.u:
        said.append(
            f"walls differ from any straight rule by about {lines.tau.u:.3f} mm, more than their "
            f"readings scatter ({scatter.solid.u:.3f} mm): U allows for it"
        )
    for line in lines.lines:
        for step in line.steps if line.fill in ("solid", "hollow") else ():
            u = math.hypot(scatter.of(line.fill).u / math.sqrt(len(step.readings)), lines.tau.u)
            off = step.mean - line.at(step.nominal)
            if len(line.steps) > 2 and abs(off) > max(3 * u, SHOWN):
                said.append(
                    f"{step.nominal:.2f} mm came out {off:+.3f} mm from the line through its "
                    "neighbours"
                )
    printed = [line for line in lines.lines if line.fill in ("solid", "hollow")]
    if beads:
        for before, after in pairwise(printed):
            if after.at(after.lower) < before.at(before.steps[-1].nominal) - 3 * scatter.solid.u:
                said.append(
                    f"{after.steps[0].nominal:.2f} mm came out thinner than "
                    f"{before.steps[-1].nominal:.2f} mm did"
                )
    return said


def _unexplained(estimated: Estimate | None, base: Rules) -> list[str]:
    if estimated is None:
        kept = "those of the base are kept" if base.beads else "none are written"
        return [f"no bead settings explain these readings well: {kept}"]
    return [
        f"{nominal:.2f} mm came out {fill}, which no bead settings that explain the other steps "
        "expect: look at it again"
        for nominal, fill in estimated.unlike
    ]


def _others(rows: Sequence[Row], scatter: Scatter) -> list[str]:
    """What gaps, holes and pins came out like."""
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        if row.feature in ("gap", "hole", "pin"):  # of others nothing is measured
            groups[(row.feature, row.axis)].append(row)
    said = []
    for (feature, axis), group in sorted(groups.items()):
        name = f"{axis} {feature}s" if axis in ("vertical", "horizontal") else f"{feature}s"
        if axis in ("x", "y"):
            name += f" along {axis}"
        open_ = [row for row in group if row.fill != "missing"]
        lost = [row.nominal for row in group if row.fill == "missing"]
        parts = []
        if lost:
            parts.append(f"{max(lost):.2f} mm did not come out")
        above = [row.nominal for row in open_ if not lost or row.nominal > max(lost)]
        if above:
            parts.append(f"{min(above):.2f} mm and more did")
        read = [row for row in open_ if row.readings]
        if read:
            means = [math.fsum(row.readings) / len(row.readings) - row.nominal for row in read]
            mean = math.fsum(means) / len(means)
            parts.append(f"{mean:+.2f} ± {_other_uncertainty(means, scatter):.2f} mm")
        said.append(f"{name}: {', '.join(parts)}")
    return said


def _other_uncertainty(means: Sequence[float], scatter: Scatter) -> float:
    """U (mm) of one feature's deviation: how they differ from each other, and the instrument."""
    if len(means) < FEWEST_FREEDOM + 1:
        return scatter.expanded(Component(ASSUMED_SCATTER))
    mean = math.fsum(means) / len(means)
    squares = math.fsum((value - mean) ** 2 for value in means)
    single = Component(math.sqrt(squares / (len(means) - 1)), float(len(means) - 1))
    average = replace(single, u=single.u / math.sqrt(len(means)))
    return scatter.expanded(single, average)
