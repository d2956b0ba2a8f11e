"""Ways out of cavities: how large a ball can leave.

The air is laid out in cells, each with its distance d from the part. A ball of radius r can be at a
cell where d >= r, and moves within what is connected there. So what it can reach from outside is
connected to the outside among the cells with d >= r, and a *pocket* is what is not:

    ██████████████          d in the hollow up to R, in the neck at most n
    ██          ██          r > n: the hollow is a pocket        r <= n: it is not
    ██    R      n   →      so n, the radius of the largest ball that leaves, is the largest r at
    ██          ██          which the two are connected
    ██████████████

Radii are tried in steps, from small to large. Where pocket and outside come together between two of
them, both are let grow until they meet: each place where they do is a way out. There the distance
from the triangles is computed exactly, in cells up to 64 times as fine, and n is found
to within one of these. That, and no more, is uncertain of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct
from wallguard.base.errors import TooLargeError
from wallguard.mesh.mesh import Mesh, volume
from wallguard.shapes.cavities import Cavity, Opening
from wallguard.shapes.cells import FARTHEST, Cells, halved, number_of, squares
from wallguard.shapes.enclosed import Enclosed, Way, enclosed

if TYPE_CHECKING:
    from wallguard.walls.tangent import Surface

_Floats = NDArray[np.float64]
_Singles = NDArray[np.float32]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]
_Labels = NDArray[np.int32]
Point = tuple[float, float, float]

# Cells to the diameter of the ball, wanted and at least: to search, and to see that nothing needs
# to be; how many cells there may be; and of how many corners a hull is made.
_FINE, _COARSE, _MOST, _HULL = (8, 3), (5, 2), 4_000_000, 20_000
# The least radius that is tried, in cells: whatever is two cells wide is connected then.
_THIN = 0.5
# Each radius is so many times the one before.
_STEP = 1.25
# A hollow that the ball cannot leave counts where it is so much wider than its way out, and one
# that it can leave is a cavity where it is so much wider (a bound of our own: a wide mouth needs no
# second hole).
_WIDER, _MUCH_WIDER = 1.25, 2.0
# How often a neck is looked at more closely, how much more closely, and in how many cells at most.
_LOOKS, _FINER, _LOOKED_AT = 3, 4, 200_000
# By how many cells the depth on a way may be too small before it is computed exactly: by the way
# from middle to middle, and by where in a cell the surface lies.
_DOUBT = 1.4
# By how many of the cells at its surface an estimated volume is uncertain; of how many other
# pockets the ways to them are looked for.
_ESTIMATED, _OTHERS = 3.0, 10
# Where sides meet in more cells than this through what is narrower than a cell, that is a wall.
_LEAK = 500
# For so many radii it is kept what is connected.
_KEPT = 4
# To which side a cell belongs.
_INNER, _OUTER = 1, 2
# How many steps a place may lie beside the shortest way through a neck.
_BESIDE = 3


@dataclass(frozen=True, eq=False)
class _Grid:
    """Cells of the air around and in a part.

    cells   where they are
    filled  (x, y, z) which have their middle in the part
    depth   (x, y, z) float32: how far each lies from the part, mm; 0 within it, and where its
            surface passes through
    """

    cells: Cells
    filled: _Bools
    depth: _Singles

    @cached_property
    def bare(self) -> _Singles:
        """`depth` of cells whose middle lies in the part alone: here ways that are narrower than a
        cell are open, if a middle lies in them, but walls so thin may be, too."""
        # Beyond cells that are filled the surface lies about half a cell nearer.
        return _depth(self.filled, 0.5, self.cell)

    @property
    def cell(self) -> float:
        return self.cells.cell

    def joined(self, radius: float) -> tuple[_Labels, int]:
        """The numbers (x, y, z) of what is connected for a ball of this radius, 0 where it has no
        room, and the largest. The last few are kept."""
        from scipy.ndimage import label

        if radius not in self._joined:
            while len(self._joined) >= _KEPT:
                self._joined.pop(next(iter(self._joined)))
            self._joined[radius] = label(self.depth >= radius)
        return self._joined[radius]

    @cached_property
    def _joined(self) -> dict[float, tuple[_Labels, int]]:
        return {}

    def middle(self, cell: _Ints) -> _Floats:
        """Middles of cells (n, 3)."""
        return self.cells.middle(cell)


def open_cavities(mesh: Mesh, label: _Ints, passes: float) -> list[Cavity]:
    """Cavities with ways out, or with none that were found; see `cavities.find_cavities`. label
    (m,): the connected surface that each triangle is of.

    Raises TooLargeError where the part is too large for so small a ball.
    """
    if _has_none(mesh, label, passes):
        return []
    grid = _grid(mesh, passes)
    pockets = list(_pockets(grid, passes / 2))
    if not pockets:
        return []
    search = _Search(mesh, label, grid)
    found = [search.cavity(pocket) for pocket in pockets]
    return [cavity for cavity in found if cavity is not None]


def _cell(mesh: Mesh, passes: float, cells: tuple[int, int], margin: float) -> float:
    """How wide cells are to be: so many to the diameter of the ball as wanted, if that is not too
    much, and as many as are needed at least. Raises TooLargeError where those are too much."""
    wanted, fewest = cells
    cell = passes / wanted
    while number_of(mesh.vertices, cell, margin) > _MOST and cell <= passes / fewest:
        cell *= 1.1
    if cell > passes / fewest:
        size = np.ptp(mesh.vertices, axis=0)
        raise TooLargeError(
            f"a part of {' x '.join(f'{each:.0f}' for each in size)} mm in which ways of "
            f"{passes:g} mm are looked for"
        )
    return cell


def _has_none(mesh: Mesh, label: _Ints, passes: float) -> bool:
    """Whether it can be told in coarse cells that nothing is a pocket: what is deep enough for one
    is connected to the outside, for balls a little larger. For larger and larger balls cells are
    wider and wider. Raises TooLargeError."""
    from scipy import ndimage

    if _has_no_room(mesh, label, passes):
        return True
    cells = Cells.about(mesh.vertices, _cell(mesh, passes, _COARSE, 0.0), 0.0)
    solid = np.logical_or(*cells.filled(mesh.vertices[mesh.triangles]))
    # From here on in cells. Whoever comes out of the box around the part is out.
    radius, wider = passes / 2 / cells.cell + 1, _WIDER
    while not solid.all():
        deep = wider * radius - 1
        far = squares(solid, math.ceil(max(deep, radius)))
        for axis in range(3):
            rim = np.moveaxis(far, axis, 0)
            rim[0] = rim[-1] = np.iinfo(far.dtype).max
        is_deep = far >= deep**2
        inner = is_deep[1:-1, 1:-1, 1:-1]
        if not inner.any():
            return True
        name, _ = ndimage.label(far >= radius**2)
        if (is_deep & (name > 0) & (name != name[0, 0, 0])).any():
            return False
        radius, wider = radius * _STEP, _MUCH_WIDER
        while math.ceil(wider * radius) > FARTHEST:
            solid, radius = halved(solid), radius / 2
    return True


def _has_no_room(mesh: Mesh, label: _Ints, passes: float) -> bool:
    """Whether the part is one body, and there is too little air in its convex hull for a pocket.
    From outside of the hull everything can leave straight away from it."""
    from scipy.spatial import ConvexHull, QhullError

    if len(mesh.vertices) > _HULL:
        return False
    if label.any():
        return False
    try:
        hull = ConvexHull(mesh.vertices).volume
    except QhullError:
        return False
    ball = math.pi / 6 * (_WIDER * passes) ** 3
    return bool(hull - volume(mesh.vertices, mesh.triangles) < ball)


def _grid(mesh: Mesh, passes: float) -> _Grid:
    cells = Cells.about(mesh.vertices, _cell(mesh, passes, _FINE, passes), passes)
    filled, passed = cells.filled(mesh.vertices[mesh.triangles])
    return _Grid(cells, filled, _depth(filled | passed, 0.0, cells.cell))


def _depth(solid: _Bools, off: float, cell: float) -> _Singles:
    """How far each cell lies from solid ones, mm: from middle to middle, less so many cells."""
    from scipy.ndimage import distance_transform_edt

    away = distance_transform_edt(~solid).astype(np.float32)
    far: _Singles = np.maximum(away - np.float32(off), 0.0) * np.float32(cell)
    # What has come out of the box around the part is out.
    for axis in range(3):
        rim = np.moveaxis(far, axis, 0)
        rim[0] = rim[-1] = np.inf
    return far


@dataclass(frozen=True, eq=False)
class _Pocket:
    """Air that comes together with the outside between two radii.

    shut    cells (n, 3) of it that are not connected to the outside at `radius`
    radius  at which they are not; `less`: at which they are; 0: at no radius that was tried
    deepest  the largest distance in it
    """

    shut: _Ints
    radius: float
    less: float
    deepest: float


def _pockets(grid: _Grid, radius: float) -> Iterator[_Pocket]:
    """The pockets that are cavities for a ball of this radius, a cell's doubt in favour of each."""
    depth = grid.depth
    deepest = float(depth[np.isfinite(depth)].max())
    levels = [radius + grid.cell]
    while levels[-1] * _STEP * _MUCH_WIDER <= deepest:
        levels.append(levels[-1] * _STEP)
    below: _Labels | None = None
    for at, level in enumerate(levels):
        name, count = grid.joined(level)
        outside = name[0, 0, 0]
        biggest = _deepest(depth, name, count)
        wider = _MUCH_WIDER if at else _WIDER
        for number in np.flatnonzero(biggest >= wider * level - grid.cell).tolist():
            if number in (0, outside):
                continue
            shut = np.argwhere(name == number)
            if at and below is not None and below[tuple(shut[0])] != below[0, 0, 0]:
                continue  # of a pocket that is shut for smaller balls, too
            less = levels[at - 1]
            if not at:
                corner = tuple(shut[0].tolist())
                less = _meets(grid.joined, grid.cell, level, corner, (0, 0, 0))
            # Ways that are wide enough are counted, though another one be wider.
            less = min(less, max(radius - _DOUBT * grid.cell, _THIN * grid.cell))
            yield _Pocket(shut, level, less, float(biggest[number]))
        below = name


