"""Floors and roofs: where the material is only a few layers high.

The plan is laid out in square cells. From one layer to the next only the cells between the two
outlines change, so each column's runs of material are followed by what changes alone: along a row
of cells, the crossings of both outlines in order bound the changed stretches in turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, ranges
from wallguard.mesh.mesh import Mesh
from wallguard.sections.sections import Sections, neighbours
from wallguard.walls.breadth import roomy
from wallguard.walls.columns import Grid, short_columns

Point = tuple[float, float, float]
_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# The width that counts, in cells: `_under_disc` says which.
_ACROSS = 3
_MOST_CELLS = 8_000_000
# A surface that slopes by less is nearly level, and its steps are wide: h / tan(12 degrees).
_LEVEL = 1 / float(np.tan(np.radians(12.0)))
# The share of a step's rim where the slope goes on, and where there is less material or none.
_STEP = 0.2
# A layer costs as much as so many crossings, and a crossing as much as so many pairs of triangles
# and cells (measured on the benchmark parts).
_LAYER, _DEARER = 200, 0.7


@dataclass(frozen=True)
class Plate:
    """A floor, which lies on the build surface, or a roof, which has air below it. Lengths in mm.

    layers  the least number of layers it is high anywhere
    area    mm², seen from above
    point   in the middle of where it is thinnest
    box     (lowest corner, highest corner)
    low, high  extent in z: the bottom of its first layer and the top of its last
    """

    kind: Literal["floor", "roof"]
    layers: int
    area: float
    point: Point
    box: tuple[Point, Point]
    low: float
    high: float


def find_plates(
    sections: Sections, limit: int, smallest: float, solid: Mesh | None = None
) -> list[Plate]:
    """Places where fewer than `limit` layers of material lie on each other, with air above.

    solid: the mesh that was cut, if it is closed and consistent: most of it is then left out.

    smallest: where no disc as wide as this (mm) has room is no plate.
    The steps of surfaces that slope by more than about 12 degrees are none either, so neither
    the rim of a lens nor the foot of a cone is a plate. Plates that touch are one.
    """
    if not len(sections.points) or limit < 2:
        return []
    plan = _plan(sections, smallest)
    runs = _runs(sections, plan) if solid is None else _short(sections, plan, limit, solid)
    short = _broad(sections, runs, plan, limit, smallest)
    if not len(short.cell):
        return []
    return _plates(sections, plan, _not_steps(short, runs, plan, sections.layer_height))


@dataclass(frozen=True)
class _Plan:
    """Cells in rows of `width`; cell i has its centre at corner + cell * (column, row)."""

    corner: _Floats
    cell: float
    width: int
    rows: int

    def centre(self, cell: _Ints) -> _Floats:
        """(n, 2) the centres of cells (n,)."""
        return self.corner + self.cell * np.column_stack([cell % self.width, cell // self.width])


@dataclass(frozen=True)
class _Runs:
    """Stretches of material in columns: the cell, the first layer and how many layers; ordered by
    first layer, then length, then cell."""

    cell: _Ints
    first: _Ints
    length: _Ints

    def chosen(self, which: _Bools | _Ints) -> _Runs:
        return _Runs(self.cell[which], self.first[which], self.length[which])


def _plan(sections: Sections, smallest: float) -> _Plan:
    low, high = sections.points.min(axis=0), sections.points.max(axis=0)
    size = high - low
    cell = max(smallest / _ACROSS, float(np.sqrt(size[0] * size[1] / _MOST_CELLS)), 1e-6)
    cell = max(cell, float(size.max()) / _MOST_CELLS)
    # One empty cell on every side, so that neighbours never lie in another row.
    columns, rows = (int(n) for n in np.ceil(size / cell) + 3)
    return _Plan(low - cell * np.array([0.9137, 0.9173]), cell, columns, rows)


def _crossings(sections: Sections, plan: _Plan) -> tuple[_Ints, _Ints]:
    """Where outlines cross rows of cells: the first cell right of each crossing, ordered by
    section, and where each section's crossings begin."""
    _, after = neighbours(sections.ring_start)
    start = (sections.points - plan.corner) / plan.cell
    end = start[after]
    upward = start[:, 1] <= end[:, 1]
    lower, upper = np.where(upward[:, None], start, end), np.where(upward[:, None], end, start)
    first = np.ceil(lower[:, 1]).astype(np.int64)
    count = np.ceil(upper[:, 1]).astype(np.int64) - first
    edge, row = ranges(first, count)
    lower, upper = lower[edge], upper[edge]
    share = (row - lower[:, 1]) / (upper[:, 1] - lower[:, 1])
    column = np.ceil(lower[:, 0] + share * (upper[:, 0] - lower[:, 0])).astype(np.int64)
    size = np.diff(sections.ring_start)
    section = np.repeat(sections.ring_section, size)[edge]
    number = int(sections.ring_section[-1]) + 1
    return row * plan.width + column, np.searchsorted(section, np.arange(number + 1))


