"""Where everything stands: features grouped in modules, modules packed on plates. No meshes yet.

A module is a rectangle with what belongs together: a comb of walls, a column of gaps, holes or
pins. Its frame has its origin at the lower left corner and z = 0 at the underside of the base. What
runs along y is the same module turned by 90 degrees counter-clockwise. A plate is one base with
as many modules as fit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from wallguard.base.errors import InputError
from wallguard.coupon.marks import Outline, Pen
from wallguard.coupon.marks import Point as Point2
from wallguard.coupon.plan import BLOCK, LANE, RIM, SHARES, Axis, Feature, Kind, Plan, Sizes

Point = tuple[float, float, float]
Box = tuple[Point, Point]
Across = Literal["x", "y", "diameter"]
_Move = Callable[[float, float], Point2]

# Corners of a circle: a hole of 10 mm has a sagitta of 0.003 mm.
SIDES = 96
# Between neighbouring modules, between a thing and its mark, around a hole, mm.
_BETWEEN, _BESIDE_MARK, _AROUND = 4.0, 0.8, 3.0
# A module no longer than this where plates are large, so that plates are compact, mm; how far apart
# the widths of plates are that are tried, mm, and about how many.
_LONGEST, _TRY, _TRIES = 90.0, 5.0, 30
_CHAMFER = 5.0


@dataclass(frozen=True)
class Prism:
    """An upright solid: an outline (counter-clockwise) drawn up from z = low to high, mm."""

    outline: Outline
    low: float
    high: float


@dataclass(frozen=True)
class Bore:
    """A lying hole: a cylinder that begins at `start` and runs along `along`, mm."""

    start: Point
    along: Literal["x", "y"]
    length: float
    diameter: float


@dataclass(frozen=True)
class Mark:
    """A text that stands on the base: its lower left corner, as it is read; turned: it is read
    from the right, upward."""

    text: str
    at: Point2
    turned: bool = False

    def strokes(self, pen: Pen) -> Iterator[Outline]:
        x, y = self.at
        for outline in pen.strokes(self.text):
            yield tuple((x - v, y + u) if self.turned else (x + u, y + v) for u, v in outline)


@dataclass(frozen=True)
class Placed:
    """A feature where it stands. All in mm.

    box      (lowest corner, highest corner) of the wall, gap, hole or pin
    measure  the points at which to measure it: in its middle
    across   in which direction
    """

    feature: Feature
    box: Box
    measure: tuple[Point, ...]
    across: Across


@dataclass(frozen=True)
class Module:
    """What stands on `width` x `depth` mm of a base."""

    width: float
    depth: float
    prisms: tuple[Prism, ...] = ()
    cuts: tuple[Prism, ...] = ()
    bores: tuple[Bore, ...] = ()
    marks: tuple[Mark, ...] = ()
    placed: tuple[Placed, ...] = ()

    def moved(self, dx: float, dy: float) -> Module:
        return replace(
            self,
            prisms=tuple(_prism(each, lambda x, y: (x + dx, y + dy)) for each in self.prisms),
            cuts=tuple(_prism(each, lambda x, y: (x + dx, y + dy)) for each in self.cuts),
            bores=tuple(
                replace(each, start=(each.start[0] + dx, each.start[1] + dy, each.start[2]))
                for each in self.bores
            ),
            marks=tuple(
                replace(each, at=(each.at[0] + dx, each.at[1] + dy)) for each in self.marks
            ),
            placed=tuple(
                replace(
                    each,
                    box=(_shift(each.box[0], dx, dy), _shift(each.box[1], dx, dy)),
                    measure=tuple(_shift(point, dx, dy) for point in each.measure),
                )
                for each in self.placed
            ),
        )

    def turned(self) -> Module:
        """The module turned by 90 degrees counter-clockwise; its marks are read from the right."""

        def turn(x: float, y: float) -> Point2:
            return self.depth - y, x

        def turn3(point: Point) -> Point:
            return (*turn(point[0], point[1]), point[2])

        def box(low: Point, high: Point) -> Box:
            return (self.depth - high[1], low[0], low[2]), (self.depth - low[1], high[0], high[2])

        if self.bores or any(mark.turned for mark in self.marks):
            raise ValueError("only a module that is not turned yet, without bores, can be turned")
        other: dict[Across, Across] = {"x": "y", "y": "x", "diameter": "diameter"}
        return Module(
            width=self.depth,
            depth=self.width,
            prisms=tuple(_prism(each, turn) for each in self.prisms),
            cuts=tuple(_prism(each, turn) for each in self.cuts),
            marks=tuple(replace(each, at=turn(*each.at), turned=True) for each in self.marks),
            placed=tuple(
                Placed(
                    each.feature,
                    box(*each.box),
                    tuple(turn3(point) for point in each.measure),
                    other[each.across],
                )
                for each in self.placed
            ),
        )


@dataclass(frozen=True)
class Plate:
    """One base and all on it, in the frame of its file: origin at the front left corner."""

    number: int
    outline: Outline
    content: Module

    @property
    def size(self) -> Point2:
        return self.content.width, self.content.depth


def lay_out(plan: Plan) -> tuple[Plate, ...]:
    """The plates of a coupon, as few as are needed, each within `plan.sizes.room`.

    Raises InputError where the build volume is too small for a single feature.
    """
    width, depth = (side - 2 * RIM for side in plan.sizes.room[:2])
    top = plan.sizes.room[2]
    modules = list(_modules(plan, width, depth))
    for module in modules:
        high = max(prism.high for prism in module.prisms)
        if module.width > width + 1e-6 or module.depth > depth + 1e-6 or high > top + 1e-6:
            large = module.placed[-1].feature
            raise InputError(
                plan.path,
                f"`build_volume` is too small for a {large.kind} of {large.nominal:.2f} mm, which "
                f"with room to measure it takes {module.width:.0f} x {module.depth:.0f} x "
                f"{high:.0f} mm",
                remedy="Ask for fewer features or thinner steps, or correct the rule file",
            )
    pen = plan.sizes.pen
    contents = _packed(modules, width, depth, [])
    if len(contents) > 1:
        numbers = [
            Module(pen.width(str(at)), pen.height, marks=(Mark(str(at), (0, 0)),))
            for at in range(1, 2 * len(contents) + 1)
        ]
        contents = _packed(modules, width, depth, numbers)
    return tuple(_plate(number, content) for number, content in enumerate(contents, 1))


def circle(x: float, y: float, diameter: float) -> Outline:
    """A circle as SIDES corners that lie on it, counter-clockwise."""
    turns = (2 * math.pi * (at + 0.5) / SIDES for at in range(SIDES))
    radius = diameter / 2
    return tuple((x + radius * math.cos(turn), y + radius * math.sin(turn)) for turn in turns)


def _shift(point: Point, dx: float, dy: float) -> Point:
    return point[0] + dx, point[1] + dy, point[2]


def _prism(prism: Prism, move: _Move) -> Prism:
    return replace(prism, outline=tuple(move(*point) for point in prism.outline))


def _block(x: float, y: float, width: float, depth: float, low: float, high: float) -> Prism:
    corners = ((x, y), (x + width, y), (x + width, y + depth), (x, y + depth))
    return Prism(corners, low, high)


def _modules(plan: Plan, width: float, depth: float) -> Iterator[Module]:
    sizes = plan.sizes
    builders: tuple[tuple[Kind, Axis, _Builder], ...] = (
        ("wall", "x", _comb),
        ("wall", "y", _comb),
        ("gap", "x", _gaps),
        ("gap", "y", _gaps),
        ("hole", "vertical", _standing_holes),
        ("hole", "horizontal", _lying_holes),
        ("pin", "vertical", _pins),
    )
    for kind, axis, build in builders:
        features = plan.of(kind, axis)
        turned = axis == "y"
        across, along = (depth, width) if turned else (width, depth)
        while features:
            count = len(features)
            # As many as fit; at least one, of which the caller finds that it does not fit.
            while count > 1 and build(features[:count], sizes, across).depth > min(along, _LONGEST):
                count -= 1
            # Of equal length rather than one long and one short.
            count = math.ceil(len(features) / math.ceil(len(features) / count))
            module = build(features[:count], sizes, across)
            yield module.turned() if turned else module
            features = features[count:]


_Builder = Callable[[Sequence[Feature], Sizes, float], Module]


def _comb(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Walls along x, on both sides of a spine that holds one end of each; the other is free.

    The spine keeps walls of half a bead from toppling; a wall's mark lies in the lane below it.
    """
    pen, lane, length = sizes.pen, sizes.lane, sizes.length
    both = 2 * length + sizes.spine <= room + 1e-6
    rows = [features[at : at + 1 + both] for at in range(0, len(features), 1 + both)]
    starts = (0.0, length + sizes.spine) if both and len(features) > 1 else (sizes.spine,)
    spine = length if len(starts) > 1 else 0.0
    depth = lane + sum(lane + max(each.nominal for each in row) for row in rows)
    top = sizes.base + sizes.height
    prisms = [_block(spine, lane - 1, sizes.spine, depth - 2 * lane + 2, sizes.base / 2, top)]
    letter = features[0].axis.upper()
    marks = [_label(letter, spine + sizes.spine / 2, depth - lane + 1 + _BESIDE_MARK, pen)]
    placed = []
    y = depth - lane
    for row in rows:
        y -= max(each.nominal for each in row)
        for feature, x in zip(row, starts, strict=False):
            # Into the spine, so that they are one.
            reach = (x, length + 1) if x < spine else (x - 1, length + 1)
            prisms.append(_block(reach[0], y, reach[1], feature.nominal, sizes.base / 2, top))
            middle = x + length / 2
            marks.append(
                Mark(
                    feature.mark,
                    (middle - pen.width(feature.mark) / 2, y - _BESIDE_MARK - pen.height),
                )
            )
            placed.append(
                Placed(
                    feature,
                    ((x, y, sizes.base), (x + length, y + feature.nominal, top)),
                    _heights(middle, y + feature.nominal / 2, sizes, sizes.height),
                    "y",
                )
            )
        y -= lane
    width = len(starts) * length + sizes.spine
    return Module(width, depth, tuple(prisms), marks=tuple(marks), placed=tuple(placed))


