"""Walls and gaps in space: thickness as the diameter of the largest ball that fits.

            p                     a wall: the two contacts, seen from the centre, are at least 140
       -----o-----                degrees apart.
          ( c )
       -----o-----                a corner: they are not, and no wall lies there.
            q

Between flat faces the thickness runs straight, so it is found exactly, in pieces as large as the
faces (`facing`, `clear`); on curved surfaces of facets that are small it is that of one ball for
each facet (`tangent`). Either is a cell: a triangle with a thickness at each corner, a <= b <= c,
over which the thickness runs straight. So the share of its area that is thinner than t is

    (t - a)^2 / ((b - a) (c - a)) up to b,   1 - (c - t)^2 / ((c - b) (c - a)) from there,

and the typical thickness of a wall is the t at which these shares come to half of its area: it
does not matter how the cells are cut.

What decides:

    of cells that belong together (`links`)        then
    ---------------------------------------------  ----------------------------------------------
    all of one thickness, within 0.02 mm or 2 %    one wall, judged by its typical thickness
    otherwise                                      each is judged by its own mean; a wall is
                                                   divided where that passes one of the edges
                                                   asked for

    of an edge of a wall's cells                   then the wall is held there
    ---------------------------------------------  ----------------------------------------------
    balls beyond it are larger than asked for      yes: the wall goes on, thicker
    the surface turns up by more than 20 degrees   yes: it stands on a foot
    the surface goes on within 20 degrees onto a   yes: it goes on where it is thicker
    face without cells, where a ball is larger
    else                                           no: it is free

It is held on one of its four sides where it is along half of that side. Those of a tube or a part
of one are its two ends and where it ends round its axis; one that closes upon itself is held there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, cross, distinct, grouped, lengths, spread
from wallguard.base.errors import TooLargeError
from wallguard.mesh.mesh import Mesh
from wallguard.walls.clear import (
    LOOKED_AT,
    Cells,
    clear_cells,
    divided,
    joined,
    mirrored,
    no_cells,
)
from wallguard.walls.facets import Facets, facets_of
from wallguard.walls.facing import ENDS, THICKER, Pieces, pieces_between
from wallguard.walls.links import links_of
from wallguard.walls.samples import FACING
from wallguard.walls.spatial import (
    Measures,
    Patches,
    Rims,
    moments,
    sharpened,
    sides_of,
    spokesmen,
    stretches,
)
from wallguard.walls.stretch import Stretch
from wallguard.walls.tangent import Start

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# A facet is fine that is no longer than a quarter of what is asked for, or this (mm), and a bit.
_STEP, _LONG = 0.5, 1.8
# On a part of more fine facets than twice this, one speaks for its neighbours.
_MOST = 150_000
# A wall that varies by less than this is one thickness: facets and computing error.
_UNIFORM_MM, _UNIFORM = 0.02, 0.02
# Right at a knife edge, so that a taper is followed to its end.
_INSET = 0.005
# Facets beside one that turn up by more (radians) are asked before all others.
_TURNS = 0.5
# Lower than this (mm) is roughness: common practice, no published source.
_ROUGH = 0.1
# A face that faces more others than this is one of many round a wall. So many pieces between such,
# where they are most of all or in any case, take seconds to be told apart.
_PARTNERS, _ROUND = 8, (400, 2_500)
# And so do so many where all but this share of them lie over fine facets, which have one ball each
# in any case: points cost a fraction of what these pieces do.
_OVER_FINE, _PAIRED = 30_000, 0.1
# Boxes that may be looked into for what is nearest to all points: some 0.5 microseconds each, as
# each ball shrinks a few times (measured). For any part, and for each of its triangles. Of these
# parts, usual ones take some 130 for each point, and are not counted where they have few points.
_ANY, _EACH, _USUAL, _SAMPLE = 60_000_000, 600, 200, 64
# Where a wall's rim turns by more (radians) it ends, or stands on a foot.
_FOOT = np.radians(20.0)


class Space:
    """A mesh in which walls and gaps are found; what both need is made once."""

    def __init__(self, mesh: Mesh) -> None:
        self._mesh = mesh
        self._known: dict[tuple[float, bool], Facets | None] = {}

    def walls(self, largest: float, edges: Sequence[float]) -> list[Stretch]:
        """All walls up to `largest` mm thick, whatever way they stand, thinnest first.

        A wall that crosses one of `edges` (mm, rising) is divided there. Two surfaces bound a wall
        where the largest ball between them touches them at points at least 140 degrees apart.
        """
        return self._found(largest, edges, air=False)

    def gaps(self, largest: float, edges: Sequence[float] = ()) -> list[Stretch]:
        """The same on the air side: gaps within a part and between its bodies. `sides` is 0."""
        return self._found(largest, edges, air=True)

    def _found(self, largest: float, edges: Sequence[float], *, air: bool) -> list[Stretch]:
        if largest <= 0:
            return []
        small = _LONG * max(largest / 4, _STEP)
        facets = self._facets(small, air=air)
        if facets is None:
            return []
        limits = np.asarray(edges, np.float64)
        flat = _between_faces(facets, largest, limits)
        if flat is None:
            step = _LONG * float(np.sqrt(facets.area.sum() / (0.43 * _MOST)))
            facets = self._facets(max(small, step), air=air, cut=True)
            flat = no_cells()
        assert facets is not None
        self._refuse_crowds(facets, largest)
        return _stretches_of(facets, flat, largest, limits, sided=not air)

    def _refuse_crowds(self, facets: Facets, largest: float) -> None:
        """Raises TooLargeError where so many faces meet or lie through each other that balls at
        points would take minutes: told by a few of the points."""
        most = _ANY + _EACH * len(self._mesh.triangles)
        own = np.flatnonzero(facets.fine)
        asked = min(len(own), 2 * _MOST)
        if asked * _USUAL < most / 10:
            return
        some = own[np.linspace(0, len(own) - 1, _SAMPLE).astype(np.int64)]
        corners = facets.corners[some]
        centre = corners.mean(axis=1) + largest / 2 * facets.normal[some]
        count = int(asked * facets.surface.boxes_nearer(centre))
        if count > most:
            raise TooLargeError(
                f"looking into {count:,} boxes for the faces next to {asked:,} points, as so many "
                f"meet or lie through each other (the limit for a part of its size: {most:,})"
            )

    def _facets(self, small: float, *, air: bool, cut: bool = False) -> Facets | None:
        key = (small, cut)
        if key not in self._known:
            self._known[key] = facets_of(self._mesh, small, cut=cut)
        found = self._known[key]
        return found.turned() if air and found is not None else found


def find_walls(mesh: Mesh, largest: float, edges: Sequence[float]) -> list[Stretch]:
    """The walls of a mesh of which nothing else is asked: see `Space`."""
    return Space(mesh).walls(largest, edges)


def find_gaps(mesh: Mesh, largest: float, edges: Sequence[float]) -> list[Stretch]:
    """Its gaps."""
    return Space(mesh).gaps(largest, edges)


def _between_faces(facets: Facets, largest: float, limits: _Floats) -> Cells | None:
    """The cells between long facets, divided at the limits; None where so many face each other
    that each had better be asked at points."""
    try:
        pieces = pieces_between(facets, largest, LOOKED_AT)
        return None if _is_round(facets, pieces) else divided(clear_cells(facets, pieces), limits)
    except TooLargeError:
        return None


def _is_round(facets: Facets, pieces: Pieces) -> bool:
    """Whether too many pieces lie between faces of which each faces many others, as round a pin:
    their number grows with the square of the facets, and each lies in the way of the others. Or
    over fine facets, as at the end of a thread."""
    if len(pieces.own) > _OVER_FINE and pieces.pair.sum() < _PAIRED * len(pieces.own):
        return True
    size = int(facets.face.max(initial=0)) + 1
    own, its = facets.face[pieces.own], facets.face[pieces.contact]
    pairs = distinct(np.minimum(own, its) * size + np.maximum(own, its))
    partners = np.bincount(pairs // size, minlength=size)
    partners += np.bincount(pairs % size, minlength=size)
    many = partners > _PARTNERS
    count = int((many[own] & many[its]).sum())
    return count > _ROUND[1] or (count > _ROUND[0] and 2 * count > len(own))


def _stretches_of(
    facets: Facets, flat: Cells, largest: float, limits: _Floats, *, sided: bool
) -> list[Stretch]:
    """What the cells between long facets and those on fine ones make, divided at the limits."""
    both = np.flatnonzero(flat.pair)
    fine, radius = _fine_cells(facets, largest)
    cells = joined([flat, mirrored(facets, flat.chosen(both)), fine])
    if not len(cells.own):
        return []
    twin = np.full(len(cells.own), -1)
    twin[both] = len(flat.own) + np.arange(len(both))
    one, other = links_of(facets, cells, twin, limits)
    count, whole = connected(one, other, len(cells.own))
    low = _is_low(facets, cells, radius, whole, count)
    if low.any():
        kept, number = np.flatnonzero(~low), np.cumsum(~low) - 1
        if not len(kept):
            return []
        links = ~low[one]
        one, other = number[one[links]], number[other[links]]
        cells = cells.chosen(kept)
        count, whole = connected(one, other, len(kept))
    groups = np.searchsorted(limits, _judged(cells, whole, count), side="right")
    same = groups[one] == groups[other]
    count, piece = connected(one[same], other[same], len(cells.own))
    walls = _Walls(facets, cells, radius, piece, count)
    return _stretches(walls, groups, whole, sided=sided)


class _Walls(NamedTuple):
    """Cells (k,) on facets, the radius of the ball at each fine facet (m,), and the piece of a
    wall that each cell belongs to, of so many `pieces`."""

    facets: Facets
    cells: Cells
    radius: _Floats
    piece: _Ints
    pieces: int


def _fine_cells(facets: Facets, largest: float) -> tuple[Cells, _Floats]:
    """A cell on each fine facet that bounds a wall; and each one's radius, inf where larger than
    asked for, and where not fine."""
    radius = np.full(len(facets.area), np.inf)
    own = np.flatnonzero(facets.fine)
    contact, wall = own, np.zeros(len(own), bool)
    if len(own):
        surface = facets.surface
        point = _points(facets)[own]
        speaks, spoken = _spokesmen(facets, own, point, largest)
        start = _beside(facets, own[speaks], point[speaks], largest / 2)
        balls = surface.balls(point[speaks], facets.normal[own[speaks]], largest / 2, start)
        radius[own] = balls.radius[spoken]
        contact, wall = balls.triangle[spoken], (balls.facing <= FACING)[spoken]
        for at, again in _asked_again(facets, own, radius[own], wall):
            balls = surface.balls(again, facets.normal[own[at]], largest / 2)
            better = balls.facing <= FACING
            bounds = at[better]
            radius[own[bounds]] = balls.radius[better]
            contact[bounds], wall[bounds] = balls.triangle[better], True
    own, contact = own[wall], contact[wall]
    points = np.zeros((len(own), 3, 4))
    points[:, :, :3] = facets.corners[own]
    points[:, :, 3] = radius[own, None]
    label = 3 * own[:, None] + np.arange(3)
    return Cells(points, label, own, contact, np.zeros(len(own), bool)), radius


def _asked_again(
    facets: Facets, own: _Ints, radius: _Floats, wall: _Bools
) -> Iterator[tuple[_Ints, _Floats]]:
    """Of fine facets `own` (k,) those that are half of a flat face, and whose middle lies in a
    corner of what may be a wall: which, and the middle (n, 3) of the side between the halves. So a
    block of twelve triangles is asked in the middles of its faces.
    """
    corner = facets.corners[own]
    side = corner[:, [1, 2, 0]] - corner
    size = np.sqrt(np.einsum("tij,tij->ti", side, side).max(axis=1))
    half = np.bincount(facets.face)[facets.face[own]] == 2
    left = np.flatnonzero(~wall & half & (2 * radius < size))
    for i in range(3):
        beside = facets.beside[own[left], i]
        one = (beside >= 0) & (facets.face[beside] == facets.face[own[left]]) & ~wall[left]
        at = left[one]
        if len(at):
            yield at, (corner[at, i] + corner[at, (i + 1) % 3]) / 2


def _beside(facets: Facets, own: _Ints, point: _Floats, largest: float) -> Start:
    """What is touched first of the facets that turn up beside facets `own` (k,), for balls at
    points (k, 3): of what is curved or folded this is nearly always what is touched at all."""
    radius, triangle = np.full(len(own), largest), np.full(len(own), -1)
    contact = point.copy()
    bend = facets.bend[own]
    # From the middle of a facet a side lies a third of its height away.
    corner = facets.corners[own]
    side = corner[:, [1, 2, 0]] - corner
    near = np.tan(bend / 2) * np.sqrt(np.einsum("kij,kij->ki", side, side))
    best = near.argmax(axis=1)
    for i in range(3):
        some = np.flatnonzero(
            ((bend[:, i] > _TURNS) | ((best == i) & (near[:, i] > 0)))
            & (facets.beside[own, i] >= 0)
        )
        other = facets.beside[own[some], i]
        reach, place = facets.surface.touched(point[some], facets.normal[own[some]], other)
        nearer = reach < radius[some]
        some = some[nearer]
        radius[some], contact[some], triangle[some] = reach[nearer], place[nearer], other[nearer]
    return Start(radius, contact, triangle)


def _points(facets: Facets) -> _Floats:
    """(m, 3) where each facet is asked: in its middle, or right at its knife edge."""
    middle = facets.corners.mean(axis=1)
    point = middle.copy()
    for i in range(3):
        knife = np.flatnonzero(facets.bend[:, i] >= np.arccos(FACING))
        begin, end = facets.corners[knife, i], facets.corners[knife, (i + 1) % 3]
        height = 2 * facets.area[knife] / np.maximum(np.linalg.norm(end - begin, axis=1), 1e-12)
        share = np.minimum(3 * _INSET / np.maximum(height, 1e-12), 1.0)
        between = (begin + end) / 2
        point[knife] = between + share[:, None] * (middle[knife] - between)
    asked: _Floats = point
    return asked


def _spokesmen(facets: Facets, own: _Ints, point: _Floats, largest: float) -> tuple[_Ints, _Ints]:
    """Which of many fine facets are asked, and for each facet the one that speaks for it."""
    if len(own) <= 2 * _MOST:
        return np.arange(len(own)), np.arange(len(own))
    step = max(largest / 4, _STEP, float(np.sqrt(facets.area[own].sum() / (0.43 * _MOST))))
    return spokesmen(point, facets.normal[own], step / 2)


def _areas(cells: Cells) -> _Floats:
    place = cells.points[:, :, :3]
    return lengths(cross(place[:, 1] - place[:, 0], place[:, 2] - place[:, 0])) / 2


def _is_low(facets: Facets, cells: Cells, radius: _Floats, whole: _Ints, count: int) -> _Bools:
    """Which cells are of walls that are no thicker, and stand no higher over what they stand on,
    than a surface is rough: folds of a mesh, as coarse facets of a thread have by the thousand."""
    # Both faces, over twice the length: of a wall that is bent round it is more than its height.
    box = [
        grouped(function, whole, count, function.reduce(cells.points[:, :, :3], axis=1))
        for function in (np.minimum, np.maximum)
    ]
    low = np.bincount(whole, _areas(cells), count) < 2 * _ROUGH * lengths(box[1] - box[0])
    thick = np.maximum.reduce(cells.points[:, :, 3], axis=1)
    low &= 2 * grouped(np.maximum, whole, count, thick) < _ROUGH
    some = np.flatnonzero(low[whole])
    if len(some):
        held = _held(facets, cells.chosen(some), radius, facets.face[cells.own]).any(axis=1)
        # What stands on nothing is small itself.
        low &= np.bincount(whole[some[held]], minlength=count) > 0
    return low[whole]


def _judged(cells: Cells, label: _Ints, count: int) -> _Floats:
    """The thickness by which each cell is judged: its own, or the whole wall's if even."""
    thickness = 2 * cells.points[:, :, 3]
    _, typical, _ = spread(label, thickness.mean(axis=1), _areas(cells), count)
    low = grouped(np.minimum, label, count, thickness.min(axis=1))
    high = grouped(np.maximum, label, count, thickness.max(axis=1))
    even = high - low <= np.maximum(_UNIFORM_MM, _UNIFORM * typical)
    return np.where(even[label], typical[label], thickness.mean(axis=1))


