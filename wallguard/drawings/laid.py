"""The picture of a finding on a toolpath: the section as drawn, the beads, and what they leave."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wallguard.base.plain import counted
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
from wallguard.jobs.verify import Verified
from wallguard.part.geometry import Geometry
from wallguard.sections.cut import cut_at
from wallguard.toolpath.comparison import LaidWall
from wallguard.toolpath.levels import Level

if TYPE_CHECKING:
    from shapely import Geometry as Shape

WIDTH, HEIGHT = 150.0, 150.0
_MARGIN, _TOP, _SHEET = 6.0, 26.0, 100.0
_DRAWN = "#d4d4d4"
# The longer side of the plate, mm, and places that are numbered on it.
_PLATE, _NUMBERED = 112.0, 60
# More beads than this are not drawn one by one.
_MOST = 4000


@dataclass(frozen=True)
class _View:
    """What is seen of one layer: its height, outlines as drawn, what no bead covers of them, and
    the strands with their widths; in the part as printed, mm."""

    top: float
    drawn: Shape
    left: Shape
    strands: list[tuple[list[Point], float]]


def picture(verified: Verified, geometry: Geometry, wall: LaidWall, said: str, told: str) -> str:
    """The layer in the middle of the wall, around its point, as SVG of WIDTH x HEIGHT mm.

    said  what is to be seen; told: which toolpath and rules it is about
    """
    x, y, z = wall.stretch.point
    half = max(2.5, 2.5 * wall.stretch.typical)
    view = _view(verified, geometry, wall.copy, (x, y, z), half)
    scale = _SHEET / (2 * half)

    def at(point: Point) -> Point:
        return (point[0] - x + half) * scale, (y + half - point[1]) * scale

    body = [
        *_heading(said, told),
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
    return document(WIDTH, HEIGHT, said, [patterns(PLACES), _ground(), *body])


def _ground() -> str:
    return rect(0, 0, WIDTH, HEIGHT, fill="#ffffff")


def _view(
    verified: Verified,
    geometry: Geometry,
    copy: int,
    point: tuple[float, float, float],
    half: float,
) -> _View:
    """The layer of a copy at a point, as far as `half` mm around it."""
    import shapely

    from wallguard.toolpath.beads import footprint
    from wallguard.toolpath.placing import polygon

    laid, place = verified.laid, verified.places[copy]
    x, y, z = point
    levels = verified.comparisons[copy].levels
    level = min(levels, key=lambda one: abs(one.top - one.height / 2 - place.lift - z))
    window = shapely.box(x - half, y - half, x + half, y + half)
    drawn = shapely.intersection(polygon(_rings_at(geometry, level, place.lift)), window)
    if level.layer < 0:
        return _View(level.top, drawn, drawn, [])
    chosen = laid.in_layer(level.layer)
    start, end = place.to_part(laid.start[chosen]), place.to_part(laid.end[chosen])
    far = half + laid.width[chosen].clip(0, 5)
    centre = np.array([x, y])
    near = (np.minimum(start, end) <= centre + far[:, None]).all(axis=1)
    near &= (np.maximum(start, end) >= centre - far[:, None]).all(axis=1)
    near &= ~laid.odd[chosen]
    there = shapely.transform(footprint(laid, chosen[near]), place.to_part)
    strands = [
        ([(a[0], a[1]), (b[0], b[1])], w)
        for a, b, w in zip(
            start[near].tolist(),
            end[near].tolist(),
            laid.width[chosen[near]].tolist(),
            strict=True,
        )
    ]
    return _View(level.top, drawn, shapely.difference(drawn, there), strands[:_MOST])


def _rings_at(geometry: Geometry, level: Level, lift: float) -> list[np.ndarray]:
    """The outlines of a layer, in the part as printed."""
    height = np.array([level.top - level.height / 2 - lift])
    sections = cut_at(geometry.placed.mesh, height, level.height, untangle=not geometry.sound)
    return sections.rings(0) if sections.distinct[0] >= 0 else []


def _heading(said: str, told: str) -> Iterator[str]:
    room = WIDTH - 2 * _MARGIN
    (line,) = wrapped(told, 3.0, room, 1) or [""]
    yield text(_MARGIN, 6, line, 3.0, fill=PALE)
    y = 11.0
    for line in wrapped(said, 3.6, room, 3):
        yield text(_MARGIN, y, line, 3.6, font_weight="bold")
        y += 4.6


def overview(
    verified: Verified,
    geometry: Geometry,
    about: Sequence[tuple[Finding, LaidWall]],
    told: str,
) -> str:
    """The plate from above, as SVG of WIDTH x HEIGHT mm: what is laid, the copies of the part, and
    by number where findings are.

    told  which toolpath and rules it is about
    """
    # A place that two checks complain of is one place.
    about = list({one.location: (one, wall) for one, wall in reversed(about)}.values())[::-1]
    laid = verified.laid
    good = np.flatnonzero(~laid.odd)
    low = np.minimum(laid.start, laid.end)[good].min(axis=0) - 2.0
    high = np.maximum(laid.start, laid.end)[good].max(axis=0) + 2.0
    scale = min(_PLATE / (high - low).max(), 20.0)

    def at(point: Point) -> Point:
        return _MARGIN + (point[0] - low[0]) * scale, _TOP + (high[1] - point[1]) * scale

    some = good[np.linspace(0, len(good) - 1, min(len(good), _MOST)).astype(np.int64)]
    strands = [
        [at((a[0], a[1])), at((b[0], b[1]))]
        for a, b in zip(laid.start[some].tolist(), laid.end[some].tolist(), strict=True)
    ]
    body = [path(strands, closed=False, fill="none", stroke="#9fc5e0", stroke_width=0.25)]
    for copy, place in enumerate(verified.places):
        levels = verified.comparisons[copy].levels
        rings = _rings_at(geometry, levels[len(levels) // 2], place.lift) if levels else []
        outlines = [[at((x, y)) for x, y in place.to_plate(ring).tolist()] for ring in rings]
        body.append(
            path(
                outlines,
                fill=_DRAWN,
                fill_opacity=0.5,
                fill_rule="evenodd",
                stroke=INK,
                stroke_width=0.3,
            )
        )
    body += _numbers(verified, about, at)
    copies = len(verified.places)
    said = f"The plate from above: {counted(copies, 'copy', 'copies')} of the part"
    more = f"; the first {_NUMBERED} of {len(about)} places are numbered" * (len(about) > _NUMBERED)
    body += _heading(f"{said}, {counted(len(about), 'place')} to look at{more}.", told)
    foot = "Blue: what is laid. Grey: the part, in the middle of its height. mm on the plate."
    body.append(text(_MARGIN, HEIGHT - 3, foot, 2.8, fill=PALE))
    return document(WIDTH, HEIGHT, said, [_ground(), *body])


def _numbers(
    verified: Verified,
    about: Sequence[tuple[Finding, LaidWall]],
    at: Callable[[Point], Point],
) -> Iterator[str]:
    """A number at each of the first places, on every copy that it is about."""
    for number, (finding, wall) in enumerate(about[:_NUMBERED], 1):
        copies = finding.subject.copies if finding.subject else (wall.copy + 1,)
        for copy in copies:
            point = np.array([wall.stretch.point[:2]])
            ((x, y),) = verified.places[copy - 1].to_plate(point).tolist()
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


def _sheet(view: _View, place: Callable[[Point], Point], scale: float, fill: str) -> Iterator[str]:
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
    found = []
    for piece in getattr(shape, "geoms", [shape]):
        if piece.geom_type == "Polygon" and piece.area > 1e-4:
            for ring in (piece.exterior, *piece.interiors):
                found.append([(float(px), float(py)) for px, py in list(ring.coords)[:-1]])
    return found


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
