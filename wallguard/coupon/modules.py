"""The modules of a coupon: a comb of walls, columns of gaps, holes and pins, each with its marks.

Walls and gaps run along x here; what runs along y is the same module turned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from wallguard.coupon.marks import Pen
from wallguard.coupon.plan import BLOCK, LANE, LOW, SHARES, STROKE, Feature, Sizes
from wallguard.coupon.shapes import Bore, Mark, Module, Placed, Point, Prism, block, circle

# Between a thing and its mark, around a hole, of a post to either side of its wall, mm.
_BESIDE_MARK, _AROUND, _HELD = 0.8, 2.0, 2.0
# Of a chamber that powder is to leave: its least width and its height inside, its roof; mm.
_CHAMBER, _ROOM, _ROOF = 8.0, 4.0, 1.2
# An arrow, mm.
_ARROW = 7.0


def comb(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Walls along x, on both sides of posts that hold one end of each; the other is free.

    A post keeps walls of half a bead from toppling; a wall's mark lies in the lane below it.
    """
    pen, lane, length = sizes.pen, sizes.lane, sizes.length
    both = 2 * length + sizes.post <= room + 1e-6
    rows = [features[at : at + 1 + both] for at in range(0, len(features), 1 + both)]
    starts = (0.0, length + sizes.post) if both and len(features) > 1 else (sizes.post,)
    post = length if len(starts) > 1 else 0.0
    depth = lane + sum(lane + max(each.nominal for each in row) for row in rows)
    top = sizes.base + sizes.height
    letter = features[0].axis.upper()
    marks = [_label(letter, post + sizes.post / 2, depth - lane + _HELD + _BESIDE_MARK, pen)]
    prisms, placed = [], []
    y = depth - lane
    for row in rows:
        thickest = max(each.nominal for each in row)
        y -= thickest
        prisms.append(
            block((post, y - _HELD), sizes.post, thickest + 2 * _HELD, sizes.base / 2, top)
        )
        for feature, x in zip(row, starts, strict=False):
            # Into the post, so that they are one.
            reach = (x, length + 1) if x < post else (x - 1, length + 1)
            prisms.append(block((reach[0], y), reach[1], feature.nominal, sizes.base / 2, top))
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
    width = len(starts) * length + sizes.post
    return Module(width, depth, tuple(prisms), marks=tuple(marks), placed=tuple(placed))