def _medians(walls: _Walls) -> _Floats:
    """(count,) the thickness that half of each piece's area is thinner than: exactly, as it runs
    straight over each cell, so that cells may be cut as they like."""
    values = np.sort(2 * walls.cells.points[:, :, 3], axis=1)
    middle = spread(walls.piece, values[:, 1], _areas(walls.cells), walls.pieces)[1]
    # Where each cell has one thickness that is all.
    uneven = np.zeros(walls.pieces, bool)
    uneven[walls.piece[values[:, 0] < values[:, 2]]] = True
    some = np.flatnonzero(uneven[walls.piece])
    if not len(some):
        return middle
    number = np.cumsum(uneven) - 1
    middle[uneven] = _bisected(
        values[some], _areas(walls.cells.chosen(some)), number[walls.piece[some]]
    )
    return middle


def _bisected(values: _Floats, area: _Floats, piece: _Ints) -> _Floats:
    """The same of cells with these thicknesses at their corners (k, 3), rising."""
    count = int(piece.max()) + 1
    total = np.bincount(piece, area)
    low = grouped(np.minimum, piece, count, values[:, 0])
    high = grouped(np.maximum, piece, count, values[:, 2])
    a, b, c = values.T
    for _ in range(24):
        asked = (low + high) / 2
        t = asked[piece]
        rising = (t - a) ** 2 / np.maximum((b - a) * (c - a), 1e-15)
        falling = 1 - (c - t) ** 2 / np.maximum((c - b) * (c - a), 1e-15)
        share = np.where(t < a, 0.0, np.where(t >= c, 1.0, np.where(t < b, rising, falling)))
        under = np.bincount(piece, area * share) < total / 2
        low, high = np.where(under, asked, low), np.where(under, high, asked)
    middle: _Floats = (low + high) / 2
    return middle