def _short(sections: Sections, plan: _Plan, limit: int, solid: Mesh) -> _Runs:
    """The runs of material in and around all columns where one may be short."""
    x, y, z = solid.vertices.T
    x, y = ((each - from_) / plan.cell for each, from_ in zip((x, y), plan.corner, strict=True))
    grid = Grid(plan.width, plan.rows, *(each.take(solid.triangles.T) for each in (x, y, z)))
    # What `_runs` would look at: crossings of rows and outlines, and what each layer costs.
    _, after = neighbours(sections.ring_start)
    rise = np.abs(sections.points[after, 1] - sections.points[:, 1]).sum() / plan.cell
    most = int(_DEARER * (rise + _LAYER * len(sections.heights)))
    layers = (sections.layer_height, limit)
    try:
        columns = short_columns(grid, sections.heights, layers, most)
    except ValueError:
        return _runs(sections, plan)
    order = np.lexsort((columns[0], columns[2], columns[1]))
    return _Runs(*columns).chosen(order)


def _runs(sections: Sections, plan: _Plan) -> _Runs:
    """All runs of material of all columns."""
    crossing, begin = _crossings(sections, plan)
    solid = np.zeros(plan.width * plan.rows, bool)
    since = np.zeros(plan.width * plan.rows, np.int32)
    nothing = crossing[:0]
    below = nothing
    ended: list[tuple[_Ints, _Ints, _Ints]] = []
    distinct = np.append(sections.distinct, -1)
    for layer in np.flatnonzero(np.diff(distinct, prepend=-1)).tolist():
        section = int(distinct[layer])
        here = nothing if section < 0 else crossing[begin[section] : begin[section + 1]]
        bounds = np.sort(np.concatenate([below, here]))
        below = here
        low, size = bounds[::2], bounds[1::2] - bounds[::2]
        changed = ranges(low, size)[1]
        was = solid[changed]
        over = changed[was]
        first = since[over].astype(np.int64)
        ended.append((over, first, layer - first))
        since[changed[~was]] = layer
        solid[changed] = ~was
    cell, first, length = (np.concatenate(each) for each in zip(*ended, strict=True))
    order = np.lexsort((cell, length, first))
    return _Runs(cell[order], first[order], length[order])


def _broad(sections: Sections, runs: _Runs, plan: _Plan, limit: int, smallest: float) -> _Runs:
    """Runs below the limit, where a disc as wide as `smallest` (mm) has room among those that have
    the same first layer and length: what is narrower is left out, however it lies.

    Such a disc covers four cells round its middle at least, so that is looked for where four are.
    """
    short = runs.chosen(np.flatnonzero(runs.length < limit))
    key = (short.first * limit + short.length) * (plan.width * plan.rows) + short.cell
    square = (0, 1, plan.width, plan.width + 1)
    four = key
    for step in square[1:]:
        four = four[_within(four + step, key)]
    # Deep within such squares no outline is near.
    deep = four
    for _ in range(2):
        for step in (1, -1, plan.width, -plan.width):
            deep = deep[_within(deep + step, deep)]
    asked = four[~_within(four, deep)]
    at = np.searchsorted(key, asked)
    centre = plan.centre(short.cell[at]) + plan.cell / 2
    layers = short.first[at] - 1, short.first[at] + short.length[at]
    room = roomy(sections, centre, layers, smallest / 2, plan.cell)
    middle = np.concatenate([deep, asked[room]])
    kept = np.zeros(len(key), bool)
    for step in _under_disc(plan.width):
        covered = middle + step
        covered = covered[_within(covered, key)]
        kept[np.searchsorted(key, covered)] = True
    return short.chosen(kept)


def _under_disc(width: int) -> list[int]:
    """The cells that a disc three cells wide covers with its middle among four of them: from the
    first of these on."""
    corners = {(-1, -1), (-1, 2), (2, -1), (2, 2)}
    block = ((row, column) for row in range(-1, 3) for column in range(-1, 3))
    return [row * width + column for row, column in block if (row, column) not in corners]


def _within(wanted: _Ints, ordered: _Ints) -> _Bools:
    """Which of the wanted numbers are among the ordered ones."""
    if not len(ordered):
        return np.zeros(len(wanted), bool)
    place = np.minimum(np.searchsorted(ordered, wanted), len(ordered) - 1)
    held: _Bools = ordered[place] == wanted
    return held


def _beside(runs: _Runs, others: _Runs, step: int) -> tuple[_Ints, _Ints]:
    """Pairs (of runs, of others) whose layers overlap, the other's cell lying `step` on."""
    order = np.lexsort((others.first, others.cell))
    cell = others.cell[order]
    low = np.searchsorted(cell, runs.cell + step, side="left")
    many = np.searchsorted(cell, runs.cell + step, side="right") - low
    one, place = ranges(low, many)
    other = order[place]
    begin = np.maximum(runs.first[one], others.first[other])
    end = np.minimum(runs.first[one] + runs.length[one], others.first[other] + others.length[other])
    overlap = begin < end
    return one[overlap], other[overlap]


