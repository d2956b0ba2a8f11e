"""What a coupon carries, and the sizes that all its plates share: numbers only, no geometry.

Sizes that follow from the hand and the instrument rather than from the process (common practice, no
published source): a calliper's outside jaws need `LANE` mm of free room beside a wall, a wall
is `LENGTH` mm long so that its middle is clear of both its ends, and it stands `HEIGHT` mm above
the base so that three heights are clear of the first layers. Nothing is larger than that: what
callipers do not touch only takes time to print.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, get_args

from wallguard.bands.declared import band_table, believed
from wallguard.bands.table import BandTable
from wallguard.base.errors import InputError
from wallguard.coupon.marks import Pen
from wallguard.rules.model import Category, Limit, Rules

Kind = Literal["wall", "gap", "hole", "pin", "raised", "sunken", "escape"]
Axis = Literal["x", "y", "vertical", "horizontal"]
# How much a coupon carries: the walls that tell most and nothing else; what prints within an hour
# on a common machine; or all that tells anything.
Extent = Literal["quick", "usual", "fine"]
KINDS: tuple[Kind, ...] = get_args(Kind)
# What the coupon of a process carries where nothing else is asked for.
_MEASURED: tuple[Kind, ...] = ("wall", "gap", "hole", "pin")
USUAL: dict[Category, tuple[Kind, ...]] = {
    "material extrusion": _MEASURED,
    "vat photopolymerization": (*_MEASURED, "raised", "sunken"),
    "powder bed fusion": (*_MEASURED, "raised", "sunken", "escape"),
}

LANE = 7.5  # free room on either side of a wall or pin: no outside jaw's tip is broader than 7 mm
LENGTH = 12.0  # of a wall's free part
HEIGHT, MOST_HEIGHT = 6.0, 60.0  # of walls, above the base; lower ones have no room for readings
# Shares of a wall's height at which it is measured: clear of the first layers and of the rim.
SHARES = (0.4, 0.6, 0.8)
THINNEST, THICKEST = 0.05, 30.0
MOST_STEPS = 120
BASE, BASE_LAYERS = 0.6, 3  # thickness of the base: it holds all together, and is pried off
LOW = 2.0  # height of what holds gaps and upright holes
STROKE = 0.5  # height of raised strokes, and depth of sunken ones
BLOCK = 4.0  # breadth of what stands beside a gap or around a lying hole
RIM = 2.0  # base around all
USUAL_PLATE = (180.0, 180.0, 180.0)  # where the rules name no build volume
KEEP_OFF = 3.0  # from the edge of the build volume, for a skirt

# Walls along each axis; all where nothing is said.
WALLS: dict[Extent, int] = {"quick": 10, "usual": 12}
# In bead widths.
_GAPS, _MORE_GAPS = (0.25, 0.5, 0.75, 1.0, 2.0), (1.5, 3.0)
_STROKES, _MORE_STROKES = (0.5, 1.0, 1.5, 2.0, 3.0), (0.25, 4.0)
_ROUNDS, _MORE_ROUNDS = (2.0, 3.0, 4.0, 6.0), (8.0, 12.0)
_FROM, _TO, _STEP = 0.5, 6.0, 0.5
_SMALL = (0.5, 1.0)
# In bead widths what each kind has by default, and on a fine coupon besides; limits whose levels it
# is to have.
_COUNTS: dict[Kind, tuple[Sequence[float], Sequence[float], tuple[str, ...]]] = {
    "gap": (_GAPS, _MORE_GAPS, ("gap",)),
    "hole": (_ROUNDS, _MORE_ROUNDS, ("hole", "upright_hole", "lying_hole")),
    "pin": (_ROUNDS, _MORE_ROUNDS, ("pin",)),
    "raised": (_STROKES, _MORE_STROKES, ("raised",)),
    "sunken": (_STROKES, _MORE_STROKES, ("sunken",)),
    "escape": (_ROUNDS, _MORE_ROUNDS, ("escape",)),
}
# All that a coupon may carry, in the order in which it is listed.
_PLACES: tuple[tuple[Kind, Axis], ...] = (
    ("wall", "x"),
    ("wall", "y"),
    ("gap", "x"),
    ("gap", "y"),
    ("hole", "vertical"),
    ("hole", "horizontal"),
    ("pin", "vertical"),
    ("raised", "x"),
    ("sunken", "x"),
    ("escape", "vertical"),
)
# Either side of where the fill changes, and how near a plain step may come to such a one.
_BESIDE, _APART = 1 / 8, 1 / 6
# A stroke of a mark is no thinner than this, so that it can be read, mm.
_LEGIBLE = 0.6
_MARK = 0.4


@dataclass(frozen=True)
class Feature:
    """One thing to measure: `nominal` is a thickness, a width or a diameter in mm.

    axis  of walls and gaps: the machine axis along which they run; of holes and pins: theirs
    """

    kind: Kind
    axis: Axis
    nominal: float

    @property
    def mark(self) -> str:
        """What stands beside it on the print: the nominal size in hundredths of a millimetre."""
        return str(round(self.nominal * 100))


@dataclass(frozen=True)
class Sizes:
    """Sizes that all plates share, mm. Heights are whole layers.

    base    thickness of the base
    height  of walls, above the base
    mark    height of marks, above the base
    lane    free room on either side of a wall
    length  of a wall's free part
    post    thickness of what holds a wall at one end
    room    what one plate may measure: x, y, z
    """

    layer_height: float
    base: float
    height: float
    mark: float
    lane: float
    length: float
    post: float
    pen: Pen
    room: tuple[float, float, float]

    @property
    def measured(self) -> tuple[float, ...]:
        """Heights above the base (mm) at which walls are measured."""
        return tuple(round(share * self.height, 1) for share in SHARES)

    def layers(self, length: float) -> float:
        """`length` made a whole number of layers, no less."""
        return whole_layers(length, self.layer_height)


@dataclass(frozen=True)
class Plan:
    """The features of a coupon, in the order they are listed in, and its sizes.

    path     of the rule file, to name it in errors
    remarks  what the maker of the coupon should know, in words
    drains   whether its plates carry an arrow to the side that liquid is to leave by
    """

    features: tuple[Feature, ...]
    sizes: Sizes
    path: str
    remarks: tuple[str, ...] = ()
    drains: bool = False

    def of(self, kind: Kind, axis: Axis) -> tuple[Feature, ...]:
        return tuple(each for each in self.features if (each.kind, each.axis) == (kind, axis))


def plan(
    rules: Rules,
    *,
    steps: Sequence[float] | None = None,
    height: float | None = None,
    kinds: Iterable[str] | None = None,
    extent: Extent = "usual",
) -> Plan:
    """What a coupon for the process of `rules` carries.

    steps   thicknesses of the walls, mm; None: chosen from the bead width and the band table
    height  of the walls above the base, mm; None: HEIGHT
    kinds   of `KINDS`; None: what is `USUAL` for the process, of a quick coupon walls only

    Raises InputError: values that cannot be printed or measured, or no band table follows.
    """
    if steps is not None and extent != "usual":
        problem = f"given, but a {extent} coupon chooses its own"
        raise InputError("steps", problem, remedy=f"Ask for steps, or for a {extent} coupon")
    chosen = _kinds(kinds, rules, extent)
    table = band_table(rules)
    unit = unit_width(rules, table)
    if steps is not None and "wall" not in chosen:
        problem = "given, but walls are not among the features"
        raise InputError("steps", problem, remedy="Ask for the feature `wall`, or leave steps out")
    # A coupon is there to find the edges, so it stands about where they are calculated.
    expected = band_table(believed(rules))
    walls = wall_steps(expected, unit, extent) if steps is None else _given(steps)
    features = tuple(
        Feature(kind, axis, nominal)
        for kind, axis in _PLACES
        if kind in chosen
        for nominal in (walls if kind == "wall" else _steps_of(kind, rules, unit, extent))
    )
    pen, remarks = _pen(rules, table, unit)
    if rules.build_volume is None:
        x, y, z = USUAL_PLATE
        remarks += (f"the rules name no build volume: {x:g} x {y:g} x {z:g} mm was taken",)
    drains = rules.category == "vat photopolymerization"
    return Plan(features, _common(rules, pen, walls, height), rules.path, remarks, drains)


def unit_width(rules: Rules, table: BandTable) -> float:
    """The width (mm) that steps are counted in.

    It is the bead width; without bead settings the thinnest wall that the bands print; without
    bands the smallest wall allowed, or four layers (common practice, no published source).
    """
    if rules.beads is not None:
        return rules.beads.width
    if rules.bands and table.bands[0].fill == "missing" and len(table.bands) > 1:
        return max(table.bands[1].lower, THINNEST)
    levels = _levels(rules.minimum.get("wall"))
    return max(levels[0] if levels else 4 * rules.layer_height, THINNEST)


def wall_steps(table: BandTable, unit: float, extent: Extent = "usual") -> tuple[float, ...]:
    """Thicknesses of the walls of a coupon (mm, rising): of `every_step` those that tell most.

    One to either side of the three thinnest changes of fill, as all others follow from the same
    settings; then the middle of each range of one fill, by which it is seen whether that is still
    there; then those that are farthest from the rest.
    """
    every = list(every_step(table, unit))
    count = WALLS.get(extent, len(every))
    bands = pairwise(table.bands)
    changes = [after.lower for before, after in bands if before.fill != after.fill]
    beside = {step for change in changes[:3] for step in _beside(change, unit)}
    chosen = [step for step in every if step in beside][:count]
    ranges = list(pairwise([*(change for change in changes if change < every[-1]), every[-1]]))
    # Those of which there is no wall yet come first.
    for low, high in sorted(
        ranges, key=lambda ends: any(ends[0] <= step < ends[1] for step in chosen)
    ):
        middle = min(every, key=lambda step: abs(step - (low + high) / 2))
        if middle not in chosen and len(chosen) < count:
            chosen.append(middle)
    rest = [step for step in every if step not in chosen]
    while rest and len(chosen) < count:
        apart = [min((abs(step - other) for other in chosen), default=step) for step in rest]
        chosen.append(rest.pop(apart.index(max(apart))))
    return tuple(sorted(chosen))


def every_step(table: BandTable, unit: float) -> tuple[float, ...]:
    """Thicknesses from half a bead to six beads (mm, rising), denser where the fill changes.

    Half a bead apart, and an eighth of a bead to either side of each change of fill.
    """
    low, high = _rounded(_FROM * unit, unit), _rounded(_TO * unit, unit)
    changes = [after.lower for before, after in pairwise(table.bands) if before.fill != after.fill]
    dense = {
        value for change in changes for value in _beside(change, unit) if low <= value <= high
    } | {low, high}
    count = round((_TO - _FROM) / _STEP)
    plain = (_rounded((_FROM + at * _STEP) * unit, unit) for at in range(count + 1))
    far = {
        value for value in plain if all(abs(value - step) > _APART * unit + 1e-9 for step in dense)
    }
    return tuple(sorted(dense | far))


def whole_layers(length: float, layer_height: float) -> float:
    """`length` made a whole number of layers, no less (mm)."""
    return round(math.ceil(length / layer_height - 1e-6) * layer_height, 6)


def _rounded(value: float, unit: float) -> float:
    """A size that is easy to say: in twentieths of a millimetre, in hundredths for fine beads."""
    per_mm = _per_mm(unit)
    return max(round(value * per_mm) / per_mm, THINNEST)


def _per_mm(unit: float) -> int:
    return 20 if unit >= 0.3 else 100


def _beside(change: float, unit: float) -> tuple[float, float]:
    """A step below `change` and one not below it, about an eighth of a bead away (mm)."""
    below = _rounded(change - _BESIDE * unit, unit)
    above = _rounded(change + _BESIDE * unit, unit)
    step = 1 / _per_mm(unit)
    return (
        below if below < change else round(below - step, 2),
        above if above >= change else round(above + step, 2),
    )


def _kinds(given: Iterable[str] | None, rules: Rules, extent: Extent) -> frozenset[str]:
    usual = ("wall",) if extent == "quick" else USUAL[rules.category]
    chosen = frozenset(usual if given is None else given)
    unknown = sorted(chosen - set(KINDS))
    if unknown or not chosen:
        problem = f"there is no `{unknown[0][:40]}`" if unknown else "none is named"
        raise InputError("features", problem, remedy=f"Choose from {', '.join(KINDS)}")
    if "escape" in chosen and rules.category != "powder bed fusion":
        problem = f"ways out of a chamber are for powder bed fusion, and this is {rules.category}"
        raise InputError("features", problem, remedy="Leave `escape` out")
    return chosen


def _given(steps: Sequence[float]) -> tuple[float, ...]:
    """Steps as asked for. Raises InputError."""
    remedy = f"Give thicknesses in mm from {THINNEST:g} to {THICKEST:g}, in hundredths, each once"
    if not steps:
        raise InputError("steps", "there are none", remedy=remedy)
    if len(steps) > MOST_STEPS:
        raise InputError("steps", f"{len(steps)} are more than {MOST_STEPS}", remedy=remedy)
    for step in steps:
        if not THINNEST <= step <= THICKEST:
            raise InputError("steps", f"{step:g} mm cannot be a step", remedy=remedy)
        if abs(step * 100 - round(step * 100)) > 1e-6:
            raise InputError("steps", f"{step:g} mm is finer than hundredths", remedy=remedy)
    rounded = sorted(round(step, 2) for step in steps)
    for before, after in pairwise(rounded):
        if before == after:
            raise InputError("steps", f"{before:g} mm is there twice", remedy=remedy)
    return tuple(rounded)


def _steps_of(kind: Kind, rules: Rules, unit: float, extent: Extent) -> tuple[float, ...]:
    """Sizes in steps, with the levels that the rules ask for among them (mm, rising)."""
    counts, more, limits = _COUNTS[kind]
    levels = [level for name in limits for level in _levels(rules.minimum.get(name))]
    asked = {round(level, 2) for level in levels if level <= more[-1] * unit}
    counts = (*counts, *more) if extent == "fine" else counts
    # What lays no beads is not bound to their width, and nothing says how small it gets.
    counts = counts if rules.beads else (*_SMALL, *counts)
    plain = {_rounded(count * unit, unit) for count in counts}
    far = {value for value in plain if all(abs(value - size) > 0.15 * value for size in asked)}
    return tuple(sorted(asked | far))


def _levels(limit: Limit | None) -> list[float]:
    if limit is None:
        return []
    return sorted(level for level in (limit.fail, limit.warn) if level and level >= THINNEST)


def _pen(rules: Rules, table: BandTable, unit: float) -> tuple[Pen, tuple[str, ...]]:
    """Strokes of a thickness that is good to draw, the thinnest that can be read."""
    clear = max([_LEGIBLE, unit, *_levels(rules.minimum.get("gap"))])
    wall = rules.minimum.get("wall")
    least = max(_LEGIBLE, (wall.fail if wall else None) or 0.0)
    for first, last in table.good_ranges(rules.tolerance, least):
        # Not at the very end of a range.
        stroke = first + min(0.05, (last - first) / 2)
        return Pen(math.floor(stroke * 100 + 1e-6) / 100, round(clear, 2)), ()
    stroke = round(max(_LEGIBLE, 2 * unit), 2)
    remark = f"no thickness is known to be good: strokes of marks are {stroke:g} mm, as a guess"
    return Pen(stroke, round(clear, 2)), (remark,)


def _common(rules: Rules, pen: Pen, walls: Sequence[float], height: float | None) -> Sizes:
    h = rules.layer_height
    x, y, z = rules.build_volume or USUAL_PLATE
    base = whole_layers(max(BASE, BASE_LAYERS * h), h)
    tallest = math.floor((z - base) / h + 1e-6) * h
    if height is None:
        height = HEIGHT
    elif not HEIGHT <= height <= MOST_HEIGHT:
        raise InputError(
            "height",
            f"{height:g} mm is not between {HEIGHT:g} and {MOST_HEIGHT:g} mm",
            remedy="Walls must be high enough to measure at three heights, and must not topple",
        )
    height = whole_layers(height, h)
    widest = max((Feature("wall", "x", nominal).mark for nominal in walls), key=pen.width)
    if height > tallest + 1e-6:
        raise InputError(
            rules.path,
            f"walls of {height:g} mm on a base of {base:g} mm are higher than "
            f"the build volume, {z:g} mm",
            remedy="Ask for lower walls, or correct `build_volume`",
        )
    return Sizes(
        layer_height=h,
        base=base,
        height=height,
        mark=whole_layers(max(_MARK, 2 * h), h),
        lane=max(LANE, round(pen.height + 3.0, 2)),
        length=max(LENGTH, 4 * max(walls), math.ceil(pen.width(widest) + 2 * pen.clear)),
        post=max(4.0, 2 * pen.stroke),
        pen=pen,
        room=(x - 2 * KEEP_OFF, y - 2 * KEEP_OFF, z),
    )
