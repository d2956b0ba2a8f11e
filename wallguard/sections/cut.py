"""Cut a mesh into layers: all planes at once, linked by the mesh's own edges (`crossings.py`).

So outlines need no search for equal points, and a closed mesh always gives closed rings. They are
then made regular, and each is kept once.
"""

from __future__ import annotations

import hashlib
import itertools

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct, lengths, rows
from wallguard.base.errors import TooLargeError
from wallguard.mesh.mesh import Mesh
from wallguard.sections.crossings import outlines
from wallguard.sections.sections import Sections, neighbours

# Heights closer than this are one height: far below any layer, above float32's step at 100 mm.
_SNAP = 1e-5
# A vertex this close to the line through its neighbours carries no shape. What is exactly in line
# goes first, or a corner could go instead of a crossing point right beside it.
_STRAIGHT = (2e-5, 5e-4)
# Edges whose surfaces lean alike may merge; compared as a slope.
_SAME_SLOPE = 0.02
# Chains of an open mesh are closed across a gap no wider than this.
_CLOSE = 0.05
_LIMIT = 20_000_000
# Twenty kilometres of outline (mm): more takes more memory and time than a check may.
_LONGEST = 2e7


def cut(mesh: Mesh, layer_height: float, *, untangle: bool = False) -> Sections:
    """Cut `mesh` at mid-height of every layer; layers start at its lowest point.

    untangle: resolve crossing and doubled outlines section by section (for meshes that are not
    closed and consistent); what the surface's slope was is then unknown and taken as upright.

    Raises TooLargeError where layers x triangles is beyond what memory holds.
    """
    z = mesh.vertices[:, 2]
    low, high = (float(z.min()), float(z.max())) if len(z) else (0.0, 0.0)
    count = max(0, int(np.ceil((high - low) / layer_height - 0.5 - 1e-6)))
    if count > 1_000_000:
        raise TooLargeError(f"{count} layers of {layer_height:g} mm")
    heights = np.asarray(low + layer_height * (np.arange(count) + 0.5), np.float64)
    return cut_at(mesh, heights, layer_height, untangle=untangle)


def cut_at(
    mesh: Mesh, heights: NDArray[np.float64], layer_height: float, *, untangle: bool = False
) -> Sections:
    """The same at any `heights` (L,), mm, rising; `layer_height` is that of most layers."""
    z = mesh.vertices[:, 2]
    low = float(z.min()) if len(z) else 0.0
    count = len(heights)
    snapped = low + np.round((z - low) / _SNAP) * _SNAP
    # below[v]: how many planes lie at or below vertex v; it is above plane k where below[v] > k.
    below = np.searchsorted(heights, snapped + _SNAP / 4, side="right").astype(np.int32)

    corner = below.take(mesh.triangles.T)
    per_triangle = corner.max(axis=0) - corner.min(axis=0)
    total = int(per_triangle.sum(dtype=np.int64))
    if total > _LIMIT:
        raise TooLargeError(f"{total} outline points in {count} layers of {layer_height:g} mm")
    if not total:
        return _empty(heights, layer_height)
    crossing = np.flatnonzero(per_triangle)
    parts, loose = [], [np.zeros(0, np.int32)]
    for crossed in outlines(mesh.vertices, snapped, mesh.triangles[crossing], below, heights):
        rings = crossed.points, crossed.slope, crossed.start, crossed.layer
        if not crossed.closed.all():
            rings, open_ = _without_loose(rings, crossed.closed, crossed.ends)
            loose.append(open_)
        parts.append(_regular(rings, untangle))
    return _finished(_joined(parts), heights, layer_height, np.concatenate(loose))


def _without_loose(
    rings: _Rings, closed: NDArray[np.bool_], ends: NDArray[np.float64]
) -> tuple[_Rings, NDArray[np.int32]]:
    """Leave out chains that do not close, and say of which layers; ends: where each chain ends."""
    points, slope, ring_start, ring_layer = rings
    gap = np.linalg.norm(ends - points[ring_start[:-1]], axis=1)
    sound = closed | (gap <= _CLOSE)
    loose = distinct(ring_layer[~sound]).astype(np.int32)
    return _keep_rings(points, slope, ring_start, ring_layer, sound), loose


def _regular(rings: _Rings, untangle: bool) -> _Rings:
    """Rings in order, and without points that carry no shape; whole layers."""
    points, _, ring_start, ring_layer = rings
    if untangle:
        rings = _untangle(points, ring_start, ring_layer)
    rings = _canonical(*rings)
    for tolerance in _STRAIGHT:
        rings = _straighten(*rings, tolerance)
    return rings


def _joined(parts: list[_Rings]) -> _Rings:
    """Rings of layers one after the other."""
    if len(parts) == 1:
        return parts[0]
    points, slope, start, layer = zip(*parts, strict=True)
    size = np.concatenate([np.diff(each) for each in start])
    return np.concatenate(points), np.concatenate(slope), _starts(size), np.concatenate(layer)