def _deepest(depth: _Singles, name: _Labels, count: int) -> _Floats:
    """How deep each pocket is, (count + 1,); 0 for the outside and the part."""
    own = np.flatnonzero((name > 0) & (name != name[0, 0, 0]))
    deepest = np.zeros(count + 1, np.float32)
    np.maximum.at(deepest, name.ravel()[own], depth.ravel()[own])
    return deepest.astype(np.float64)


def _meets(
    joined: Callable[[float], tuple[_Labels, int]],
    cell: float,
    radius: float,
    one: tuple[int, ...],
    other: tuple[int, ...],
) -> float:
    """The largest radius tried below at which two cells are connected; 0: none. `joined`: what is
    connected at a radius, as of a grid."""
    while radius > _THIN * cell:
        radius /= _STEP
        name, _ = joined(radius)
        if name[one] and name[one] == name[other]:
            return radius
    return 0.0


def _at(depth: _Singles) -> Callable[[float], tuple[_Labels, int]]:
    """What is connected among cells of these depths at a radius."""
    from scipy.ndimage import label

    return lambda radius: label(depth >= radius)


class _Search:
    """A search for the ways between a pocket and what lies around it."""

    def __init__(self, mesh: Mesh, label: _Ints, grid: _Grid) -> None:
        from wallguard.walls.tangent import Surface

        self.mesh, self.label, self.grid = mesh, label, grid
        corners = mesh.vertices[mesh.triangles]
        self.surface = Surface(corners, np.zeros((len(corners), 3)))  # only asked for distances

    def cavity(self, pocket: _Pocket) -> Cavity | None:
        """The cavity that a pocket is of; None where it is none."""
        grid = self.grid
        own = grid.depth[tuple(pocket.shut.T)]
        deepest = grid.middle(pocket.shut[int(np.argmax(own))])
        name, count = grid.joined(pocket.radius)
        inner, outer = name == name[tuple(pocket.shut[0])], name == name[0, 0, 0]
        ways = self._ways(grid.depth, pocket.less, inner, outer)
        if not ways:
            # By a way that is narrower than a cell, or by none.
            corner = tuple(pocket.shut[0].tolist())
            less = _meets(_at(grid.bare), grid.cell, pocket.radius, corner, (0, 0, 0))
            ways = self._ways(grid.bare, less, inner, outer, _LEAK)
        if ways and pocket.deepest < ways[0].radius * _WIDER:
            return None
        doors = self._doors(pocket, name, count)
        air = self._volume(deepest, ways, doors)
        if air is None:
            # Ways that are narrower than the widest are left open.
            more = self._ways(grid.bare, _THIN * grid.cell, inner, outer, _LEAK)
            air = self._volume(deepest, more, doors)
        if air is None:
            space = _behind(grid, pocket, inner, outer)
            box = grid.middle(np.array([space.min(axis=0) - 0.5, space.max(axis=0) + 0.5]))
            doubt = _ESTIMATED * len(space) ** (2 / 3) * grid.cell**3
            air = Enclosed(len(space) * grid.cell**3, 0.0, box, doubt)
        low, high = air.box
        return Cavity(
            air.volume,
            air.uncertainty,
            air.ways,
            2 * pocket.deepest,
            tuple(Opening(2 * way.radius, way.uncertainty, _point(way.point)) for way in ways),
            0.0 if ways else 2 * grid.cell,
            _point(deepest),
            (_point(low), _point(high)),
        )

    def _ways(
        self,
        depth: _Singles,
        less: float,
        inner: _Bools,
        outer: _Bools,
        most: int | None = None,
    ) -> list[Way]:
        """The ways between two sides, the widest first, that are open in cells of this depth for a
        ball of the radius `less` (0: for none), and where sides meet in so many cells at `most`."""
        if not less:
            return []
        found = []
        for neck in _necks(depth >= less, inner, outer, most or depth.size):
            way = _way(self.surface, self.grid, depth, (inner, outer), neck)
            # What is no wider than the places that it was looked for in may be a wall between them.
            if way is not None and 2 * way.radius > way.uncertainty:
                found.append(way)
        return sorted(found, key=lambda each: (-each.radius, _point(each.point)))

    def _doors(self, pocket: _Pocket, name: _Labels, count: int) -> list[Way]:
        """The ways from a pocket to other ones, which are cavities of their own."""
        depth, cell = self.grid.depth, self.grid.cell
        own, outside = int(name[tuple(pocket.shut[0])]), int(name[0, 0, 0])
        biggest = _deepest(depth, name, count)
        within = np.where(name == outside, np.float32(0.0), depth)
        doors: list[Way] = []
        corner = tuple(pocket.shut[0].tolist())
        for other in np.flatnonzero(biggest >= _WIDER * pocket.radius)[:_OTHERS].tolist():
            if other in (0, own, outside):
                continue
            place = np.unravel_index(int((name == other).argmax()), name.shape)
            spot = tuple(int(axis) for axis in place)
            less = _meets(_at(within), cell, pocket.radius, corner, spot)
            doors += self._ways(within, less, name == own, name == other)
        return doors

    def _volume(self, inner: _Floats, ways: Sequence[Way], doors: Sequence[Way]) -> Enclosed | None:
        """What lies behind ways and doors; None where they do not shut it."""
        if not ways:
            return None
        wall = int(self.surface.nearest(inner[None])[1][0])
        return enclosed(self.mesh, self.label, inner, wall, [*ways, *doors])


