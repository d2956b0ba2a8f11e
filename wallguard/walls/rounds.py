r"""Round holes and pins of any direction, found from the facets of their cylinders.

A cylinder in a mesh is a strip of facets that bend the same way (all hollow: a hole, all bulging:
a pin) round one axis, and the ends of the edges between them lie on the circle that was drawn.
All strips of a mesh are measured at once; only what is left is looked into.

        corner                      The facets' normals lie in one plane: the axis is the direction
      o--------o                    they have least of (the eigenvector of the least eigenvalue of
     /  facet   \ <- bent edge      the sum of area n n^T). Seen along it, corners lie on a circle,
    o     x      o                  fitted by least squares; facets' middles lie inside it, so the
     \   axis   /                   diameter told is that of the corners, as it was drawn.
      o--------o

    a strip                                         is
    ----------------------------------------------  ------------------------------------------
    whose facets lean, or whose corners lie off     no cylinder: a cone, a ball, a rounded edge
    that covers less than 300 degrees, alone        a rounded edge or a slot's end
    the same, with others on one axis               one cylinder, cut by slits or cross-holes
    with the surface running on smoothly past       the belt of a ball or a ring
    both ends and curving there too
    all hollow, with nothing inside                 a hole
    all bulging, with nothing inside                a solid pin
    all bulging, with a hole inside                 a tube: told by its hole alone
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, cross, dot
from wallguard.mesh.edges import edges_of
from wallguard.mesh.mesh import Mesh
from wallguard.walls.boxes import Boxes, near_each_other

Point = tuple[float, float, float]
_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Neighbouring facets of a circle turn by at most this: eight sides (45 degrees) are a circle,
# seven (51.4 degrees) are not.
_BEND = np.radians(48.0)
# Facets that turn by less are one flat face; both ways of bending may go across.
_FLAT = np.radians(0.05)
# A flat face with this many bent neighbours is the end of a pin or hole, no facet of it.
_CAP = 6
# Facets this much out of the axis' plane belong to a cone, ball or rounded edge.
_TILT = (0.35, 0.2, 0.14)
# A strip that leans as a whole by more than this is a cone.
_CONE = float(np.sin(np.radians(1.5)))
# How far the corners may lie off the circle: of its diameter, and mm.
_OFF, _OFF_MM = 0.005, 0.005
_ROUND = np.radians(300.0)
# The fewest triangles and bent edges, and the least angle, for an arc to be looked at.
_ARC, _BENDS, _ARC_ANGLE = 6, 2, np.radians(20.0)
# Beyond an end that turns by less, the surface runs on smoothly.
_SMOOTH = np.radians(30.0)
_UPRIGHT = float(np.cos(np.radians(5.0)))


@dataclass(frozen=True)
class Round:
    """A round hole or a solid round pin, in the frame it is printed in. Lengths in mm.

    diameter   of the circle through the corners of its facets, which is the circle drawn
    axis       unit vector, its largest component positive
    centre     on the axis, at mid-length
    length     along the axis, all of its facets taken together
    low, high  extent in z
    box        (lowest corner, highest corner)
    vertical   whether its axis stands within 5 degrees of z
    """

    kind: Literal["hole", "pin"]
    diameter: float
    axis: Point
    centre: Point
    length: float
    low: float
    high: float
    box: tuple[Point, Point]
    vertical: bool

    @property
    def point(self) -> Point:
        """Its centre."""
        return self.centre


def find_rounds(mesh: Mesh, largest: float) -> list[Round]:
    """Round holes and solid pins of diameter up to `largest` (mm), smallest first, holes first.

    A cylinder counts when its facets cover at least 300 degrees with at least eight to the full
    circle, also in several pieces on one axis; tubes count on their inside only. Cones, balls,
    rings, rounded edges and slots are no cylinders.
    """
    facets = _facets(mesh)
    links = _links(mesh, facets, largest)
    if not len(links.one):
        return []
    strips = _strips(mesh, facets, links)
    if not strips.count:
        return []
    cylinders = _fit(strips)
    joined = _join(strips, cylinders)
    if joined is not None:
        strips, cylinders = joined, _fit(joined)
    good = cylinders.sound & (cylinders.covered >= _ROUND) & (2 * cylinders.radius <= largest)
    good &= ~_part_of_curve(mesh, facets, strips, cylinders, good)
    return _rounds(mesh, strips, cylinders, np.flatnonzero(good))


@dataclass(frozen=True)
class _Facets:
    """normal (m, 3) unit, 0 where a triangle has no area; area (m,); pairs of triangles across
    edges with two: one, other (e,), begin, end (e,) vertices, angle (e,) radians between the
    two normals."""

    normal: _Floats
    area: _Floats
    one: _Ints
    other: _Ints
    begin: _Ints
    end: _Ints
    angle: _Floats


def _facets(mesh: Mesh) -> _Facets:
    triangles, vertices = mesh.triangles, mesh.vertices
    first = vertices[triangles[:, 0]]
    u, v = vertices[triangles[:, 1]] - first, vertices[triangles[:, 2]] - first
    normal = np.column_stack(
        [
            u[:, 1] * v[:, 2] - u[:, 2] * v[:, 1],
            u[:, 2] * v[:, 0] - u[:, 0] * v[:, 2],
            u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0],
        ]
    )
    del first, u, v  # of millions of triangles, and still to come is what takes most
    doubled = np.sqrt(np.einsum("ij,ij->i", normal, normal))
    solid = doubled > 1e-12
    normal /= np.where(solid, doubled, np.inf)[:, None]
    edges = edges_of(triangles, solid)
    two = np.flatnonzero(edges.count == 2)
    side, opposite = edges.sides[edges.start[two]], edges.sides[edges.start[two] + 1]
    one, other = side // 3, opposite // 3
    flat = triangles.ravel()
    begin = flat[side].astype(np.int64)
    end = flat[3 * one + (side + 1) % 3].astype(np.int64)
    cosine = np.einsum("ij,ij->i", normal[one], normal[other])
    angle = np.arccos(np.clip(cosine, -1.0, 1.0))
    return _Facets(normal, doubled / 2, one, other, begin, end, angle)


@dataclass(frozen=True)
class _Links:
    """Edges across which a cylinder may go on: nodes one, other (k,) are 2 * triangle + (1 where
    bulging); edge (k,) is the number of the edge among the facets' pairs."""

    one: _Ints
    other: _Ints
    edge: _Ints


