"""Walls and gaps in space by samples: less exact than `balls`, for meshes of very many triangles.

The surface is cut into small triangles (`refine`), and at one point of each the largest ball is
found that touches it there from within and holds no other part of the surface (`tangent`):

            p                     a wall: the two contacts, seen from the centre, are at least 140
       -----o-----                degrees apart.
          ( c )
       -----o-----                a corner: they are not, and no wall lies there.
            q

    two triangles of a wall                 are joined where
    --------------------------------------  ------------------------------------------------------
    with an edge in common                  the surface turns by up to 50 degrees there
    on the two faces of it                  the one's ball touches the other, which looks back
    on two sides of a junction              the way over the surface is short: two thicknesses
    of a post, one in each direction        their balls lie in one line at one place

What is joined is one wall. It is divided where its thickness passes one of the edges asked for,
unless it is of one thickness; and it is held on a side where the surface goes on into a foot, or
into more material, along half of that side (an estimate, for flat walls).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from wallguard.base.arrays import connected, spread
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh
from wallguard.walls.chains import FACING
from wallguard.walls.refine import Fine, refine
from wallguard.walls.spatial import (
    Measures,
    Patches,
    moments,
    sharpened,
    sides_of,
    spokesmen,
    stretches,
)
from wallguard.walls.stretch import Stretch
from wallguard.walls.tangent import Balls, Surface

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Samples lie no farther apart than a quarter of what is asked for, or this, mm, ...
_STEP = 0.5
# ... and no nearer than gives this many on a part with large faces.
_MOST = 150_000
# A surface goes on across a turn of up to 50 degrees (an eight-sided tube is one wall), and a wall
# across a junction no wider than twice its thickness.
_ALONG = float(np.cos(np.radians(50.0)))
_JUNCTION = 2.0
# A wall that varies by less than this is one thickness: facets and computing error.
_UNIFORM_MM, _UNIFORM = 0.02, 0.02
# Right at a knife edge, so that a taper is followed to its end.
_INSET = 0.005
# Neighbours that turn by less (radians) are one flat face.
_LEVEL = 1e-4
# Where a wall's rim continues into more material or into a foot, it is held there.
_FOOT = np.radians(20.0)


def find_walls(mesh: Mesh, largest: float, edges: Sequence[float]) -> list[Stretch]:
    """All walls up to `largest` mm thick, whatever way they stand, thinnest first.

    A wall that crosses one of `edges` (mm, rising) is divided there. Two surfaces bound a wall
    where the largest ball between them touches them at points at least 140 degrees apart.
    """
    return _find(mesh, largest, edges, air=False)


def find_gaps(mesh: Mesh, largest: float, edges: Sequence[float]) -> list[Stretch]:
    """The same on the air side: gaps within a part and between its bodies. `sides` is 0."""
    return _find(mesh, largest, edges, air=True)


@dataclass(frozen=True)
class _Samples:
    """Small triangles (m, 3) between vertices (n, 3), each with one sample.

    corners, area, normal  (m, 3, 3), (m,), (m, 3) of each, the unit normal into the searched side
    point      (m, 3) where its ball touches the surface
    one, other (e,) pairs of triangles that share an edge
    begin, end (e, 3) the edge, and its vertex numbers, ends (e, 2)
    bend       (e,) the angle between the normals, positive where the searched side is convex
    """

    vertices: _Floats
    triangles: _Ints
    corners: _Floats
    area: _Floats
    normal: _Floats
    point: _Floats
    one: _Ints
    other: _Ints
    begin: _Floats
    end: _Floats
    ends: _Ints
    bend: _Floats


def _find(mesh: Mesh, largest: float, edges: Sequence[float], *, air: bool) -> list[Stretch]:
    samples = _samples(mesh, largest, air)
    if samples is None or largest <= 0:
        return []
    surface = Surface(samples.corners, samples.normal)
    balls = _balls(samples, surface, largest)
    _look_again(samples, surface, balls, largest / 2)
    wall = balls.facing <= FACING
    if not wall.any():
        return []
    members = np.flatnonzero(wall)
    one, other = _links(samples, balls, wall)
    number = np.cumsum(wall) - 1
    one, other = number[one], number[other]
    posts = _posts(samples, balls, members, one, other)
    one, other = np.concatenate([one, posts[0]]), np.concatenate([other, posts[1]])
    thickness, area = 2 * balls.radius[members], samples.area[members]
    count, whole = connected(one, other, len(members))
    limits = np.asarray(edges, np.float64)
    groups = np.searchsorted(limits, _judged(thickness, area, whole, count), side="right")
    same = groups[one] == groups[other]
    count, piece = connected(one[same], other[same], len(members))
    parts = _Parts(members, piece, count, groups, whole)
    return _stretches(samples, surface, balls, parts, air)


def _samples(mesh: Mesh, largest: float, air: bool) -> _Samples | None:
    normal, area = _normals(mesh.vertices[mesh.triangles])
    solid = area > 1e-12
    if not solid.any():
        return None
    whole = Fine(mesh.vertices, mesh.triangles[solid].astype(np.int64), normal[solid])
    fine = refine(whole, 1.8 * _step(area, largest), 4 * _MOST)
    # The searched side is the material's, or the air's, seen from which all is turned round.
    triangles = fine.triangles[:, ::-1] if air else fine.triangles
    normal = fine.normal if air else -fine.normal
    corners = fine.vertices[triangles]
    _, area = _normals(corners)
    joints = edges_of(triangles.astype(np.int32), np.ones(len(triangles), bool))
    two = np.flatnonzero(joints.count == 2)
    side, opposite = joints.sides[joints.start[two]], joints.sides[joints.start[two] + 1]
    one, other = side // 3, opposite // 3
    begin, end = corners[one, side % 3], corners[one, (side + 1) % 3]
    ends = np.column_stack([triangles[one, side % 3], triangles[one, (side + 1) % 3]])
    over = corners[other].mean(axis=1) - begin
    bend = np.arccos(np.clip(np.einsum("ij,ij->i", normal[one], normal[other]), -1.0, 1.0))
    bend = np.where(np.einsum("ij,ij->i", over, normal[one]) >= 0, bend, -bend)
    middle = corners.mean(axis=1)
    point = middle.copy()
    knife = np.flatnonzero(bend >= np.arccos(FACING))
    for beside in (one[knife], other[knife]):
        edge_middle = (begin[knife] + end[knife]) / 2
        inward = middle[beside] - edge_middle
        height = 2 * area[beside] / np.linalg.norm(end[knife] - begin[knife], axis=1)
        share = np.minimum(3 * _INSET / np.maximum(height, 1e-12), 1.0)
        point[beside] = edge_middle + share[:, None] * inward
    return _Samples(
        fine.vertices,
        triangles,
        corners,
        area,
        normal,
        point,
        one,
        other,
        begin,
        end,
        ends,
        bend,
    )


def _normals(corners: _Floats) -> tuple[_Floats, _Floats]:
    """Unit outward normals (m, 3), zero where there is no area, and areas (m,)."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled = np.linalg.norm(normal, axis=1)
    normal /= np.where(doubled > 2e-12, doubled, np.inf)[:, None]
    return normal, doubled / 2


