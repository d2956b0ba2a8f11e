"""The view of a finding: the section around it, what is measured there, and what comes of it.

A wall in a section is what an opening leaves out: the part of it that no disc a little larger than
the wall is thick can reach. How it comes out follows from its outline: beads lie at whole bead
widths from it, a void begins where the beads end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from wallguard.bands.beads import Settings, lay
from wallguard.bands.table import reading
from wallguard.base.text import mm, span
from wallguard.findings.model import Finding, Mark, Subject
from wallguard.views import planes
from wallguard.views.model import Box2, Line, Shown, Sign, View

if TYPE_CHECKING:
    from wallguard.checks.case import Case

_Floats = NDArray[np.float64]
# Width over height of what is shown, and how much that is: so many times what is measured, and mm.
RATIO = 4 / 3
_TIMES, _LEAST, _MOST = 9.0, 3.0, 400.0
# How much is shown around marks: so many times what they span.
_ROOM = 2.0
# And around a cavity: so many times the box around it.
_WHOLE = 1.2
# An axis within 5 degrees of upright: such a hole or pin is seen in a layer.
_UPRIGHT = math.cos(math.radians(5))
# How a wall that would be hollow is shown where it leans, by its fill.
_LEANING: dict[str, Shown] = {"porous": "porous", "uncertain": "indeterminate"}
# Outlines of a whole section that are kept.
_RINGS = 150


@dataclass(frozen=True, eq=False)
class _Cut:
    """A section: its plane, in words, and its rings with the material to their left."""

    frame: planes.Frame
    words: str
    rings: Sequence[_Floats]
    upright: bool = False


@dataclass(frozen=True, eq=False)
class _Measured:
    """What is measured: in which cut, at which point of it, between which two points. `wide`: how
    much is to be shown, mm; 0: as follows from what is measured. `within`: the place ends there;
    `middle`: of what is shown, where that is not the point."""

    cut: _Cut
    point: _Floats
    across: tuple[_Floats, _Floats] | None
    size: float
    kind: Literal["wall", "gap", "hole", "pin", "plate", "cavity", "bore", "open"]
    signs: tuple[Sign, ...] = ()
    label: str = ""
    wide: float = 0.0
    within: BaseGeometry | None = None
    middle: _Floats | None = None


class Viewer:
    """Draws findings of one case; what several need is worked out once."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self._whole: dict[str, tuple[tuple[Line, ...], Box2]] = {}

    def view(self, finding: Finding) -> View | None:
        """The view of a finding, None where it has no place or nothing is cut there."""
        if finding.location is None or finding.check in ("unit", "build_volume"):
            return None
        placed = self.case.geometry.placed
        point = np.array(finding.location) @ placed.rotation.T * placed.scale
        measured = self._measure(finding, point)
        if not measured.cut.rings:
            return None
        return self._drawn(finding, measured)

    def _measure(self, finding: Finding, point: _Floats) -> _Measured:
        subject = finding.subject
        if subject is None:
            cut = self._layer(point)
            return _Measured(cut, cut.frame.flat(point[None])[0], None, 0.0, "open")
        if subject.marks or subject.kind == "cavity":
            return self._marked(finding, subject, point)
        size = subject.thickness.typical
        if finding.check in ("deep_hole", "slender"):
            long = self._long(finding, subject, point)
            if long is not None:
                return long
        if subject.kind in ("floor", "roof"):
            return self._plate(point, size)
        if subject.axis is not None and subject.kind in ("hole", "pin"):
            axis = self.case.geometry.placed.rotation @ np.array(subject.axis)
            return self._round(point, axis, size, "hole" if subject.kind == "hole" else "pin")
        return self._between(point, "gap" if subject.kind == "gap" else "wall")

    def _marked(self, finding: Finding, subject: Subject, point: _Floats) -> _Measured:
        """What brings its own marks: in the upright section along the first of them, a footprint in
        its layer."""
        placed = self.case.geometry.placed
        marks = _first_told(finding, subject)
        lines = [np.array(mark.points) @ placed.rotation.T * placed.scale for mark in marks]
        if subject.kind == "edge":
            axis = np.cross(lines[0][1] - lines[0][0], lines[0][2] - lines[0][0])
            cut = self._across(point, axis / np.linalg.norm(axis), "edge")
        elif subject.kind in ("raised", "sunken"):
            cut = self._cut(*self._stroke(point, lines), upright=True)
        elif subject.kind == "footing":
            cut = self._layer(point)
        else:
            way = lines[0][-1] - lines[0][0] if lines else np.array([1.0, 0.0, 0.0])
            # Through the line itself; of a hollow through its way out, so that this is seen whole.
            through = point if not lines else lines[0].mean(axis=0)
            cut = self._upright(
                lines[0][-1] if subject.kind == "cavity" and lines else through, way
            )
        flat = [cut.frame.flat(line) for line in lines]
        if subject.kind == "cavity":
            return self._hollow(finding, subject, cut, point, (marks, flat))
        across, label, signs = None, "", []
        for mark, line in zip(marks, flat, strict=True):
            if mark.kind == "length" and across is None:
                across, label = (line[0], line[-1]), mark.label
            elif mark.kind != "length":
                signs.append(Sign(mark.kind, tuple(map(planes.flat, line)), mark.label))
        every = np.concatenate(flat)
        wide = _ROOM * max(_spread(every), 1.0)
        middle = (every.min(axis=0) + every.max(axis=0)) / 2
        return _Measured(cut, middle, across, 0.0, "open", tuple(signs), label, wide)

    def _hollow(
        self,
        finding: Finding,
        subject: Subject,
        cut: _Cut,
        point: _Floats,
        marked: tuple[Sequence[Mark], Sequence[_Floats]],
    ) -> _Measured:
        """A cavity, as far as its box goes: with its widest way out and the ball that just passes
        there, or with what is measured across it."""
        at = cut.frame.flat(point[None])[0]
        room = self._room(finding, cut.frame)
        across, label, signs = None, "", []
        ends: list[_Floats] = []
        size = subject.thickness.max
        for mark, line in zip(*marked, strict=True):
            if mark.kind == "length":
                across, label = (line[0], line[-1]), mark.label
            elif mark.kind == "way":
                way = planes.in_air(cut.rings, line, size)
                if way is not None:
                    ends.append(way)
                    signs.append(Sign("way", tuple(map(planes.flat, way)), ""))
                rim = line[-1] + np.array([size / 2, 0.0])
                ball = (planes.flat(line[-1]), planes.flat(rim))
                signs.append(Sign("ball", ball, mark.label))
        every = np.concatenate([*marked[1], *ends, np.array(room).reshape(2, 2)])
        wide = _WHOLE * max(_spread(every), 1.0)
        middle = (every.min(axis=0) + every.max(axis=0)) / 2
        within = shapely.box(*room)
        return _Measured(cut, at, across, size, "cavity", tuple(signs), label, wide, within, middle)

    def _room(self, finding: Finding, frame: planes.Frame) -> Box2:
        """The box around a finding as a section shows it."""
        assert finding.box is not None
        placed = self.case.geometry.placed
        corners = np.stack(np.meshgrid(*np.transpose(finding.box), indexing="ij"), axis=-1)
        flat = frame.flat(corners.reshape(-1, 3) @ placed.rotation.T * placed.scale)
        (left, bottom), (right, top) = flat.min(axis=0).tolist(), flat.max(axis=0).tolist()
        return left, bottom, right, top

    def _long(self, finding: Finding, subject: Subject, point: _Floats) -> _Measured | None:
        """What is too deep or too high for how thick it is: in a section along it, with both; None
        where its length there is not the one that the message tells."""
        axis = np.array([0.0, 0.0, 1.0])
        if subject.axis is not None:
            axis = self.case.geometry.placed.rotation @ np.array(subject.axis)
            cut = self._upright(point, axis)
        else:
            cut = self._standing(point)
        at = cut.frame.flat(point[None])[0]
        along = np.array([axis @ cut.frame.right, axis @ cut.frame.up])
        thick = subject.thickness.typical
        if subject.axis is not None:
            long = subject.length
            middle = at
        else:
            ends = planes.straight(cut.rings, at, along)
            if ends is None or finding.measured is None:
                return None
            long = finding.measured * thick
            middle = np.array([at[0], max(ends[0][1], ends[1][1]) - long / 2])
        if f"{mm(long)} mm" not in finding.message:
            return None
        square = np.array([-along[1], along[0]]) * thick / 2
        half = along * long / 2
        side = np.array([middle - half + square, middle + half + square])
        signs = (Sign("length", tuple(map(planes.flat, side)), f"{mm(long)} mm"),)
        label = f"{'Ø ' if subject.axis is not None else ''}{mm(thick)} mm"
        across = (middle - square, middle + square)
        wide = 1.6 * max(_spread(np.concatenate([side, across])), 1.0)
        kind: Literal["bore", "open"] = "bore" if subject.kind == "hole" else "open"
        around = shapely.LineString([middle - half, middle + half])
        within = around.buffer(thick / 2 * 1.02, cap_style="flat")
        return _Measured(cut, middle, across, thick, kind, signs, label, wide, within)

    def _stroke(self, point: _Floats, lines: list[_Floats]) -> tuple[planes.Frame, str]:
        """The plane across a stroke, square to its face: its width and its height lie in it."""
        high = lines[-1][1] - lines[-1][0]
        high = high / np.linalg.norm(high)
        wide = lines[0][1] - lines[0][0] if len(lines) > 1 else np.eye(3)[np.abs(high).argmin()]
        wide = wide - (wide @ high) * high
        wide = wide / np.linalg.norm(wide)
        right, up = (wide, high) if abs(high[2]) >= abs(wide[2]) else (high, wide)
        frame = planes.Frame(point, right, up if up[2] >= 0 else -up)
        return frame, "section across the stroke"

    def _upright(self, point: _Floats, way: _Floats) -> _Cut:
        frame = planes.upright(point, way)
        x, y, _ = frame.right.tolist()
        along = "the printer's x axis" if abs(x) > 0.999 else "the printer's y axis"
        if 0.001 < abs(x) < 0.999:
            along = f"a line {math.degrees(math.atan2(y, x)):.0f}° from the printer's x axis"
        return self._cut(frame, f"upright section along {along}", upright=True)

    def _between(self, point: _Floats, kind: Literal["wall", "gap"]) -> _Measured:
        """A wall or gap: between the outlines on both sides of the point, in the layer or, where
        walls are measured in space, in the plane in which it is thinner."""
        cut = self._layer(point)
        at = cut.frame.flat(point[None])[0]
        across = planes.crossing(cut.rings, at)
        if not self.case.layered:
            standing = self._standing(point)
            at_there = standing.frame.flat(point[None])[0]
            there = planes.crossing(standing.rings, at_there)
            if there is not None and (across is None or _length(there) < _length(across)):
                return _Measured(standing, at_there, there, _length(there), kind)
        return _Measured(cut, at, across, _length(across), kind)

    def _round(
        self, point: _Floats, axis: _Floats, diameter: float, kind: Literal["hole", "pin"]
    ) -> _Measured:
        cut = self._across(point, axis, f"axis of the {kind}")
        at = cut.frame.flat(point[None])[0]
        half = np.array([diameter / 2, 0.0])
        return _Measured(cut, at, (at - half, at + half), diameter, kind)

    def _across(self, point: _Floats, axis: _Floats, what: str) -> _Cut:
        """The section at right angles to an axis (3,), unit; in a layer where it stands upright."""
        if abs(axis[2]) >= _UPRIGHT:
            return self._layer(point)
        words = "upright section" if abs(axis[2]) < 0.02 else "section"
        frame = planes.across_axis(point, axis)
        return self._cut(frame, f"{words} across the {what}", upright=True)

    def _plate(self, point: _Floats, thickness: float) -> _Measured:
        cut = self._upright(point, np.array([1.0, 0.0, 0.0]))
        at = cut.frame.flat(point[None])[0]
        across = planes.straight(cut.rings, at, np.array([0.0, 1.0]))
        return _Measured(cut, at, across, thickness, "plate")

    def _standing(self, point: _Floats) -> _Cut:
        """The upright section through a point that holds the way to the nearest surface."""
        mesh = self.case.geometry.placed.mesh
        return self._upright(point, _toward_surface(mesh.vertices[mesh.triangles], point))

    def _layer(self, point: _Floats) -> _Cut:
        """The section of the layers through a point."""
        low = float(self.case.geometry.placed.mesh.vertices[:, 2].min())
        frame = planes.level(point)
        if not self.case.layered:
            words = f"level section {mm(float(point[2]) - low)} mm above the lowest point"
            return self._cut(frame, words, upright=False)
        sections = self.case.geometry.sections(self.case.rules.layer_height)
        if not len(sections.heights):
            return _Cut(frame, "", ())
        layer = int(np.argmin(np.abs(sections.heights - point[2])))
        section = int(sections.distinct[layer])
        words = f"layer {layer + 1}, {mm(float(sections.heights[layer]) - low)} mm up"
        return _Cut(frame, words, sections.rings(section) if section >= 0 else ())

    def _cut(self, frame: planes.Frame, words: str, *, upright: bool) -> _Cut:
        geometry = self.case.geometry
        rings = planes.outlines(geometry.placed.mesh, frame, untangle=not geometry.sound)
        return _Cut(frame, words, rings, upright)

    def _drawn(self, finding: Finding, measured: _Measured) -> View:
        cut, at, size = measured.cut, measured.point, measured.size
        typical = finding.subject.thickness.typical if finding.subject else size
        wide = min(max(measured.wide or _TIMES * max(size, typical), _LEAST), _MOST)
        at_middle = at if measured.middle is None else measured.middle
        window = _around(at_middle, wide)
        margin = max(2 * size, wide / 4)
        near = planes.region(cut.rings, _around(at_middle, wide + 2 * margin))
        frame = shapely.box(*window)
        fine = wide / 2000
        place = self._place(near, measured, _around(at_middle, wide + margin))
        shown, changed, sized, beads = self._outcome(near, place, measured, finding)

        def cropped(shape: BaseGeometry) -> tuple[Line, ...]:
            return planes.lines_of(shape.intersection(frame), fine)

        whole = self._whole_of(cut)
        across = measured.across
        if across is not None and not _inside(across, window):
            across = None
        return View(
            finding=finding.id,
            plane=cut.words,
            upright=cut.upright,
            window=window,
            point=planes.flat(at),
            rings=cropped(near),
            place=cropped(place),
            shown=shown,
            changed=cropped(changed),
            sized=sized,
            beads=planes.strokes_of(beads.intersection(frame), fine),
            across=(planes.flat(across[0]), planes.flat(across[1])) if across else None,
            label=(measured.label or _label(finding)) if across else "",
            signs=measured.signs,
            whole=whole[0],
            whole_box=whole[1],
        )

    def _whole_of(self, cut: _Cut) -> tuple[tuple[Line, ...], Box2]:
        if cut.upright:
            return planes.simplified(cut.rings, _RINGS)
        if cut.words not in self._whole:
            self._whole[cut.words] = planes.simplified(cut.rings, _RINGS)
        return self._whole[cut.words]

    def _place(self, near: BaseGeometry, measured: _Measured, box: Box2) -> BaseGeometry:
        """The wall, gap or hole itself."""
        nothing = shapely.Polygon()
        if measured.kind == "cavity":
            # Without what lies beyond its ways out.
            air = shapely.box(*box).difference(near)
            if measured.within is not None:
                air = air.intersection(measured.within)
            air = air.buffer(-measured.size * 0.55 - 0.01).buffer(measured.size * 0.55 + 0.01)
            return _part_at(air, shapely.Point(measured.point), 0.0)
        if measured.kind == "bore" and measured.within is not None:
            return measured.within.difference(near)
        if measured.across is None or measured.kind == "open":
            return nothing
        searched = near
        if measured.kind in ("gap", "hole"):
            searched = shapely.box(*box).difference(near)
        centre = shapely.Point(measured.point)
        if measured.kind in ("hole", "pin"):
            disc = centre.buffer(measured.size / 2 * 1.02 + 0.01, quad_segs=32)
            return _part_at(searched.intersection(disc), centre, measured.size)
        radius = max(_length(measured.across), measured.size) / 2 * 1.03 + 0.01
        opened = searched.buffer(-radius).buffer(radius * 1.001)
        return _part_at(searched.difference(opened), centre, measured.size)

    def _outcome(
        self, near: BaseGeometry, place: BaseGeometry, measured: _Measured, finding: Finding
    ) -> tuple[Shown, BaseGeometry, bool, BaseGeometry]:
        """How the place comes out, what changes, whether its size is known, where beads meet."""
        nothing = shapely.Polygon()
        if measured.kind == "bore":
            return "hole", nothing, True, nothing
        if measured.kind in ("gap", "hole", "cavity", "open"):
            return measured.kind, nothing, True, nothing
        if measured.kind == "plate":
            return "solid", nothing, True, self._layers(place)
        table, tolerance = self.case.table, self.case.rules.tolerance
        thickness = _judged(finding)
        shown: Shown = table.classify(thickness, tolerance)
        outcome = table.outcome(thickness)
        if shown == "hollow":  # but where it leans
            shown = _LEANING.get(finding.fill or "", shown)
        drawn = _length(measured.across)
        sized = True
        changed: BaseGeometry = nothing
        if shown in ("hollow", "porous") and outcome.printed is not None:
            sized = outcome.air > 0
            kept = (outcome.printed - outcome.air) / 2 if sized else drawn / 3
            changed = near.buffer(-min(kept, drawn / 2 - 0.01)).intersection(place)
        elif shown in ("thickened", "thinned") and outcome.deviation is not None:
            off = outcome.deviation / 2
            if off > 0:
                changed = place.buffer(off).difference(near)
            else:
                changed = place.difference(near.buffer(off))
        beads = nothing if shown == "missing" else self._beads(near, place, thickness, drawn)
        return shown, changed, sized, beads

    def _beads(
        self, near: BaseGeometry, place: BaseGeometry, thickness: float, drawn: float
    ) -> BaseGeometry:
        """The inner edges of the contours in a wall: they lie along its outline, in pairs."""
        beads = self.case.rules.beads
        nothing = shapely.LineString()
        if beads is None or not self.case.layered or place.is_empty:
            return nothing
        settings = Settings.of(beads, self.case.rules.layer_height)
        laid = lay(np.array(reading(thickness)), settings)
        inside = place.buffer(-0.002)
        lines = []
        for number in range(1, int(laid.number) // 2 + 1):
            depth = min(float(settings.together(number, laid.width)), drawn / 2 - 0.01)
            if depth > 0:
                lines.append(near.buffer(-depth).boundary.intersection(inside))
        return shapely.unary_union(lines) if lines else nothing

    def _layers(self, place: BaseGeometry) -> BaseGeometry:
        """Where layers meet."""
        if place.is_empty:
            return shapely.LineString()
        height = self.case.rules.layer_height
        low = float(self.case.geometry.placed.mesh.vertices[:, 2].min())
        left, bottom, right, top = place.bounds
        first, last = math.ceil((bottom - low) / height), math.floor((top - low) / height)
        levels = [low + number * height for number in range(first, min(last, first + 200) + 1)]
        strokes = [shapely.LineString([(left, z), (right, z)]) for z in levels]
        return shapely.unary_union([stroke.intersection(place) for stroke in strokes])


def views_of(case: Case, findings: Sequence[Finding], most: int) -> tuple[tuple[View, ...], int]:
    """A view of each finding that has a place, of at most `most`; and how many were left out."""
    from wallguard.base.errors import TooLargeError

    viewer = Viewer(case)
    views: list[View] = []
    for at, finding in enumerate(findings):
        if at >= most:
            break
        try:
            view = viewer.view(finding)
        except (shapely.errors.GEOSException, TooLargeError):
            # An outline too tangled to be drawn: the finding stands, it only has no picture.
            view = None
        if view is not None:
            views.append(view)
    return tuple(views), max(0, len(findings) - most)


def _first_told(finding: Finding, subject: Subject) -> list[Mark]:
    """A subject's marks, the one first whose number the worst limit has."""
    told = "" if finding.measured is None else f"{mm(finding.measured)} mm"
    return sorted(subject.marks, key=lambda mark: mark.kind == "length" and mark.label != told)


def _spread(points: _Floats) -> float:
    """How wide what is shown must be at least, so that points (n, 2) are."""
    return max(float(np.ptp(points[:, 0])), RATIO * float(np.ptp(points[:, 1])))


def _around(at: _Floats, wide: float) -> Box2:
    x, y = float(at[0]), float(at[1])
    high = wide / RATIO
    return x - wide / 2, y - high / 2, x + wide / 2, y + high / 2


def _inside(across: tuple[_Floats, _Floats], box: Box2) -> bool:
    return all(box[0] <= p[0] <= box[2] and box[1] <= p[1] <= box[3] for p in across)


def _length(across: tuple[_Floats, _Floats] | None) -> float:
    return float(np.linalg.norm(across[1] - across[0])) if across else 0.0


def _judged(finding: Finding) -> float:
    """The thickness (mm) that decides how the place comes out: the one that broke a limit on its
    outcome, else that of most of it."""
    for breach in finding.breaches:
        # Where there is a limit, what was measured is how far the print is off.
        if breach.check == "fill" and breach.limit is None and breach.measured is not None:
            return breach.measured
    return finding.subject.thickness.typical if finding.subject else 0.0


def _label(finding: Finding) -> str:
    """What the dimension says: the number with which the message begins."""
    subject = finding.subject
    if subject is None:
        return ""
    thickness = subject.thickness
    if subject.axis is not None:
        return f"Ø {mm(thickness.typical)} mm"
    if subject.kind == "wall" and finding.breaches[0].check == "fill":
        return span(thickness.min, thickness.typical, thickness.max)
    return f"{mm(thickness.min)} mm"


def _part_at(shape: BaseGeometry, point: shapely.Point, reach: float) -> BaseGeometry:
    """The connected part of a region that lies at a point, or nearest to it within reach."""
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    near = min(parts, key=lambda part: (part.distance(point), -part.area), default=None)
    if near is None or near.distance(point) > max(reach, 0.05):
        return shapely.Polygon()
    return near


def _toward_surface(corners: _Floats, point: _Floats) -> _Floats:
    """The vector (3,) from a point to the nearest of triangles (m, 3, 3)."""
    centre = corners.mean(axis=1)
    reach = np.sqrt(((corners - centre[:, None]) ** 2).sum(axis=2).max(axis=1))
    away = np.linalg.norm(centre - point, axis=1)
    some = corners[away - reach <= (away + reach).min()]
    best, way = math.inf, np.array([1.0, 0.0, 0.0])
    for triangle in some[:20000]:
        near = _on_triangle(triangle, point)
        gap = float(np.linalg.norm(near - point))
        if gap < best - 1e-9:
            best, way = gap, near - point
    return way if best > 1e-9 else np.array([1.0, 0.0, 0.0])


def _on_triangle(corners: _Floats, point: _Floats) -> _Floats:
    """The point (3,) of a triangle (3, 3) that is nearest to a point (3,)."""
    a, b, c = corners
    normal = np.cross(b - a, c - a)
    square = float(normal @ normal)
    if square > 1e-24:
        onto = point - ((point - a) @ normal / square) * normal
        sides = ((a, b), (b, c), (c, a))
        if all(np.cross(end - begin, onto - begin) @ normal >= 0 for begin, end in sides):
            return np.asarray(onto)
    best = a
    for begin, end in ((a, b), (b, c), (c, a)):
        way = end - begin
        share = float(np.clip((point - begin) @ way / max(float(way @ way), 1e-18), 0.0, 1.0))
        near = begin + share * way
        if np.linalg.norm(near - point) < np.linalg.norm(best - point):
            best = near
    return np.asarray(best)