def _finished(
    rings: _Rings,
    heights: NDArray[np.float64],
    layer_height: float,
    loose: NDArray[np.int32],
) -> Sections:
    """Sections of rings made regular: each outline is kept once."""
    sections = _distinct(heights, layer_height, rings, loose)
    _, after = neighbours(sections.ring_start)
    outline = float(lengths(rows(sections.points, after) - sections.points).sum())
    if outline > _LONGEST:
        raise TooLargeError(f"{outline / 1e6:.0f} km of outline in {len(heights)} layers")
    return sections


def _empty(heights: NDArray[np.float64], layer_height: float) -> Sections:
    return Sections(
        heights=heights,
        layer_height=layer_height,
        distinct=np.full(len(heights), -1, np.int32),
        points=np.zeros((0, 2)),
        ring_start=np.zeros(1, np.int64),
        ring_section=np.zeros(0, np.int32),
        slope=np.zeros(0),
        loose=np.zeros(0, np.int32),
    )


_Rings = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], NDArray[np.int32]]


def _keep_rings(
    points: NDArray[np.float64],
    slope: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    ring_layer: NDArray[np.int32],
    keep: NDArray[np.bool_],
) -> _Rings:
    size = np.diff(ring_start)
    vertex = np.repeat(keep, size)
    return points[vertex], slope[vertex], _starts(size[keep]), ring_layer[keep]


def _starts(size: NDArray[np.int64]) -> NDArray[np.int64]:
    start = np.zeros(len(size) + 1, np.int64)
    np.cumsum(size, out=start[1:])
    return start


def _untangle(
    points: NDArray[np.float64], ring_start: NDArray[np.int64], ring_layer: NDArray[np.int32]
) -> _Rings:
    """Resolve each layer's rings to what they enclose with positive winding; a layer that is the
    same as the one before comes out as that does."""
    from manifold3d import CrossSection, FillRule

    pieces: list[NDArray[np.float64]] = []
    layers: list[int] = []
    order = np.argsort(ring_layer, kind="stable")
    bounds = np.flatnonzero(np.diff(ring_layer[order], prepend=-1, append=-1))
    before: list[NDArray[np.float64]] = []
    resolved: list[NDArray[np.float64]] = []
    for low, high in itertools.pairwise(bounds):
        rings = [points[ring_start[i] : ring_start[i + 1]] for i in order[low:high]]
        rings = [ring for ring in rings if len(ring) > 2]
        if len(rings) != len(before) or not all(map(np.array_equal, rings, before)):
            polygons = CrossSection(rings, FillRule.Positive).to_polygons()
            resolved = [np.asarray(ring, np.float64) for ring in polygons]
        before = rings
        pieces += resolved
        layers += [int(ring_layer[order[low]])] * len(resolved)
    joined = np.concatenate(pieces) if pieces else np.zeros((0, 2))
    size = np.array([len(piece) for piece in pieces], np.int64)
    return joined, np.zeros(len(joined)), _starts(size), np.array(layers, np.int32)


def _canonical(
    points: NDArray[np.float64],
    slope: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    ring_layer: NDArray[np.int32],
) -> _Rings:
    """Start every ring at its leftmost (then lowest) vertex, order rings by layer and start.

    Equal sections then are equal arrays, and the start is a true corner of the outline.
    """
    size = np.diff(ring_start)
    if not len(size):
        return points, slope, ring_start, ring_layer
    ring = np.repeat(np.arange(len(size)), size)
    x, y = (np.round(points[:, i], 4) for i in range(2))
    leftmost = x == np.minimum.reduceat(x, ring_start[:-1])[ring]
    height = np.where(leftmost, y, np.inf)
    lowest = np.flatnonzero(height == np.minimum.reduceat(height, ring_start[:-1])[ring])
    where = np.searchsorted(ring[lowest], np.arange(len(size)))
    begin = lowest[where] - ring_start[:-1]
    order = np.lexsort((size, y[lowest[where]], x[lowest[where]], ring_layer))
    size, begin, origin = size[order], begin[order], ring_start[:-1][order]
    start = _starts(size)
    local = np.arange(len(points)) - np.repeat(start[:-1], size)
    source = np.repeat(origin, size) + (local + np.repeat(begin, size)) % np.repeat(size, size)
    return points[source], slope[source], start, ring_layer[order]