def _links(mesh: Mesh, facets: _Facets, largest: float) -> _Links:
    near = np.flatnonzero(facets.angle <= _BEND)
    size = facets.angle[near]
    along = mesh.vertices[facets.end[near]] - mesh.vertices[facets.begin[near]]
    length = np.sqrt(np.einsum("ij,ij->i", along, along))
    # A triangle is no higher over the edge than its facet is wide, or, where triangles zigzag
    # round the cylinder, than two half-turns are; that bounds the radius from below.
    area = np.minimum(facets.area[facets.one[near]], facets.area[facets.other[near]])
    width = 2 * area / np.maximum(length, 1e-12)
    bent = size > _FLAT
    small = width <= 2.2 * largest * np.tan(size / 2)
    curved = near[bent & small]
    flat = near[~bent]
    count, face = connected(facets.one[flat], facets.other[flat], len(facets.area))
    one, other = facets.one[curved], facets.other[curved]
    over = mesh.vertices[mesh.triangles[other]].mean(axis=1) - mesh.vertices[facets.begin[curved]]
    bulging = np.einsum("ij,ij->i", over, facets.normal[one]) < 0
    facing = ~_at_cap(face[one], face[other], bulging, count)
    curved, bulging = curved[facing], bulging[facing]
    # Flat joints matter within the faces that have a curved edge.
    held = np.zeros(count, bool)
    held[face[facets.one[curved]]] = held[face[facets.other[curved]]] = True
    flat = flat[held[face[facets.one[flat]]]]
    return _Links(
        np.concatenate(
            [2 * facets.one[curved] + bulging, 2 * facets.one[flat], 2 * facets.one[flat] + 1]
        ),
        np.concatenate(
            [2 * facets.other[curved] + bulging, 2 * facets.other[flat], 2 * facets.other[flat] + 1]
        ),
        np.concatenate([curved, flat, flat]),
    )