def _stretches(walls: _Walls, groups: _Ints, whole: _Ints, *, sided: bool) -> list[Stretch]:
    cells, piece, count = walls.cells, walls.piece, walls.pieces
    place, area = cells.points[:, :, :3], _areas(cells)
    # Between faces that lie on one another rounding makes it less than nothing.
    typical = np.maximum(_medians(walls), 0.0)
    high = np.maximum(grouped(np.maximum, piece, count, 2 * cells.points[:, :, 3].max(axis=1)), 0.0)
    least, centre = _thinnest(walls)
    lowest = grouped(np.minimum, piece, count, place.min(axis=1))
    highest = grouped(np.maximum, piece, count, place.max(axis=1))
    along = _long_axes(place, area, piece, count)
    reach = np.einsum("kij,kj->ki", place, along[piece])
    length = grouped(np.maximum, piece, count, reach.max(axis=1))
    length = length - grouped(np.minimum, piece, count, reach.min(axis=1))
    sides = _sides(walls) if sided else np.zeros(count, np.int64)
    first = grouped(np.minimum, piece, count, np.arange(len(piece)))
    return stretches(
        Measures(
            least=least,
            typical=typical,
            most=high,
            length=length,
            lowest=lowest,
            highest=highest,
            centre=centre,
            group=groups[first],
            sides=sides,
            wall=whole[first],
        )
    )