def _not_steps(short: _Runs, runs: _Runs, plan: _Plan, layer_height: float) -> _Runs:
    """Leave out the steps of slopes: narrow strips beside which the material's top or bottom lies
    one layer higher or lower, and which have material less high, or none, beside them as well.
    Of a sloping sheet also those beside which it goes on down on one side and up on the other.
    (The thinnest place over a round hole goes on down on both sides, and stays.)"""
    near = runs.chosen(_around(short, runs, plan))
    count = len(short.cell)
    links: list[tuple[_Ints, _Ints]] = []
    rim, steps, falls, down, up = (np.zeros(count) for _ in range(5))
    for step in (1, -1, plan.width, -plan.width):
        alike, next_step, held, sunk, rises = (np.zeros(count, bool) for _ in range(5))
        one, other = _beside(short, near, step)
        lower = short.first[one] - near.first[other]
        upper = near.length[other] - lower - short.length[one]
        alike[one[(lower == 0) & (upper == 0)]] = True
        next_step[one[(np.abs(lower) <= 1) & (np.abs(upper) <= 1)]] = True
        held[one[(lower >= 0) & (upper >= 0)]] = True
        sunk[one[(lower == 1) & (upper == 0)]] = True
        rises[one[(lower == 0) & (upper == 1)]] = True
        rim += ~alike
        down += sunk
        up += rises
        steps += next_step & ~alike
        falls += ~held
        one, other = _beside(short, short, step)
        same = (short.first[one] == short.first[other]) & (short.length[one] == short.length[other])
        links.append((one[same], other[same]))
    number, strip = connected(
        np.concatenate([each for each, _ in links]),
        np.concatenate([each for _, each in links]),
        count,
    )
    cells = np.bincount(strip, minlength=number)
    edge = np.bincount(strip, rim, number)
    slim = 2 * cells * plan.cell < _LEVEL * layer_height * edge
    goes_on, ends, sinks, climbs = (
        np.bincount(strip, each, number) >= _STEP * edge for each in (steps, falls, down, up)
    )
    return short.chosen(~(slim & ((goes_on & ends) | (sinks & climbs)))[strip])


def _around(short: _Runs, runs: _Runs, plan: _Plan) -> _Bools:
    """Which of the runs stand in or beside a cell with a thin run."""
    marked = np.zeros(plan.width * plan.rows, bool)
    for step in (0, 1, -1, plan.width, -plan.width):
        marked[short.cell + step] = True
    around: _Bools = marked[runs.cell]
    return around


def _plates(sections: Sections, plan: _Plan, short: _Runs) -> list[Plate]:
    """Thin runs side by side that share a layer, or meet at one, are one plate."""
    if not len(short.cell):
        return []
    # One layer longer, so that what lies a layer further up or down still touches.
    longer = _Runs(short.cell, short.first, short.length + 1)
    one, other = (
        np.concatenate(each)
        for each in zip(*(_beside(longer, longer, step) for step in (1, plan.width)), strict=True)
    )
    floor = short.first == 0
    same = floor[one] == floor[other]
    number, label = connected(one[same], other[same], len(short.cell))
    order = np.argsort(label, kind="stable")
    bounds = np.searchsorted(label[order], np.arange(number + 1))
    plates = [
        _plate(sections, plan, short.chosen(order[bounds[i] : bounds[i + 1]]))
        for i in range(number)
    ]
    return sorted(plates, key=lambda plate: (plate.kind, plate.layers, plate.point))


def _plate(sections: Sections, plan: _Plan, short: _Runs) -> Plate:
    centre = plan.centre(short.cell)
    layers = int(short.length.min())
    thinnest = np.flatnonzero(short.length == layers)
    middle = centre[thinnest].mean(axis=0)
    spot = thinnest[np.argmin(((centre[thinnest] - middle) ** 2).sum(axis=1))]
    height = sections.layer_height
    bottom = float(sections.heights[0]) - height / 2
    low = bottom + height * float(short.first.min())
    high = bottom + height * float((short.first + short.length).max())
    x, y = centre[spot].tolist()
    half = plan.cell / 2
    (x0, y0), (x1, y1) = (centre.min(axis=0) - half).tolist(), (centre.max(axis=0) + half).tolist()
    return Plate(
        kind="floor" if short.first[0] == 0 else "roof",
        layers=layers,
        area=len(short.cell) * plan.cell**2,
        point=(x, y, bottom + height * (float(short.first[spot]) + layers / 2)),
        box=((x0, y0, low), (x1, y1, high)),
        low=low,
        high=high,
    )