def _at_cap(one: _Ints, other: _Ints, bulging: _Bools, count: int) -> _Bools:
    """Whether each curved edge between flat faces, numbered up to `count`, has one with many
    neighbours that are bent in the same way on either side."""
    pairs = np.concatenate([one * count + other, other * count + one])
    pairs = _distinct(2 * pairs + np.tile(bulging, 2))
    many = np.bincount(pairs // 2 // count * 2 + pairs % 2, minlength=2 * count) >= _CAP
    result: _Bools = many[2 * one + bulging] | many[2 * other + bulging]
    return result


@dataclass(frozen=True)
class _Strips:
    """Triangles (t,) of all strips with strip (t,), the number of each one's strip, and
    points (t, 3, 3), normal (t, 3), area (t,); bulging (strips,).
    corner (c, 3) lies on the circle of the strip `owner` (c,)."""

    triangle: _Ints
    strip: _Ints
    points: _Floats
    normal: _Floats
    area: _Floats
    bulging: _Bools
    corner: _Floats
    owner: _Ints

    @property
    def count(self) -> int:
        return len(self.bulging)

    def renumbered(self, number: _Ints) -> _Strips:
        """Strip i becomes part of strip `number[i]`."""
        bulging = np.zeros(int(number.max()) + 1, bool)
        bulging[number] = self.bulging
        strip, owner = number[self.strip], number[self.owner]
        order, corners = np.argsort(strip, kind="stable"), np.argsort(owner, kind="stable")
        return _Strips(
            self.triangle[order],
            strip[order],
            self.points[order],
            self.normal[order],
            self.area[order],
            bulging,
            self.corner[corners],
            owner[corners],
        )


def _strips(mesh: Mesh, facets: _Facets, links: _Links) -> _Strips:
    """Connected triangles whose normals lie in a plane; what is tilted is left out and the rest
    connected anew."""
    nodes, one, other, edge = _crowds(links.one, links.other, links.edge)
    normal, area = facets.normal[nodes // 2], facets.area[nodes // 2]
    count, label = connected(one, other, len(nodes))
    weight = area
    for limit in (*_TILT, _own_tilt(mesh, facets, nodes, one, other, edge)):
        axis = _axes(normal, weight, label, count)[label]
        allowed = limit if isinstance(limit, float) else limit(axis)
        weight = np.where(np.abs(np.einsum("ij,ij->i", normal, axis)) <= allowed, area, 0.0)
    both = (weight[one] > 0) & (weight[other] > 0)
    kept, one, other, edge = _crowds(nodes[one[both]], nodes[other[both]], edge[both])

    count, label = connected(one, other, len(kept))
    # The ends of bent edges lie on the circle; other corners may lie on a facet's middle.
    bent = facets.angle[edge] > _FLAT
    strip_of_edge, edge = label[one[bent]], edge[bent]
    enough = np.bincount(strip_of_edge, minlength=count) >= _BENDS
    number = np.cumsum(enough) - 1
    held = enough[strip_of_edge]
    owner, edge = number[strip_of_edge[held]], edge[held]
    corner = np.concatenate([facets.begin[edge], facets.end[edge]])
    key = _distinct(np.tile(owner, 2) * len(mesh.vertices) + corner)

    order = np.argsort(label, kind="stable")
    order = order[enough[label[order]]]
    triangle, strip = kept[order] // 2, number[label[order]]
    bulging = np.zeros(int(enough.sum()), bool)
    bulging[strip] = kept[order] % 2 == 1
    return _Strips(
        triangle,
        strip,
        mesh.vertices[mesh.triangles[triangle]],
        facets.normal[triangle],
        facets.area[triangle],
        bulging,
        mesh.vertices[key % len(mesh.vertices)],
        key // len(mesh.vertices),
    )


def _own_tilt(
    mesh: Mesh, facets: _Facets, nodes: _Ints, one: _Ints, other: _Ints, edge: _Ints
) -> Callable[[_Floats], _Floats]:
    """How far each triangle may be tilted if its corners lie on a cylinder about a given axis.

    A triangle with two corners on one end's circle and one between them on the other's leans by
    its sagitta, a quarter of its width times the angle it turns, over its height.
    """
    turn = np.zeros(len(nodes))
    size = facets.angle[edge]
    np.maximum.at(turn, one, size)
    np.maximum.at(turn, other, size)
    triangle = nodes // 2
    points = mesh.vertices[mesh.triangles[triangle]]

    def limit(axis: _Floats) -> _Floats:
        height: _Floats = np.ptp(np.einsum("tci,ti->tc", points, axis), axis=1)
        sagitta = turn / 4 * 2 * facets.area[triangle] / np.maximum(height, 1e-9)
        allowed: _Floats = 0.01 + 1.3 * sagitta / np.maximum(height, 1e-9)
        return np.minimum(_TILT[-1], allowed)

    return limit


def _distinct(values: _Ints) -> _Ints:
    """Rising and each once; for many numbers quicker than numpy's own."""
    ordered = np.sort(values)
    distinct: _Ints = ordered[np.diff(ordered, prepend=-1) != 0]
    return distinct


def _crowds(one: _Ints, other: _Ints, edge: _Ints) -> tuple[_Ints, _Ints, _Ints, _Ints]:
    """Only the nodes of components with enough triangles for an arc, and links renumbered."""
    nodes = _distinct(np.concatenate([one, other]))
    one, other = np.searchsorted(nodes, one), np.searchsorted(nodes, other)
    count, label = connected(one, other, len(nodes))
    enough = (np.bincount(label, minlength=count) >= _ARC)[label]
    number = np.cumsum(enough) - 1
    kept = enough[one]
    return nodes[enough], number[one[kept]], number[other[kept]], edge[kept]


def _sums(label: _Ints, values: _Floats, count: int) -> _Floats:
    """The sum of the values (n,) of every label."""
    total: _Floats = np.bincount(label, values, count).astype(np.float64, copy=False)
    return total


def _axes(normal: _Floats, weight: _Floats, label: _Ints, count: int) -> _Floats:
    """(count, 3) for every label the direction that its normals (n, 3) have least of."""
    spread = np.empty((count, 3, 3))
    for i in range(3):
        for j in range(i, 3):
            spread[:, i, j] = _sums(label, weight * normal[:, i] * normal[:, j], count)
            spread[:, j, i] = spread[:, i, j]
    axis: _Floats = np.linalg.eigh(spread)[1][:, :, 0]
    return axis


@dataclass(frozen=True)
class _Cylinders:
    """One for each strip: axis, a point on the axis (s, 3), radius, how far the corners lie off
    it at most, extent low to high along the axis from the point, the angle its facets cover."""

    axis: _Floats
    foot: _Floats
    radius: _Floats
    off: _Floats
    low: _Floats
    high: _Floats
    covered: _Floats
    sound: _Bools


def _fit(strips: _Strips) -> _Cylinders:
    count, strip, owner = strips.count, strips.strip, strips.owner
    axis = _axes(strips.normal, strips.area, strip, count)
    lean = np.einsum("ij,ij->i", strips.normal, axis[strip])
    begin = np.searchsorted(strip, np.arange(count))
    foot, radius, off = _circles(strips, axis)
    covered = _covered(strips, axis, foot)
    # Where triangles zigzag round a short cylinder, their normals alone are not quite fair.
    rough = (covered >= _ROUND) & (off > 1e-4 * radius) & (off < 0.1 * radius)
    for i in np.flatnonzero(rough).tolist():
        low, high = np.searchsorted(owner, [i, i + 1])
        axis[i], foot[i], radius[i], off[i] = _refined(
            strips.corner[low:high], axis[i], foot[i], radius[i]
        )
    total = _sums(strip, strips.area, count)
    upright = np.abs(_sums(strip, strips.area * lean, count)) <= _CONE * total
    along = np.einsum("tci,ti->tc", strips.points - foot[strip][:, None], axis[strip])
    return _Cylinders(
        axis=axis,
        foot=foot,
        radius=radius,
        off=off,
        low=np.minimum.reduceat(along.min(axis=1), begin),
        high=np.maximum.reduceat(along.max(axis=1), begin),
        covered=covered,
        sound=upright & (off <= np.maximum(_OFF_MM, 2 * _OFF * radius)),
    )


def _frames(axis: _Floats) -> tuple[_Floats, _Floats]:
    """Two unit vectors (s, 3) square to each axis and to each other."""
    helper = np.eye(3)[np.argmin(np.abs(axis), axis=1)]
    u = np.cross(axis, helper)
    u /= np.linalg.norm(u, axis=1)[:, None]
    return u, np.cross(axis, u)


def _circles(strips: _Strips, axis: _Floats) -> tuple[_Floats, _Floats, _Floats]:
    """The least-squares circle x^2 + y^2 + ax + by + c = 0 through each strip's corners, seen
    along its axis: centre (s, 3), radius, greatest distance off it."""
    owner, count = strips.owner, strips.count
    number = np.maximum(np.bincount(owner, minlength=count), 1)
    middle = np.column_stack([_sums(owner, strips.corner[:, i], count) for i in range(3)])
    middle /= number[:, None]
    u, v = _frames(axis)
    offset = strips.corner - middle[owner]
    x, y = (np.einsum("ij,ij->i", offset, side[owner]) for side in (u, v))
    square = x**2 + y**2
    xx, yy, xy, xs, ys, s = (
        _sums(owner, term, count) for term in (x * x, y * y, x * y, x * square, y * square, square)
    )
    # About the mean the sums of x and y vanish, so c stands alone.
    det = xx * yy - xy**2
    flat = det <= 1e-12 * (xx + yy) ** 2
    det = np.where(flat, 1.0, det)
    a, b = -(xs * yy - ys * xy) / det, -(ys * xx - xs * xy) / det
    radius = np.sqrt(a**2 / 4 + b**2 / 4 + s / number)
    distance = np.hypot(x + a[owner] / 2, y + b[owner] / 2)
    begin = np.searchsorted(owner, np.arange(count))
    off = np.maximum.reduceat(np.abs(distance - radius[owner]), begin)
    foot = middle - (a / 2)[:, None] * u - (b / 2)[:, None] * v
    return foot, radius, np.where(flat, np.inf, off)


def _refined(
    corner: _Floats, axis: _Floats, foot: _Floats, radius: float
) -> tuple[_Floats, _Floats, float, float]:
    """Gauss-Newton from a good start: the cylinder that fits corners (n, 3) best."""
    off = np.inf
    for _ in range(6):
        u, v = (side[0] for side in _frames(axis[None]))
        offset = corner - foot
        x, y, z = offset @ u, offset @ v, offset @ axis
        distance = np.maximum(np.hypot(x, y), 1e-12)
        missing = distance - radius
        x, y = x / distance, y / distance
        slopes = np.column_stack([-x, -y, -x * z, -y * z, -np.ones(len(x))])
        step = np.linalg.lstsq(slopes, -missing, rcond=1e-9)[0]
        foot = foot + step[0] * u + step[1] * v
        axis = axis + step[2] * u + step[3] * v
        axis = axis / np.linalg.norm(axis)
        radius = radius + float(step[4])
        before, off = off, float(np.abs(missing).max())
        if not np.isfinite(radius) or radius <= 0:
            return axis, foot, 1.0, np.inf
        if before - off < 1e-6 and before < np.inf:
            break
    offset = corner - foot
    distance = np.linalg.norm(offset - np.outer(offset @ axis, axis), axis=1)
    return axis, foot, radius, float(np.abs(distance - radius).max())


def _covered(strips: _Strips, axis: _Floats, foot: _Floats) -> _Floats:
    """(s,) the angle, as seen from the axis, that some facet of the strip covers."""
    strip = strips.strip
    u, v = _frames(axis)
    offset = strips.points - foot[strip][:, None]
    angle = np.arctan2(
        np.einsum("tci,ti->tc", offset, v[strip]), np.einsum("tci,ti->tc", offset, u[strip])
    )
    # Each triangle's angles relative to its first corner, which may lie across -pi.
    turned = (angle - angle[:, :1] + np.pi) % (2 * np.pi) - np.pi
    low, width = angle[:, 0] + turned.min(axis=1), np.ptp(turned, axis=1)
    facet = width <= _BEND  # a wider one is a flat side, no part of a circle
    low, width, strip = low[facet] % (2 * np.pi), width[facet], strip[facet]
    high = low + width
    wrapped = high > 2 * np.pi
    low = np.concatenate([low, np.zeros(int(wrapped.sum()))])
    high = np.concatenate([np.minimum(high, 2 * np.pi), high[wrapped] - 2 * np.pi])
    strip = np.concatenate([strip, strip[wrapped]])
    order = np.lexsort((low, strip))
    low, high, strip = low[order], high[order], strip[order]
    # Strips follow one another on one line, 10 apart, so that one running maximum serves all.
    reached = np.maximum.accumulate(high + 10.0 * strip)
    before = np.concatenate([[0.0], reached[:-1]]) - 10.0 * strip
    fresh = np.maximum(0.0, high - np.maximum(low, np.maximum(before, 0.0)))
    return _sums(strip, fresh, strips.count)


def _join(strips: _Strips, cylinders: _Cylinders) -> _Strips | None:
    """Arcs of one cylinder, cut apart by slits or cross-holes, as one strip."""
    arcs = np.flatnonzero(
        cylinders.sound & (cylinders.covered < _ROUND) & (cylinders.covered > _ARC_ANGLE)
    )
    if len(arcs) < 2:
        return None
    axis = _pointing(cylinders.axis[arcs])
    along = np.einsum("ij,ij->i", cylinders.foot[arcs], axis)
    origin = cylinders.foot[arcs] - along[:, None] * axis
    radius = cylinders.radius[arcs]
    # One tolerance for all: mm on the axis' place and radius, 0.02 (1.1 degrees) on directions.
    sense = 10.0 * strips.bulging[arcs]
    places = np.column_stack([origin / 0.02, axis / 0.02, radius / 0.01, sense])
    pairs = _near(places)
    middle = along + np.einsum("ij,ij->i", axis, cylinders.axis[arcs]) * (
        (cylinders.low[arcs] + cylinders.high[arcs]) / 2
    )
    half = (cylinders.high[arcs] - cylinders.low[arcs]) / 2
    apart = np.abs(middle[pairs[:, 0]] - middle[pairs[:, 1]])
    pairs = arcs[pairs[apart < half[pairs[:, 0]] + half[pairs[:, 1]]]]
    if not len(pairs):
        return None
    _, number = connected(pairs[:, 0], pairs[:, 1], strips.count)
    return strips.renumbered(number)


def _near(places: _Floats) -> _Ints:
    """(p, 2) pairs of rows of an array (n, 8) no farther than 1 apart, each once."""
    # Seen along ways that no drawing has, square to each other; what is near is near there as well.
    ways = np.linalg.qr(np.cos(np.outer(np.arange(1.0, 9.0), [2.0**0.5, 3.0**0.5])))[0]
    seen = places @ ways
    pairs = [np.zeros((0, 2), np.int64)]
    for one, other in near_each_other(Boxes(seen, seen, np.zeros(len(seen), np.int64)), 1.0):
        away = places[one] - places[other]
        pairs.append(np.column_stack([one, other])[dot(away, away) <= 1.0])
    return np.concatenate(pairs)


def _pointing(axis: _Floats) -> _Floats:
    """Each axis turned so that its largest component is positive."""
    size = np.round(np.abs(axis), 6)
    largest = np.take_along_axis(axis, np.argmax(size, axis=1)[:, None], axis=1)
    # Rounding takes away what is only arithmetic, and with it the sign of zero.
    turned: _Floats = np.where(largest < 0, -axis, axis).round(9) + 0.0
    return turned


def _part_of_curve(
    mesh: Mesh, facets: _Facets, strips: _Strips, cylinders: _Cylinders, good: _Bools
) -> _Bools:
    """Whether the surface runs smoothly on past both ends of a strip and curves there as within:
    the belt of a ball or of a ring looks like a short cylinder."""
    count, strip = strips.count, strips.strip
    middle = (cylinders.low + cylinders.high) / 2
    length, area = np.zeros(2 * count), np.zeros(2 * count)
    for sense in (False, True):
        strip_of = np.full(len(facets.area), -1, np.int64)
        chosen = (good & (strips.bulging == sense))[strip]
        strip_of[strips.triangle[chosen]] = strip[chosen]
        one, other = strip_of[facets.one], strip_of[facets.other]
        border = np.flatnonzero((one != other) & (facets.angle < _SMOOTH))
        edge = np.tile(border, 2)
        beside = np.concatenate([one[border], other[border]])
        beyond = np.concatenate([facets.other[border], facets.one[border]])
        edge, beyond, beside = (each[beside >= 0] for each in (edge, beyond, beside))
        begin, end = mesh.vertices[facets.begin[edge]], mesh.vertices[facets.end[edge]]
        place = _along((begin + end) / 2, cylinders, beside)
        key = 2 * beside + (place > middle[beside])
        length += _sums(key, np.linalg.norm(end - begin, axis=1), 2 * count)
        area += _sums(key, 2 * facets.area[beyond], 2 * count)
    smooth = (length.reshape(-1, 2) >= np.pi * cylinders.radius[:, None]).all(axis=1)
    beyond_height = (area / np.maximum(length, 1e-12)).reshape(-1, 2).max(axis=1)
    short = cylinders.high - cylinders.low < 2.5 * beyond_height
    # Does the lean of the facets change along the axis, as on a barrel?
    lean = np.einsum("ij,ij->i", strips.normal, cylinders.axis[strip])
    place = _along(strips.points.mean(axis=1), cylinders, strip) - middle[strip]
    change = _sums(strip, strips.area * lean * place, count)
    change /= np.maximum(_sums(strip, strips.area * place**2, count), 1e-12)
    barrel = np.abs(change) * (cylinders.high - cylinders.low) / 2 > _CONE
    belt: _Bools = smooth & (short | barrel)
    return belt


def _along(point: _Floats, cylinders: _Cylinders, strip: _Ints) -> _Floats:
    """How far each point (n, 3) lies along the axis of its strip."""
    place: _Floats = np.einsum("ij,ij->i", point - cylinders.foot[strip], cylinders.axis[strip])
    return place


def _rounds(mesh: Mesh, strips: _Strips, cylinders: _Cylinders, chosen: _Ints) -> list[Round]:
    if not len(chosen):
        return []
    ends = [each.take(mesh.triangles.T) for each in mesh.vertices.T]
    reach = [(np.minimum.reduce(each), np.maximum.reduce(each)) for each in ends]
    others = np.ones(len(mesh.triangles), bool)
    axes = _pointing(cylinders.axis)
    rounds = []
    for i in chosen.tolist():
        begin, end = np.searchsorted(strips.strip, [i, i + 1])
        own = strips.triangle[begin:end]
        corners = mesh.vertices[mesh.triangles[own]].reshape(-1, 3)
        low, high = corners.min(axis=0), corners.max(axis=0)
        others[own] = False
        near = np.flatnonzero(others & (reach[0][0] <= high[0]) & (reach[0][1] >= low[0]))
        for (least, most), below, above in zip(reach[1:], low[1:], high[1:], strict=True):
            near = near[(least[near] <= above) & (most[near] >= below)]
        others[own] = True
        middle = (cylinders.low[i] + cylinders.high[i]) / 2
        around = mesh.vertices[mesh.triangles[near]]
        if not _clear(cylinders, i, strips.points[begin:end], around):
            continue
        centre = cylinders.foot[i] + middle * cylinders.axis[i]
        rounds.append(
            Round(
                kind="pin" if strips.bulging[i] else "hole",
                diameter=float(2 * cylinders.radius[i]),
                axis=_point(axes[i]),
                centre=_point(centre),
                length=float(cylinders.high[i] - cylinders.low[i]),
                low=float(low[2]),
                high=float(high[2]),
                box=(_point(low), _point(high)),
                vertical=bool(abs(axes[i][2]) >= _UPRIGHT),
            )
        )
    return sorted(rounds, key=lambda each: (each.kind, round(each.diameter, 4), each.centre))


def _point(values: _Floats) -> Point:
    x, y, z = values.tolist()
    return x, y, z


def _clear(cylinders: _Cylinders, i: int, own: _Floats, others: _Floats) -> bool:
    """Whether nothing else lies between the axis and the cylinder, as seen from most of three
    places on the axis: a hole is empty, and a pin is solid where no hole runs inside."""
    axis, foot = cylinders.axis[i], cylinders.foot[i]
    u, v = (side[0] for side in _frames(cylinders.axis[i : i + 1]))
    turn = np.arange(6) * (np.pi / 3) + 0.1
    rays = np.outer(np.cos(turn), u) + np.outer(np.sin(turn), v)
    heights = [(each - foot) @ axis for each in (own, others)]
    free = 0
    for share in (0.2, 0.5, 0.8):
        along = cylinders.low[i] + share * (cylinders.high[i] - cylinders.low[i])
        # Rays run square to the axis, so they hit only what crosses their plane.
        wall, rest = (
            each[(height.min(axis=1) <= along + 1e-6) & (height.max(axis=1) >= along - 1e-6)]
            for each, height in zip((own, others), heights, strict=True)
        )
        start = foot + along * axis
        reach = np.minimum(first_hits(start, rays, wall), cylinders.radius[i])
        free += bool((first_hits(start, rays, rest) >= reach - 1e-6).all())
    return free >= 2


def first_hits(start: _Floats, rays: _Floats, triangles: _Floats) -> _Floats:
    """How far each ray (n, 3) runs from its start (3,) to the first of the triangles (m, 3, 3);
    inf for none.

    Moeller and Trumbore's test (Journal of Graphics Tools 2 (1997) 21-28; from memory), its
    products turned round so that what hangs on the triangle alone is reckoned once.
    """
    if not len(triangles):
        return np.full(len(rays), np.inf)
    u, v = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    offset = start - triangles[:, 0]
    det = rays @ cross(v, u).T
    inverse = 1 / np.where(np.abs(det) < 1e-12, np.inf, det)
    q = cross(offset, u)
    a = rays @ cross(v, offset).T * inverse
    b = rays @ q.T * inverse
    distance = dot(q, v) * inverse
    hit = (a >= 0) & (b >= 0) & (a + b <= 1) & (distance > 1e-9) & (inverse != 0)
    first: _Floats = np.where(hit, distance, np.inf).min(axis=1)
    return first