def _straighten(
    points: NDArray[np.float64],
    slope: NDArray[np.float64],
    ring_start: NDArray[np.int64],
    ring_layer: NDArray[np.int32],
    tolerance: float,
) -> _Rings:
    """Leave out vertices on straight runs and at the tips of cracks without width, which solid
    modellers leave where faces coincide (every second one, until none is left)."""
    before, after = neighbours(ring_start)
    keep = np.ones(len(points), bool)
    fixed = np.zeros(len(points), bool)
    fixed[ring_start[:-1]] = True
    asked = np.flatnonzero(_may_be_straight(points, before, after, tolerance) & ~fixed)
    for _ in range(24):
        behind, ahead = before[asked], after[asked]
        reach, way = points[asked] - points[behind], points[ahead] - points[asked]
        flat = _in_line(reach, points[ahead] - points[behind], tolerance)
        own, its = slope[asked], slope[behind]
        flat &= np.abs(own - its) <= _SAME_SLOPE * (1 + np.abs(own))
        short, long, back = _folds(reach, way, tolerance)
        which = np.flatnonzero(flat | back | (short < 1e-6))
        if not len(which):
            break
        # The first of each run of them, the third, ...
        joined = np.append(False, behind[which[1:]] == asked[which[:-1]])
        place = np.arange(len(which))
        which = which[(place - np.maximum.accumulate(np.where(joined, 0, place))) % 2 == 0]
        gone, behind, ahead = asked[which], behind[which], ahead[which]
        keep[gone] = False
        # Beyond a fold it is the second edge that goes on.
        last = (back & (long > short))[which]
        slope[behind[last]] = slope[gone[last]]
        after[behind], before[ahead] = ahead, behind
        # Only what lies beside a vertex that went can have become straight.
        beside = np.sort(np.concatenate([behind, ahead]))
        beside = beside[np.diff(beside, prepend=-1) > 0]
        asked = beside[keep[beside] & ~fixed[beside]]
    size = np.add.reduceat(keep, ring_start[:-1], dtype=np.int64) if len(keep) else keep[:0]
    points, slope, ring_start = points[keep], slope[keep], _starts(size.astype(np.int64))
    return _keep_rings(points, slope, ring_start, ring_layer, size > 2)


def _may_be_straight(
    points: NDArray[np.float64],
    before: NDArray[np.int64],
    after: NDArray[np.int64],
    tolerance: float,
) -> NDArray[np.bool_]:
    """False for vertices that lie farther from the line through their neighbours, however near
    these are to each other."""
    x, y = points.T.copy()
    way_x, way_y = x[after] - x, y[after] - y
    length = np.sqrt(way_x * way_x + way_y * way_y)
    cross = way_x[before] * way_y - way_y[before] * way_x
    short = length[before]
    straight: NDArray[np.bool_] = np.abs(cross) <= 1.001 * tolerance * (short + length)
    straight |= short < 2e-6
    return straight


def _in_line(
    reach: NDArray[np.float64], chord: NDArray[np.float64], tolerance: float
) -> NDArray[np.bool_]:
    """Whether vertices lie on the chords between their neighbours. reach, chord (n, 2): the ways
    from the neighbour before to the vertex, and to the neighbour after."""
    span = np.hypot(chord[:, 0], chord[:, 1])
    cross = np.abs(chord[:, 0] * reach[:, 1] - chord[:, 1] * reach[:, 0])
    along = chord[:, 0] * reach[:, 0] + chord[:, 1] * reach[:, 1]
    between = (along >= -1e-9 * span) & (along <= span * (span + 1e-9))
    flat: NDArray[np.bool_] = (cross <= tolerance * span) & between
    return flat


def _folds(
    reach: NDArray[np.float64], way: NDArray[np.float64], tolerance: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Lengths of the edges before and after each vertex, and whether the outline there goes back
    over itself. reach, way (n, 2): these edges."""
    behind, ahead = np.hypot(*reach.T), np.hypot(*way.T)
    cross = np.abs(reach[:, 0] * way[:, 1] - reach[:, 1] * way[:, 0])
    along = reach[:, 0] * way[:, 0] + reach[:, 1] * way[:, 1]
    return behind, ahead, (along < 0) & (cross <= tolerance * np.maximum(behind, ahead))


def _distinct(
    heights: NDArray[np.float64],
    layer_height: float,
    rings: _Rings,
    loose: NDArray[np.int32],
) -> Sections:
    """Find layers with equal outlines and keep each outline once."""
    points, slope, ring_start, ring_layer = rings
    shape = np.empty((len(points), 3), np.int64)
    shape[:, :2] = np.round(points * 1e4)
    shape[:, 2] = np.round(np.arctan(slope) * 1e3)
    size = np.diff(ring_start)
    layers, low = np.unique(ring_layer, return_index=True)
    high = np.append(low, len(ring_layer))[1:]
    distinct = np.full(len(heights), -1, np.int32)
    known: dict[bytes, int] = {}
    keep = np.zeros(len(size), bool)
    section = np.zeros(len(size), np.int32)
    for layer, begin, end in zip(layers.tolist(), low.tolist(), high.tolist(), strict=True):
        digest = hashlib.blake2b(size[begin:end].tobytes(), digest_size=16)
        digest.update(shape[ring_start[begin] : ring_start[end]].tobytes())
        fresh = len(known)
        distinct[layer] = number = known.setdefault(digest.digest(), fresh)
        if number == fresh:
            keep[begin:end] = True
            section[begin:end] = number
    points, slope, start, ring_section = _keep_rings(points, slope, ring_start, section, keep)
    return Sections(
        heights=heights,
        layer_height=layer_height,
        distinct=distinct,
        points=points,
        ring_start=start,
        ring_section=ring_section,
        slope=slope,
        loose=loose,
    )