def _behind(grid: _Grid, pocket: _Pocket, inner: _Bools, outer: _Bools) -> _Ints:
    """The cells of air that a ball too large for the ways out does not touch from outside."""
    from scipy.ndimage import binary_dilation, distance_transform_edt, label

    reach = math.ceil(pocket.radius / grid.cell) + 2
    own = _around(pocket.shut, 2 * reach, grid.depth.shape)
    more = _around(pocket.shut, 3 * reach, grid.depth.shape)
    swept = np.zeros(inner[own].shape, bool)
    if outer[more].any():
        off = distance_transform_edt(~outer[more]) * grid.cell
        inside = tuple(
            slice(a.start - b.start, a.stop - b.start) for a, b in zip(own, more, strict=True)
        )
        swept = off[inside] <= pocket.radius + 1.5 * grid.cell
    low = np.array([axis.start for axis in own])
    name, _ = label((grid.depth[own] > 0) & ~swept)
    air = name == name[tuple(pocket.shut[0] - low)]
    # With the cells that the surface passes through, if their middle lies in the air.
    air = binary_dilation(air, np.ones((3, 3, 3)), mask=air | (~grid.filled[own] & (name == 0)))
    return np.asarray(np.argwhere(air) + low, np.int64)


def _around(cells: _Ints, margin: int, shape: tuple[int, ...]) -> tuple[slice, ...]:
    """The box of cells (n, 3) with a margin, within a grid."""
    low, high = cells.min(axis=0) - margin, cells.max(axis=0) + margin + 1
    pairs = zip(low.tolist(), high.tolist(), shape, strict=True)
    return tuple(slice(max(a, 0), min(b, most)) for a, b, most in pairs)