def gaps(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Gaps along x between blocks in a column, each gap's mark at its right end."""
    pen = sizes.pen
    breadth = max(BLOCK, pen.height + pen.clear)
    length = max(2 * BLOCK, 4 * max(each.nominal for each in features))
    top = sizes.base + sizes.layers(LOW)
    body = breadth * (len(features) + 1) + sum(each.nominal for each in features)
    depth = body + _header(pen)
    y = body - breadth
    prisms = [block((0, y), length, breadth, sizes.base / 2, top)]
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
        y -= breadth
        prisms.append(block((0, y), length, breadth, sizes.base / 2, top))
    width = length + _mark_room(features, pen)
    return Module(width, depth, tuple(prisms), marks=tuple(marks), placed=tuple(placed))


def standing_holes(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Upright holes in a column, through a bar and the base."""
    width = max(each.nominal for each in features) + 2 * _AROUND
    top = sizes.base + sizes.layers(LOW)
    bar, centres = _bar(features, sizes, "U", width, top)
    cuts, placed = [], []
    for feature, y in zip(features, centres, strict=True):
        radius = feature.nominal / 2
        cuts.append(Prism(circle(width / 2, y, feature.nominal), -1, top + 1))
        box = ((width / 2 - radius, y - radius, 0.0), (width / 2 + radius, y + radius, top))
        placed.append(Placed(feature, box, ((width / 2, y, top),), "diameter"))
    return replace(bar, cuts=tuple(cuts), placed=tuple(placed))


def lying_holes(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Lying holes along x in a column, through an upright bar."""
    largest = max(each.nominal for each in features)
    centre = sizes.base + _AROUND + largest / 2
    top = sizes.base + sizes.layers(largest + 2 * _AROUND)
    bar, centres = _bar(features, sizes, "L", BLOCK, top)
    bores, placed = [], []
    for feature, y in zip(features, centres, strict=True):
        radius = feature.nominal / 2
        bores.append(Bore((-1, y, centre), "x", BLOCK + 2, feature.nominal))
        box = ((0.0, y - radius, centre - radius), (BLOCK, y + radius, centre + radius))
        placed.append(Placed(feature, box, ((BLOCK, y, centre),), "diameter"))
    return replace(bar, bores=tuple(bores), placed=tuple(placed))


def pins(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
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


def strokes(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Strokes along x in a column on a bar, raised from its top or sunken into it, each with its
    mark to the right."""
    sunken = features[0].kind == "sunken"
    length = 2 * BLOCK + 2 * _BESIDE_MARK
    top = sizes.base + sizes.layers(LOW)
    bar, centres = _bar(features, sizes, "C" if sunken else "H", length, top)
    high = sizes.layers(STROKE)
    low, end = (top - high, top + 1) if sunken else (top - high, top + high)
    prisms, placed = [], []
    for feature, y in zip(features, centres, strict=True):
        corner = (_BESIDE_MARK, y - feature.nominal / 2)
        prisms.append(block(corner, length - 2 * _BESIDE_MARK, feature.nominal, low, end))
        (x0, y0), (x1, y1) = prisms[-1].outline[0], prisms[-1].outline[2]
        heights = (top - high, top) if sunken else (top, top + high)
        box = ((x0, y0, heights[0]), (x1, y1, heights[1]))
        placed.append(Placed(feature, box, ((length / 2, y, heights[1]),), "y"))
    if sunken:
        return replace(bar, cuts=tuple(prisms), placed=tuple(placed))
    return replace(bar, prisms=(*bar.prisms, *prisms), placed=tuple(placed))


def chambers(features: Sequence[Feature], sizes: Sizes, room: float) -> Module:
    """Hollow chambers in a column, each with one round way out through its roof, and its mark to
    the right."""
    pen = sizes.pen
    inside = max(_CHAMBER, 2 * max(each.nominal for each in features))
    step, width = inside + _AROUND, inside + 2 * _AROUND
    roof = sizes.base + sizes.layers(_ROOM)
    top = roof + sizes.layers(_ROOF)
    body = len(features) * step + _AROUND
    marks = [_label("E", width / 2, body + _BESIDE_MARK, pen)]
    cuts, placed = [], []
    for at, feature in enumerate(features):
        y, x, radius = body - _AROUND - inside / 2 - at * step, width / 2, feature.nominal / 2
        cuts.append(block((_AROUND, y - inside / 2), inside, inside, sizes.base, roof))
        cuts.append(Prism(circle(x, y, feature.nominal), roof - sizes.layer_height, top + 1))
        marks.append(Mark(feature.mark, (width + _BESIDE_MARK, y - pen.height / 2)))
        box = ((x - radius, y - radius, roof), (x + radius, y + radius, top))
        placed.append(Placed(feature, box, ((x, y, top),), "diameter"))
    prisms = (block((0, 0), width, body, sizes.base / 2, top),)
    size = (width + _mark_room(features, pen), body + _header(pen))
    return Module(*size, prisms, tuple(cuts), marks=tuple(marks), placed=tuple(placed))


def drain(sizes: Sizes) -> Module:
    """An arrow to the side by which liquid is to leave the plate: towards y = 0."""
    stem, head, half = sizes.pen.stroke, _ARROW / 2, _ARROW / 3
    x = half
    outline = (
        (x, 0.0),
        (x + half, head),
        (x + stem / 2, head),
        (x + stem / 2, _ARROW),
        (x - stem / 2, _ARROW),
        (x - stem / 2, head),
        (x - half, head),
    )
    return Module(2 * half, _ARROW, (Prism(outline, sizes.base / 2, sizes.base + sizes.mark),))


def _bar(
    features: Sequence[Feature], sizes: Sizes, letter: str, width: float, top: float
) -> tuple[Module, list[float]]:
    """A bar for holes in a column, each with its mark to the right; and where they are along it,
    from the top down."""
    pen = sizes.pen
    slots = [max(each.nominal + _AROUND, pen.height + pen.clear) for each in features]
    body = sum(slots) + _AROUND
    centres, y = [], body - _AROUND / 2
    for slot in slots:
        centres.append(y - slot / 2)
        y -= slot
    marks = [_label(letter, width / 2, body + _BESIDE_MARK, pen)]
    marks += [
        Mark(feature.mark, (width + _BESIDE_MARK, y - pen.height / 2))
        for feature, y in zip(features, centres, strict=True)
    ]
    bar = block((0, 0), width, body, sizes.base / 2, top)
    size = (width + _mark_room(features, pen), body + _header(pen))
    return Module(*size, (bar,), marks=tuple(marks)), centres


def _label(letter: str, x: float, y: float, pen: Pen) -> Mark:
    return Mark(letter, (x - pen.width(letter) / 2, y))


def _header(pen: Pen) -> float:
    return _BESIDE_MARK + pen.height


def _mark_room(features: Sequence[Feature], pen: Pen) -> float:
    return _BESIDE_MARK + max(pen.width(each.mark) for each in features)


def _heights(x: float, y: float, sizes: Sizes, height: float) -> tuple[Point, ...]:
    return tuple((x, y, round(sizes.base + share * height, 1)) for share in SHARES)
