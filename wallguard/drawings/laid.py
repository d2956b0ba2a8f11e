"""The picture of a finding on a toolpath: the section as drawn, the beads, and what they leave."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from wallguard.base.plain import counted
from wallguard.drawings import kinds
from wallguard.drawings.svg import (
    INK,
    PALE,
    PLACES,
    Point,
    document,
    element,
    paint,
    path,
    patterns,
    rect,
    text,
    text_width,
    wrapped,
)
from wallguard.findings.model import Finding
from wallguard.jobs.laid_views import LayerView, PlateView
from wallguard.toolpath.comparison import LaidWall

if TYPE_CHECKING:
    from shapely import Geometry as Shape

WIDTH, HEIGHT = 150.0, 150.0
_MARGIN, _TOP, _SHEET = 6.0, 26.0, 100.0
_DRAWN = "#d4d4d4"
# The longer side of the plate, mm, and places that are numbered on it.
_PLATE, _NUMBERED = 112.0, 60


def picture(view: LayerView, wall: LaidWall, said: str, note: str) -> str:
    """The layer in the middle of a wall, around its point, as SVG of WIDTH x HEIGHT mm.

    said  what is to be seen; told: which toolpath and rules it is about
    """
    (x, y), half = view.middle, view.half
    scale = _SHEET / (2 * half)

    def at(point: Point) -> Point:
        return (point[0] - x + half) * scale, (y + half - point[1]) * scale

    body = [
        *_heading(said, note),
        element(
            "g",
            "".join(_sheet(view, at, scale, wall.fill)),
            transform=f"translate({_MARGIN:g} {_TOP:g})",
            clip_path="url(#sheet)",
        ),
        element("defs", element("clipPath", rect(0, 0, _SHEET, _SHEET), id="sheet")),
        rect(_MARGIN, _TOP, _SHEET, _SHEET, fill="none", stroke=PALE, stroke_width=0.3),
        *_legend(wall),
        *_bar(scale),
        text(
            _MARGIN,
            HEIGHT - 3,
            f"Layer at {view.top:.2f} mm, seen from above. Geometry only, not strength or safety.",
            2.8,
            fill=PALE,
        ),
    ]
    return document(WIDTH, HEIGHT, said, [patterns(PLACES), _ground(), *body], kinds.TOOLPATH)


def _ground() -> str:
    return rect(0, 0, WIDTH, HEIGHT, fill="#ffffff")


def _heading(said: str, note: str) -> Iterator[str]:
    room = WIDTH - 2 * _MARGIN
    (line,) = wrapped(note, 3.0, room, 1) or [""]
    yield text(_MARGIN, 6, line, 3.0, fill=PALE)
    y = 11.0
    for line in wrapped(said, 3.6, room, 3):
        yield text(_MARGIN, y, line, 3.6, font_weight="bold")
        y += 4.6


def overview(plate: PlateView, about: Sequence[tuple[Finding, LaidWall]], note: str) -> str:
    """The plate from above, as SVG of WIDTH x HEIGHT mm: what is laid, the copies of the part, and
    by number where findings are.

    note  which toolpath and rules it is about
    """
    # A place that two checks complain of is one place.
    about = list({finding.location: (finding, wall) for finding, wall in reversed(about)}.values())[
        ::-1
    ]
    (low_x, low_y), (high_x, high_y) = plate.low, plate.high
    scale = min(_PLATE / max(high_x - low_x, high_y - low_y), 20.0)

    def at(point: Point) -> Point:
        return _MARGIN + (point[0] - low_x) * scale, _TOP + (high_y - point[1]) * scale

    strands = [[at(one), at(other)] for one, other in plate.strands]
    body = [path(strands, closed=False, fill="none", stroke="#9fc5e0", stroke_width=0.25)]
    for rings in plate.outlines:
        body.append(
            path(
                [[at(point) for point in ring] for ring in rings],
                fill=_DRAWN,
                fill_opacity=0.5,
                fill_rule="evenodd",
                stroke=INK,
                stroke_width=0.3,
            )
        )
    body += _numbers(plate, about, at)
    copies = len(plate.places)
    said = f"The plate from above: {counted(copies, 'copy', 'copies')} of the part"
    more = f"; the first {_NUMBERED} of {len(about)} places are numbered" * (len(about) > _NUMBERED)
    body += _heading(f"{said}, {counted(len(about), 'place')} to look at{more}.", note)
    foot = "Blue: what is laid. Grey: the part, in the middle of its height. mm on the plate."
    body.append(text(_MARGIN, HEIGHT - 3, foot, 2.8, fill=PALE))
    return document(WIDTH, HEIGHT, said, [_ground(), *body], kinds.TOOLPATH)


def _numbers(
    plate: PlateView,
    about: Sequence[tuple[Finding, LaidWall]],
    at: Callable[[Point], Point],
) -> Iterator[str]:
    """A number at each of the first places, on every copy that it is about."""
    for number, (finding, wall) in enumerate(about[:_NUMBERED], 1):
        copies = finding.subject.copies if finding.subject else (wall.copy + 1,)
        for copy in copies:
            point = np.array([wall.stretch.point[:2]])
            ((x, y),) = plate.places[copy - 1].to_plate(point).tolist()
            px, py = at((x, y))
            wide = text_width(str(number), 3.2)
            yield rect(
                px - wide / 2 - 0.8,
                py - 2.4,
                wide + 1.6,
                4.4,
                fill="#ffffff",
                stroke=INK,
                stroke_width=0.3,
            )
            yield text(px - wide / 2, py + 1, str(number), 3.2, font_weight="bold")


def _sheet(
    view: LayerView, place: Callable[[Point], Point], scale: float, fill: str
) -> Iterator[str]:
    yield rect(0, 0, _SHEET, _SHEET, fill="#ffffff")
    outline = [[place(p) for p in ring] for ring in _rings(view.drawn)]
    yield path(outline, fill=_DRAWN, fill_rule="evenodd")
    for points, width in view.strands:
        yield path(
            [[place(p) for p in points]],
            closed=False,
            fill="none",
            stroke=PLACES["solid"].colour,
            stroke_width=width * scale,
            stroke_linecap="round",
        )
    for points, _ in view.strands:
        yield path(
            [[place(p) for p in points]],
            closed=False,
            fill="none",
            stroke="#ffffff",
            stroke_width=0.35,
        )
    void = [[place(p) for p in ring] for ring in _rings(view.left)]
    if void:
        key = "missing" if fill in ("missing", "broken") else "hollow"
        yield path(void, fill=paint(key), fill_rule="evenodd", stroke=INK, stroke_width=0.25)
    yield path(outline, fill="none", stroke=INK, stroke_width=0.6, stroke_linejoin="round")


def _rings(shape: Shape) -> list[list[Point]]:
    rings = []
    for piece in getattr(shape, "geoms", [shape]):
        if piece.geom_type == "Polygon" and piece.area > 1e-4:
            for ring in (piece.exterior, *piece.interiors):
                rings.append([(float(px), float(py)) for px, py in list(ring.coords)[:-1]])
    return rings


def _legend(wall: LaidWall) -> Iterator[str]:
    x, y = _MARGIN + _SHEET + 4, _TOP + 4
    room = WIDTH - x - 12
    rows = [
        (rect(x, y - 3, 8, 4.5, fill=_DRAWN, stroke=INK, stroke_width=0.4), "as drawn"),
        (
            rect(x, y + 9, 8, 4.5, fill=PLACES["solid"].colour)
            + path(
                [[(x, y + 11.25), (x + 8, y + 11.25)]],
                closed=False,
                stroke="#ffffff",
                stroke_width=0.35,
            ),
            "beads, and their middle",
        ),
    ]
    key = "missing" if wall.fill in ("missing", "broken") else "hollow"
    rows.append(
        (
            rect(x, y + 21, 8, 4.5, fill=paint(key), stroke=INK, stroke_width=0.25),
            "drawn, not laid",
        )
    )
    for index, (mark, words) in enumerate(rows):
        yield mark
        for line, said in enumerate(wrapped(words, 3.2, room, 2)):
            yield text(x + 10, y + 12 * index + 4 * line, said, 3.2)
    facts = [f"drawn {wall.stretch.typical:.2f} mm"]
    if wall.printed is not None:
        facts.append(f"laid {wall.printed:.2f} mm")
    if wall.air > 0:
        facts.append(f"air {wall.air:.2f} mm")
    for index, fact in enumerate(facts):
        yield text(x, y + 42 + 5.5 * index, fact, 4.0, font_weight="bold")


def _bar(scale: float) -> Iterator[str]:
    power = 10.0 ** math.floor(math.log10(30 / scale))
    step = max(power * factor for factor in (1, 2, 5) if power * factor * scale <= 30)
    y = _TOP + _SHEET + 6
    yield rect(_MARGIN, y - 1.2, step * scale, 1.2, fill=INK)
    label = f"{step:g} mm"
    yield text(_MARGIN + step * scale + 2, y, label, 3.4)
    yield text(_MARGIN + step * scale + 6 + text_width(label, 3.4), y, "as printed", 3.0, fill=PALE)
