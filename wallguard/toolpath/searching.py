"""Places worth a closer look: a few sections of the part slid over what is laid.

In each of a few layers the section becomes a pattern of squares, what is laid becomes another:

    section             pattern                     laid
    +-----+        -  -  -  -  -  -  -
    | +-+ |        -  +  +  +  +  +  -       just inside the outline +1, deep inside +0.15
    | | | |        -  +  -  -  -  +  -       just outside -1, far outside -0.1, and 0 in the
    +-+ +-+        -  +  -  .  -  +  -       square between: the outline may be grown

The sum of the products over all squares, for every shift, is a correlation, which the fast Fourier
transform gives for all shifts at once (the convolution theorem). Its peaks are the places.

The part may be turned by any angle. Quarter turns are tried first. Where none of them leads to a
place that agrees, the angles are read off the directions of outlines and beads: how much of the
outline runs in each direction, against how much of what is laid does. Where one of these two
histograms, turned, is most like the other, the part may lie.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.part.geometry import Geometry
from wallguard.sections.cut import cut_at
from wallguard.sections.sections import Sections, neighbours
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.fitting import Outline
from wallguard.toolpath.lines import Cells, Strands
from wallguard.toolpath.placement import Placement, turned
from wallguard.toolpath.raster import bead_squares, outline_squares

QUARTERS = (0.0, 90.0, 180.0, 270.0)
# Layers looked at for placing, fewer for the coarse search, and points of all their outlines.
_LAYERS, _COARSE, _POINTS = 6, 3, 6000
# Less than this share of what is laid at the fullest height is next to nothing.
_NOTHING = 0.005
# Squares of the coarse search, mm, about a bead; and how many at most along a side of the plate.
_SQUARE, _SQUARES = 0.4, 1000
# How wide the bands inside and outside the outline are, mm: about two beads.
_BAND = 0.8
# Places that score less than this share of the best are not looked at: a copy of which so much is
# missing is none.
_COPY = 0.6
# Peaks closer to each other than this are one, mm.
_APART = 1.0
# Peaks at most; and how many around one place (within this share of the part's size) are tried:
# the true one, its neighbours one wall further on both sides, and other turns.
_MOST, _TRIED, _BESIDE = 200, 8, 0.4
# Strands of two copies lie alike to this, mm: files have three decimals.
_SAME_STRAND = 0.005
# Bins of the directions, degrees, and how many angles are tried at most.
_BIN, _ANGLES = 0.25, 10

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


class _Peak(NamedTuple):
    score: float
    angle: float
    row: int
    column: int


class Search:
    """One part, raised to where it may begin, against what is laid.

    raised  how far above the plate the part begins, mm
    """

    def __init__(self, geometry: Geometry, laid: Beads, raised: float = 0.0) -> None:
        self.geometry, self.laid, self.raised = geometry, laid, raised
        mesh = geometry.placed.mesh
        self.low, self.high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
        self.size = self.high - self.low
        self.layers = self._chosen()
        heights = np.array(
            [laid.layer_z[k] - laid.layer_height[k] / 2 + self.low[2] - raised for k in self.layers]
        )
        order = np.argsort(heights, kind="stable")
        self.layers = [self.layers[k] for k in order]
        usual = float(np.median(laid.layer_height))
        self.sections: Sections = cut_at(mesh, heights[order], usual, untangle=not geometry.sound)
        self.outline = self._outline()
        self._trees: dict[int, Any] = {}

    def _chosen(self) -> list[int]:
        """Layers of the toolpath within the part's height, spread over it; above the first few
        where there are enough, for these may have a brim."""
        laid = self.laid
        middle = laid.layer_z - laid.layer_height / 2 - self.raised
        fits = np.flatnonzero(
            (middle > 0)
            & (middle < float(self.size[2]))
            & (laid.layer_height > 0)
            & ~laid.layer_partial
        )
        # A height at which next to nothing is laid is a priming line's.
        volume = np.bincount(laid.layer, laid.volume, len(laid.layer_z))
        fits = fits[volume[fits] > _NOTHING * volume[fits].max(initial=0.0)]
        if len(fits) > 4 * _LAYERS:
            fits = fits[2:]
        elif len(fits) > 3:
            fits = fits[1:]
        if len(fits) <= _LAYERS:
            return [int(k) for k in fits]
        spread = np.unique(np.linspace(0, len(fits) - 1, _LAYERS).round().astype(int))
        return [int(fits[k]) for k in spread]

    def beads_of(self, layer: int) -> _Ints:
        """Beads of possible width of one layer."""
        chosen = self.laid.in_layer(layer)
        return chosen[~self.laid.odd[chosen]]

    def rings(self, number: int) -> list[_Floats]:
        """The section's outlines in the layer of this number."""
        section = int(self.sections.distinct[number])
        return self.sections.rings(section) if section >= 0 else []

    def box(self, angle: float) -> tuple[_Floats, _Floats]:
        """Corners of the box around the turned part, about the origin."""
        (x0, y0), (x1, y1) = self.low[:2], self.high[:2]
        corners = turned(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), angle)
        return corners.min(axis=0), corners.max(axis=0)

    def around(self, angle: float, middle: tuple[float, float]) -> Placement:
        """The part turned by an angle with the middle of its box at a place of the plate."""
        centre = turned((self.low[None, :2] + self.high[None, :2]) / 2, angle)[0]
        x, y = (np.array(middle) - centre).tolist()
        return Placement(
            angle, (x, y), self.raised - float(self.low[2]), middle, raised=self.raised
        )

    def cells(self, place: Placement, layers: Sequence[int] | None = None) -> Cells:
        """The beads near a place, in the layers looked at or in these."""
        laid = self.laid
        low, high = self.box(place.angle)
        low, high = low + place.shift - 3.0, high + place.shift + 3.0
        kept, number = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
        for index, layer in enumerate(self.layers if layers is None else layers):
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

    def same_strands(self, place: Placement, about: _Floats) -> tuple[float, float] | None:
        """The exact shift, near `about` (2,) mm, by which the strands of a place are laid once
        more, in the layers of the coarse search; None where they are not the same."""
        from scipy.spatial import cKDTree

        laid = self.laid
        exact: _Floats | None = None
        for number in self._few():
            chosen = self.beads_of(self.layers[number])
            middle = (laid.start[chosen] + laid.end[chosen]) / 2
            inner = place.to_part(middle)
            own = middle[((inner >= self.low[:2]) & (inner <= self.high[:2])).all(axis=1)]
            if not len(own):  # a priming line's layer
                continue
            tree = self._trees.setdefault(number, cKDTree(middle))
            if exact is None:
                some = own[np.linspace(0, len(own) - 1, min(len(own), 60)).astype(np.int64)]
                near = tree.query_ball_point(some + about, 1.5)
                ways = [
                    middle[hits] - strand for hits, strand in zip(near, some, strict=True) if hits
                ]
                if not ways:
                    return None
                exact = _commonest(np.concatenate(ways))
            distance, _ = tree.query(own + exact, distance_upper_bound=0.05)
            if np.mean(distance < _SAME_STRAND) < 0.99:
                return None
        return None if exact is None else (float(exact[0]), float(exact[1]))

    def repeats(self, place: Placement) -> list[_Floats]:
        """Shifts (2,), about, by which some strands of a place are laid once more: those that are
        rarest in their layer tell where."""
        laid = self.laid
        number = self._few()[len(self._few()) // 2]
        chosen = self.beads_of(self.layers[number])
        middle = (laid.start[chosen] + laid.end[chosen]) / 2
        inner = place.to_part(middle)
        own = np.flatnonzero(((inner >= self.low[:2]) & (inner <= self.high[:2])).all(axis=1))
        if not len(own):
            return []
        way = np.round((laid.end[chosen] - laid.start[chosen]) / 0.02).astype(np.int64)
        _, kind, times = np.unique(way, axis=0, return_inverse=True, return_counts=True)
        kind = np.asarray(kind).reshape(-1)
        own = own[times[kind[own]] > 1]
        rarest = own[np.lexsort((own, times[kind[own]]))[:3]]
        steps = [middle[kind == kind[strand]] - middle[strand] for strand in rarest.tolist()]
        near = float(self.size[:2].min()) / 2
        if not steps:
            return []
        shifts = np.unique(np.round(np.concatenate(steps), 1), axis=0)
        return [shift for shift in shifts[:_MOST] if np.abs(shift).max() > near]

    def _few(self) -> list[int]:
        """Numbers of the layers of the coarse search."""
        if len(self.layers) <= _COARSE:
            return list(range(len(self.layers)))
        return sorted({0, len(self.layers) // 2, len(self.layers) - 1})

    def angles(self) -> tuple[float, ...]:
        """Angles at which the outline runs as what is laid does, likeliest first."""
        length, way = _edges(self.sections)
        times = np.bincount(self.sections.distinct[self.sections.distinct >= 0], minlength=1)
        owner = np.repeat(self.sections.ring_section, np.diff(self.sections.ring_start))
        drawn = _directions(way, length * times[owner])
        chosen = np.concatenate([self.beads_of(layer) for layer in self.layers])
        run = self.laid.end[chosen] - self.laid.start[chosen]
        made = _directions(run, np.hypot(*run.T))
        alike = np.fft.irfft(np.fft.rfft(made) * np.conj(np.fft.rfft(drawn)), len(made))
        alike -= np.median(alike)
        peaks = np.flatnonzero((alike > np.roll(alike, 1)) & (alike >= np.roll(alike, -1)))
        peaks = peaks[np.argsort(-alike[peaks], kind="stable")]
        found: list[float] = []
        for peak in peaks.tolist():
            if len(found) >= _ANGLES or alike[peak] < 0.05 * alike.max():
                break
            found.append(peak * _BIN)
        return tuple(angle + half for angle in found for half in (0.0, 180.0))

    def coarse(self, angles: Sequence[float], *, grown: bool = False) -> list[Placement]:
        """Places worth a closer look, best first. grown: where outlines are by about a square."""
        from scipy.fft import irfft2, next_fast_len, rfft2

        laid = self.laid
        layers = self._few()
        chosen = np.concatenate([self.beads_of(self.layers[number]) for number in layers])
        if not len(chosen):
            return []
        ends = np.concatenate([laid.start[chosen], laid.end[chosen]])
        origin, top = ends.min(axis=0) - 1.0, ends.max(axis=0) + 1.0
        reach = float(np.hypot(*self.size[:2]))
        square = max(_SQUARE, max(float((top - origin).max()), reach) / _SQUARES)
        edge = math.ceil(2 * _BAND / square) + 2
        side = math.ceil(reach / square) + 2 * edge
        plate = np.ceil((top - origin) / square).astype(int) + 1
        grid = (
            next_fast_len(int(plate[1]) + side + 1, real=True),
            next_fast_len(int(plate[0]) + side + 1, real=True),
        )
        spectra = [
            rfft2(bead_squares(laid, self.beads_of(self.layers[number]), origin, square, grid))
            for number in layers
        ]
        scores: list[tuple[float, NDArray[np.float32]]] = []
        for angle in angles:
            total, weight = np.zeros_like(spectra[0]), 0.0
            for number, spectrum in zip(layers, spectra, strict=True):
                inside = self._inside(number, angle, square, edge)
                pattern, most = _pattern(_dilated(inside) if grown else inside, square, grid)
                weight += most
                total += spectrum * np.conj(rfft2(pattern))
            if weight > 0:
                scores.append((angle, irfft2(total, grid) / weight))
        return self._places(_peaks(scores, square), origin, square, edge, (side, *grid))

    def _inside(self, number: int, angle: float, square: float, edge: int) -> NDArray[np.bool_]:
        """The section in the layer of this number, turned, in squares, with an edge around."""
        low, high = self.box(angle)
        shape = np.ceil((high - low) / square).astype(int) + 2 * edge
        return outline_squares(
            [(turned(ring, angle) - low) / square + edge for ring in self.rings(number)],
            int(shape[1]),
            int(shape[0]),
        )

    def _places(
        self,
        peaks: list[_Peak],
        origin: _Floats,
        square: float,
        edge: int,
        grid: tuple[int, int, int],
    ) -> list[Placement]:
        """Peaks as places; of those around one place only the first few."""
        side, rows, columns = grid
        placements: list[Placement] = []
        middles = np.zeros((0, 2))
        near = _BESIDE * float(self.size[:2].min()) + 2 * _APART
        for peak in peaks:
            # Shifts to the left and below come out at the far end.
            place = np.array(
                [
                    at - count if at > count - side else at
                    for at, count in ((peak.column, columns), (peak.row, rows))
                ]
            )
            low, high = self.box(peak.angle)
            middle = origin + (place + edge) * square + (high - low) / 2
            if np.count_nonzero((np.abs(middles - middle) < near).all(axis=1)) >= _TRIED:
                continue
            middles = np.vstack([middles, middle])
            # The middle of the box of the turned part is that of its turned box.
            placements.append(self.around(peak.angle, (float(middle[0]), float(middle[1]))))
            if len(placements) >= _MOST:
                break
        return placements

    def _outline(self) -> Outline:
        sections = self.sections
        length, chord = _edges(sections)
        owner = np.repeat(sections.ring_section, np.diff(sections.ring_start))
        times = np.bincount(sections.distinct[sections.distinct >= 0], minlength=1)
        whole = float((length * times[owner]).sum()) if len(length) else 0.0
        step = max(0.5, whole / _POINTS)
        points, normals = [np.zeros((0, 2))], [np.zeros((0, 2))]
        layers = [np.zeros(0, np.int64)]
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
        return Outline(np.concatenate(points), np.concatenate(normals), np.concatenate(layers))


def _dilated(inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_dilation

    grown: NDArray[np.bool_] = binary_dilation(inside)
    return grown


def _pattern(
    inside: NDArray[np.bool_], square: float, grid: tuple[int, int]
) -> tuple[NDArray[np.float32], float]:
    """A section as what counts for a place and against it, and the most it can score."""
    from scipy.ndimage import binary_dilation, binary_erosion

    wide = max(1, round(_BAND / square))
    core = binary_erosion(inside, iterations=wide)
    rim = _dilated(inside)
    near = binary_dilation(rim, iterations=wide)
    pattern = np.zeros(grid, np.float32)
    value = np.where(inside, np.where(core, 0.15, 1.0), np.where(near, -1.0, -0.1))
    value[rim & ~inside] = 0.0
    pattern[: inside.shape[0], : inside.shape[1]] = value
    return pattern, float(value[inside].sum())


def _commonest(ways: _Floats) -> _Floats:
    """The way (2,) that comes most often among (n, 2), to 0.02 mm, and then its mean."""
    cell = np.round(ways / 0.02).astype(np.int64)
    _, index, times = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    most = ways[np.asarray(index).reshape(-1) == int(times.argmax())].mean(axis=0)
    commonest: _Floats = ways[(np.abs(ways - most) < 0.01).all(axis=1)].mean(axis=0)
    return commonest


def _edges(sections: Sections) -> tuple[_Floats, _Floats]:
    """Length (n,) and way (n, 2) of every edge, mm."""
    _, after = neighbours(sections.ring_start)
    chord = sections.points[after] - sections.points
    return np.hypot(chord[:, 0], chord[:, 1]), chord


def _directions(way: _Floats, weight: _Floats) -> _Floats:
    """How much runs in each direction of half a turn, in bins, a little blurred."""
    count = round(180 / _BIN)
    angle = np.degrees(np.arctan2(way[:, 1], way[:, 0])) % 180
    weights = np.bincount(np.round(angle / _BIN).astype(np.int64) % count, weight, count)
    blurred = (np.roll(weights, 1) + 2 * weights + np.roll(weights, -1)) / 4
    # By the root: a dense fill has many times the length of the contours.
    root: _Floats = np.sqrt(blurred)
    return root


def _peaks(scores: list[tuple[float, NDArray[np.float32]]], square: float) -> list[_Peak]:
    """Local peaks that come near to the best, best first; of equal ones the smaller angle."""
    from scipy.ndimage import maximum_filter

    if not scores:
        return []
    best = max(float(score.max()) for _, score in scores)
    if best <= 0:
        return []
    around = 2 * max(1, math.floor(_APART / square)) - 1
    peaks: list[_Peak] = []
    for angle, score in scores:
        high = score >= _COPY * best
        high &= score == maximum_filter(score, max(around, 3), mode="wrap")
        rows, columns = np.nonzero(high)
        value = score[rows, columns]
        order = np.argsort(-value, kind="stable")[: 4 * _MOST]
        peaks += [
            _Peak(float(value[k]), angle, int(rows[k]), int(columns[k])) for k in order.tolist()
        ]
    return sorted(
        peaks, key=lambda peak: (-round(peak.score, 3), peak.angle, peak.row, peak.column)
    )
