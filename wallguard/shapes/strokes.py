"""Raised and sunken strokes: details that stand out of a face, or are sunk into it.

A *stroke* has a flat top or floor (`details.py`), or one that is pointed or round, as a ridge, a
bead, a V-groove and the cut of a ball mill have (`mouths.py`); which of them are strokes, and no
walls, pins, gaps or holes, stands there. All these bounds are of our own, where they name no
source, and meant to be on the safe side: what is no stroke stays what it was.

The counter of a raised "O" is a part of the face, though it lies deep in the "O". So what lies in a
stroke of the other kind and is as deep as that is high is none where it is the wider one.

Width is measured in the top or floor laid out flat (`unfolded.py`), and of what has none at the
face: as walls in a layer are, by the largest disc that touches two edges that face each other
(`walls.trace`), over a run of about one width that is at least as long as wide, twice as long where
the stroke goes on wider. So corners and joints do not count, nor do tapering ends, if not so long
that they are strokes themselves; of these the usual width does. A dot is as wide as the largest
disc in it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.base.arrays import dot
from wallguard.mesh.mesh import Mesh
from wallguard.sections.sections import Sections
from wallguard.shapes.details import Detail, Kind, depth, flat_details, is_one
from wallguard.shapes.mouths import shaped_details
from wallguard.shapes.patches import Patches, patches_of
from wallguard.shapes.unfolded import Unfolded
from wallguard.walls.stretch import Stretch, gathered
from wallguard.walls.trace import find_walls

Point = tuple[float, float, float]
Box = tuple[Point, Point]
_Floats = NDArray[np.float64]

# Widths are sorted into so many steps, each so many times the one before: what lies within two of
# them is of about one width, and even where its usual width is no more than the third times its
# least.
_STEPS, _STEP, _EVEN = 12, 1.15, 1.04
# A narrow run within a wider stroke is at least so many times as long as it is wide. What narrows
# to less than this share is a taper; it is a stroke where it is so many times as long as wide.
_RUN, _TAPERS, _LONG = 2.0, 0.5, 8.0
# A piece of a run counts for its width where it is at least this share as long as the longest.
_NEARLY = 0.5
# Walls in a top are looked for up to so many times what is asked for; so many sides are a circle.
_WIDER, _CIRCLE = 1.5, 8
# A point lies in a stroke that lies no farther outside of it than this, mm.
_OUT = 0.05


@dataclass(frozen=True)
class Stroke:
    """A detail, and where it is narrowest. Lengths in mm, in the print frame.

    height  over the face, or below it; of what has no flat top or floor the greatest
    shaped  whether it has none: its width is then that at the face
    width   where it runs narrowest; 0: nowhere as narrow as was asked for
    facets  by how much the facets of a curve may have taken off that
    length  of that run; area: of all of its top or floor, mm²
    within  whether it lies in a stroke of the other kind that is as high, as the counter of an "O"
            does: the height is that one's
    behind  how much material is behind the floor, or below the face; inf where that is not closed
    across  the two ends of the width; rise: from the face to the top, or from the floor to the face
    normal  of the top or floor, unit, out of the material
    point   in the middle of the narrowest run, on the top or floor; where there is none, in the
            middle of it; box: around the detail
    face    the number of the patch that it stands on, or is sunk into
    top     the triangles of its top or floor; where it has none, those of its face over its tip
    """

    kind: Kind
    height: float
    shaped: bool
    width: float
    facets: float
    length: float
    area: float
    behind: float
    within: bool
    across: tuple[Point, Point]
    rise: tuple[Point, Point]
    normal: Point
    point: Point
    box: Box
    face: int
    top: tuple[tuple[Point, Point, Point], ...]


def find_strokes(mesh: Mesh, narrower: tuple[float, float]) -> list[Stroke]:
    """All raised and sunken details, the narrowest first; the widths of raised and of sunken ones
    where these are less than `narrower`, mm (0: no width is asked for)."""
    if not len(mesh.triangles):
        return []
    patches = patches_of(mesh)
    details = list(_settled([*_details(patches, "raised"), *_details(patches, "sunken")]))
    made = []
    for kind, most in zip(("raised", "sunken"), narrower, strict=True):
        made += _measured(patches, [each for each in details if each[0].kind == kind], most)
    return sorted(made, key=lambda each: (each.width or math.inf, each.height, each.point))


def lying_in(
    strokes: Sequence[Stroke], points: Sequence[Point], boxes: Sequence[Box], out: Sequence[float]
) -> list[bool]:
    """Of things with a point in their middle, and a box, whether they lie in one of the strokes:
    the point in it, the box in its box, or no more than `out` (mm, of each) beyond."""
    held = [False] * len(points)
    if not held:
        return held
    low, high = (np.array([box[i] for box in boxes]) for i in (0, 1))
    beyond = np.array(out)[:, None]
    for stroke in strokes:
        least, most = np.array(stroke.box)
        inside = ((low >= least - beyond) & (high <= most + beyond)).all(axis=1)
        for at in np.flatnonzero(inside).tolist():
            held[at] = held[at] or _holds(stroke, np.array(points[at]))
    return held


def lying_between(
    strokes: Sequence[Stroke], points: Sequence[Point], boxes: Sequence[Box], out: Sequence[float]
) -> list[float]:
    """The same between the strokes of one face and height, no higher and no deeper than they: how
    far each reaches along that face, mm; below zero where it does not lie there."""
    held = [-1.0] * len(points)
    low, high = (np.array([box[i] for box in boxes]).reshape(-1, 3) for i in (0, 1))
    place, beyond = np.array(points).reshape(-1, 3), np.array(out)[:, None]
    for group in by_face(strokes):
        ends = np.array([stroke.box for stroke in group])
        least, most = ends[:, 0].min(axis=0), ends[:, 1].max(axis=0)
        middle, normal = (
            np.array([getattr(stroke, name) for stroke in group]) for name in ("point", "normal")
        )
        inside = ((low >= least - beyond) & (high <= most + beyond)).all(axis=1)
        for at in np.flatnonzero(inside).tolist():
            near = int(np.linalg.norm(middle - place[at], axis=1).argmin())
            over = float((place[at] - middle[near]) @ normal[near])
            over *= -1.0 if group[near].kind == "raised" else 1.0
            if -_OUT <= over <= group[near].height + _OUT:
                held[at] = float(np.linalg.norm((high - low)[at] * (1 - np.abs(normal[near]))))
    return held


def by_face(strokes: Sequence[Stroke]) -> list[list[Stroke]]:
    """Strokes of one kind and height on one face together; of those without a flat top or floor,
    whose height comes of their width, all."""
    groups: dict[tuple[str, int, float], list[Stroke]] = {}
    for stroke in strokes:
        height = -1.0 if stroke.shaped else round(stroke.height, 2)
        groups.setdefault((stroke.kind, stroke.face, height), []).append(stroke)
    return list(groups.values())


def _holds(stroke: Stroke, point: _Floats) -> bool:
    """Whether a point (3,) lies below its top, or over its floor, and no farther off than the
    face."""
    corner = np.array(stroke.top)
    a, b, c = corner.transpose(1, 0, 2)
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]
    over = dot(point - a, normal) * (-1.0 if stroke.kind == "raised" else 1.0)
    deep = (over >= -_OUT) & (over <= stroke.height + _OUT)
    for start, end in ((a, b), (b, c), (c, a)):
        way = end - start
        outward = np.cross(way, normal)
        outward /= np.maximum(np.linalg.norm(outward, axis=1), 1e-12)[:, None]
        deep &= dot(point - start, outward) <= _OUT
    return bool(deep.any())


def _details(patches: Patches, kind: Kind) -> list[Detail]:
    details = list(flat_details(patches, kind))
    return details + list(shaped_details(patches, kind, {detail.patch for detail in details}))


def _settled(details: Sequence[Detail]) -> Iterator[tuple[Detail, bool]]:
    """The details, without those of which another reading holds; and whether each lies in one of
    the other kind that is as high as it: its height is that one's."""
    tops = {(detail.patch, detail.kind): detail for detail in details}
    for detail in details:
        around = tops.get((detail.face, "sunken" if detail.kind == "raised" else "raised"))
        within = around is not None and is_one(around.height, detail.height)
        if around is None or not within:
            yield detail, False
        elif around.wide >= detail.wide:
            yield detail, True


