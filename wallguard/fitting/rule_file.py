"""A fit as a rule file that a person can read and review: where every number comes from."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, TypeVar

from wallguard.bands.calculated import calculated
from wallguard.bands.table import BandTable
from wallguard.documents.write import Comments, comment
from wallguard.fitting.fit import Fit
from wallguard.fitting.minima import limits
from wallguard.fitting.settings import Estimate
from wallguard.fitting.steps import Step
from wallguard.rules import write
from wallguard.rules.model import Beads, DeclaredBand, Rules

# The first line of what we write: only a file that begins so is ever written over.
MARK = "# Fitted to a coupon by `wallguard coupon fit`."
_Settings = TypeVar("_Settings", Beads, DeclaredBand)
# What is said in a rule file that rests on a toolpath, not on a print.
PROVISIONAL = (
    "Provisional: rests on a toolpath, not on a print; how material flows, sags and shrinks is not "
    "in it."
)


def rule_file(fitted: Fit, base: Rules) -> str:
    """The text of the rule file (YAML), which `load_rules` reads.

    base  gives everything that a coupon does not tell: name, process, minimum features, tolerance,
          outcomes, notes
    """
    notes = base.notes
    # Fitted twice, it is still said once.
    if _of_toolpath(fitted) and PROVISIONAL not in notes:
        notes = f"{PROVISIONAL} {notes}".strip()
    found = {name: limit for name, limit, _ in limits(fitted.minima, base)}
    rules = replace(base, minimum={**base.minimum, **found}, notes=notes)
    if fitted.measured:
        rules = replace(
            rules,
            beads=fitted.beads and _rounded(fitted.beads),
            bands=tuple(map(_told, fitted.bands)),
            axes={axis: tuple(map(_told, bands)) for axis, bands in fitted.axes.items()},
            growth=None,  # bands say it for every thickness
            growth_uncertainty=0.0,
        )
    return write.text(rules, _comments(fitted, base), head=[MARK, *_head(fitted, base)])


def _rounded(one: _Settings) -> _Settings:
    """To the tenth of a micrometre, which nobody reads."""
    rounded: dict[str, Any] = {name: _round(value) for name, value in vars(one).items()}
    return replace(one, **rounded)


def _round(value: Any) -> Any:
    if isinstance(value, tuple):
        return tuple(map(_round, value))
    return round(value, 4) + 0.0 if isinstance(value, float) else value


def _told(band: DeclaredBand) -> DeclaredBand:
    """The band without what says nothing about a wall of its fill."""
    if band.fill == "missing":
        band = replace(band, printed=None, uncertainty=0.0)
    if band.printed is None:
        band = replace(band, slope=0.0)
    return _rounded(band if band.fill == "hollow" else replace(band, solid_width=0.0))


def _head(fitted: Fit, base: Rules) -> Iterator[str]:
    yield "# Lengths are in mm; U is for k = 2: it covers 95.45 %, as two standard deviations do."
    yield from comment(f"What a coupon does not tell is from {base.path}.")
    if _of_toolpath(fitted):
        yield from comment(f"{PROVISIONAL} Print the coupon and fit its readings.")
    for file in fitted.files:
        if file.keys.get("source") == "toolpath":
            yield from comment(f"Readings: {file.path}: what this toolpath lays.")
            continue
        keys = [
            f"{name} {file.keys[key]}"
            for key, name in (("date", "of"), ("round", "round"), ("instrument", "read with"))
            if key in file.keys
        ]
        stated = "stated" if file.error_stated else "not stated, so assumed"
        keys.append(f"largest error of the instrument {_number(file.error)} ({stated})")
        yield from comment(f"Readings: {file.path}: {', '.join(keys)}.")
    one = fitted.scatter
    if not fitted.measured:
        yield "# No wall was read: how walls come out is as in the base."
        yield from _of_others(fitted)
        return
    how = (
        f"found with {one.solid.freedom:g} degrees of freedom"
        if one.known
        else "assumed, there were too few readings; k = 2 is not claimed"
    )
    yield from comment(f"Standard deviation of one reading: {one.solid.u:.3f} mm ({how}).")
    if one.hollow != one.solid:
        yield from comment(f"Of hollow walls: {one.hollow.u:.3f} mm.")
    for axis, lines in fitted.lines.items():
        if lines.tau.u >= 0.0005:
            along = f" along {axis}" if axis else ""
            yield from comment(
                f"Walls{along} differ from the straight rules below by {lines.tau.u:.3f} mm "
                "beyond that, which U allows for."
            )
    if fitted.differ:
        yield from comment("The axes differ:")
        for text in fitted.differ:
            yield from comment(f"- {text}")
    if fitted.odd:
        yield from comment("Odd about the readings:")
        for text in fitted.odd:
            yield from comment(f"- {text}")
    if fitted.otherwise:
        yield from comment("Bead settings of the base that the readings do not agree with:")
        for text in fitted.otherwise:
            yield from comment(f"- {text}")
    yield from _of_others(fitted)


def _of_others(fitted: Fit) -> Iterator[str]:
    """What was found of what is no wall."""
    if fitted.others:
        yield from comment("Other features (printed - drawn ± U):")
        for text in fitted.others:
            yield from comment(f"- {text}")
    if fitted.minima:
        yield from comment("They come out, where U covers the next print (k = 2):")
        for each in fitted.minima:
            yield from comment(f"- {each.words}")
    yield "# A pass speaks of geometry only: not of strength, fit, or fitness for any use."


def _comments(fitted: Fit, base: Rules) -> Comments:
    """Where every number comes from, beside it."""
    layer_height = base.layer_height
    bands = [
        "A band holds from its `from` to below its `to`; steps are included by 0.0001 mm.",
        "printed thickness = printed + slope x nominal, within uncertainty.",
    ]
    if fitted.axes:
        bands.append("Walls in any direction: the worse of both axes.")
    above: dict[str, list[str]] = {"bands": bands}
    below: dict[str, list[str]] = {}
    beside: dict[str, str] = {}
    for name, _, said in limits(fitted.minima, base):
        above[f"minimum.{name}"] = [f"Found: {said}."]
    if not fitted.measured:
        return Comments(above={key: text for key, text in above.items() if key != "bands"})
    if fitted.beads:
        above["beads"] = _of_beads(fitted.found)
        beside = dict(_ranges(fitted.beads, fitted.found)) if fitted.found else {}
    every = tuple(step for part in fitted.measured.values() for step in part)
    rows = [("bands", fitted.bands, every)]
    rows += [(f"axes.{axis}", held, fitted.measured[axis]) for axis, held in fitted.axes.items()]
    for path, held, steps in rows:
        table = calculated(fitted.beads, layer_height) if fitted.beads else None
        *over, under = _reasons(held, steps, table)
        above |= {f"{path}[{number}]": lines for number, lines in enumerate(over)}
        below[path] = under
    return Comments(above=above, beside=beside, below=below)


def _of_beads(found: Estimate | None) -> list[str]:
    if found is None:
        return ["As in the base: no bead settings explain the readings well."]
    return [
        "Settings that explain the readings, with the range that does so as well (k = 2).",
        "They hold between and beyond the steps, where no band below says otherwise.",
    ]


def _ranges(beads: Beads, found: Estimate) -> Iterator[tuple[str, str]]:
    """For each setting that was fitted: its path, and the values that explain the readings too."""
    ends = ("narrowest bead", "widest bead")
    ranges = {
        name: f"{_number(round(one.low, 3))} to {_number(round(one.high, 3))}"
        for name, one in found.ranges.items()
    }
    for one in dict.fromkeys((*ranges, *found.choices)):
        said = [ranges[one]] if one in ranges else []
        if one == "width_varies" and beads.width_varies:
            said = [f"{name} {ranges[name]}" for name in ends if name in ranges]
        if one == "contours" and found.contours_taken:
            said = ["as in the base; the readings do not tell"]
        taken = getattr(beads, one, None)
        if one in ("width_varies", "single_bead"):
            taken = "true" if taken else "false"
        said += [f"or {other}" for other in found.choices.get(one, ()) if other != taken]
        if said:
            yield f"beads.{one}", "; ".join(said)
    yield "beads.uncertainty", "how well these settings give the printed thickness (k = 2)"
    yield "beads.edge_uncertainty", "what the readings leave open stands in the bands"


def _reasons(
    bands: tuple[DeclaredBand, ...], steps: tuple[Step, ...], table: BandTable | None
) -> Iterator[list[str]]:
    """What is said above each band, and under the last one."""
    at = 0.0
    for band in bands:
        lines = [_calculated(table, at, band.lower)] if table and band.lower - at > 1e-3 else []
        at = math.inf if band.upper is None else band.upper
        yield [*lines, _why(band, steps)]
    yield [_calculated(table, at, math.inf)] if table and math.isfinite(at) else []


def _calculated(table: BandTable, lower: float, upper: float) -> str:
    fills = dict.fromkeys(
        band.fill for band in table.bands if band.lower < upper and band.upper > lower
    )
    end = "up" if math.isinf(upper) else f"to {upper:.2f}"
    return f"from {lower:.2f} {end}: calculated from `beads` ({', '.join(fills)})"


def _why(band: DeclaredBand, steps: tuple[Step, ...]) -> str:
    upper = math.inf if band.upper is None else band.upper
    inside = sorted({step.nominal for step in steps if band.lower - 1e-6 <= step.nominal < upper})
    # A step at the very end of an uncertain range is not in it.
    if inside and not (band.fill == "uncertain" and band.source == "calculated"):
        count = sum(len(step.readings) for step in steps if step.nominal in inside)
        walls = ", ".join(f"{nominal:.2f}" for nominal in inside[:8])
        more = f" and {len(inside) - 8} more" if len(inside) > 8 else ""
        read = f", {count} reading{'s' * (count > 1)}" if count else ""
        if band.fill == "missing":
            return f"nothing printed at {walls}{more}"
        return f"{band.fill} at {walls}{more}{read}"
    if band.source == "calculated":
        return "the readings do not settle what becomes of walls here"
    if band.source == "declared":
        return "as in the base"
    if band.fill == "uncertain":
        return "the fill changes between these steps"
    return "the printed thickness changes its rule between these steps"


def _of_toolpath(fitted: Fit) -> bool:
    return any(file.keys.get("source") == "toolpath" for file in fitted.files)


def _number(value: float) -> str:
    return f"{round(value, 4) + 0.0:.10g}"
