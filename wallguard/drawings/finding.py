"""The picture of a finding: the section around it, to scale, with what is measured and what comes.

`picture` is a whole page for a file; `section`, `overview` and `legend` are its pieces.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from wallguard.drawings import kinds
from wallguard.drawings.svg import (
    FILLS,
    INK,
    PALE,
    PLACES,
    document,
    element,
    escape,
    line,
    number,
    paint,
    path,
    patterns,
    rect,
    text,
    text_width,
    wrapped,
)
from wallguard.findings.model import Finding, PartReport
from wallguard.views.model import Flat, Line, Sign, View

WIDTH, HEIGHT = 180.0, 132.0
# Of `section`, without anything around it: as wide as high as views are.
SECTION_WIDTH, SECTION_HEIGHT = 120.0, 101.0
_DRAWN_HEIGHT = 90.0
MATERIAL = "#d4d4d4"
_SIDE = 46.0
# A line that is as thin however its drawing is scaled.
_THIN = "non-scaling-stroke"
# How high the text of a dimension is.
_LABEL = 5.2
# How a place is filled, where it is no solid wall.
_KEYS = {
    "indeterminate": "uncertain",
    "missing": "missing",
    "gap": "gap",
    "hole": "gap",
    "cavity": "gap",
}


def picture(view: View, part: PartReport, finding: Finding) -> str:
    """The picture of a finding as SVG of WIDTH x HEIGHT mm."""
    margin = 5.0
    heading = [*_heading(part, finding, margin)]
    side = WIDTH - margin - _SIDE
    body = [
        patterns(PLACES),
        rect(0, 0, WIDTH, HEIGHT, fill="#ffffff"),
        *heading,
        element("g", "".join(_section(view)), transform=f"translate({margin:g} 27)"),
        element("g", "".join(_overview(view, _SIDE, 34.0)), transform=f"translate({side:g} 27)"),
    ]
    y = 27 + 34 + 5.0
    for said in wrapped("The whole section; what is shown is framed.", 2.9, _SIDE, 2):
        body.append(text(side, y, said, 2.9, fill=PALE))
        y += 3.8
    y += 3
    for key, words in legend(view):
        body.append(element("g", swatch(key), transform=f"translate({side:g} {y - 3:g})"))
        for said in wrapped(words, 3.2, _SIDE - 10, 3):
            body.append(text(side + 9.5, y, said, 3.2))
            y += 4.2
        y += 2.4
    body.append(
        text(
            margin,
            HEIGHT - 1.4,
            "Lengths in mm as printed; geometry only, not strength or safety.",
            2.6,
            fill=PALE,
        )
    )
    return document(WIDTH, HEIGHT, f"{part.path}: {finding.message}", body, kinds.PLACE)


def section(view: View) -> str:
    """The section alone, as an element for a page that holds `patterns(PLACES)`."""
    words = f"Section: {view.plane}." + (f" Measured: {view.label}." if view.label else "")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="section" role="img" '
        f'viewBox="0 0 {SECTION_WIDTH:g} {SECTION_HEIGHT:g}" font-family="inherit">'
        f"<title>{escape(words)}</title>{''.join(_section(view))}</svg>"
    )


def overview(view: View, drawn: str = "") -> str:
    """The whole section with a frame around what `section` shows, as an element.

    drawn  the name under which the page holds the section; empty: it does not
    """
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="overview" role="img" viewBox="0 0 40 30">'
        f"<title>The whole section; what is shown is framed</title>"
        f"{''.join(_overview(view, 40.0, 30.0, drawn))}</svg>"
    )


class Pictures:
    """The pictures of a page, as far as it has room. A whole section is drawn once, and `overview`
    refers to it, for many findings lie in one section."""

    def __init__(self, room: int) -> None:
        self._room = room
        self._drawn: dict[tuple[Line, ...], str] = {}

    def section(self, view: View) -> str:
        """As `section`; empty where the page has no more room."""
        drawn = section(view)
        if len(drawn) > self._room:
            return ""
        self._room -= len(drawn)
        return drawn

    def overview(self, view: View) -> str:
        """As `overview`, for a page that holds `definitions`."""
        name = self._drawn.setdefault(view.whole, f"whole-{len(self._drawn)}")
        return overview(view, name)

    def definitions(self) -> str:
        """What is referred to."""
        return element(
            "defs",
            "".join(
                path(_coarse(whole), closed=True, id=name, fill_rule="evenodd", vector_effect=_THIN)
                for whole, name in self._drawn.items()
            ),
        )


def swatch(key: str) -> str:
    """A sample 7 x 4 mm of what `legend` explains, as markup."""
    if key == "material":
        return rect(0, 0, 7, 4, fill=MATERIAL, stroke=INK, stroke_width=0.3)
    if key == "beads":
        return rect(0, 0, 7, 4, fill=FILLS["solid"].colour) + line(
            0, 2, 7, 2, stroke="#ffffff", stroke_width=0.5
        )
    dash = {"stroke_dasharray": "1.2 0.8"} if key == "missing" else {}
    return rect(0, 0, 7, 4, fill=_paint(key), stroke=INK, stroke_width=0.3, **dash)


def legend(view: View) -> list[tuple[str, str]]:
    """What the signs in a section mean: a key for `swatch`, and words."""
    entries = [("material", "the part as drawn")]
    if view.place:
        if view.shown in ("solid", "hollow", "porous", "thickened", "thinned"):
            entries.append(("solid", "the wall, where it is solid"))
        if view.shown == "indeterminate":
            entries.append(("uncertain", "the wall: may come out well or not"))
        if view.shown == "missing":
            entries.append(("missing", PLACES["missing"].words))
        if view.shown in ("gap", "hole"):
            entries.append(("gap", PLACES["gap"].words))
        if view.shown == "cavity":
            entries.append(("gap", "the hollow"))
    if view.changed:
        words = PLACES[view.shown].words
        if view.shown == "hollow":
            words = "void, to scale" if view.sized else "void; how large it is is not known"
        if view.shown == "porous":
            words = "its air, which ends in every layer"
        entries.append((view.shown, words))
    if view.beads:
        entries.append(("beads", "where layers meet" if view.upright else "where beads meet"))
    return entries


def _heading(part: PartReport, finding: Finding, margin: float) -> Iterator[str]:
    room = WIDTH - 2 * margin
    words = f"{finding.severity} · {finding.check} · {part.rules}"
    (said,) = wrapped(words, 3.2, room, 1) or [""]
    yield text(margin, 5.6, said, 3.2, fill=PALE)
    (said,) = wrapped(part.path, 4.6, room, 1) or [""]
    yield text(margin, 11, said, 4.6, font_weight="bold")
    y = 15.8
    for said in wrapped(finding.message, 3.4, room, 2):
        yield text(margin, y, said, 3.4)
        y += 4.2
    for said in wrapped(f"Instead: {finding.advice}", 3.4, room, 1) if finding.advice else ():
        yield text(margin, y, said, 3.4, font_weight="bold")


class _Sheet:
    """From mm as printed to mm on paper."""

    def __init__(self, view: View) -> None:
        left, _, right, self.top = view.window
        self.left = left
        self.scale = SECTION_WIDTH / (right - left)

    def at(self, point: Flat) -> Flat:
        return (point[0] - self.left) * self.scale, (self.top - point[1]) * self.scale

    def rings(self, rings: tuple[Line, ...]) -> list[list[Flat]]:
        return [[self.at(point) for point in ring] for ring in rings]


def _section(view: View) -> Iterator[str]:
    sheet = _Sheet(view)
    width, height = SECTION_WIDTH, _DRAWN_HEIGHT
    material, place = sheet.rings(view.rings), sheet.rings(view.place)
    changed = sheet.rings(view.changed)
    yield rect(0, 0, width, height, fill="#ffffff")
    yield path(material, fill=MATERIAL, fill_rule="evenodd")
    # What was cut off at the frame has no outline there.
    outline, rim, around = (
        [line for ring in rings for line in _within(ring)] for rings in (material, changed, place)
    )
    key = _KEYS.get(view.shown, "solid")
    if place:
        yield path(place, fill=_paint(key), fill_rule="evenodd")
    if changed:
        dash = {} if view.sized else {"stroke_dasharray": "2 1.2"}
        yield path(changed, fill=_paint(view.shown), fill_rule="evenodd")
        yield path(rim, closed=False, fill="none", stroke=INK, stroke_width=0.35, **dash)
    yield path(
        sheet.rings(view.beads), closed=False, fill="none", stroke="#ffffff", stroke_width=0.5
    )
    bare: dict[str, str | float] = {"fill": "none", "stroke_linejoin": "round"}
    yield path(outline, closed=False, stroke=INK, stroke_width=0.7, **bare)
    if view.shown == "missing" and place:
        yield path(around, closed=False, stroke="#ffffff", stroke_width=1.2, **bare)
        dashed = {"stroke_dasharray": "2.4 1.6", **bare}
        yield path(around, closed=False, stroke=INK, stroke_width=0.7, **dashed)
    for sign in view.signs:
        yield from _sign(sign, [sheet.at(point) for point in sign.points], material)
    if view.across:
        ends = sheet.at(view.across[0]), sheet.at(view.across[1])
        # Not where the arc of an angle is; a level one stands below it.
        angle = any(sign.kind == "angle" for sign in view.signs)
        aslant = abs(ends[0][1] - ends[1][1]) > 1
        yield from _dimension(*ends, _Label(view.label, angle and aslant), material)
    elif not view.signs:
        x, y = sheet.at(view.point)
        for radius, colour, wide in ((4, "#ffffff", 2.2), (4, INK, 0.9)):
            yield element(
                "circle", cx=x, cy=y, r=radius, fill="none", stroke=colour, stroke_width=wide
            )
    yield rect(0, 0, width, height, fill="none", stroke=PALE, stroke_width=0.3)
    yield from _scale_bar(view, sheet)


def _paint(key: str) -> str:
    """Like `paint`, but a plain colour where there is no pattern: tiles would show their seams."""
    return paint(key) if PLACES[key].pattern else PLACES[key].colour


def _within(ring: list[Flat]) -> list[list[Flat]]:
    """A closed ring as lines, without its pieces along the frame of the drawing."""
    sides = ((0, 0.0), (0, SECTION_WIDTH), (1, 0.0), (1, _DRAWN_HEIGHT))
    lines: list[list[Flat]] = [[ring[0]]]
    for one, other in pairwise([*ring, ring[0]]):
        if any(abs(one[i] - at) < 0.02 and abs(other[i] - at) < 0.02 for i, at in sides):
            lines.append([other])
        else:
            lines[-1].append(other)
    if len(lines) > 1:
        lines[0] = lines.pop() + lines[0][1:]
    return [each for each in lines if len(each) > 1]


@dataclass(frozen=True)
class _Label:
    """The text of a dimension; where on a long one it stands, and whether that lies rather on the
    part than beside it, as something else stands there."""

    text: str
    upon: bool = False
    share: float = 0.5


def _dimension(one: Flat, other: Flat, label: _Label, material: list[list[Flat]]) -> Iterator[str]:
    """A dimension: with its arrows outside, pointing at both ends, and its text beyond one end;
    where it is long, with arrows and text between the ends, beside what it measures."""
    if other[0] < one[0] - 1e-6:  # the text then stands to the right, where one reads on
        one, other = other, one
    length = math.dist(one, other)
    along = ((other[0] - one[0]) / length, (other[1] - one[1]) / length) if length else (1.0, 0.0)
    wide = 1.25 * text_width(label.text, _LABEL) + 2  # it is bold
    reach = 11.0
    # How much of the line a text covers that stands on it.
    covered = min(wide / max(abs(along[0]), 1e-9), 7.2 / max(abs(along[1]), 1e-9))
    if length > covered + 2 * reach:
        yield from _long_dimension(one, other, along, label, material)
        return

    def off(point: Flat, far: float) -> Flat:
        return point[0] + along[0] * far, point[1] + along[1] * far

    tail, tip = off(one, -reach), off(other, reach)
    for colour, stroke in (("#ffffff", 2.0), (INK, 0.5)):
        yield line(*tail, *one, stroke=colour, stroke_width=stroke)
        yield line(*other, *tip, stroke=colour, stroke_width=stroke)
    yield line(*one, *other, stroke=INK, stroke_width=0.4, stroke_dasharray="1 0.8")
    yield _arrow(one, along, -1.0)
    yield _arrow(other, along, 1.0)
    # Beyond one end, beyond the other, or beside it: where it hides least of the arrows.
    arrows = [off(end, sign * far) for end, sign in ((one, -1), (other, 1)) for far in range(10)]
    places = [
        (tip[0] + along[0] * wide / 2, tip[1] + along[1] * 4.4),
        (tail[0] - along[0] * wide / 2, tail[1] - along[1] * 4.4),
        *((tip[0] - along[1] * far, tip[1] + along[0] * far) for far in (8.0, -8.0, 20.0, -20.0)),
    ]
    yield from _boxed(min(places, key=lambda at: _hidden(at, wide, arrows)), label.text)


def _hidden(at: Flat, wide: float, points: list[Flat]) -> int:
    """How many points a text about a place hides."""
    x, y = _inside(at, wide)
    return sum(abs(a - x) < wide / 2 + 0.3 and abs(b - y) < 3.9 for a, b in points)


def _inside(at: Flat, wide: float) -> Flat:
    """Where a text about a place stands so that it is within the drawing."""
    x = min(max(at[0], wide / 2 + 1), SECTION_WIDTH - wide / 2 - 1)
    return x, min(max(at[1], 5.0), _DRAWN_HEIGHT - 5.0)


def _long_dimension(
    one: Flat, other: Flat, along: Flat, label: _Label, material: list[list[Flat]]
) -> Iterator[str]:
    """A dimension with all of it between its ends, on that side of them where there is air."""

    def beside(point: Flat, far: float) -> Flat:
        return point[0] - along[1] * far, point[1] + along[0] * far

    def between(share: float) -> Flat:
        return one[0] + (other[0] - one[0]) * share, one[1] + (other[1] - one[1]) * share

    def free(far: float) -> int:
        """In how many places it would stand where it shall; none where it would leave the
        drawing."""
        ends = beside(one, far), beside(other, far)
        if not all(3 < x < SECTION_WIDTH - 3 and 3 < y < _DRAWN_HEIGHT - 3 for x, y in ends):
            return 0
        places = [beside(between(at / 8), far) for at in range(1, 8)]
        return sum(_holds(material, place) == label.upon for place in places)

    aside = max((6.5, -6.5), key=free)
    aside = aside if free(aside) else 0.0
    first, last = beside(one, aside), beside(other, aside)
    if aside:
        more = math.copysign(1.5, aside)
        legs = [[one, beside(one, aside + more)], [other, beside(other, aside + more)]]
        yield path(legs, closed=False, fill="none", stroke=INK, stroke_width=0.25)
    for colour, stroke in (("#ffffff", 1.8), (INK, 0.45)):
        yield line(*first, *last, stroke=colour, stroke_width=stroke)
    yield _arrow(first, along, 1.0)
    yield _arrow(last, along, -1.0)
    yield from _boxed(beside(between(label.share), aside), label.text)


def _arrow(end: Flat, along: Flat, sign: float) -> str:
    """The head of an arrow that ends here, and comes from where `sign * along` leads."""
    x, y = end[0] + along[0] * sign * 3.4, end[1] + along[1] * sign * 3.4
    side = (-along[1] * 1.15, along[0] * 1.15)
    head = [end, (x + side[0], y + side[1]), (x - side[0], y - side[1])]
    return path([head], fill=INK, stroke="#ffffff", stroke_width=0.25)


def _holds(rings: list[list[Flat]], point: Flat) -> bool:
    """Whether a point lies within rings, even-odd."""
    x, y = point
    crossed = 0
    for ring in rings:
        for one, other in pairwise([*ring, ring[0]]):
            if (one[1] > y) != (other[1] > y):
                share = (y - one[1]) / (other[1] - one[1])
                crossed += one[0] + share * (other[0] - one[0]) > x
    return crossed % 2 == 1


def _sign(sign: Sign, points: list[Flat], material: list[list[Flat]]) -> Iterator[str]:
    """Another length, an angle with its arc, an arrow along a way, or a ball; and its text."""
    if sign.kind == "length":
        yield from _dimension(points[0], points[1], _Label(sign.label, share=0.25), material)
        return
    if sign.kind == "ball":
        yield from _ball(points[0], math.dist(*points), sign.label, material)
        return
    if sign.kind == "way":
        strokes, at = [points], points[-1]
        (x0, y0), (x1, y1) = points[-2:]
        turn = math.atan2(y1 - y0, x1 - x0)
        tips = [turn + math.pi - 0.4, turn + math.pi + 0.4]
        strokes.append([_from(at, tips[0], 4.0), at, _from(at, tips[1], 4.0)])
        label = _from(at, turn, 9.0)
    else:
        corner, one, other = points
        first, last = (math.atan2(end[1] - corner[1], end[0] - corner[0]) for end in (one, other))
        sweep = (last - first + math.pi) % (2 * math.pi) - math.pi
        radius = min(math.dist(corner, one), math.dist(corner, other), 30.0) * 0.6
        arc = [_from(corner, first + sweep * step / 24, radius) for step in range(25)]
        strokes = [[one, corner, other], arc]
        label = _from(corner, first + sweep / 2, radius + 11.0)
    for colour, wide in (("#ffffff", 2.0), (INK, 0.6)):
        look: dict[str, str | float] = {"fill": "none", "stroke": colour}
        yield path(strokes, closed=False, stroke_width=wide, **look)
    if sign.label:
        yield from _boxed(label, sign.label)


def _ball(middle: Flat, radius: float, label: str, material: list[list[Flat]]) -> Iterator[str]:
    """A ball that just passes, and how wide it is: above or below it, where less is hidden."""
    for colour, wide in (("#ffffff", 1.6), (INK, 0.6)):
        dash = {"stroke_dasharray": "1.6 1"} if colour == INK else {}
        look: dict[str, str | float] = {"fill": "none", "stroke": colour, **dash}
        yield element("circle", cx=middle[0], cy=middle[1], r=radius, stroke_width=wide, **look)
    off = radius + 6.0
    places = [(0.0, off), (0.0, -off), (off + 10, 0.0), (-off - 10, 0.0)]
    every = [(middle[0] + x, middle[1] + y) for x, y in places]
    seen = [(x, y) for x, y in every if 12 < x < SECTION_WIDTH - 12 and 5 < y < _DRAWN_HEIGHT - 5]
    yield from _boxed(max(seen or every, key=lambda at: _holds(material, at)), label)


def _from(point: Flat, angle: float, far: float) -> Flat:
    return point[0] + far * math.cos(angle), point[1] + far * math.sin(angle)


def _boxed(at: Flat, label: str) -> Iterator[str]:
    """A text in a box about a point, within the drawing."""
    wide = 1.25 * text_width(label, _LABEL) + 2  # it is bold
    x, y = _inside(at, wide)
    box: dict[str, str | float] = {"fill": "#ffffff", "stroke": INK, "rx": 1}
    yield rect(x - wide / 2, y - 3.9, wide, 7.2, stroke_width=0.25, **box)
    yield text(x, y + 1.6, label, _LABEL, text_anchor="middle", font_weight="bold")


def _scale_bar(view: View, sheet: _Sheet) -> Iterator[str]:
    """A bar of a round length, what it is, and which section this is."""
    power = 10.0 ** math.floor(math.log10(26 / sheet.scale))
    step = max(power * factor for factor in (1, 2, 5) if power * factor * sheet.scale <= 26)
    length, y = step * sheet.scale, _DRAWN_HEIGHT + 6.0
    yield rect(0, y - 1.4, length / 2, 1.4, fill=INK)
    yield rect(0, y - 1.4, length, 1.4, fill="none", stroke=INK, stroke_width=0.3)
    label = f"{step:g} mm"
    yield text(length + 2, y, label, 3.6)
    begins = length + 2 + text_width(label, 3.6) + 4
    room = SECTION_WIDTH - begins
    for at, said in enumerate(wrapped(view.plane, 3.6, room, 2)):
        yield text(SECTION_WIDTH, y + 4.4 * at, said, 3.6, text_anchor="end", fill=PALE)


def _coarse(whole: tuple[Line, ...]) -> list[Line]:
    """Rings in whole steps of a thousandth of what they span, from their lower left upward."""
    left, bottom, step = _measure(whole)
    return [
        tuple((round((x - left) / step), round((y - bottom) / step)) for x, y in ring)
        for ring in whole
    ]


def _measure(whole: tuple[Line, ...]) -> tuple[float, float, float]:
    """The left and lower end of rings, and a thousandth of what they span."""
    x, y = zip(*(point for ring in whole for point in ring), strict=True)
    return min(x), min(y), max(max(x) - min(x), max(y) - min(y), 1e-6) / 1000


def _overview(view: View, width: float, height: float, drawn: str = "") -> Iterator[str]:
    left, bottom, right, top = view.whole_box
    seen = view.window
    left, bottom = min(left, seen[0]), min(bottom, seen[1])
    right, top = max(right, seen[2]), max(top, seen[3])
    scale = min((width - 2) / (right - left), (height - 2) / (top - bottom))
    x0 = (width - (right - left) * scale) / 2
    y0 = (height - (top - bottom) * scale) / 2

    def at(point: Flat) -> Flat:
        return x0 + (point[0] - left) * scale, y0 + (top - point[1]) * scale

    look: dict[str, str | float] = {"fill": MATERIAL, "stroke": INK}
    if view.whole and drawn:
        first, lowest, step = _measure(view.whole)
        x, y = at((first, lowest))
        small = scale * step
        turned = f"translate({number(x)} {number(y)}) scale({small:.5f} {-small:.5f})"
        yield element("use", href=f"#{drawn}", transform=turned, **look)
    elif view.whole:
        rings = [[at(point) for point in ring] for ring in view.whole]
        yield path(rings, closed=True, fill_rule="evenodd", stroke_width=0.25, **look)
    x, y = at((seen[0], seen[3]))
    wide, high = (seen[2] - seen[0]) * scale, (seen[3] - seen[1]) * scale
    # A frame that can be seen however small it is.
    grown = max(0.0, (3.2 - wide) / 2)
    yield rect(
        x - grown,
        y - grown,
        wide + 2 * grown,
        high + 2 * grown,
        fill="none",
        stroke="#d55e00",
        stroke_width=0.7,
    )


def file_name(part: PartReport, finding: Finding, suffix: str) -> str:
    """How the file of a finding's picture is called: begins with its part's name, and no other
    finding of the report has the same."""
    names = "\0".join((part.path, part.rules)).encode("utf-8", "surrogateescape")
    unique = hashlib.blake2b(names, digest_size=4).hexdigest()
    return f"{_safe(part.path)[-60:].lstrip('-')}-{unique}-{_safe(finding.id)}.{suffix}"


def _safe(name: str) -> str:
    return "".join(char if char.isalnum() and char.isascii() else "-" for char in name)