def _measured(
    patches: Patches, chosen: Sequence[tuple[Detail, bool]], narrower: float
) -> list[Stroke]:
    """Details with their widths."""
    runs: list[list[Stretch]] = [[] for _ in chosen]
    if chosen and narrower > 0:
        sections = _as_sections([detail.flat for detail, _ in chosen])
        splits = narrower / _STEP ** np.arange(_STEPS)[::-1]
        for wall in find_walls(sections, _WIDER * narrower, tuple(splits.tolist())):
            # Every second layer has nothing in it.
            runs[int(wall.low) // 2].append(wall)
    made = []
    for (detail, within), walls in zip(chosen, runs, strict=True):
        run = _narrowest(walls, detail.flat.is_cut)
        if run is None and narrower > 0 and detail.flat.area.buffer(-narrower / 2).is_empty:
            run = _inscribed(detail.flat.area)
        made.append(_stroke(patches, detail, within, run))
    return made


def _as_sections(shapes: Sequence[Unfolded]) -> Sections:
    """Flat shapes as the sections of a part, with an empty layer after each."""
    rings = [points for shape in shapes for points, _ in shape.rings]
    count = [len(shape.rings) for shape in shapes]
    points = np.concatenate(rings)
    distinct = np.full(2 * len(shapes), -1, np.int32)
    distinct[::2] = np.arange(len(shapes))
    return Sections(
        heights=0.5 + np.arange(2 * len(shapes), dtype=np.float64),
        layer_height=1.0,
        distinct=distinct,
        points=points,
        ring_start=np.append(0, np.cumsum([len(ring) for ring in rings])),
        ring_section=np.repeat(np.arange(len(shapes)), count).astype(np.int32),
        slope=np.zeros(len(points)),
        loose=np.zeros(0, np.int32),
    )


@dataclass(frozen=True)
class _Run:
    """A run of a stroke: how wide it is, what facets took off that, how long it is, and where."""

    width: float
    facets: float
    length: float
    spots: tuple[tuple[float, float], ...]

    @classmethod
    def of(cls, pieces: Sequence[Stretch], cut: bool) -> _Run:
        """Of about one width: the least of the longest and of what is nearly as long, or the usual
        one of the longest where that was cut."""
        longest = max(pieces, key=lambda piece: (piece.length, piece.point))
        long = [piece for piece in pieces if piece.length >= _NEARLY * longest.length]
        least = min(long, key=lambda piece: (round(piece.minimum, 4), piece.point))
        chosen, width = (longest, longest.typical) if cut else (least, least.minimum)
        length = sum(piece.length for piece in pieces)
        return cls(width, chosen.facets, length, (chosen.point[:2],))

    @classmethod
    def of_taper(cls, pieces: Sequence[Stretch]) -> _Run:
        """Of one that is narrower and narrower: that of the middle of its length."""
        ordered = sorted(pieces, key=lambda piece: (piece.typical, piece.point))
        total = np.cumsum([piece.length for piece in ordered])
        usual = ordered[int(np.searchsorted(total, total[-1] / 2))]
        (x, y, _), (to_x, to_y, _) = usual.box
        spots = ((x + to_x) / 2, (y + to_y) / 2), usual.point[:2]
        return cls(usual.typical, usual.facets, float(total[-1]), spots)


def _narrowest(walls: Sequence[Stretch], cut: bool) -> _Run | None:
    """The narrowest run, of pieces of which those of a group below `_STEPS` are narrow; None: none
    is. cut: whether the top was cut open, so that it tapers there."""
    for step in range(_STEPS):
        found = [
            _Run.of(run, cut)
            for run in gathered(
                [wall for wall in walls if step - 1 <= wall.group <= step], lambda _: (0.0, 0.0)
            )
            if _runs(run, walls, step)
        ]
        if found:
            return min(found, key=lambda run: (round(run.width, 4), -run.length, run.spots))
    tapers: dict[int, list[Stretch]] = {}
    for wall in walls:
        if wall.group < _STEPS:
            tapers.setdefault(wall.wall, []).append(wall)
    found = [_Run.of_taper(pieces) for pieces in tapers.values() if _is_long_taper(pieces)]
    return min(found, key=lambda run: (round(run.width, 4), -run.length, run.spots), default=None)


def _is_long_taper(pieces: Sequence[Stretch]) -> bool:
    low, high = min(piece.minimum for piece in pieces), max(piece.maximum for piece in pieces)
    return low < _TAPERS * high and sum(piece.length for piece in pieces) >= _LONG * high


def _runs(run: Sequence[Stretch], walls: Sequence[Stretch], step: int) -> bool:
    """Whether pieces of about one width, at one place, are where a stroke runs: no corner or joint,
    nor a part of a taper."""
    low, high = min(wall.minimum for wall in run), max(wall.maximum for wall in run)
    same = [wall for wall in walls if wall.wall == run[0].wall]
    longest = max(run, key=lambda wall: (wall.length, wall.point))
    uneven = longest.typical > _EVEN * longest.minimum
    narrows = uneven and any(wall.group < step - 1 for wall in same)
    goes_on = any(wall.group > step for wall in same)
    length = sum(wall.length for wall in run)
    long = length >= (_RUN * high if goes_on else low)
    return long and low >= _TAPERS * high and not narrows


def _inscribed(area: shapely.Polygon) -> _Run:
    """The largest disc in an area."""
    size = math.sqrt(area.area)
    middle, rim = shapely.get_coordinates(shapely.maximum_inscribed_circle(area, 1e-4 * size))
    width = 2 * float(np.linalg.norm(rim - middle))
    # As a circle of so many facets.
    sides = len(area.exterior.coords) - 1
    facets = width * (1 / math.cos(math.pi / sides) - 1) if sides >= _CIRCLE else 0.0
    return _Run(width, facets, width, ((float(middle[0]), float(middle[1])),))


def _stroke(patches: Patches, detail: Detail, within: bool, run: _Run | None) -> Stroke:
    flat, area = detail.flat, detail.flat.area
    spot = shapely.get_coordinates(area.representative_point())[0]
    width = run.width if run else 0.0
    if run:
        good = [each for each in run.spots if area.covers(shapely.Point(each))]
        spot = np.array((good or run.spots)[0])
    rim = area.boundary
    nearest = shapely.get_coordinates(shapely.shortest_line(shapely.Point(spot), rim))[1]
    way = nearest - spot
    way = way / max(float(np.linalg.norm(way)), 1e-12)
    middle = nearest - way * width / 2 if run else spot
    point = flat.lift(middle, patches.corner)
    normal = patches.normal[flat.at(middle)] if detail.normal is None else detail.normal
    across = [flat.lift(middle + at * way * width, patches.corner) for at in (-0.5, 0.5)]
    tip = point if detail.deepest is None else detail.deepest
    face = tip - normal * detail.height * (1.0 if detail.kind == "raised" else -1.0)
    behind = detail.behind
    if detail.kind == "sunken" and run and detail.normal is None:
        behind = depth(patches, point, normal)
    top = patches.corner[flat.facets]
    if detail.normal is not None:
        top = top + ((tip - top) @ normal)[..., None] * normal
    low, high = detail.box
    return Stroke(
        kind=detail.kind,
        height=detail.height,
        shaped=detail.normal is not None,
        width=width,
        facets=run.facets if run else 0.0,
        length=run.length if run else 0.0,
        area=float(area.area),
        behind=behind,
        within=within,
        across=(_point(across[0]), _point(across[1])),
        rise=(_point(face), _point(tip)),
        normal=_point(normal),
        point=_point(point),
        box=(_point(low), _point(high)),
        face=detail.face,
        top=tuple((_point(a), _point(b), _point(c)) for a, b, c in top),
    )


def _point(values: _Floats) -> Point:
    x, y, z = values.tolist()
    return x, y, z