def _thinnest(walls: _Walls) -> tuple[_Floats, _Floats]:
    """Least thickness of each piece and the ball's centre there: of places as thin, as shown, that
    nearest to the middle of the piece."""
    facets, cells, piece, count = walls.facets, walls.cells, walls.piece, walls.pieces
    whole = (cells.points[:, 0] + cells.points[:, 1] + cells.points[:, 2]) / 3
    normal = facets.normal[cells.own]
    weight = np.maximum(_areas(cells), 1e-12)
    total = np.bincount(piece, weight, count)
    middle = np.column_stack(
        [
            np.bincount(piece, weight * (whole[:, i] + whole[:, 3] * normal[:, i]), count) / total
            for i in range(3)
        ]
    )
    thinnest = 2 * np.minimum(
        np.minimum(cells.points[:, 0, 3], cells.points[:, 1, 3]), cells.points[:, 2, 3]
    )
    least: _Floats = np.maximum(grouped(np.minimum, piece, count, thinnest), 0.0)
    some = np.flatnonzero(thinnest <= least[piece] + 5e-4)
    cells, piece, normal = cells.chosen(some), piece[some], normal[some]
    whole = whole[some, None]
    asked = np.concatenate([cells.points, 0.8 * cells.points + 0.2 * whole, whole], axis=1)
    centre = asked[:, :, :3] + asked[:, :, 3:] * normal[:, None]
    thickness = 2 * asked[:, :, 3]
    off = centre - middle[piece][:, None]
    away = np.sqrt(np.einsum("kij,kij->ki", off, off))
    # A corner may lie on the wall's rim: only where nothing within is as thin.
    away[:, :3] += 1e6
    away[thickness > least[piece][:, None] + 5e-4] = np.inf
    best = away.argmin(axis=1)
    rows = np.arange(len(piece))
    order = np.lexsort((away[rows, best], piece))
    chosen = order[np.searchsorted(piece[order], np.arange(count))]
    spot = centre[chosen, best[chosen]]
    fine = np.flatnonzero(facets.fine[cells.own[chosen]])
    if len(fine):
        own, radius = cells.own[chosen[fine]], least[fine] / 2
        surface, point = facets.surface, _points(facets)[own]
        least[fine], spot[fine] = sharpened(surface, own, radius, point)
    return least, spot


