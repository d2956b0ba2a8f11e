"""The largest disc that touches the outline at a point: exact, for many points at once.

A disc inside the material that touches the outline at p, where n is the unit normal into the
material, has its centre at p + r n. It reaches the point q when |q - p|^2 = 2 r n.(q - p), so the
largest one that holds no other part of the outline has

    r(p) = min over q of |q - p|^2 / (2 n.(q - p)),   n.(q - p) > 0.

On one straight edge the points with a value below any given r form a disc cut by a line, which is
one interval; so the least value lies where the disc touches the edge's line, or at the edge's end
nearest to that place. No iteration and no sampling of the far side is needed. (The relation is the
one of the shrinking-ball method, Ma, Bae and Choi, "3D medial axis point approximation using
nearest neighbors and the normal field", The Visual Computer 28, 2012; there q runs over sample
points, here over whole edges.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import ranges
from wallguard.base.errors import TooLargeError
from wallguard.walls.edges import Edges

# Of contacts this close to being first, the one straight across counts: in a round or square
# section every contact is as near as every other.
TIE = 0.005
_CHUNK = 400_000
_PIECES = 16_000_000
# So many edges in a cell make a search slow; and so many pairs in all take minutes.
_CROWD = 50
_PAIRS = 1_500_000_000


@dataclass(frozen=True)
class Discs:
    """The largest discs that touch the outline at given points.

    radius    (n,) float64, inf where larger than was asked for
    contact   (n, 2) float64, where the disc touches the outline elsewhere
    edge      (n,) int64, the edge it touches there, -1 where radius is inf
    facing    (n,) float64, cosine between the outward surface normals in space at the two
              contacts: -1 straight across and parallel, 1 where radius is inf
    """

    radius: NDArray[np.float64]
    contact: NDArray[np.float64]
    edge: NDArray[np.int64]
    facing: NDArray[np.float64]


class EdgeGrid:
    """Finds the edges near points, section by section, in square cells."""

    def __init__(self, edges: Edges, cell: float) -> None:
        self.cell = cell
        pieces = np.maximum(np.ceil(edges.length / cell), 1).astype(np.int64)
        owner, step = ranges(0, pieces)
        share = edges.length[owner] / pieces[owner]
        begin = edges.start[owner] + (step * share)[:, None] * edges.along[owner]
        end = begin + share[:, None] * edges.along[owner]
        self.origin = edges.start.min(axis=0) - cell if len(pieces) else np.zeros(2)
        low = self._cells(np.minimum(begin, end))
        high = self._cells(np.maximum(begin, end))
        top = high.max(axis=0) + 3 if len(pieces) else np.array([1, 1])
        self.columns, self.rows = int(top[0]), int(top[1])
        keys, owners = [], []
        for dx in (0, 1):
            for dy in (0, 1):
                spans = (low[:, 0] + dx <= high[:, 0]) & (low[:, 1] + dy <= high[:, 1])
                keys.append(
                    self._key(edges.section[owner[spans]], low[spans, 0] + dx, low[spans, 1] + dy)
                )
                owners.append(owner[spans])
        key, edge = np.concatenate(keys), np.concatenate(owners)
        order = np.argsort(key, kind="stable")
        self.edge = edge[order]
        self.key = key[order]
        # What the search reads of each edge, laid out as it is read.
        self.start_x, self.start_y = edges.start[self.edge].T.copy()
        self.along_x, self.along_y = edges.along[self.edge].T.copy()
        self.length = edges.length[self.edge]

    def _cells(self, points: NDArray[np.float64]) -> NDArray[np.int64]:
        return np.floor((points - self.origin) / self.cell).astype(np.int64)

    def _key(
        self, section: NDArray[np.int32], column: NDArray[np.int64], row: NDArray[np.int64]
    ) -> NDArray[np.int64]:
        return (section.astype(np.int64) * self.columns + column) * self.rows + row

    def ranges(
        self, section: NDArray[np.int32], low: NDArray[np.float64], high: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Slices of `edge` that hold all edges in boxes no wider than a cell: (n, 2) each."""
        top = np.array([self.columns - 1, self.rows - 1])
        first = np.clip(self._cells(low), 0, top)
        last = np.clip(self._cells(high), 0, top)
        columns = np.stack([first[:, 0], last[:, 0]], axis=1)
        begin_key = self._key(section[:, None], columns, first[:, 1:])
        end_key = self._key(section[:, None], columns, last[:, 1:])
        begin = np.searchsorted(self.key, begin_key, side="left")
        end = np.searchsorted(self.key, end_key, side="right")
        end[first[:, 0] == last[:, 0], 1] = begin[first[:, 0] == last[:, 0], 1]
        return begin, end


class Search:
    """Edges made ready to be searched for discs of radius up to `largest` mm, small ones first."""

    def __init__(self, edges: Edges, largest: float) -> None:
        self.edges = edges
        self.reaches = _reaches(edges, largest)
        self._grids: dict[float, EdgeGrid] = {}

    def grid(self, reach: float) -> EdgeGrid:
        """The edges in cells as wide as a disc of radius `reach`; made on first use."""
        if reach not in self._grids:
            self._grids[reach] = EdgeGrid(self.edges, 2 * reach)
        return self._grids[reach]


