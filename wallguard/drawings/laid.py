"""The picture of a finding on a toolpath: the section as drawn, the beads, and what they leave."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np

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

if TYPE_CHECKING:
    from shapely import Geometry as Shape

WIDTH, HEIGHT = 150.0, 150.0
_MARGIN, _TOP, _SHEET = 6.0, 26.0, 100.0
_DRAWN = "#d4d4d4"
# More beads than this are not drawn one by one.
_MOST = 4000


def picture(
    verified: Verified, geometry: Geometry, wall: LaidWall, finding: Finding, told: str
) -> str:
    """The layer in the middle of the wall, around its point, as SVG of WIDTH x HEIGHT mm.

    told  which program and rules it is about
    """
    import shapely

    from wallguard.toolpath.beads import footprint
    from wallguard.toolpath.placing import polygon

    laid, place = verified.laid, verified.places[wall.copy]
    low = float(geometry.placed.mesh.vertices[:, 2].min())
    x, y, z = wall.stretch.point
    levels = verified.comparisons[wall.copy].levels
    level = min(levels, key=lambda one: abs(one.top - one.height / 2 + low - z))
    half = max(2.5, 2.5 * wall.stretch.typical)
    window = shapely.box(x - half, y - half, x + half, y + half)
    height = level.top - level.height / 2 + low
    sections = cut_at(
        geometry.placed.mesh, np.array([height]), level.height, untangle=not geometry.sound
    )
    rings = sections.rings(0) if sections.distinct[0] >= 0 else []
    drawn = shapely.intersection(polygon(rings), window)
    ground: Shape = shapely.MultiPolygon()
    strands: list[tuple[list[Point], float]] = []
    if level.layer >= 0:
        chosen = laid.in_layer(level.layer)
        start, end = place.to_part(laid.start[chosen]), place.to_part(laid.end[chosen])
        far = half + laid.width[chosen].clip(0, 5)
        centre = np.array([x, y])
        near = (np.minimum(start, end) <= centre + far[:, None]).all(axis=1)
        near &= (np.maximum(start, end) >= centre - far[:, None]).all(axis=1)
        near &= ~laid.odd[chosen]
        there = footprint(laid, chosen[near])
        ground = shapely.transform(there, place.to_part)
        strands = [
            ([(a[0], a[1]), (b[0], b[1])], w)
            for a, b, w in zip(
                start[near].tolist(),
                end[near].tolist(),
                laid.width[chosen[near]].tolist(),
                strict=True,
            )
        ][:_MOST]
    left = shapely.difference(drawn, ground)
    scale = _SHEET / (2 * half)

    def at(point: Point) -> Point:
        return (point[0] - x + half) * scale, (y + half - point[1]) * scale

    body = [
        patterns(PLACES),
        rect(0, 0, WIDTH, HEIGHT, fill="#ffffff"),
        *_heading(finding, told),
        element(
            "g",
            "".join(_sheet(drawn, left, strands, at, scale, wall.fill)),
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
            f"Layer at {level.top:.2f} mm, seen from above. Geometry only, not strength or safety.",
            2.8,
            fill=PALE,
        ),
    ]
    return document(WIDTH, HEIGHT, finding.message, body)


def _heading(finding: Finding, told: str) -> Iterator[str]:
    room = WIDTH - 2 * _MARGIN
    (said,) = wrapped(f"{finding.severity} · {finding.check} · {told}", 3.0, room, 1) or [""]
    yield text(_MARGIN, 6, said, 3.0, fill=PALE)
    y = 11.0
    for said in wrapped(finding.message, 3.6, room, 3):
        yield text(_MARGIN, y, said, 3.6, font_weight="bold")
        y += 4.6


def _sheet(
    drawn: Shape,
    left: Shape,
    strands: list[tuple[list[Point], float]],
    place: Callable[[Point], Point],
    scale: float,
    fill: str,
) -> Iterator[str]:
    yield rect(0, 0, _SHEET, _SHEET, fill="#ffffff")
    outline = [[place(p) for p in ring] for ring in _rings(drawn)]
    yield path(outline, fill=_DRAWN, fill_rule="evenodd")
    for points, width in strands:
        yield path(
            [[place(p) for p in points]],
            closed=False,
            fill="none",
            stroke=PLACES["solid"].colour,
            stroke_width=width * scale,
            stroke_linecap="round",
        )
    for points, _ in strands:
        yield path(
            [[place(p) for p in points]],
            closed=False,
            fill="none",
            stroke="#ffffff",
            stroke_width=0.35,
        )
    void = [[place(p) for p in ring] for ring in _rings(left)]
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
