"""How a part comes out at each reduction, as a table on a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import inf

from wallguard.bands.advice import Drawn, drawn_range
from wallguard.base import cautions
from wallguard.base.plain import counted, plain
from wallguard.base.text import mm
from wallguard.base.units import SYMBOLS, Unit, in_unit
from wallguard.findings.model import Spread
from wallguard.findings.scale import Holding, Reduction, Scales
from wallguard.reports.console import wrapped

# Nobody reads hundreds of walls on a terminal; the thinnest come first.
_SHOWN = 10
_WIDTH = 100
# What to draw instead is told in two lines from here on.
_WIDE = 32
_BECOMES = {
    "missing": "missing",
    "hollow": "hollow",
    "thickened": "too thick",
    "thinned": "too thin",
    "porous": "porous",
    "indeterminate": "indeterminate",
    "thin": "below min",
    "solid": "solid",
}


def table(scales: Scales) -> str:
    """The reductions, the smallest model of which all walls come out as asked, and what holds it
    back; at most 100 columns wide, ends with a line break."""
    out = list(_head(scales))
    out += [*_aligned(list(_rows(scales.reductions))), ""]
    out += [*_notes(scales), *_coarse(scales)]
    out += [*_answer(scales), ""]
    if scales.held_back is not None:
        out += [*_holding(scales, scales.held_back), ""]
    out += wrapped(_looked_at(scales), "", _WIDTH)
    return "\n".join([*out, *wrapped(cautions.PARTS, "", _WIDTH)]) + "\n"


def _looked_at(scales: Scales) -> str:
    said = "Only walls were looked at, and whether round pins are printed at all."
    if not scales.unseen:
        return said
    others = ", ".join(f"`{name}`" for name in scales.unseen)
    return (
        f"{said} For the other limits of these rules ({others}), check the part with the chosen "
        "scale in wallguard.yaml."
    )


def _head(scales: Scales) -> Iterator[str]:
    size = " × ".join(in_unit(side, scales.unit) for side in scales.size)
    yield f"{plain(scales.path)}: {size} {SYMBOLS[scales.unit]} at full size"
    yield f"{plain(scales.rules)}: {plain(scales.rules_name)}"
    for remark in scales.remarks:
        yield from wrapped(remark, "", _WIDTH)
    yield ""


def _rows(reductions: Sequence[Reduction]) -> Iterator[list[str]]:
    named = {verdict for reduction in reductions for verdict, _ in reduction.shares}
    verdicts = [verdict for verdict in _BECOMES if verdict in named and verdict != "solid"]
    yield [
        "scale",
        "model, mm",
        "fits",
        "walls",
        "thinnest",
        "solid",
        *(_BECOMES[verdict] for verdict in verdicts),
        "good",
    ]
    for reduction in reductions:
        shares = dict(reduction.shares)
        yield [
            reduction.name,
            _size(reduction),
            {True: "yes", False: "no", None: "-"}[reduction.fits],
            str(reduction.walls) if reduction.measured else "-",
            "-" if reduction.thinnest is None else mm(reduction.thinnest),
            *(_share(shares.get(verdict, 0.0)) for verdict in ("solid", *verdicts)),
            "yes" if reduction.good else "-" if reduction.beyond else "no",
        ]


def _size(reduction: Reduction) -> str:
    return " × ".join(in_unit(side, "mm") for side in reduction.size)


def _notes(scales: Scales) -> Iterator[str]:
    notes: dict[str, list[str]] = {}
    for reduction in scales.reductions:
        if reduction.note:
            notes.setdefault(reduction.note, []).append(reduction.name)
    for note, names in notes.items():
        yield from wrapped(f"{', '.join(names)}: {note}.", "", _WIDTH)
    thick = max(reduction.up_to for reduction in scales.reductions)
    yield f"Good: all walls as asked. Walls above {mm(thick)} mm, printed, are not looked at."


def _share(share: float) -> str:
    """A share in per cent: 0 and 100 only where it is exactly that."""
    if share <= 0:
        return "-"
    if share < 0.01:
        return "<1 %"
    return f"{min(round(100 * share), 99 if share < 1 - 1e-9 else 100)} %"


def _coarse(scales: Scales) -> Iterator[str]:
    usual = min(reduction.layer_height for reduction in scales.reductions)
    coarse = [reduction for reduction in scales.reductions if reduction.layer_height > usual]
    if coarse:
        named = ", ".join(
            f"{reduction.name} ({reduction.layer_height:.2f} mm)" for reduction in coarse
        )
        yield from wrapped(
            f"Measured in layers thicker than {usual:g} mm, to stay within bounds: {named}.",
            "",
            _WIDTH,
        )


def _answer(scales: Scales) -> Iterator[str]:
    best = scales.best
    if best is None:
        yield "At no reduction do all walls come out as asked."
    else:
        yield from wrapped(
            f"The smallest model of which all walls come out as asked: {best.name}, "
            f"{_size(best)} mm"
            + {True: ", fits the build volume", False: ", does not fit the build volume", None: ""}[
                best.fits
            ]
            + ".",
            "",
            _WIDTH,
        )
        bad = [
            reduction.name
            for reduction in scales.reductions
            if reduction.measured and not reduction.good
        ]
        bad = [
            reduction.name
            for reduction in scales.reductions
            if reduction.name in bad and reduction.factor < best.factor
        ]
        if bad:
            yield f"Not all do at {', '.join(bad)}, though these models are larger."
    if scales.wanted is not None and scales.held_back is None:
        yield f"At the wanted {_wanted(scales).name} all walls come out as asked."


def _wanted(scales: Scales) -> Reduction:
    return next(reduction for reduction in scales.reductions if reduction.factor == scales.wanted)


def _holding(scales: Scales, at: Reduction) -> Iterator[str]:
    unit = scales.unit
    if not at.holding:
        yield f"At {at.name} not all walls come out as asked: {at.note}."
        return
    number = counted(len(at.holding), "wall")
    yield f"What does not come out as asked at {at.name}: {number}, in {SYMBOLS[unit]} at full size"
    rows = [["drawn", f"at {at.name}, mm", "becomes", "length", "place", "draw instead"]]
    for wall in at.holding[:_SHOWN]:
        becomes, instead = _BECOMES[wall.verdict], _instead(wall, at.factor, unit)
        if wall.verdict == "thin":
            becomes += f" {mm(wall.least)}"
        rows.append(
            [
                _spread(wall.drawn, unit) + (" (pin)" if wall.kind == "pin" else ""),
                _printed(wall.printed),
                becomes,
                in_unit(wall.length, unit),
                "(" + ", ".join(in_unit(value, unit) for value in wall.location) + ")",
                instead[0],
            ]
        )
        rows += [[""] * 5 + [more] for more in instead[1:]]
    yield from _aligned(rows, left=True)
    if len(at.holding) > _SHOWN:
        yield f"and {len(at.holding) - _SHOWN} more; --json prints them all"
    if any(wall.lean for wall in at.holding[:_SHOWN]):
        yield "Walls that lean are told as callipers read them, square to the wall."


def _spread(spread: Spread, unit: Unit) -> str:
    low, high = in_unit(spread.min, unit), in_unit(spread.max, unit)
    if spread.max - spread.min <= 0.05 * spread.typical:
        return in_unit(spread.typical, unit)
    return f"{low} to {high}"


def _printed(spread: Spread) -> str:
    if spread.max - spread.min <= 0.05 * spread.typical:
        return mm(spread.typical)
    return f"{mm(spread.min)} to {mm(spread.max)}"


def _instead(holding: Holding, factor: float, unit: Unit) -> list[str]:
    """What to draw instead, and how thick that is printed; "-" where no thickness fits."""
    ranges = []
    if holding.thinner is not None:
        ranges.append((holding.thinner_from or 0.0, holding.thinner))
    if holding.thicker is not None:
        ranges.append((holding.thicker, holding.thicker_to or inf))
    drawn = Drawn(1 / factor, unit)
    choices = [drawn_range((first / factor, last / factor), drawn) for first, last in ranges]
    said = " or\n".join(
        each if len(each) < _WIDE else each.replace(" (", "\n(") for each in choices
    )
    return said.split("\n") if said else ["-"]


def _aligned(rows: Sequence[Sequence[str]], *, left: bool = False) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.ljust(width) if left else cell.rjust(width)
            for cell, width in zip(row, widths, strict=True)
        ).rstrip()
        for row in rows
    ]