def _balls(samples: _Samples, surface: Surface, largest: float) -> Balls:
    """Every sample's ball; in a mesh finer than need be, that of a neighbour that lies alike."""
    count = len(samples.area)
    if count <= 2 * _MOST:
        return surface.balls(samples.point, samples.normal, np.arange(count), largest / 2)
    step = _step(samples.area, largest) / 2
    asked, spoken = spokesmen(surface.centre, samples.normal, step)
    balls_there = surface.balls(samples.point[asked], samples.normal[asked], asked, largest / 2)
    return Balls(
        balls_there.radius[spoken],
        balls_there.contact[spoken],
        balls_there.triangle[spoken],
        balls_there.facing[spoken],
    )


def _step(area: _Floats, largest: float) -> float:
    """How far apart samples may lie."""
    return max(largest / 4, _STEP, float(np.sqrt(area.sum() / (0.43 * _MOST))))


def _look_again(samples: _Samples, surface: Surface, balls: Balls, largest: float) -> None:
    """Where a triangle's ball ran into the side of its face, try the points that the triangle
    shares with others of the face.

    Halving puts some of those in the very middle of a narrow face. On a square post only there
    does a ball reach across, and near a free end it may where it does not from within.
    """
    asked = np.isfinite(balls.radius) & (balls.facing > FACING)
    flat = np.abs(samples.bend) < _LEVEL
    rim = np.zeros(int(samples.triangles.max()) + 1, bool)
    rim[samples.ends[~flat]] = True
    flat &= asked[samples.one] | asked[samples.other]
    one, other = samples.one[flat], samples.other[flat]
    tips = samples.triangles[asked].ravel()
    owner = np.repeat(np.flatnonzero(asked), 3)[~rim[tips]]
    tips, first, tip = np.unique(tips[~rim[tips]], return_index=True, return_inverse=True)
    points = np.concatenate([(samples.begin[flat] + samples.end[flat]) / 2, samples.vertices[tips]])
    own = np.concatenate([one, owner[first]])
    tried = surface.balls(points, samples.normal[own], own, largest)
    # Which triangles each of them may speak for.
    triangle = np.concatenate([one, other, owner])
    place = np.concatenate([np.arange(len(one)), np.arange(len(one)), len(one) + tip])
    kept = asked[triangle] & (tried.facing[place] <= FACING)
    triangle, place = triangle[kept], place[kept]
    order = np.lexsort((place, np.round(tried.facing[place], 6), triangle))
    order = order[np.diff(triangle[order], prepend=-1) != 0]
    triangle, place = triangle[order], place[order]
    samples.point[triangle] = points[place]
    balls.radius[triangle] = tried.radius[place]
    balls.contact[triangle] = tried.contact[place]
    balls.triangle[triangle] = tried.triangle[place]
    balls.facing[triangle] = tried.facing[place]