def _long_axes(place: _Floats, area: _Floats, label: _Ints, count: int) -> _Floats:
    """(count, 3) the direction in which the area of the triangles (k, 3, 3) of each label lies
    farthest apart: exactly, however they are cut."""
    middle = place.mean(axis=1)
    total = np.maximum(np.bincount(label, area, count), 1e-12)
    mean = np.column_stack([np.bincount(label, area * middle[:, i], count) for i in range(3)])
    # A triangle's second moment is that of twelfths of it at its corners, and the rest at its
    # middle.
    spots = (
        np.concatenate([place, middle[:, None]], axis=1) - (mean / total[:, None])[label][:, None]
    )
    weight = area[:, None] * np.array([1, 1, 1, 9]) / 12
    spread_of = moments(spots.reshape(-1, 3), weight.ravel(), np.repeat(label, 4), count)
    axis: _Floats = np.linalg.eigh(spread_of)[1][:, :, 2]
    return axis


def _held(facets: Facets, cells: Cells, radius: _Floats, faces: _Ints) -> _Bools:
    """(k, 3) whether a wall goes on beyond each edge of a cell into a foot, or where it is
    thicker, if cells lie on these flat faces."""
    label = cells.label
    side = np.maximum(label, 0)
    bend, beyond = facets.bend.ravel()[side], facets.beside.ravel()[side]
    occupied = np.zeros(int(facets.face.max()) + 1, bool)
    occupied[faces] = True
    thicker = radius[beyond] > cells.points[:, :, 3].mean(axis=1)[:, None]
    ends = (np.abs(bend) <= _FOOT) & (beyond >= 0) & ~occupied[facets.face[beyond]] & thicker
    held: _Bools = (label == THICKER) | ((label >= 0) & ((bend < -_FOOT) | ends))
    return held