def _gaps(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Gaps along x between blocks in a column, each gap's mark at its right end."""
    pen = sizes.pen
    block = max(BLOCK, pen.height + pen.clear)
    length = max(2 * BLOCK, 4 * max(each.nominal for each in features))
    top = sizes.base + sizes.layers(BLOCK)
    body = block * (len(features) + 1) + sum(each.nominal for each in features)
    depth = body + _header(pen)
    y = body - block
    prisms = [_block(0, y, length, block, sizes.base / 2, top)]
    marks = [_label("G", length / 2, body + _BESIDE_MARK, pen)]
    placed = []
    for feature in features:
        y -= feature.nominal
        middle = y + feature.nominal / 2
        marks.append(Mark(feature.mark, (length + _BESIDE_MARK, middle - pen.height / 2)))
        placed.append(
            Placed(
                feature,
                ((0, y, sizes.base), (length, y + feature.nominal, top)),
                ((length / 2, middle, round((sizes.base + top) / 2, 2)),),
                "y",
            )
        )
        y -= block
        prisms.append(_block(0, y, length, block, sizes.base / 2, top))
    width = length + _mark_room(features, pen)
    return Module(width, depth, tuple(prisms), marks=tuple(marks), placed=tuple(placed))


def _standing_holes(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Upright holes in a column, through a bar and the base, each with its mark to the right."""
    pen = sizes.pen
    width = max(each.nominal for each in features) + 2 * _AROUND
    top = sizes.base + sizes.layers(BLOCK)
    body, centres = _column(features, pen)
    marks = [_label("U", width / 2, body + _BESIDE_MARK, pen)]
    cuts, placed = [], []
    for feature, y in zip(features, centres, strict=True):
        radius = feature.nominal / 2
        cuts.append(Prism(circle(width / 2, y, feature.nominal), -1, top + 1))
        marks.append(Mark(feature.mark, (width + _BESIDE_MARK, y - pen.height / 2)))
        box = ((width / 2 - radius, y - radius, 0.0), (width / 2 + radius, y + radius, top))
        placed.append(Placed(feature, box, ((width / 2, y, top),), "diameter"))
    return Module(
        width + _mark_room(features, pen),
        body + _header(pen),
        (_block(0, 0, width, body, sizes.base / 2, top),),
        cuts=tuple(cuts),
        marks=tuple(marks),
        placed=tuple(placed),
    )


def _lying_holes(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Lying holes along x in a column, through an upright bar, each with its mark in front."""
    pen = sizes.pen
    largest = max(each.nominal for each in features)
    centre = sizes.base + _AROUND + largest / 2
    top = sizes.base + sizes.layers(largest + 2 * _AROUND)
    body, centres = _column(features, pen)
    marks = [_label("L", BLOCK / 2, body + _BESIDE_MARK, pen)]
    bores, placed = [], []
    for feature, y in zip(features, centres, strict=True):
        radius = feature.nominal / 2
        bores.append(Bore((-1, y, centre), "x", BLOCK + 2, feature.nominal))
        marks.append(Mark(feature.mark, (BLOCK + _BESIDE_MARK, y - pen.height / 2)))
        box = ((0.0, y - radius, centre - radius), (BLOCK, y + radius, centre + radius))
        placed.append(Placed(feature, box, ((BLOCK, y, centre),), "diameter"))
    return Module(
        BLOCK + _mark_room(features, pen),
        body + _header(pen),
        (_block(0, 0, BLOCK, body, sizes.base / 2, top),),
        bores=tuple(bores),
        marks=tuple(marks),
        placed=tuple(placed),
    )


def _pins(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Upright pins in a column, each with its mark to the right; thin ones are lower."""
    pen, lane = sizes.pen, sizes.lane
    width = max(each.nominal for each in features)
    depth = lane + sum(each.nominal + lane for each in features)
    marks = [_label("P", width / 2, depth - pen.height, pen)]
    prisms, placed = [], []
    y = depth - lane
    for feature in features:
        radius = feature.nominal / 2
        y -= radius
        height = min(sizes.height, sizes.layers(max(LANE, 4 * feature.nominal)))
        top = sizes.base + height
        prisms.append(Prism(circle(width / 2, y, feature.nominal), sizes.base / 2, top))
        marks.append(Mark(feature.mark, (width + _BESIDE_MARK, y - pen.height / 2)))
        box = (
            (width / 2 - radius, y - radius, sizes.base),
            (width / 2 + radius, y + radius, top),
        )
        measure = _heights(width / 2, y, sizes, height)
        placed.append(Placed(feature, box, measure, "diameter"))
        y -= radius + lane
    return Module(
        width + _mark_room(features, pen),
        depth,
        tuple(prisms),
        marks=tuple(marks),
        placed=tuple(placed),
    )


def _column(features: Sequence[Feature], pen: Pen) -> tuple[float, list[float]]:
    """Length of a column of holes, and where their centres are in it, from the top down."""
    slots = [max(each.nominal + _AROUND, pen.height + pen.clear) for each in features]
    body = sum(slots) + _AROUND
    centres, y = [], body - _AROUND / 2
    for slot in slots:
        centres.append(y - slot / 2)
        y -= slot
    return body, centres


def _label(letter: str, x: float, y: float, pen: Pen) -> Mark:
    return Mark(letter, (x - pen.width(letter) / 2, y))


def _header(pen: Pen) -> float:
    return _BESIDE_MARK + pen.height


def _mark_room(features: Sequence[Feature], pen: Pen) -> float:
    return _BESIDE_MARK + max(pen.width(each.mark) for each in features)


def _heights(x: float, y: float, sizes: Sizes, height: float) -> tuple[Point, ...]:
    return tuple((x, y, round(sizes.base + share * height, 1)) for share in SHARES)


def _packed(
    modules: Sequence[Module], width: float, depth: float, numbers: Sequence[Module]
) -> list[Module]:
    """The contents of as few and as small plates as are found, by trying widths of plates."""
    widest = max(module.width for module in modules)
    most = min(width, sum(module.width + _BETWEEN for module in modules))
    step = max(_TRY, (most - widest) / _TRIES)
    tries = [width, *(widest + at * step for at in range(int((most - widest) / step) + 1))]
    return min((_pack(modules, each, depth, numbers) for each in tries), key=_cost)


def _cost(contents: list[Module]) -> tuple[int, float]:
    """Few plates, then small and nearly square ones, which warp less."""
    return len(contents), round(sum((each.width + each.depth) ** 2 for each in contents), 3)


def _pack(
    modules: Sequence[Module], width: float, depth: float, numbers: Sequence[Module]
) -> list[Module]:
    """Put every module as low and then as far left as it goes, large ones first."""
    spots: list[list[tuple[float, float, Module]]] = []
    order = sorted(range(len(modules)), key=lambda at: (-modules[at].depth, at))
    for module in (modules[at] for at in order):
        for at in range(len(spots) + 1):
            if at == len(spots):
                spots.append([(0.0, 0.0, numbers[at])] if numbers else [])
            spot = _spot(spots[at], module, width, depth)
            if spot is not None:
                spots[at].append((*spot, module))
                break
    return [_joined(plate) for plate in spots]


def _spot(
    taken: Sequence[tuple[float, float, Module]], module: Module, width: float, depth: float
) -> Point2 | None:
    xs = [0.0, *(x + other.width + _BETWEEN for x, _, other in taken)]
    ys = [0.0, *(y + other.depth + _BETWEEN for _, y, other in taken)]
    for y in sorted(ys):
        for x in sorted(xs):
            inside = x + module.width <= width + 1e-6 and y + module.depth <= depth + 1e-6
            if inside and not any(
                x < ox + other.width + _BETWEEN - 1e-6
                and ox < x + module.width + _BETWEEN - 1e-6
                and y < oy + other.depth + _BETWEEN - 1e-6
                and oy < y + module.depth + _BETWEEN - 1e-6
                for ox, oy, other in taken
            ):
                return x, y
    return None


def _joined(spots: Sequence[tuple[float, float, Module]]) -> Module:
    """One module of all, with the rim of the base around it."""
    moved = [module.moved(x + RIM, y + RIM) for x, y, module in spots]
    return Module(
        max(x + module.width for x, _, module in spots) + 2 * RIM,
        max(y + module.depth for _, y, module in spots) + 2 * RIM,
        tuple(each for module in moved for each in module.prisms),
        tuple(each for module in moved for each in module.cuts),
        tuple(each for module in moved for each in module.bores),
        tuple(each for module in moved for each in module.marks),
        tuple(each for module in moved for each in module.placed),
    )


def _plate(number: int, content: Module) -> Plate:
    """A base with a corner cut off, by which the front left corner is known on the print."""
    w, d = content.width, content.depth
    outline = ((_CHAMFER, 0.0), (w, 0.0), (w, d), (0.0, d), (0.0, _CHAMFER))
    return Plate(number, outline, content)