def _necks(air: _Bools, inner: _Bools, outer: _Bools, most: int) -> Iterator[_Ints]:
    """The cells (n, 3) of each way between a pocket and the outside: both are let grow through the
    air until they meet, and where they meet in one place, of so many cells at most, is one way."""
    from scipy.ndimage import binary_dilation, label

    meet, steps = _met(air, inner, outer)
    if not len(meet):
        return
    box = _around(meet, steps + _BESIDE, air.shape)
    low = np.array([axis.start for axis in box])
    places = np.zeros(air[box].shape, bool)
    places[tuple((meet - low).T)] = True
    name, count = label(places, np.ones((3, 3, 3)))
    for number in range(1, count + 1):
        if (name == number).sum() > most:
            continue
        own = _around(np.argwhere(name == number), steps + _BESIDE, name.shape)
        near = binary_dilation(name[own] == number, np.ones((3, 3, 3)), iterations=steps + _BESIDE)
        near &= air[box][own] & ((name[own] == 0) | (name[own] == number))
        yield np.argwhere(near) + low + np.array([axis.start for axis in own])


def _met(air: _Bools, inner: _Bools, outer: _Bools) -> tuple[_Ints, int]:
    """The cells (n, 3) at which a pocket and the outside meet when both grow through the air, and
    after how many steps. The outer cells of the grid are outside."""
    side = (inner * _INNER + outer * _OUTER).astype(np.int8).ravel()
    free = air.ravel() & (side == 0)
    stride = np.array([air.shape[1] * air.shape[2], air.shape[2], 1])
    beside = np.concatenate((stride, -stride))

    def touched(cells: _Ints, by: int) -> _Bools:
        return np.asarray((side[cells[:, None] + beside] == by).any(axis=1))

    grown, steps = [], 0
    rest = np.flatnonzero(free)
    # First all that touches a side; then only what lies beside the cells of the step before.
    near = {_INNER: rest, _OUTER: rest}
    while True:
        new = {}
        for own in (_INNER, _OUTER):
            new[own] = near[own][free[near[own]]]
            new[own] = new[own][touched(new[own], own)]
            side[new[own]], free[new[own]] = own, False
        if not len(new[_INNER]) and not len(new[_OUTER]):
            break
        grown.append(new[_INNER])
        near = {own: distinct((cells[:, None] + beside).ravel()) for own, cells in new.items()}
        steps += 1
    cells = np.concatenate(grown) if grown else rest[:0]
    cells = cells[touched(cells, _OUTER)]
    return np.column_stack(np.unravel_index(np.sort(cells), air.shape)), steps