def largest_discs(
    search: Search,
    section: NDArray[np.int32],
    points: NDArray[np.float64],
    normals: NDArray[np.float64],
    lean: NDArray[np.float64],
) -> Discs:
    """The largest disc at each of `points` (n, 2) with unit `normals` (n, 2) into the material.

    lean (n, 2) is the surface's lean at the points, as in Edges.

    Raises TooLargeError where edges lie so close together that it would take minutes.
    """
    total = len(points)
    radius = np.full(total, np.inf)
    contact = points.copy()
    edge = np.full(total, -1, np.int64)
    facing = np.ones(total)
    open_ = np.arange(total)
    for reach in search.reaches:
        if not len(open_):
            break
        grid = search.grid(reach)
        centre = points[open_] + reach * normals[open_]
        begin, end = grid.ranges(section[open_], centre - reach, centre + reach)
        size = (end - begin).sum(axis=1)
        if size.sum() > _PAIRS:
            raise TooLargeError(f"{size.sum()} pairs of outline edges within {reach:.2g} mm")
        bounds = np.searchsorted(np.cumsum(size), np.arange(0, size.sum() + _CHUNK, _CHUNK))
        for low, high in zip(bounds[:-1], np.append(bounds[1:-1], len(open_)), strict=True):
            if low == high:
                continue
            some = open_[low:high]
            found = _first_contacts(
                search.edges,
                grid,
                begin[low:high],
                end[low:high],
                points[some],
                normals[some],
                lean[some],
                reach,
            )
            row, radius[some], contact_row, edge_row, facing_row = found
            contact[some[row]] = contact_row
            edge[some[row]] = edge_row
            facing[some[row]] = facing_row
        open_ = open_[~np.isfinite(radius[open_])]
    return Discs(radius, contact, edge, facing)


def _reaches(edges: Edges, largest: float) -> list[float]:
    """Growing search radii up to the largest: from about 0.3 mm, or from less where edges are so
    many that a cell of that size is crowded, or from more where they are very long."""
    least = float(edges.length.sum()) / (2 * _PIECES)
    reaches = [largest]
    while reaches[-1] > max(0.6, 2 * least):
        reaches.append(reaches[-1] / 2)
    while reaches[-1] > max(largest / 1000, 2 * least) and _crowd(edges, 2 * reaches[-1]) > _CROWD:
        reaches.append(reaches[-1] / 2)
    return reaches[::-1]


def _crowd(edges: Edges, cell: float) -> float:
    """How many edges begin in the cell of an edge, on average over edges."""
    column, row = np.floor(edges.start / cell).astype(np.int64).T
    key = (edges.section * np.int64(1_000_003) + column) * np.int64(1_000_003) + row
    count = np.unique(key, return_counts=True)[1]
    return float((count.astype(np.float64) ** 2).sum() / max(count.sum(), 1))


def _first_contacts(
    edges: Edges,
    grid: EdgeGrid,
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
    points: NDArray[np.float64],
    normals: NDArray[np.float64],
    lean: NDArray[np.float64],
    reach: float,
) -> tuple[
    NDArray[np.int64],
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.int64],
    NDArray[np.float64],
]:
    """Rows that found a contact within `reach`, all radii, and those rows' contacts."""
    slice_, place = ranges(begin.ravel(), (end - begin).ravel())
    row = slice_ // 2
    point_x, point_y = points.T.copy()
    normal_x, normal_y = normals.T.copy()

    ex, ey = grid.along_x[place], grid.along_y[place]
    ax, ay = grid.start_x[place] - point_x[row], grid.start_y[place] - point_y[row]
    height = ax * ey - ay * ex  # of p above the edge's line, on its inner side
    ahead = np.flatnonzero(height > 0)
    height, row, place = height[ahead], row[ahead], place[ahead]
    ex, ey, ax, ay = ex[ahead], ey[ahead], ax[ahead], ay[ahead]
    nx, ny = normal_x[row], normal_y[row]
    turn = 1 - (ny * ex - nx * ey)  # 1 - cosine between the two normals; 2 where they face
    free = height / np.maximum(turn, 1e-12)
    touch = free * (nx * ex + ny * ey) - (ax * ex + ay * ey)
    touch = np.minimum(np.maximum(touch, 0), grid.length[place])
    qx, qy = ax + touch * ex, ay + touch * ey
    square = qx * qx + qy * qy
    depth = nx * qx + ny * qy
    value = np.full_like(square, np.inf)
    np.divide(square, 2 * depth, out=value, where=depth > 1e-9 + 1e-7 * square)
    radius = np.full(len(points), np.inf)
    np.minimum.at(radius, row, value)
    radius[radius > reach] = np.inf

    tied = np.flatnonzero(value <= (radius * (1 + TIE))[row])
    tied = tied[np.isfinite(radius[row[tied]])]
    who, what, r = row[tied], grid.edge[place[tied]], value[tied]
    opposite = depth[tied] / r - 1  # normal . (q - centre) / r
    facing = lean[who, 1] * edges.lean[what, 1] - opposite * lean[who, 0] * edges.lean[what, 0]
    order = np.lexsort((r, np.round(facing, 6), who))
    first = order[np.diff(who[order], prepend=-1) > 0]
    some = tied[first]
    # What is straight across within the tie decides the thickness: it is exact on flat walls.
    radius[who[first]] = r[first]
    hit = points[who[first]] + np.column_stack([qx[some], qy[some]])
    return who[first], radius, hit, what[first], facing[first]