def _posts(
    samples: _Samples, balls: Balls, members: _Ints, one: _Ints, other: _Ints
) -> tuple[_Ints, _Ints]:
    """A square post is one wall, not one in each direction: link samples of walls whose balls all
    lie in a line, where their balls lie at one place."""
    radius = balls.radius[members]
    centre = samples.point[members] + radius[:, None] * samples.normal[members]
    count, label = connected(one, other, len(members))
    values = np.linalg.eigh(_spreads(centre, np.ones(len(members)), label, count))[0]
    number = np.bincount(label, minlength=count)
    # Spread evenly over a length, what lies in a line has its variance times 12 for its square.
    across = np.sqrt(12 * np.maximum(values[:, 1], 0.0) / number)
    line = np.flatnonzero(across[label] < radius / 2)
    if len(line) < 2:
        return line, line
    tree = cKDTree(centre[line])
    near = tree.query(centre[line], k=min(16, len(line)), distance_upper_bound=2 * radius.max())
    pair = np.column_stack([np.repeat(line, near[1].shape[1]), near[1].ravel()])
    reach = near[0].ravel()
    hit = np.isfinite(reach)
    first, second, reach = pair[hit, 0], line[pair[hit, 1]], reach[hit]
    alike = np.abs(radius[first] - radius[second]) <= 0.02 * radius[first]
    alike &= (reach <= 1.9 * radius[first]) & (label[first] != label[second])
    return first[alike], second[alike]


def _spreads(point: _Floats, weight: _Floats, label: _Ints, count: int) -> _Floats:
    """(count, 3, 3) the weighted second moments of each label's points about their mean."""
    total = np.maximum(np.bincount(label, weight, count), 1e-12)
    middle = np.column_stack([np.bincount(label, weight * point[:, i], count) for i in range(3)])
    point = point - (middle / total[:, None])[label]
    return moments(point, weight, label, count)


def _links(samples: _Samples, balls: Balls, wall: _Bools) -> tuple[_Ints, _Ints]:
    """Pairs of wall samples that belong together: side by side, across the wall, and past a
    junction."""
    smooth = np.cos(samples.bend) >= _ALONG
    beside = smooth & wall[samples.one] & wall[samples.other]
    members = np.flatnonzero(wall)
    touched = balls.triangle[members]
    turned = np.einsum("ij,ij->i", samples.normal[members], samples.normal[touched]) <= -_ALONG
    across = members[wall[touched] & turned]
    past = _past_junctions(samples, balls, wall, smooth)
    return (
        np.concatenate([samples.one[beside], across, past[0]]),
        np.concatenate([samples.other[beside], balls.triangle[across], past[1]]),
    )


def _past_junctions(
    samples: _Samples, balls: Balls, wall: _Bools, smooth: _Bools
) -> tuple[_Ints, _Ints]:
    """Wall samples on two sides of a strip of surface where the wall is interrupted, as below a
    rib: the way across over the surface is short."""
    one, other = samples.one[smooth], samples.other[smooth]
    open_ = ~(wall[one] & wall[other])
    one, other = one[open_], other[open_]
    rim = np.unique(np.concatenate([one[wall[one]], other[wall[other]]]))
    if not len(rim):
        return rim, rim
    centre = samples.corners.mean(axis=1)
    length = np.linalg.norm(centre[one] - centre[other], axis=1) + 1e-9
    size = len(wall)
    graph = coo_array((length, (one, other)), shape=(size, size)).tocsr()
    reach = _JUNCTION * 2 * balls.radius[rim]
    way, _, source = dijkstra(
        graph,
        directed=False,
        indices=rim,
        limit=float(reach.max()),
        min_only=True,
        return_predecessors=True,
    )
    met = np.isfinite(way[one] + way[other])
    one, other, length = one[met], other[met], length[met]
    first, second = source[one].astype(np.int64), source[other].astype(np.int64)
    thick = 2 * np.maximum(balls.radius[first], balls.radius[second])
    near = (first != second) & (way[one] + way[other] + length <= _JUNCTION * thick)
    return first[near], second[near]