@dataclass(frozen=True, eq=False)
class _Gate:
    """Where a ball of the largest radius that passes is at its narrowest: the number of the place,
    and how far each place (n,) lies from what is deeper on the one side and on the other, together,
    in steps: the least on a straight way through."""

    radius: float
    at: int
    off: _Floats


@dataclass(frozen=True, eq=False)
class _Look:
    """A closer look at a neck: places (n, 3) in a lattice `step` apart, their distances (n,), which
    belong to the pocket and to the outside (n,), and by how many steps a way may be deeper than the
    places on it."""

    places: _Ints
    step: float
    origin: _Floats
    depth: _Floats
    inner: _Bools
    outer: _Bools
    doubt: float = math.sqrt(3) / 2

    def passes(self) -> _Gate | None:
        """Where pocket and outside are connected at the largest radius; None: nowhere."""
        from scipy.ndimage import label

        low = self.places.min(axis=0)
        index = tuple((self.places - low).T)
        full = np.full(tuple((self.places.max(axis=0) - low + 1).tolist()), -1.0)
        full[index] = self.depth
        values = np.unique(self.depth)

        def joined(radius: float) -> bool:
            name = label(full >= radius)[0][index]
            both = np.intersect1d(name[self.inner], name[self.outer])
            return bool((both > 0).any())

        # Of the values, rising, the last at which they are joined.
        first, last = -1, len(values)
        while last - first > 1:
            middle = (first + last) // 2
            first, last = (middle, last) if joined(float(values[middle])) else (first, middle)
        if first < 0:
            return None
        return self._gate(full, index, float(values[first]))

    def _gate(self, full: _Floats, index: tuple[_Ints, ...], radius: float) -> _Gate:
        from scipy.ndimage import label

        name = label(full > radius)[0]
        open_ = full >= radius - self.doubt * self.step
        steps = []
        for side in (self.inner, self.outer):
            own = np.unique(name[index][side])
            held = np.isin(name, own[own > 0])
            held[tuple(axis[side] for axis in index)] = True
            steps.append(held)
        first, second = steps
        off = _ways(open_, first, second)[index] + _ways(open_, second, first)[index]
        # Of the places of this depth the two sides meet at that which lies nearest to both.
        return _Gate(radius, int(np.argmin(np.where(self.depth == radius, off, np.inf))), off)