def _sides(walls: _Walls) -> _Ints:
    """(count,) on how many of four sides each wall runs into other material."""
    facets, cells = walls.facets, walls.cells
    held = _held(facets, cells, walls.radius, facets.face[cells.own])
    rim, corner = np.nonzero(held | _ending(walls))
    place = cells.points[:, :, :3]
    begin, end = place[rim, corner], place[rim, (corner + 1) % 3]
    normal = facets.normal[cells.own]
    patches = Patches(place, normal, _areas(cells), walls.piece, walls.pieces)
    # Where a face's cells lie side by side, each ends where the next begins, and runs back there.
    ends = np.flatnonzero(cells.label[rim, corner] == ENDS)
    share = np.ones(len(rim))
    if len(ends):
        key = facets.face[cells.own[rim[ends]]] * walls.pieces + walls.piece[rim[ends]]
        face = np.searchsorted(distinct(key), key)
        way = (end - begin)[ends]
        net = np.zeros((len(key), 3))
        np.add.at(net, face, way)
        whole = np.bincount(face, lengths(way))
        share[ends] = lengths(net)[face] / np.maximum(whole, 1e-12)[face]
    return sides_of(patches, Rims(begin, end, walls.piece[rim], held[rim, corner], share))


def _ending(walls: _Walls) -> _Bools:
    """(k, 3) whether a piece of a wall has no cell beyond each edge of a cell."""
    facets, cells = walls.facets, walls.cells
    known = distinct(facets.face[cells.own] * walls.pieces + walls.piece)
    beyond = facets.beside.ravel()[np.maximum(cells.label, 0)]
    key = facets.face[beyond] * walls.pieces + walls.piece[:, None]
    at = np.minimum(np.searchsorted(known, key), len(known) - 1)
    open_there = (cells.label >= 0) & ((beyond < 0) | (known[at] != key))
    ending: _Bools = open_there | (cells.label == ENDS)
    return ending
