"""Where on the plate a part lies, found from the laid material alone.

Coarse: in a few layers the section is turned by quarter turns and slid over the laid material;
material just inside the outline counts for a place, material just outside it against it. Fine: at
points of the outline, where does the nearest edge of laid material lie? The shift that brings the
outline there, by least squares over all points with less weight for those far off. Beads that
make walls thicker or thinner on both sides alike do not move the result.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import inside, ranges
from wallguard.base.errors import InputError
from wallguard.part.geometry import Geometry
from wallguard.sections.cut import cut_at
from wallguard.sections.sections import Sections, neighbours
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.lines import Cells, Crossings, Strands, crossings

if TYPE_CHECKING:
    from shapely import Geometry as Shape

# Layers looked at for placing, and points of their outlines.
_LAYERS, _POINTS = 6, 6000
# Squares of the coarse search, mm, and how many at most along a side.
_SQUARE, _SQUARES = 0.4, 1000
# How wide the bands inside and outside the outline are, mm.
_BAND = 0.8
# Places that score less than this share of the best are no copies; of two turns that are as good
# as each other to this, the smaller counts.
_COPY, _AS_GOOD = 0.6, 0.02
_MOST_COPIES = 64
# Coarse places about one copy that are looked at closely.
_TRIED = 3
# How much of their section two copies may share by error.
_OVERLAP = 0.02
# How far off a bead's edge may be, mm, and how much of the outline must have one there.
_NEAR, _ENOUGH = 0.25, 0.4
# Less of what is laid in its box does not lie outside of the part, supports and others included.
_INSIDE = 0.3
# How far around a coarse place a finer one is looked for, and in which steps, mm; how near an edge
# has to be to count there, and at how many points.
_AROUND, _STEP, _KERNEL, _LOOKED_AT = 2.0, 0.2, 0.15, 2000
# How far the fine search sees, mm, round after round.
_SIGHT = (0.6, 0.4, 0.4)
# What is thicker than this (mm) no process leaves out: a toolpath that does is of another part.
_THICK = 1.5
# Of another scale are outlines that differ by more than this, mm, and alike in both directions.
_DIFFERS, _ALIKE = (0.3, 0.6), (0.8, 1.25)
# At that scale, so much of the outline has to agree.
_FITS = 0.75

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Placement:
    """A copy of the part on the plate. Lengths in mm.

    turns     quarter turns, counter-clockwise seen from above
    shift     added to the turned part's own coordinates (as printed); `lift`: the same in z
    middle    where the middle of its box lies on the plate
    outline   share of its outline that has an edge of laid material within 0.25 mm
    covered   share of its sections that is covered by beads
    inside    share of the laid ground in its box that lies inside its sections
    """

    turns: int
    shift: tuple[float, float]
    lift: float
    middle: tuple[float, float]
    outline: float = 0.0
    covered: float = 0.0
    inside: float = 0.0

    def to_plate(self, points: _Floats) -> _Floats:
        """Points (n, 2) of the part as printed, on the plate."""
        moved: _Floats = turned(points, self.turns) + np.array(self.shift)
        return moved

    def to_part(self, points: _Floats) -> _Floats:
        """Points (n, 2) of the plate, in the part as printed."""
        return turned(points - np.array(self.shift, np.float64), -self.turns)

    def words(self) -> str:
        """Where it lies and how well it fits."""
        x, y = self.middle
        turn = f", turned by {90 * self.turns}°" if self.turns else ""
        return (
            f"the middle of the part lies at X {x:.2f} Y {y:.2f}{turn}; {self.outline:.0%} of its "
            f"outline has a bead's edge within {_NEAR:g} mm, beads cover {self.covered:.0%} of its "
            f"sections, and {self.inside:.0%} of what is laid within its box lies inside them"
        )


def turned(points: _Floats, turns: int) -> _Floats:
    """Points (n, 2) turned about the origin by quarter turns, counter-clockwise."""
    x, y = points[:, 0], points[:, 1]
    way = turns % 4
    if way == 0:
        return points
    if way == 1:
        return np.column_stack([-y, x])
    return np.column_stack([-x, -y] if way == 2 else [y, -x])


def find_places(
    geometry: Geometry,
    laid: Beads,
    *,
    part: str | Path,
    path: str | Path,
    at: tuple[float, float] | None = None,
) -> tuple[Placement, ...]:
    """Every copy of the part on the plate, by y, then x.

    at  near which place (mm) the middle of the part's box lies; None: search the plate

    Raises InputError, with the sizes of both, where what is laid is not this part, is of another
    scale, or lies otherwise.
    """
    search = _Search(geometry, laid)
    if not search.layers:
        raise _mismatch(geometry, laid, part, path, "no layer of it is as high as the part")
    found = [search.refined(place) for place in search.coarse(at)]
    found = [place for place in found if place.outline >= _ENOUGH]
    found = search.apart(found)
    if not found:
        raise _mismatch(geometry, laid, part, path, "what it lays has nowhere the part's outline")
    good, problems = [], []
    for place in found:
        judged, problem = search.judged(place)
        problem = search.height_problem(place) or problem
        problems.append(problem)
        if not problem:
            good.append(judged)
    if not good:
        raise _mismatch(geometry, laid, part, path, problems[0])
    found = good
    return tuple(sorted(found, key=lambda one: (round(one.middle[1], 1), round(one.middle[0], 1))))


class _Search:
    def __init__(self, geometry: Geometry, laid: Beads) -> None:
        self.geometry, self.laid = geometry, laid
        mesh = geometry.placed.mesh
        self.low, self.high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
        self.size = self.high - self.low
        self.layers = self._chosen()
        heights = np.array(
            [laid.layer_z[k] - laid.layer_height[k] / 2 + self.low[2] for k in self.layers]
        )
        order = np.argsort(heights, kind="stable")
        self.layers = [self.layers[k] for k in order]
        usual = float(np.median(laid.layer_height))
        self.sections: Sections = cut_at(mesh, heights[order], usual, untangle=not geometry.sound)

    def _chosen(self) -> list[int]:
        """Layers of the toolpath within the part's height, spread over it; above the first few
        where there are enough, for these may have a brim."""
        laid = self.laid
        middle = laid.layer_z - laid.layer_height / 2
        top = float(self.size[2])
        fits = np.flatnonzero((middle > 0) & (middle < top) & (laid.layer_height > 0))
        # Where objects have layers of their own at one height, take those with more material.
        volume = np.bincount(laid.layer, laid.volume, len(laid.layer_z))
        fits = fits[volume[fits] > 0]
        if len(fits) > 4 * _LAYERS:
            fits = fits[2:]
        elif len(fits) > 3:
            fits = fits[1:]
        if len(fits) <= _LAYERS:
            return [int(k) for k in fits]
        spread = np.unique(np.linspace(0, len(fits) - 1, _LAYERS).round().astype(int))
        return [int(fits[k]) for k in spread]

    def beads_of(self, layer: int) -> _Ints:
        chosen = self.laid.in_layer(layer)
        return chosen[~self.laid.odd[chosen]]

    def coarse(self, at: tuple[float, float] | None) -> list[Placement]:
        """Places worth a closer look, best first."""
        from scipy.fft import irfft2, next_fast_len, rfft2

        if at is not None:
            return [self._around(turns, at) for turns in range(4)]
        laid = self.laid
        chosen = np.concatenate([self.beads_of(layer) for layer in self.layers])
        if not len(chosen):
            return []
        ends = np.concatenate([laid.start[chosen], laid.end[chosen]])
        origin, top = ends.min(axis=0) - 1.0, ends.max(axis=0) + 1.0
        span = float(max((top - origin).max(), self.size[:2].max()))
        square = max(_SQUARE, span / _SQUARES)
        edge = math.ceil(2 * _BAND / square) + 2
        part = np.ceil(self.size[:2] / square).astype(int) + 2 * edge
        plate = np.ceil((top - origin) / square).astype(int) + 1
        grid = [next_fast_len(int(plate[axis] + part.max() + 1), real=True) for axis in (1, 0)]
        spectra = []
        for layer in self.layers:
            ground = np.zeros(grid, np.float32)
            _put(ground, laid, self.beads_of(layer), origin, square)
            spectra.append(rfft2(ground))
        scores = []
        for turns in range(4):
            total, weight = None, 0.0
            for number, spectrum in enumerate(spectra):
                pattern, best = self._pattern(number, turns, square, edge, grid)
                weight += best
                product = spectrum * np.conj(rfft2(pattern))
                total = product if total is None else total + product
            if total is None or weight <= 0:
                continue
            scores.append((turns, irfft2(total, grid) / weight))
        return self._peaks(scores, origin, square, edge)

    def _pattern(
        self, number: int, turns: int, square: float, edge: int, grid: list[int]
    ) -> tuple[NDArray[np.float32], float]:
        """A section as what counts for a place and against it, and the most it can score."""
        from scipy.ndimage import binary_dilation, binary_erosion

        section = int(self.sections.distinct[number])
        rings = [] if section < 0 else self.sections.rings(section)
        low = self._box(turns)[0]
        size = self.size[:2] if turns % 2 == 0 else self.size[1::-1]
        shape = np.ceil(size / square).astype(int) + 2 * edge
        inside = _raster(
            [(turned(ring, turns) - low) / square + edge for ring in rings],
            int(shape[1]),
            int(shape[0]),
        )
        wide = max(1, round(_BAND / square))
        core = binary_erosion(inside, iterations=wide)
        near = binary_dilation(inside, iterations=wide)
        pattern = np.zeros(grid, np.float32)
        value = np.where(inside, np.where(core, 0.15, 1.0), np.where(near, -1.0, -0.1))
        pattern[: shape[1], : shape[0]] = value
        return pattern, float(value[inside].sum())

    def _box(self, turns: int) -> tuple[_Floats, _Floats]:
        corners = turned(np.array([self.low[:2], self.high[:2]]), turns)
        return corners.min(axis=0), corners.max(axis=0)

    def _peaks(
        self,
        scores: list[tuple[int, NDArray[np.float32]]],
        origin: _Floats,
        square: float,
        edge: int,
    ) -> list[Placement]:
        if not scores:
            return []
        best = max(float(score.max()) for _, score in scores)
        if best <= 0:
            return []
        spots: list[tuple[float, int, int, int]] = []
        for turns, score in scores:
            rows, columns = np.nonzero(score >= _COPY * best)
            value = score[rows, columns]
            handicap = best * _AS_GOOD * turns / 3
            order = np.argsort(-value, kind="stable")[:20000]
            spots += [
                # The smaller turn goes first where both fit.
                (float(value[k]) - handicap, turns, int(rows[k]), int(columns[k]))
                for k in order
            ]
        spots.sort(key=lambda spot: (-spot[0], spot[1:]))
        found: list[Placement] = []
        taken: list[_Floats] = []
        for _, turns, row, column in spots:
            shape = scores[0][1].shape
            # Shifts to the left and below come out at the far end.
            reach = int(self.size[:2].max() / square) + 2 * edge
            place = [
                spot - side if spot > side - reach else spot
                for spot, side in zip((column, row), shape[::-1], strict=True)
            ]
            low, high = self._box(turns)
            corner = origin + (np.array(place) + edge) * square
            middle = corner + (high - low) / 2
            away = [np.abs(middle - other) for other in taken]
            beside = sum(bool((one < 0.4 * self.size[:2].min()).all()) for one in away)
            if beside >= _TRIED or any((one < _AROUND + square).all() for one in away):
                continue
            taken.append(middle)
            found.append(self._around(turns, (float(middle[0]), float(middle[1]))))
            if len(found) >= _MOST_COPIES:
                break
        return found

    def _around(self, turns: int, middle: tuple[float, float]) -> Placement:
        low, high = self._box(turns)
        shift = np.array(middle) - (low + high) / 2
        return Placement(turns, (float(shift[0]), float(shift[1])), -float(self.low[2]), middle)

    def refined(self, place: Placement) -> Placement:
        """The place moved to where outline and bead edges agree, and how much of them does."""
        point, normal, layer = self._outline()
        if not len(point):
            return place
        direction = turned(normal, place.turns)
        near = 0.0
        cells = self._cells(place)
        place = _moved(place, _best_near(cells, layer, place.to_plate(point), direction))
        for sight in _SIGHT:
            off = _offsets(cells, layer, place.to_plate(point), direction, sight)
            good = np.isfinite(off)
            near = float(np.mean(np.abs(np.where(good, off, np.inf)) <= _NEAR))
            if np.count_nonzero(good) < 8:
                break
            place = _moved(place, _shift(direction[good], off[good]))
        off = _offsets(cells, layer, place.to_plate(point), direction, _SIGHT[-1])
        near = float(np.mean(np.abs(np.where(np.isfinite(off), off, np.inf)) <= _NEAR))
        return replace(place, outline=near)

    def _outline(self) -> tuple[_Floats, _Floats, _Ints]:
        """Points along the outlines, their inward normals, and their layers (numbers from 0)."""
        sections = self.sections
        _, after = neighbours(sections.ring_start)
        chord = sections.points[after] - sections.points
        length = np.hypot(chord[:, 0], chord[:, 1])
        size = np.diff(sections.ring_start)
        owner = np.repeat(sections.ring_section, size)
        times = np.bincount(sections.distinct[sections.distinct >= 0], minlength=1)
        whole = float((length * times[owner]).sum()) if len(length) else 0.0
        step = max(0.5, whole / _POINTS)
        points, normals, layers = [], [], []
        for number, section in enumerate(sections.distinct.tolist()):
            edge = np.flatnonzero((owner == section) & (length > 1e-6))
            if not len(edge):
                continue
            # Evenly along all edges of the section; short edges share their points.
            gone = np.cumsum(length[edge])
            at = np.arange(step / 2, gone[-1], step)
            which = np.searchsorted(gone, at)
            on = edge[which]
            share = 1 - (gone[which] - at) / length[on]
            points.append(sections.points[on] + share[:, None] * chord[on])
            unit = chord[on] / length[on, None]
            normals.append(np.column_stack([-unit[:, 1], unit[:, 0]]))
            layers.append(np.full(len(on), number))
        if not points:
            return np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0, np.int64)
        return np.concatenate(points), np.concatenate(normals), np.concatenate(layers)

    def _cells(self, place: Placement) -> Cells:
        laid = self.laid
        low, high = self._box(place.turns)
        low, high = low + place.shift - 3.0, high + place.shift + 3.0
        kept, number = [], []
        for index, layer in enumerate(self.layers):
            chosen = self.beads_of(layer)
            first = np.minimum(laid.start[chosen], laid.end[chosen])
            last = np.maximum(laid.start[chosen], laid.end[chosen])
            chosen = chosen[((first <= high) & (last >= low)).all(axis=1)]
            kept.append(chosen)
            number.append(np.full(len(chosen), index, np.int64))
        which = np.concatenate(kept)
        return Cells(
            Strands(laid.start[which], laid.end[which], laid.width[which], np.concatenate(number))
        )

    def apart(self, found: list[Placement]) -> list[Placement]:
        """Without those that lie over a better one: two copies share no ground."""
        import shapely

        ranked = sorted(
            found, key=lambda one: (-round(one.outline / _AS_GOOD), one.turns, one.middle)
        )
        shapes = [
            polygon(self.sections.rings(int(number)))
            for number in np.unique(self.sections.distinct[self.sections.distinct >= 0])
        ]
        if not shapes or not ranked:
            return ranked[:1]
        shape = max(shapes, key=lambda one: float(one.area))
        kept: list[tuple[Placement, Any]] = []
        for place in ranked:
            if place.outline < _COPY * ranked[0].outline:
                break
            ground = shapely.transform(shape, place.to_plate)
            limit = _OVERLAP * shape.area
            if all(shapely.intersection(ground, other).area <= limit for _, other in kept):
                kept.append((place, ground))
        return [place for place, _ in kept]

    def height_problem(self, place: Placement) -> str:
        """Why the heights do not agree; empty where they do."""
        laid = self.laid
        low, high = self._box(place.turns)
        middle = (laid.start + laid.end) / 2
        here = ((middle >= low + place.shift) & (middle <= high + place.shift)).all(axis=1)
        here &= ~laid.odd
        if not here.any():
            return "nothing is laid where the part would be"
        top, part = float(laid.z[here].max()), float(self.size[2])
        step = float(laid.height[here].max())
        if top > part + 1.5 * step:
            above = np.flatnonzero(here & (laid.z > part + 1.5 * step))
            last = self.sections.distinct[-1]
            if (
                last >= 0
                and _share_inside(self.sections.rings(int(last)), place.to_part(middle[above]))
                > 0.5
            ):
                return f"it goes on to a height of {top:.2f} mm where the part ends"
        if top < part - 1.5 * step:
            height = self.low[2] + (top + step / 2)
            mesh, sound = self.geometry.placed.mesh, self.geometry.sound
            rest = cut_at(mesh, np.array([height]), step, untangle=not sound)
            rings = rest.rings(0) if rest.distinct[0] >= 0 else []
            if not polygon(rings).buffer(-_THICK / 2).is_empty:
                return f"it ends at a height of {top:.2f} mm, below the part's top"
        return ""

    def judged(self, place: Placement) -> tuple[Placement, str]:
        """The place with how much of the sections is covered, and of the ground is inside; and
        why it is not this part after all, empty where it is."""
        import shapely

        from wallguard.toolpath.beads import footprint

        low, high = self._box(place.turns)
        box = shapely.box(*(low + place.shift - 0.5), *(high + place.shift + 0.5))
        section_area = ground = both = 0.0
        problems = []
        for number in sorted({0, len(self.layers) // 2, len(self.layers) - 1}):
            section = int(self.sections.distinct[number])
            if section < 0:
                continue
            chosen = self.beads_of(self.layers[number])
            first = np.minimum(self.laid.start[chosen], self.laid.end[chosen])
            last = np.maximum(self.laid.start[chosen], self.laid.end[chosen])
            # As far again around, to see whether what is laid is larger.
            room = (high - low) / 2 + 2
            keep = (first <= high + place.shift + room).all(axis=1)
            keep &= (last >= low + place.shift - room).all(axis=1)
            everything = footprint(self.laid, chosen[keep])
            covered = shapely.intersection(everything, box)
            shape = polygon([place.to_plate(ring) for ring in self.sections.rings(section)])
            section_area += shape.area
            ground += covered.area
            both += shapely.intersection(covered, shape).area
            problems.append(_other_size(everything, shape))
        place = replace(
            place,
            covered=both / section_area if section_area else 0.0,
            inside=both / ground if ground else 0.0,
        )
        # One layer may be odd; the part is not for it.
        if place.inside < _INSIDE:
            return place, "most of what it lays there lies outside of the part's sections"
        wrong = [problem for problem in problems if problem]
        return place, wrong[0] if 2 * len(wrong) > len(problems) else ""


def _other_size(everything: Shape, shape: Shape) -> str:
    """Why what is laid where the section lies has another scale; empty where it has not."""
    import shapely

    pieces = [
        piece
        for piece in getattr(everything, "geoms", [everything])
        if shapely.intersection(piece, shape).area > 0.3 * piece.area > 0
    ]
    if not pieces:
        return ""
    made, drawn = (np.array(one.bounds) for one in (shapely.union_all(pieces), shape))
    size = drawn[2:] - drawn[:2]
    more = (made[2:] - made[:2]) - size
    least, most = np.abs(more).min(), np.abs(more).max()
    if least < _DIFFERS[0] or most < _DIFFERS[1] or more[0] * more[1] < 0:
        return ""
    ratio = (more[0] / size[0]) / (more[1] / size[1])
    if not _ALIKE[0] < ratio < _ALIKE[1]:
        return ""
    scale = 1 + float((more / size).mean())
    middle, goal = (drawn[:2] + drawn[2:]) / 2, (made[:2] + made[2:]) / 2
    other = shapely.transform(shape, lambda points: (points - middle) * scale + goal)
    edge = shapely.boundary(shapely.union_all(pieces)).buffer(_NEAR)

    def agrees(one: Shape) -> float:
        outline = shapely.boundary(one)
        return float(shapely.intersection(outline, edge).length / max(outline.length, 1e-9))

    # Walls that are left out make it smaller too; but then the rest does not fit.
    if agrees(other) < max(_FITS, agrees(shape) + 0.05):
        return ""
    return f"its layers are {scale:.4g} times the size of the part's sections"


def polygon(rings: list[_Floats]) -> Shape:
    """Rings, even-odd, as a shapely geometry."""
    import shapely

    whole = shapely.MultiPolygon()
    for ring in rings:
        whole = shapely.symmetric_difference(whole, shapely.make_valid(shapely.Polygon(ring)))
    return whole


def _share_inside(rings: list[_Floats], points: _Floats) -> float:
    if not len(points) or not rings:
        return 0.0
    after = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    return float(np.mean(inside(np.concatenate(rings), after, points)))


def _put(
    ground: NDArray[np.float32], laid: Beads, chosen: _Ints, origin: _Floats, square: float
) -> None:
    """Note beads in squares: the share of each that they cover, 1 at most."""
    start, end, width = laid.start[chosen], laid.end[chosen], laid.width[chosen]
    length = np.hypot(*(end - start).T)
    count = np.maximum(np.ceil(2 * length / square), 1).astype(np.int64)
    owner, number = ranges(0, count)
    share = (number + 0.5) / count[owner]
    place = start[owner] + share[:, None] * (end - start)[owner]
    column, row = np.floor((place - origin) / square).astype(np.int64).T
    amount = length[owner] / count[owner] * width[owner] / square**2
    total = np.bincount(row * ground.shape[1] + column, amount, ground.size)
    ground += np.minimum(total, 1.0).reshape(ground.shape).astype(np.float32)


def _raster(rings: list[_Floats], rows: int, columns: int) -> NDArray[np.bool_]:
    """Which squares of side 1 have their middle inside the rings."""
    turns = np.zeros((rows, columns + 1), np.int32)
    for ring in rings:
        after = np.roll(ring, -1, axis=0)
        first = np.ceil(np.minimum(ring[:, 1], after[:, 1]) - 0.5).astype(np.int64)
        last = np.ceil(np.maximum(ring[:, 1], after[:, 1]) - 0.5).astype(np.int64)
        many = np.maximum(last - first, 0)
        edge, row = ranges(first, many)
        rise = (after - ring)[edge]
        x = ring[edge, 0] + (row + 0.5 - ring[edge, 1]) * rise[:, 0] / rise[:, 1]
        column = np.ceil(x - 0.5).astype(np.int64).clip(0, columns)
        inside = (row >= 0) & (row < rows)
        np.add.at(
            turns,
            (row[inside], column[inside]),
            np.where(rise[inside, 1] > 0, -1, 1).astype(np.int32),
        )
    found: NDArray[np.bool_] = np.cumsum(turns, axis=1)[:, :columns] != 0
    return found


def _moved(place: Placement, move: _Floats) -> Placement:
    x, y = float(move[0]), float(move[1])
    return replace(
        place,
        shift=(place.shift[0] + x, place.shift[1] + y),
        middle=(place.middle[0] + x, place.middle[1] + y),
    )


def _best_near(cells: Cells, layer: _Ints, point: _Floats, direction: _Floats) -> _Floats:
    """The move, of those around in steps, after which most points have an edge beside them.

    Where walls stand close together the edge that is nearest now may be of another wall.
    """
    some = np.linspace(0, len(point) - 1, min(len(point), _LOOKED_AT)).astype(np.int64)
    sight = np.full(len(some), 1.5 * _AROUND)
    owners, edges = [], []
    for met in crossings(cells, layer[some], point[some], direction[some], sight):
        begins = _beginnings(met, float(sight[0]))
        owners.append(met.line[begins])
        edges.append(met.low[begins])
    if not owners or not sum(map(len, owners)):
        return np.zeros(2)
    owner, edge = np.concatenate(owners), np.concatenate(edges)
    normal = direction[some][owner]
    first = np.flatnonzero(np.append(True, owner[1:] != owner[:-1]))
    # Most of the outline may run one way; what runs otherwise tells as much.
    way = (
        np.floor(np.arctan2(normal[:, 1], normal[:, 0]) % np.pi * 12 / np.pi).astype(np.int64) % 12
    )
    weight = 1 / np.sqrt(np.bincount(way, minlength=12))[way[first]]
    steps = np.arange(-_AROUND, _AROUND + _STEP / 2, _STEP)
    best, chosen = -1.0, np.zeros(2)
    for x in steps.tolist():
        for y in steps.tolist():
            rest = edge - normal[:, 0] * x - normal[:, 1] * y
            near = np.exp(-((rest / _KERNEL) ** 2))
            # Of places as good the one that is nearest to where it was.
            score = float((weight * np.maximum.reduceat(near, first)).sum())
            score -= 1e-6 * math.hypot(x, y)
            if score > best:
                best, chosen = score, np.array([x, y])
    return chosen


def _beginnings(met: Crossings, sight: float) -> NDArray[np.bool_]:
    """Which crossings begin where nothing before covers, looking inward, and within sight."""
    if not len(met.line):
        return np.zeros(0, bool)
    before = _covered_up_to(met.line, met.high)
    begins = np.append(True, met.line[1:] != met.line[:-1])
    begins[1:] |= met.low[1:] > before[:-1] + 0.02
    # What is cut off at the end of sight has its edge elsewhere.
    found: NDArray[np.bool_] = begins & (met.low > -sight + 1e-9)
    return found


def _offsets(
    cells: Cells, layer: _Ints, point: _Floats, direction: _Floats, sight: float
) -> _Floats:
    """How far inward of each point the outer edge of laid material lies; nan: none in sight."""
    nearest = np.full(len(point), np.nan)
    for met in crossings(cells, layer, point, direction, np.full(len(point), sight)):
        begins = _beginnings(met, sight)
        line, low = met.line[begins], met.low[begins]
        order = np.lexsort((np.abs(low), line))
        line, low = line[order], low[order]
        first = np.append(True, line[1:] != line[:-1]) if len(line) else np.zeros(0, bool)
        nearest[line[first]] = low[first]
    return nearest


def _covered_up_to(line: _Ints, high: _Floats) -> _Floats:
    """Running greatest of `high` within each line (sorted by line)."""
    if not len(line):
        return high
    span = float(high.max() - high.min()) + 1.0
    found: _Floats = np.maximum.accumulate(high + line * span) - line * span
    return found


def _shift(direction: _Floats, off: _Floats) -> _Floats:
    """The move that brings the outline to the edges, least squares with outliers weighted down.

    The third unknown is how far all edges lie inward alike: beads wider than they should be.
    """
    columns = np.column_stack([direction, np.ones(len(off))])
    found = np.zeros(3)
    for _ in range(10):
        rest = off - columns @ found
        scale = max(0.02, 1.5 * float(np.median(np.abs(rest))))
        weight = 1 / (1 + (rest / scale) ** 2)
        normal = (columns * weight[:, None]).T @ columns
        # Where nothing tells (all walls run one way) nothing moves.
        normal += 1e-6 * len(off) * np.eye(3)
        before = found
        found = np.asarray(np.linalg.solve(normal, (columns * weight[:, None]).T @ off), np.float64)
        if np.abs(found - before).max() < 1e-5:
            break
    return found[:2]


def _mismatch(
    geometry: Geometry, laid: Beads, part: str | Path, path: str | Path, problem: str
) -> InputError:
    """An error that says how large both are, and what that looks like."""
    size = np.array(geometry.extents)
    fine = ~laid.odd
    # Skirts, brims and priming lie at the bottom.
    upper = fine & (laid.z > 0.3 * laid.z.max())
    chosen = upper if upper.any() else fine
    wide = laid.width[chosen, None] / 2
    low = np.minimum(laid.start, laid.end)[chosen] - wide
    high = np.maximum(laid.start, laid.end)[chosen] + wide
    made = np.append(high.max(axis=0) - low.min(axis=0), laid.z[chosen].max())
    sizes = [" × ".join(f"{value:.1f}" for value in one) for one in (made, size)]
    ratio = np.sort(made[:2]) / np.maximum(np.sort(size[:2]), 1e-9)
    scale = np.append(ratio, made[2] / max(size[2], 1e-9))
    if scale.max() - scale.min() < 0.03 * scale.mean() and abs(scale.mean() - 1) > 0.004:
        guess = f"It looks like the same part at {scale.mean():.4g} times the size"
    elif np.allclose(np.sort(made), np.sort(size), atol=1.0) and abs(made[2] - size[2]) > 0.5:
        guess = "It looks like the same part lying otherwise; wallguard.yaml says how it is printed"
    else:
        guess = "Check whether it is the toolpath of another part, or of an older one"
    return InputError(
        path,
        f"does not make {part}: {problem}. It makes something of {sizes[0]} mm; the part is "
        f"{sizes[1]} mm as printed",
        remedy=guess,
    )
