"""A fit as a rule file that a person can read and review: where every number comes from."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Iterator

from wallguard.bands.calculated import calculated
from wallguard.fit.fit import Fit
from wallguard.fit.settings import Estimate
from wallguard.fit.steps import Step
from wallguard.rules.model import Beads, DeclaredBand, Limit, Rules

# The first line of what we write: only a file that begins so is ever written over.
MARK = "# Fitted to a coupon by `wallguard coupon fit`."
_WIDTH = 96
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
    lines = [MARK, *_head(fitted, base), "wallguard: 1", ""]
    lines += [f"name: {_text(base.name)}", "process:", f"  category: {base.category}"]
    if base.printer:
        lines.append(f"  printer: {_text(base.printer)}")
    if base.material:
        lines.append(f"  material: {_text(base.material)}")
    if base.filament is not None:
        lines.append(f"  filament: {_number(base.filament)}")
    if base.flow is not None:
        lines.append(f"  flow: {_number(base.flow)}")
    if base.build_volume:
        lines.append(f"build_volume: [{', '.join(map(_number, base.build_volume))}]")
    lines += [f"layer_height: {_number(base.layer_height)}", ""]
    if fitted.beads:
        lines += [*_beads(fitted.beads, fitted.found), ""]
    lines += [*_bands(fitted), ""]
    lines += _asked(base, PROVISIONAL if _of_toolpath(fitted) else "")
    return "\n".join(lines) + "\n"


def _head(fitted: Fit, base: Rules) -> Iterator[str]:
    yield "# Lengths are in mm; U is for k = 2: it covers 95.45 %, as two standard deviations do."
    yield from _comment(f"What a coupon does not tell is from {base.path}.")
    if _of_toolpath(fitted):
        yield from _comment(f"{PROVISIONAL} Print the coupon and fit its readings.")
    for file in fitted.files:
        if file.keys.get("source") == "toolpath":
            yield from _comment(f"Readings: {file.path}: what this toolpath lays.")
            continue
        keys = [
            f"{name} {file.keys[key]}"
            for key, name in (("date", "of"), ("round", "round"), ("instrument", "read with"))
            if key in file.keys
        ]
        stated = "stated" if file.error_stated else "not stated, so assumed"
        keys.append(f"largest error of the instrument {_number(file.error)} ({stated})")
        yield from _comment(f"Readings: {file.path}: {', '.join(keys)}.")
    one = fitted.scatter
    how = (
        f"found with {one.solid.freedom:g} degrees of freedom"
        if one.found
        else "assumed, there were too few readings; k = 2 is not claimed"
    )
    yield from _comment(f"Standard deviation of one reading: {one.solid.u:.3f} mm ({how}).")
    if one.hollow != one.solid:
        yield from _comment(f"Of hollow walls: {one.hollow.u:.3f} mm.")
    for axis, lines in fitted.lines.items():
        if lines.tau.u >= 0.0005:
            along = f" along {axis}" if axis else ""
            yield from _comment(
                f"Walls{along} differ from the straight rules below by {lines.tau.u:.3f} mm "
                "beyond that, which U allows for."
            )
    if fitted.differ:
        yield from _comment("The axes differ:")
        for text in fitted.differ:
            yield from _comment(f"- {text}")
    if fitted.odd:
        yield from _comment("Odd about the readings:")
        for text in fitted.odd:
            yield from _comment(f"- {text}")
    if fitted.others:
        yield from _comment("Other features (printed - drawn ± U):")
        for text in fitted.others:
            yield from _comment(f"- {text}")
    yield "# A pass speaks of geometry only: not of strength, fit, or fitness for any use."


def _beads(beads: Beads, found: Estimate | None) -> Iterator[str]:
    if found is None:
        yield "# As in the base: no bead settings explain the readings well."
    else:
        yield "# Settings that explain the readings, with the range that does so as well (k = 2)."
        yield "# They hold between and beyond the steps, where no band below says otherwise."
    yield "beads:"
    ranges = found.ranges if found else {}

    def row(key: str, value: str, *names: str) -> str:
        said = [
            f"{name + ' ' if len(names) > 1 else ''}{_number(round(ranges[name].low, 3))} to "
            f"{_number(round(ranges[name].high, 3))}"
            for name in names
            if name in ranges
        ]
        if key == "contours" and found is not None and found.contours_taken:
            said = ["as in the base; the readings do not tell"]
        if found is not None and key in found.choices:
            others = [other for other in found.choices[key] if other != value]
            if key == "width_varies":
                one = "false" if beads.width_varies is None else "true"
                others = [other for other in found.choices[key] if other != one]
            said += [f"or {other}" for other in others]
        text = f"  {key}: {value}"
        return f"{text:<34}  # {'; '.join(said)}" if said else text

    if beads.nozzle is not None:
        yield f"  nozzle: {_number(beads.nozzle)}"
    yield row("width", _number(beads.width), "width")
    if beads.width_varies:
        low, high = beads.width_varies
        names = ("narrowest bead", "widest bead")
        yield row("width_varies", f"[{_number(low)}, {_number(high)}]", *names)
    elif found is not None:
        yield row("width_varies", "false")
    yield row("contours", str(beads.contours), "contours")
    yield row("smallest_wall", _number(beads.smallest_wall), "smallest_wall")
    yield row("between_one_and_two", beads.between_one_and_two)
    yield row("squeeze", _number(beads.squeeze), "squeeze")
    yield row("smallest_fill", _number(beads.smallest_fill), "smallest_fill")
    text = f"  uncertainty: {_number(beads.uncertainty)}"
    note = "how well these settings give the printed thickness (k = 2)"
    yield f"{text:<34}  # {note}" if found else text


def _bands(fitted: Fit) -> Iterator[str]:
    yield "# A band holds from its `from` to below its `to`; steps are included by 0.0001 mm."
    yield "# printed thickness = printed + slope x nominal, within uncertainty."
    if fitted.axes:
        yield "# Walls in any direction: the worse of both axes."
    every = tuple(step for part in fitted.measured.values() for step in part)
    yield "bands:"
    yield from _rows(fitted.bands, every, fitted.beads, "  ")
    if fitted.axes:
        yield "axes:"
        for axis, bands in fitted.axes.items():
            yield f"  {axis}:"
            yield from _rows(bands, fitted.measured[axis], fitted.beads, "    ")


def _rows(
    bands: tuple[DeclaredBand, ...], steps: tuple[Step, ...], beads: Beads | None, indent: str
) -> Iterator[str]:
    at = 0.0
    for band in bands:
        if beads and band.lower - at > 1e-3:
            yield f"{indent}# {_calculated(beads, at, band.lower)}"
        at = math.inf if band.upper is None else band.upper
        yield f"{indent}# {_why(band, steps)}"
        yield f"{indent}- {{{', '.join(_values(band))}}}"
    if beads and math.isfinite(at):
        yield f"{indent}# {_calculated(beads, at, math.inf)}"


def _calculated(beads: Beads, lower: float, upper: float) -> str:
    fills = dict.fromkeys(
        band.fill for band in calculated(beads).bands if band.lower < upper and band.upper > lower
    )
    end = "up" if math.isinf(upper) else f"to {upper:.2f}"
    return f"from {lower:.2f} {end}: calculated from `beads` ({', '.join(fills)})"


def _values(band: DeclaredBand) -> Iterator[str]:
    yield f"from: {_number(band.lower)}"
    if band.upper is not None:
        yield f"to: {_number(band.upper)}"
    yield f"fill: {band.fill}"
    if band.printed is not None and band.fill != "missing":
        yield f"printed: {_number(band.printed)}"
        if band.slope:
            yield f"slope: {_number(band.slope)}"
    if band.fill != "missing" and band.uncertainty:
        yield f"uncertainty: {_number(band.uncertainty)}"
    if band.fill == "hollow" and band.solid_width:
        yield f"solid_width: {_number(band.solid_width)}"
    yield f"source: {band.source}"


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
        return "the settings that explain the readings do not agree here"
    if band.source == "declared":
        return "as in the base"
    if band.fill == "uncertain":
        return "the fill changes between these steps"
    return "the printed thickness changes its rule between these steps"


def _asked(base: Rules, remark: str) -> Iterator[str]:
    if base.minimum:
        yield "minimum:"
        for name, limit in base.minimum.items():
            yield f"  {name}: {{{', '.join(_limit(limit))}}}"
    thinner, thicker = map(_number, base.tolerance)
    yield f"tolerance: {{thinner: {thinner}, thicker: {thicker}}}"
    if base.outcomes:
        yield "outcomes:"
        for outcome, level in base.outcomes.items():
            yield f"  {outcome}: {level}"
    # Fitted twice, it is still said once.
    said = (remark, base.notes) if remark not in base.notes else (base.notes,)
    notes = " ".join(text for text in said if text)
    if notes:
        yield f"notes: {_text(notes)}"


def _of_toolpath(fitted: Fit) -> bool:
    return any(file.keys.get("source") == "toolpath" for file in fitted.files)


def _limit(limit: Limit) -> Iterator[str]:
    for name in ("fail", "warn"):
        value = getattr(limit, name)
        if value is not None:
            yield f"{name}: {_number(value)}"


def _number(value: float) -> str:
    return f"{round(value, 4) + 0.0:.10g}"


def _text(value: str) -> str:
    """Text in quotes: JSON's are YAML's too."""
    return json.dumps(value, ensure_ascii=False)


def _comment(text: str) -> list[str]:
    """Text as comment lines: whatever it holds, it stays in them."""
    plain = "".join(char if char.isprintable() else "�" for char in text)
    return textwrap.wrap(
        plain,
        _WIDTH,
        initial_indent="# ",
        subsequent_indent="#   ",
        break_long_words=False,
        break_on_hyphens=False,
    )