def _ways(open_: _Bools, start: _Bools, goal: _Bools) -> _Floats:
    """How many steps through what is open each cell is from where they start, as far as a few
    steps beyond the first at the goal; infinite farther off."""
    free, aim = (np.pad(each, 1).ravel() for each in (open_ & ~start, goal))
    shape = [size + 2 for size in open_.shape]
    stride = np.array([shape[1] * shape[2], shape[2], 1])
    beside = np.concatenate((stride, -stride))
    near = np.flatnonzero(np.pad(start, 1))
    steps = np.full(free.shape, np.inf)
    steps[near] = 0.0
    met, left, number = bool(aim[near].any()), _BESIDE, 0
    while left:
        near = distinct((near[:, None] + beside).ravel())
        near = near[free[near]]
        if not len(near):
            break
        number += 1
        steps[near], free[near] = number, False
        met = met or bool(aim[near].any())
        left -= met
    return steps.reshape(shape)[1:-1, 1:-1, 1:-1]


def _way(
    surface: Surface, grid: _Grid, depth: _Singles, sides: tuple[_Bools, _Bools], neck: _Ints
) -> Way | None:
    """The way through a neck, cells (n, 3), that are so deep."""
    own = _around(neck, 1, depth.shape)
    low = np.array([axis.start for axis in own])
    region = np.zeros(depth[own].shape, bool)
    region[tuple((neck - low).T)] = True
    inner, outer = sides[0][own], sides[1][own]
    places = np.argwhere(region & (depth[own] > 0))
    look = _Look(
        places,
        grid.cell,
        grid.middle(low),
        np.minimum(depth[own][tuple(places.T)], 1e6).astype(np.float64),
        inner[tuple(places.T)],
        outer[tuple(places.T)],
        _DOUBT,
    )
    gate = look.passes()
    if gate is None:
        return None
    for finer in (1, *[_FINER] * _LOOKS):
        closer = _closer(surface, look, gate, finer)
        again = closer.passes()
        if again is None:
            break
        look, gate = closer, again
    middle = look.origin + look.step * look.places[gate.at]
    sides_of = [look.places[side] for side in (look.inner, look.outer)]
    if not all(map(len, sides_of)):
        sides_of = [places[side[tuple((places + low).T)]] for side in sides]
    start, end = (each.mean(axis=0) for each in sides_of)
    out = end - start if np.abs(end - start).max() > 0 else np.array([0.0, 0.0, 1.0])
    return Way(middle, gate.radius, out, 2 * look.step)


def _closer(surface: Surface, look: _Look, gate: _Gate, finer: int) -> _Look:
    """The same neck in finer places: those about the straight way through it, so far as they may
    be deep enough, with the rims of both sides."""
    near = (look.depth >= gate.radius - look.doubt * look.step) & (
        gate.off <= gate.off[gate.at] + _BESIDE
    )
    if near.sum() * finer**3 > _LOOKED_AT:
        off = np.abs(look.places - look.places[gate.at]).max(axis=1)
        near &= off <= np.sort(off[near])[_LOOKED_AT // finer**3]
    chosen = np.flatnonzero(near)
    deep = look.depth > gate.radius
    part = _sides(look, deep)
    fine = np.stack(np.meshgrid(*[np.arange(finer)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    places = (look.places[chosen][:, None] * finer + fine[None]).reshape(-1, 3)
    step = look.step / finer
    origin = look.origin - look.step / 2 + step / 2
    depth, _ = surface.nearest(origin + step * places)
    owner = np.repeat(chosen, len(fine))
    # Fine places of a coarse one that belongs to a side, at the rim of what is looked at, hold it.
    return _Look(places, step, origin, depth, part[0][owner], part[1][owner])


def _sides(look: _Look, deep: _Bools) -> tuple[_Bools, _Bools]:
    """Which of the places that are deeper than the neck are connected to either side."""
    size = look.places.max(axis=0) - look.places.min(axis=0) + 1
    index = tuple((look.places - look.places.min(axis=0)).T)
    from scipy.ndimage import label

    full = np.zeros(tuple(size.tolist()), bool)
    full[index] = deep
    name = label(full)[0][index]
    made = []
    for side in (look.inner, look.outer):
        own = np.unique(name[side & deep])
        made.append((np.isin(name, own[own > 0])) | side)
    return made[0] & ~made[1], made[1] & ~made[0]


def _point(values: _Floats) -> Point:
    x, y, z = values.tolist()
    return x, y, z
