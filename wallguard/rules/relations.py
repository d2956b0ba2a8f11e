"""What must hold between the values of a rule file, with everything inherited in place."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from wallguard.documents.reading import Mapping, Node, Place, Problem, Sequence
from wallguard.rules.features import FEATURES, Feature


def relations(rules: Mapping) -> Iterator[Problem]:
    """The contradictions in a rule file whose values are each valid by themselves."""
    yield from _category(rules)
    yield from _growth(rules)
    for feature in FEATURES:
        yield from _unknown(rules, feature)
        yield from _levels(rules, feature)
    yield from _ways_out(rules)
    yield from _beads(rules)
    for keys in (("bands",), ("axes", "x"), ("axes", "y")):
        yield from _bands(rules, *keys)


def _elsewhere(other: Place, place: Place) -> str:
    """Where the other value stands, if that is another file."""
    return "" if other.path == place.path else f" ({other})"


def _category(rules: Mapping) -> Iterator[Problem]:
    category, beads = rules.at("process", "category"), rules.at("beads")
    bands = rules.at("bands")
    if category is None:
        return
    name = category.value.plain()
    if name != "material extrusion" and beads is not None:
        yield Problem(
            beads.place,
            f"`beads`: {name} lays no beads{_elsewhere(category.place, beads.place)}",
            "Remove `beads`, or correct `process.category`",
        )
    if name == "material extrusion" and beads is None and not (bands and bands.value.plain()):
        yield Problem(
            category.place,
            "neither `beads` nor `bands` says how walls come out",
            "Add bead settings, or a table of bands",
        )


def _growth(rules: Mapping) -> Iterator[Problem]:
    category, growth = rules.at("process", "category"), rules.at("growth")
    unsure = rules.at("growth_uncertainty")
    for name, entry in (("growth", growth), ("growth_uncertainty", unsure)):
        if entry and category and category.value.plain() == "material extrusion":
            yield Problem(
                entry.place,
                f"`{name}` is for processes that lay no beads, but this is material extrusion"
                f"{_elsewhere(category.place, entry.place)}",
                "Write `beads.offset` or `bands` instead, or correct `process.category`",
            )
    if unsure and not growth:
        yield Problem(
            unsure.place,
            "`growth_uncertainty` says how well `growth` is known, and there is none",
            "Add `growth`, in mm for each face",
        )


def _unknown(rules: Mapping, feature: Feature) -> Iterator[Problem]:
    category, limit = rules.at("process", "category"), rules.at("minimum", feature.id)
    if category and limit and category.value.plain() not in feature.categories:
        yield Problem(
            limit.place,
            f"`minimum.{feature.id}` is for {' and '.join(feature.categories)}, but this is "
            f"{category.value.plain()}{_elsewhere(category.place, limit.place)}",
            "Remove it, or correct `process.category`",
        )


def _levels(rules: Mapping, feature: Feature) -> Iterator[Problem]:
    fail = rules.at("minimum", feature.id, "fail")
    warn = rules.at("minimum", feature.id, "warn")
    if feature.limit is None or fail is None or warn is None:
        return
    one, other = fail.value.plain(), warn.value.plain()
    less = feature.limit.smaller_is_worse
    if one and other and (other < one if less else other > one):
        side, extreme = ("below", "larger") if less else ("above", "smaller")
        yield Problem(
            warn.value.place,
            f"`minimum.{feature.id}.warn` is {other:g}, {side} `fail`, {one:g}"
            f"{_elsewhere(fail.place, warn.place)}: it would never warn",
            f"Make `warn` the {extreme} one, or remove it",
        )


def _ways_out(rules: Mapping) -> Iterator[Problem]:
    number, width = rules.at("minimum", "escape_holes"), rules.at("minimum", "escape")
    if number is not None and width is None:
        yield Problem(
            number.place,
            "`minimum.escape_holes` counts ways out, and nothing says how wide one is",
            "Set a limit to `minimum.escape`, too",
        )


def _beads(rules: Mapping) -> Iterator[Problem]:
    width, varies = rules.at("beads", "width"), rules.at("beads", "width_varies")
    layer = rules.at("layer_height")
    squeeze, fill = rules.at("beads", "squeeze"), rules.at("beads", "smallest_fill")
    if width is None or layer is None:
        return
    narrowest: Node = width.value
    if varies and isinstance(varies.value, Sequence):
        narrowest = varies.value.items[0]
        low, high = varies.value.plain()
        if low >= high:
            yield Problem(
                varies.value.place,
                f"`beads.width_varies`: {low:g} is not below {high:g}",
                "Write the narrowest bead first, then the widest",
            )
        elif not low <= width.value.plain() <= high:
            yield Problem(
                width.value.place,
                f"`beads.width` is {width.value.plain():g}, outside `width_varies`, "
                f"{low:g} to {high:g}{_elsewhere(varies.place, width.place)}",
                "Make the bounds hold the usual width",
            )
    if layer.value.plain() > narrowest.plain():
        # The cross-section of a bead, a rectangle with half-round ends, needs width >= height.
        yield Problem(
            layer.value.place,
            f"`layer_height` is {layer.value.plain():g}, above the narrowest bead, "
            f"{narrowest.plain():g} wide{_elsewhere(narrowest.place, layer.place)}: "
            "a bead is at least as wide as it is high",
            "Correct one of them",
        )
    yield from _spacing(rules, narrowest)
    yield from _single(rules)
    if squeeze and fill and fill.value.plain() < squeeze.value.plain():
        yield Problem(
            fill.value.place,
            f"`beads.smallest_fill` is {fill.value.plain():g}, below `squeeze`, "
            f"{squeeze.value.plain():g}{_elsewhere(squeeze.place, fill.place)}: "
            "a left-over is either squeezed shut or filled",
            "Make `smallest_fill` the larger one",
        )


def _single(rules: Mapping) -> Iterator[Problem]:
    """Walls that get one bead where there is never a single one."""
    single, between = rules.at("beads", "single_bead"), rules.at("beads", "between_one_and_two")
    if single and between and not single.value.plain() and between.value.plain() == "one bead":
        yield Problem(
            between.value.place,
            "`beads.between_one_and_two` is `one bead`, and `single_bead` is false"
            f"{_elsewhere(single.place, between.place)}: no wall gets one bead alone",
            "Write `two beads` or `dropped`, or leave `single_bead` out",
        )


def _spacing(rules: Mapping, narrowest: Node) -> Iterator[Problem]:
    """Beads that lie further apart than they are wide, or share their whole width."""
    spacing, width = rules.at("beads", "spacing"), rules.at("beads", "width")
    if spacing is None or width is None or isinstance(spacing.value.plain(), str):
        return
    apart, wide, narrowest_width = spacing.value.plain(), width.value.plain(), narrowest.plain()
    elsewhere = _elsewhere(width.place, spacing.place)
    if apart > wide:
        yield Problem(
            spacing.value.place,
            f"`beads.spacing` is {apart:g}, above `width`, {wide:g}{elsewhere}: "
            "beads would not touch",
            "Give the distance from the middle of a bead to the middle of the next",
        )
    elif wide - apart >= narrowest_width:
        yield Problem(
            spacing.value.place,
            f"`beads.spacing` is {apart:g} and `width` {wide:g}{elsewhere}: they share "
            f"{wide - apart:g} mm, and the narrowest bead is {narrowest_width:g} wide",
            "Correct one of them",
        )


def _bands(rules: Mapping, *keys: str) -> Iterator[Problem]:
    bands, name = rules.at(*keys), ".".join(keys)
    if bands is None or not isinstance(bands.value, Sequence) or not bands.value.items:
        return
    calculated = rules.at("beads") is not None or rules.at("growth") is not None
    rows = [item for item in bands.value.items if isinstance(item, Mapping)]
    single = [problem for row in rows for problem in _band(row, name)]
    yield from single
    if any("`to`" in problem.text for problem in single):
        return
    rows.sort(key=lambda row: row.plain()["from"])
    if rows[0].plain()["from"] > 0 and not calculated:
        yield _hole(rows[0], 0, name, _beyond(rules))
    for row, following in pairwise(rows):
        end, start = row.plain().get("to"), following.plain()["from"]
        if end is None or start < end:
            until = "without end" if end is None else f"to {end:g}"
            yield Problem(
                following.place,
                f"`{name}`: the band from {start:g} overlaps the one from "
                f"{row.plain()['from']:g} {until} in line {row.place.line}",
                "Let each band begin where the one before it ends",
            )
        elif start > end and not calculated:
            yield _hole(following, end, name, _beyond(rules))
    last = rows[-1].plain().get("to")
    if last is not None and not calculated:
        yield Problem(
            rows[-1].place,
            f"`{name}`: nothing says how walls of {last:g} mm and more come out",
            f"Leave `to` out in the last band, or add {_beyond(rules)}",
        )


def _beyond(rules: Mapping) -> str:
    """What tells the outcome of walls that no band does."""
    category = rules.at("process", "category")
    lays = category is None or category.value.plain() == "material extrusion"
    return "`beads`" if lays else "`growth`"


def _hole(row: Mapping, end: float, name: str, beyond: str) -> Problem:
    start = row.plain()["from"]
    return Problem(
        row.place,
        f"`{name}`: nothing says how walls from {end:g} to {start:g} mm come out",
        f"Add a band there, or add {beyond}",
    )


def _band(row: Mapping, name: str) -> Iterator[Problem]:
    values = row.plain()
    start, end, fill = values["from"], values.get("to"), values["fill"]
    if end is not None and end <= start:
        yield Problem(
            row.place,
            f"`{name}`: the band from {start:g} ends at {end:g}: `to` is not above `from`",
            "Correct one of them",
        )
    for key in ("printed", "solid_width"):
        fits = fill == "hollow" if key == "solid_width" else fill != "missing"
        if key in values and not fits:
            yield Problem(
                row.entries[key].place,
                f"`{name}`: `{key}` says nothing about a {fill} wall",
                "Remove it, or correct `fill`",
            )
    if "printed" in values:
        slope = values.get("slope", 0)
        ends = [start] if end is None else [start, end]
        thinnest = min(values["printed"] + slope * at for at in ends)
        if thinnest < 0:
            yield Problem(
                row.entries["printed"].place,
                f"`{name}`: the printed thickness would be {thinnest:g} mm, below zero",
                "Correct `printed` or `slope`",
            )
