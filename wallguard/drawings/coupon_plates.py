"""Drawings of a coupon for its measurement sheet: its plates, and where to measure a wall."""

from __future__ import annotations

from collections.abc import Sequence

from wallguard.coupon.layout import Plate
from wallguard.coupon.plan import Plan
from wallguard.coupon.shapes import Bore, Prism
from wallguard.drawings.svg import INK, PALE, PAPER, Point, element, line, number, path, rect, text

# A wall is drawn no lower than this, so that what is said of its heights has room, mm.
_TALL = 14.0
_BASE, _BODY, _WALL = "#eeeeee", "#767676", "#bdbdbd"


def plate_svg(plate: Plate, plan: Plan) -> str:
    """A plate from above, to scale; marks as they are printed. A unit is a millimetre."""
    width, depth = plate.size
    content = plate.content

    def seen(outline: Sequence[Point]) -> list[Point]:
        return [(x, depth - y) for x, y in outline]  # y of a picture runs down

    strokes = [seen(each) for mark in content.marks for each in mark.strokes(plan.sizes.pen)]
    roofed = _roofed(plate)
    body = [
        path([seen(plate.outline)], fill=_BASE, stroke=PALE, stroke_width=0.3),
        path([seen(each.outline) for each in content.prisms], fill=_BODY),
        *[path([seen(each.outline)], fill=_WALL) for each in _upon(plate, plan)],
        *[_hidden(seen(each.outline)) for each in roofed],
        path([seen(each.outline) for each in content.cuts if each not in roofed], fill=PAPER),
        path(strokes, fill=INK),
        *(_bore(bore, depth) for bore in content.bores),
        _arrow(8, depth + 4, 9, 0, "x"),
        _arrow(-3.5, depth - 8, 0, -9, "y"),
    ]
    box = f"-6 -1 {number(width + 7)} {number(depth + 8)}"
    return _picture(body, box, f"plate {plate.number} from above")


def _hidden(ring: Sequence[Point]) -> str:
    return path([ring], fill="none", stroke=PAPER, stroke_width=0.3, stroke_dasharray="0.8 0.5")


def _upon(plate: Plate, plan: Plan) -> list[Prism]:
    """What stands on something that stands on the base."""
    return [each for each in plate.content.prisms if each.low > plan.sizes.base]


def _roofed(plate: Plate) -> list[Prism]:
    """Cuts with a roof over them: chambers."""
    tops = {placed.box[0][2] for placed in plate.content.placed if placed.feature.kind == "escape"}
    return [each for each in plate.content.cuts if each.high in tops]


def elevation(plan: Plan) -> str:
    """A wall from its side and from its end, with where to measure it; low ones are enlarged."""
    sizes = plan.sizes
    times = max(1.0, _TALL / sizes.height)
    base, top = times * sizes.base, times * sizes.height
    ground = top + 4
    body = [
        rect(0, ground, 118, base, fill=_BASE, stroke=PALE, stroke_width=0.3),
        rect(8, ground - top, 24, top, fill=_WALL, stroke=INK, stroke_width=0.3),
        rect(32, ground - top, 4, top, fill=_BODY),
        text(20, ground - top - 1.2, "free length", 3, text_anchor="middle"),
        text(37, ground - top + 3, "post", 3),
        rect(66, ground - top, 1.4, top, fill=_WALL, stroke=INK, stroke_width=0.3),
    ]
    for height in sizes.measured:
        y = ground - times * height
        body += [
            line(14, y, 26, y, stroke_width=0.5),
            line(11, y, 14, y, stroke_width=0.2, stroke_dasharray="0.6 0.6"),
            line(26, y, 74, y, stroke=PALE, stroke_width=0.2, stroke_dasharray="0.6 0.6"),
            text(75, y + 1, f"{height:g} mm above the base", 3),
        ]
    y = ground - times * sizes.measured[1]
    # The two jaws, from above, their tips at the middle height.
    for sign, x in ((-1, 65.8), (1, 67.6)):
        jaw = [(x, y + 1), (x, 0), (x + 5 * sign, 0), (x + 5 * sign, y - 3), (x + 2 * sign, y + 1)]
        body.append(path([jaw], fill=PAPER, fill_opacity=0.8, stroke=INK, stroke_width=0.3))
    return _picture(body, f"-1 -1 120 {number(ground + base + 2)}", "where to measure a wall")


def _bore(bore: Bore, depth: float) -> str:
    """The two sides of a lying hole, which runs along x."""
    x, y, _ = bore.start
    sides = (depth - y - bore.diameter / 2, depth - y + bore.diameter / 2)
    rings = [[(x + 1, side), (x + bore.length - 1, side)] for side in sides]
    return path(rings, closed=False, stroke=PAPER, stroke_width=0.25, stroke_dasharray="0.8 0.5")


def _arrow(x: float, y: float, across: float, down: float, name: str) -> str:
    """An arrow from a point along x or along y, with its name at the tip."""
    size = abs(across) + abs(down)
    ux, uy = across / size, down / size
    x2, y2 = x + across, y + down
    tip = [
        (x2 + 2 * ux, y2 + 2 * uy),
        (x2 - 0.8 * uy, y2 + 0.8 * ux),
        (x2 + 0.8 * uy, y2 - 0.8 * ux),
    ]
    label = text(x2 + 3.2 * ux + (1.2 if uy else 0), y2 + (1.2 if ux else 0.6), name, 3.6)
    return line(x, y, x2, y2, stroke_width=0.4) + path([tip], fill=INK) + label


def _picture(body: Sequence[str], box: str, label: str) -> str:
    return element(
        "svg",
        "\n".join(body),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=box,
        font_family="sans-serif",
        role="img",
        aria_label=label,
    )