def _judged(thickness: _Floats, area: _Floats, label: _Ints, count: int) -> _Floats:
    """The thickness by which each sample is judged: its own, or the whole wall's if even."""
    low, typical, high = spread(label, thickness, area, count)
    even = high - low <= np.maximum(_UNIFORM_MM, _UNIFORM * typical)
    return np.where(even[label], typical[label], thickness)


@dataclass(frozen=True)
class _Parts:
    """The samples that are walls (members), and of each of them its piece (of `count`), the group
    it is judged by, and its connected wall."""

    members: _Ints
    piece: _Ints
    count: int
    groups: _Ints
    whole: _Ints


def _stretches(
    samples: _Samples, surface: Surface, balls: Balls, walls: _Parts, air: bool
) -> list[Stretch]:
    members, piece, count = walls.members, walls.piece, walls.count
    thickness, area = 2 * balls.radius[members], samples.area[members]
    _, typical, high = spread(piece, thickness, area, count)
    order = np.lexsort((thickness, piece))
    begin = np.searchsorted(piece[order], np.arange(count))
    thinnest = members[order[begin]]
    radius, point = balls.radius[thinnest], samples.point[thinnest]
    least, centre = sharpened(surface, thinnest, radius, point, float(high.max()) / 2)
    corners, owner = _with_ends(samples, balls, members, piece)
    first = np.searchsorted(owner, np.arange(count))
    lowest = np.minimum.reduceat(corners.min(axis=1), first)
    highest = np.maximum.reduceat(corners.max(axis=1), first)
    along = _long_axes(samples.corners[members], area, piece, count)
    reach = np.einsum("tci,ti->tc", corners, along[owner])
    length = np.maximum.reduceat(reach.max(axis=1), first)
    length -= np.minimum.reduceat(reach.min(axis=1), first)
    sides = np.zeros(count, np.int64) if air else _sides(samples, balls, members, piece, count)
    first_of = order[begin]
    return stretches(
        Measures(
            least=least,
            typical=typical,
            most=high,
            length=length,
            lowest=lowest,
            highest=highest,
            centre=centre,
            group=walls.groups[first_of],
            sides=sides,
            wall=walls.whole[first_of],
        )
    )


def _with_ends(
    samples: _Samples, balls: Balls, members: _Ints, piece: _Ints
) -> tuple[_Floats, _Ints]:
    """Corners (k, 3, 3) of the triangles of each piece (k,), rising. What lies beside a piece and
    is thinner is its free end, where a ball touches the end's face: it belongs to the extent."""
    owner = np.full(len(samples.area), -1, np.int64)
    owner[members] = piece
    inside = np.concatenate([samples.one, samples.other])
    outside = np.concatenate([samples.other, samples.one])
    end = (owner[inside] >= 0) & (owner[outside] < 0)
    end &= np.tile(np.abs(samples.bend) < _FOOT, 2)
    end &= balls.radius[outside] < balls.radius[inside]
    triangle = np.concatenate([members, outside[end]])
    label = np.concatenate([piece, owner[inside[end]]])
    order = np.argsort(label, kind="stable")
    return samples.corners[triangle[order]], label[order]


def _long_axes(corners: _Floats, area: _Floats, label: _Ints, count: int) -> _Floats:
    """(count, 3) the direction in which the triangles of each label lie farthest apart."""
    spread = _spreads(corners.mean(axis=1), area, label, count)
    axis: _Floats = np.linalg.eigh(spread)[1][:, :, 2]
    return axis


def _sides(samples: _Samples, balls: Balls, members: _Ints, piece: _Ints, count: int) -> _Ints:
    """(count,) on how many of four sides each wall runs into other material: an estimate.

    Where the rim's neighbour is a foot (a hollow edge) or thicker, the wall is held; where it is
    thinner, the free end's face is what limits the ball there.
    """
    owner = np.full(len(samples.area), -1, np.int64)
    owner[members] = piece
    inside = np.concatenate([samples.one, samples.other])
    outside = np.concatenate([samples.other, samples.one])
    bend = np.tile(samples.bend, 2)
    foot = bend < -_FOOT
    thicker = (owner[outside] < 0) & (balls.radius[outside] > balls.radius[inside])
    rim = np.flatnonzero((owner[inside] >= 0) & (foot | (thicker & (bend < _FOOT))))
    label = owner[inside[rim]]
    begin, end = np.tile(samples.begin, (2, 1))[rim], np.tile(samples.end, (2, 1))[rim]
    corners, normal, area = (
        each[members] for each in (samples.corners, samples.normal, samples.area)
    )
    return sides_of(Patches(corners, normal, area, piece, count), begin, end, label)
