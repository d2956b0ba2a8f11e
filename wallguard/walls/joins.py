"""Which samples of one section belong to one wall, and the pieces of walls that they make.

    two samples                          are joined where
    -----------------------------------  ---------------------------------------------------------
    that follow each other on a ring     the outline turns by up to 50 degrees, and what lies
                                         between that is no wall is no longer than two thicknesses
    across the wall from each other      the one nearest to the other's contact looks back

        ======o====o==+  +==o====o======      o====o  joined along the outline
              :    :  |  |                    o    o
        ======o====o==+  +==o====o======      :    :  joined across the wall
                      junction: joined past it where it is short

A wall goes on through all that are joined. It is divided into pieces where the range of thickness
changes in which its samples are judged; and an end of it is free where the outline turns back
within three thicknesses with both sides of the same piece, and held elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, dot, grouped, lengths, medians, ranges, rows
from wallguard.walls.boxes import Boxes, meetings
from wallguard.walls.chains import turns
from wallguard.walls.edges import Edges
from wallguard.walls.flanks import Flanks, Told, flanks_of
from wallguard.walls.junctions import GROWN, room_of, swellings, through
from wallguard.walls.samples import Samples

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# Along an outline a wall goes on across a turn of up to 50 degrees (an eight-sided tube is one
# wall, a square one four) and across a junction no longer than twice its thickness.
ALONG = float(np.cos(np.radians(50.0)))
_JUNCTION = 2.0
# Faces of a wall are at most 40 degrees apart, so that this bounds computing error only.
_WEDGE = 0.1
# An outline that turns back within three thicknesses goes round the free end of a wall.
_END = 3.0
# A wall that varies by less than this is one thickness: facets and computing error.
_UNIFORM_MM, _UNIFORM = 0.02, 0.02
# Thicknesses that differ by less than this are equal (mm).
_EQUAL = 1e-6
# A curve that was exported as facets turns by no more than this from one to the next.
_FACET = float(np.radians(25.0))
# What is touched this near to the end of an edge is touched at a corner (mm).
_SAME = 1e-6
# Whether there is material beyond a wall is asked at so many places along it.
_MARKS = 7
# Pieces in two directions with their middles this close are one square post (mm).
_SAME_PLACE = 0.05


@dataclass(frozen=True)
class Walls:
    """The samples that lie on walls: what is known of each, in their order.

    number       (n,) the sample's number among all samples
    section, edge, ring  (n,)
    place    (n,) where on its edge it lies, mm from its start
    thickness, share  (n,) mm
    centre, normal    (n, 2)
    widens  (k,) of each of the flanks the tangent of the angle between both faces, above 0 where
            they part upward: of a wall that stands upright the change of its thickness with
            height, mm a mm
    moves   (k,) by how much the middle moves on with height, as both faces lean, mm a mm
    flanks  how the thickness runs along what the samples speak for
    bend    (n,) by how much the outline turns at both ends of the edge, if that is a facet of a
            curve, radians; else 0
    sagitta (n,) how far the middle of that facet lies from the curve's arc through its ends, mm
    """

    samples: Samples
    number: _Ints
    edge: _Ints
    section: _Ints
    ring: _Ints
    place: _Floats
    thickness: _Floats
    share: _Floats
    centre: _Floats
    normal: _Floats
    flanks: Flanks
    widens: _Floats
    moves: _Floats
    bend: _Floats
    sagitta: _Floats


@dataclass(frozen=True)
class Links:
    """Pairs (one, other) of wall samples that belong together; for each wall sample the wall in
    its section, and the thickness by which it is judged. `ahead` (n,) is the sample that follows
    each on its ring where they are joined, else the sample itself; for `breaks` see
    `_along_rings`."""

    one: _Ints
    other: _Ints
    ahead: _Ints
    breaks: tuple[_Ints, _Ints, _Bools]
    whole: _Ints
    judged: _Floats


@dataclass(frozen=True)
class Pieces:
    """Pieces of walls within single distinct sections, before layers are joined; one entry each.

    low, typical, high  thickness; length; thinnest: the wall sample where it is, in the middle
    spot   (n, 2) where it is thinnest, as near to its middle as that allows
    widens mean tangent of the angle between the faces, as of `Walls`
    moves  (n, 2) mean of how far the middle moves on with height, mm a mm, and of its square
    bend   by how much the outline turns from facet to facet where it is curved, radians, else 0
    sagitta  how far its facets lie from that curve, mm
    ends   held ends, 0 to 2;  whole: the wall in this section that it is a piece of
    """

    section: _Ints
    group: _Ints
    low: _Floats
    typical: _Floats
    high: _Floats
    thinnest: _Ints
    spot: _Floats
    length: _Floats
    widens: _Floats
    moves: _Floats
    bend: _Floats
    sagitta: _Floats
    ends: _Ints
    whole: _Ints
    box_low: _Floats
    box_high: _Floats


def walls_of(edges: Edges, samples: Samples) -> Walls:
    """What lies on walls."""
    number = np.flatnonzero(samples.wall)
    edge = samples.edge[number]
    bend = facets(edges)[edge]
    flanks = _flanks(edges, samples, number)
    widens, moves = leans(edges, edge[flanks.sample], flanks.held)
    return Walls(
        samples=samples,
        number=number,
        edge=edge,
        section=edges.section[edge].astype(np.int64),
        ring=edges.ring[edge].astype(np.int64),
        place=samples.at[number] - edges.at[edge],
        thickness=samples.thickness[number],
        share=samples.share[number],
        centre=rows(samples.point, number)
        + samples.discs.radius[number, None] * rows(samples.normal, number),
        normal=rows(samples.normal, number),
        flanks=flanks,
        widens=widens,
        moves=moves,
        bend=bend,
        # Of a chord of a circle: half its length times the tangent of a quarter of its angle.
        sagitta=edges.length[edge] / 2 * np.tan(bend / 4),
    )


def _flanks(edges: Edges, samples: Samples, number: _Ints) -> Flanks:
    """How the thickness runs along what the samples with these numbers speak for."""
    edge, share, ahead = samples.edge[number], samples.share[number], samples.ahead[number]
    follows = np.append((np.diff(edge) == 0) & (np.diff(number) == 1), False)[: len(edge)]
    follows &= share > 0
    follows[:-1] &= share[1:] > 0
    held = samples.discs.edge[number]
    place = samples.at[number] - edges.at[edge]
    return flanks_of(edges, Told(edge, place, share - ahead, ahead, held, follows))


def leans(edges: Edges, own: _Ints, other: _Ints) -> tuple[_Floats, _Floats]:
    """Of walls between the surfaces at pairs of edges how much they widen, and how much their
    middle moves on with height (`Walls`)."""
    slope = edges.lean[:, 1] / np.maximum(edges.lean[:, 0], 1e-9)
    one, two = slope[own], slope[other]
    return -(one + two) / np.maximum(1 - one * two, _WEDGE), np.abs(one - two) / 2


def _along(walls: Walls, label: _Ints, count: int, values: _Floats) -> _Floats:
    """(count,) values (k,) of flanks summed over what each label has of both faces."""
    return np.bincount(label[walls.flanks.sample], values, count).astype(np.float64, copy=False)


def facets(edges: Edges) -> _Floats:
    """(n,) by how much the outline turns at both ends of each edge, the same way and by no more
    than a facet of a curve does, radians; else 0."""
    before = turns(edges)
    after = before[edges.after]
    size = np.minimum(np.abs(before), np.abs(after))
    curved = (before * after > 0) & (np.maximum(np.abs(before), np.abs(after)) <= _FACET)
    return np.where(curved, size, 0.0)


def _curved(walls: Walls, values: _Floats, piece: _Ints, count: int) -> _Floats:
    """Of each piece the mean of values (n,) on its facets where most of it is curved, else 0."""
    own = np.bincount(walls.flanks.sample, walls.flanks.length, len(piece)) + 1e-9
    weight = own * (walls.bend > 0)
    curved = np.bincount(piece, weight, count)
    most = curved > np.bincount(piece, own, count) / 2
    mean = np.bincount(piece, weight * values, count) / np.maximum(curved, 1e-9)
    return np.where(most, mean, 0.0)


def _leaning(walls: Walls, piece: _Ints, count: int) -> tuple[_Floats, _Floats]:
    """(count,) of each piece the mean of `widens`, and (count, 2) of `moves` and of its square."""
    weight = walls.flanks.length + 1e-9
    powers = weight, weight * walls.widens, weight * walls.moves, weight * walls.moves**2
    total, *sums = (_along(walls, piece, count, each) for each in powers)
    widens, first, second = (each / np.maximum(total, 1e-12) for each in sums)
    return widens, np.column_stack([first, second])


def links_of(edges: Edges, walls: Walls) -> Links:
    """Which wall samples of one section belong together, whatever their thickness."""
    if not len(walls.number):
        none = np.zeros(0, np.int64)
        return Links(none, none, none, (none, none, none.astype(bool)), none, np.zeros(0))
    one, other, breaks = _along_rings(edges, walls)
    ahead = np.arange(len(walls.number))
    ahead[one] = other
    joints = (one, other), _across(edges, walls), through(walls, breaks)
    one, other = (np.concatenate(side) for side in zip(*joints, strict=True))
    count, whole = connected(one, other, len(walls.number))
    low, high = (grouped(each, whole, count, walls.thickness) for each in (np.minimum, np.maximum))
    # No median is larger: what varies by too much for the greatest need not be asked for it.
    uniform, typical = high - low <= np.maximum(_UNIFORM_MM, _UNIFORM * high), high.copy()
    if uniform.any():
        number = np.where(uniform, np.cumsum(uniform) - 1, -1)
        typical[uniform] = _spread(walls, number[whole], int(uniform.sum()))[1]
        uniform &= high - low <= np.maximum(_UNIFORM_MM, _UNIFORM * typical)
    # One thickness: the median speaks for all. Else every sample for itself.
    judged = np.where(uniform[whole], typical[whole], walls.thickness)
    return Links(one, other, ahead, breaks, whole, judged)


def pieces_of(
    walls: Walls, links: Links, group: Callable[[_Floats], _Ints]
) -> tuple[Pieces, _Ints]:
    """Join wall samples of one section and one group; the pieces, and each wall sample's piece."""
    groups = group(links.judged)
    groups, most = _without_swellings(walls, links, groups)
    _, piece = _alike(links, groups)
    piece = _crossed(walls, piece, groups)
    count = int(piece.max()) + 1
    low, typical, high = _spread(walls, piece, count, np.isinf(most))
    centre = walls.centre
    # Of the places as thin as the thinnest, as shown, the one nearest to the middle.
    members = np.bincount(piece, walls.share + 1e-9, count)
    middle = np.column_stack(
        [np.bincount(piece, column * (walls.share + 1e-9), count) / members for column in centre.T]
    )
    off = np.round(lengths(centre - rows(middle, piece)), 3)
    by_thickness = np.lexsort((off, np.round(walls.thickness, 2), piece))
    first = by_thickness[np.searchsorted(piece[by_thickness], np.arange(count))]
    widens, moves = _leaning(walls, piece, count)
    length, box_low, box_high = _extent(walls, piece, count, most)
    return (
        Pieces(
            section=walls.section[first],
            group=groups[first],
            low=low,
            typical=typical,
            high=high,
            thinnest=first,
            spot=_spots(walls, piece, middle, first),
            length=length,
            widens=widens,
            moves=moves,
            bend=_curved(walls, walls.bend, piece, count),
            sagitta=_curved(walls, walls.sagitta, piece, count),
            ends=_held_ends(piece, walls.ring, count, links.breaks),
            whole=links.whole[first],
            box_low=box_low,
            box_high=box_high,
        ),
        piece,
    )


def marks(walls: Walls, found: tuple[Pieces, _Ints], wanted: _Ints) -> tuple[_Ints, _Floats]:
    """Places in the middle of the pieces numbered in `wanted`, which rise, that do not hang on
    where samples stand: in the middle of each of so many equal parts of what they have of both
    faces, one after the other along the outlines. Of each the piece's place in `wanted`, which
    rise, and the point (k, 2). A piece of no length, or without samples, has its spot.

    found  the pieces, and the piece of each wall sample
    """
    pieces, piece = found
    flanks, place = walls.flanks, np.full(len(pieces.low), -1)
    place[wanted] = np.arange(len(wanted))
    some = np.flatnonzero(place[piece[flanks.sample]] >= 0)
    part = flanks.chosen(some)
    part = part.chosen(np.lexsort((part.begin, walls.edge[part.sample], place[piece[part.sample]])))
    owner, length = place[piece[part.sample]], part.length
    total = np.bincount(owner, length, len(wanted))
    ends = np.cumsum(length)
    start = np.append(0.0, np.cumsum(total))[:-1]
    has = np.flatnonzero(total > 0)
    of = np.repeat(has, _MARKS)
    along = start[of] + np.tile((np.arange(_MARKS) + 0.5) / _MARKS, len(has)) * total[of]
    which = np.minimum(np.searchsorted(ends, along), len(ends) - 1)
    its = part.chosen(which)
    x = its.end - (ends[which] - along)
    normal = rows(walls.normal, its.sample)
    point = rows(walls.samples.point, walls.number[its.sample])
    way = np.column_stack([normal[:, 1], -normal[:, 0]])
    middle = point + (x - walls.place[its.sample])[:, None] * way
    middle = middle + its.radius(x)[:, None] * normal
    bare = np.flatnonzero(total <= 0)
    of = np.concatenate([of, bare])
    middle = np.concatenate([middle, rows(pieces.spot, wanted[bare])])
    order = np.argsort(of, kind="stable")
    return of[order], rows(middle, order)


def _spots(walls: Walls, piece: _Ints, middle: _Floats, thinnest: _Ints) -> _Floats:
    """(c, 2) where each piece is thinnest: at that sample, or nearer to its middle (c, 2) between
    two samples that show the same. On a long edge samples stand at its ends only; those at one
    corner look in different directions, and between their discs lies none."""
    centre, shown = walls.centre, np.round(walls.thickness, 2)
    spot = rows(centre, thinnest).copy()
    one = np.flatnonzero(
        (walls.edge[1:] == walls.edge[:-1])
        & (piece[1:] == piece[:-1])
        & (np.diff(walls.number) == 1)
        & (dot(walls.normal[1:], walls.normal[:-1]) > 1 - 1e-9)
        & (shown[1:] == shown[:-1])
        & (shown[1:] == shown[thinnest[piece[1:]]])
    )
    of, way = piece[one], rows(centre, one + 1) - rows(centre, one)
    along = dot(rows(middle, of) - rows(centre, one), way) / np.maximum(dot(way, way), 1e-12)
    point = rows(centre, one) + np.clip(along, 0.0, 1.0)[:, None] * way
    off: _Floats = lengths(point - rows(middle, of)).round(3)
    order = np.lexsort((off, of))
    order = order[np.diff(of[order], prepend=-1) > 0]
    now: _Floats = lengths(spot - middle).round(3)
    nearer = order[off[order] < now[of[order]]]
    spot[of[nearer]] = point[nearer]
    return spot


def _alike(links: Links, groups: _Ints) -> tuple[int, _Ints]:
    """Wall samples that are joined and of one group: how many pieces, and the piece of each."""
    alike = groups[links.one] == groups[links.other]
    return connected(links.one[alike], links.other[alike], len(groups))


def _without_swellings(walls: Walls, links: Links, groups: _Ints) -> tuple[_Ints, _Floats]:
    """The groups, where a swelling has that of the wall it belongs to; and how thick what lies in
    one may be to make that wall longer, inf where it lies in none.

    Whether the flank of a round hole near a face is a swelling hangs on its facets. How long the
    wall between them is does not, as long as no flank counts.
    """
    count, piece = _alike(links, groups)
    one, other = piece[links.one], piece[links.other]
    meets = one != other
    most = np.full(len(groups), np.inf)
    if not meets.any():
        return groups, most
    lone = np.bincount(piece, minlength=count) * 1e-9
    length = _along(walls, piece, count, walls.flanks.length)
    own = np.bincount(piece, 1e-9 * walls.thickness, count)
    thickness = (_along(walls, piece, count, walls.flanks.thickness) + own) / (length + lone)
    # Seen from above: that faces lean as well, as in a fillet on a floor, makes no taper.
    discs = walls.samples.discs
    across = rows(discs.contact, walls.number) - walls.centre
    level = -dot(walls.normal, across) / discs.radius[walls.number]
    own = np.bincount(piece, 1e-9 * level, count)
    facing = (_along(walls, piece, count, walls.flanks.facing) + own) / (length + lone)
    room = room_of(thickness, facing)
    wall = swellings(thickness, length / 2, room, one[meets], other[meets])
    of = np.empty(count, np.int64)
    of[piece] = groups
    swollen = np.flatnonzero((wall != np.arange(count))[piece])
    most[swollen] = GROWN * thickness[wall][piece[swollen]]
    return of[wall][piece], most


def _extent(
    walls: Walls, piece: _Ints, count: int, most: _Floats
) -> tuple[_Floats, _Floats, _Floats]:
    """Length (count,) and box (count, 2) of each piece, where samples (n,) of swellings count up to
    a thickness only."""
    flanks = walls.flanks
    swollen = np.isfinite(most)[flanks.sample]
    thin = flanks.chosen(np.flatnonzero(swollen))
    thin = thin.thinner(most[thin.sample])
    length = np.bincount(piece[flanks.sample], np.where(swollen, 0.0, flanks.length), count)
    length += np.bincount(piece[thin.sample], thin.length, count)
    # Of all discs along a flank those at its ends reach farthest.
    own = np.flatnonzero(walls.thickness <= most)
    of, centre, radius = [piece[own]], [walls.centre[own]], [walls.thickness[own] / 2]
    normal = walls.normal[thin.sample]
    along = np.column_stack([normal[:, 1], -normal[:, 0]])
    point = walls.samples.point[walls.number[thin.sample]]
    for x, r in zip((thin.begin, thin.end), thin.ends.T, strict=True):
        off = x - walls.place[thin.sample]
        of.append(piece[thin.sample])
        centre.append(point + off[:, None] * along + r[:, None] * normal)
        radius.append(r)
    owner, middle = np.concatenate(of), np.concatenate(centre)
    reach = np.concatenate(radius)[:, None]
    low, high = (
        grouped(np.minimum, owner, count, middle - reach),
        grouped(np.maximum, owner, count, middle + reach),
    )
    return length / 2, low, high


def _along_rings(edges: Edges, walls: Walls) -> tuple[_Ints, _Ints, tuple[_Ints, _Ints, _Bools]]:
    """Links between wall samples that follow each other on a ring, and the breaks between runs:
    (last sample, next sample, whether the outline there goes round a free end)."""
    samples, ring = walls.samples, walls.ring
    this = np.arange(len(ring))
    next_ = this + 1
    last = np.append(ring[1:] != ring[:-1], True)
    next_[last] = np.flatnonzero(np.append(True, ring[1:] != ring[:-1]))
    at, reach = samples.at[walls.number], samples.ahead[walls.number]
    way = at[next_] - at
    perimeter = np.bincount(edges.ring, edges.length, len(edges.round_ring))[ring]
    way[last] += perimeter[last]
    free = way - reach - (walls.share - reach)[next_]
    thick = np.maximum(walls.thickness, walls.thickness[next_])
    turn = dot(walls.normal, rows(walls.normal, next_))
    joined = (turn >= ALONG) & (free <= _JUNCTION * thick)
    broken = np.flatnonzero(~joined)
    # A post's sides follow each other at a corner: then both belong to one piece, too.
    end = (turn[broken] < ALONG) & (free[broken] <= _END * thick[broken])
    return this[joined], next_[joined], (this[broken], next_[broken], end)


def _across(edges: Edges, walls: Walls) -> tuple[_Ints, _Ints]:
    """Links from each wall sample to the wall sample nearest to its contact, if that looks back. Of
    those at a corner, which look in several directions, to the one that looks back straightest."""
    samples = walls.samples
    number = np.full(len(samples.edge), -1, np.int64)
    number[walls.number] = np.arange(len(walls.number))
    by_edge = np.argsort(samples.edge, kind="stable")
    begins = np.append(0, np.cumsum(np.bincount(samples.edge, minlength=len(edges.length))))
    corners = np.bincount(samples.edge[samples.at <= edges.at[samples.edge]], minlength=len(begins))
    touched = samples.discs.edge[walls.number]
    contact = rows(samples.discs.contact, walls.number)
    run = dot(contact - rows(edges.start, touched), rows(edges.along, touched))
    # What is touched at its end is touched where the next edge begins.
    ends = (run > edges.length[touched] - _SAME) & (corners[edges.after[touched]] > 0)
    touched, run = np.where(ends, edges.after[touched], touched), np.where(ends, 0.0, run)
    at_corner = (run < _SAME) & (corners[touched] > 0)
    seen = np.flatnonzero(~at_corner & (begins[touched + 1] > begins[touched]))
    place = samples.at[by_edge] - edges.at[samples.edge[by_edge]]
    near = _nearest(place, begins[touched[seen]], begins[touched[seen] + 1], run[seen])
    which = np.flatnonzero(at_corner)
    owner, other = ranges(begins[touched[which]], corners[touched[which]])
    one = np.concatenate([seen, which[owner]])
    other = number[by_edge[np.concatenate([near, other])]]
    back = np.flatnonzero(other >= 0)
    one, other = one[back], other[back]
    facing = dot(rows(walls.normal, one), rows(walls.normal, other))
    order = np.lexsort((facing, one))
    order = order[np.diff(one[order], prepend=-1) > 0]
    order = order[facing[order] <= -ALONG]
    return one[order], other[order]


def _nearest(place: _Floats, begin: _Ints, end: _Ints, wanted: _Floats) -> _Ints:
    """(k,) the number of the place nearest to each wanted one, among those from begin to end - 1,
    which rise: by halving."""
    low, high = begin.copy(), end - 1
    open_ = np.flatnonzero(high > low)
    while len(open_):
        least, most = low[open_], high[open_]
        middle = (least + most) // 2
        before = place[middle] < wanted[open_]
        low[open_] = np.where(before, middle + 1, least)
        high[open_] = np.where(before, most, middle)
        open_ = open_[high[open_] > low[open_]]
    lower = np.maximum(low - 1, begin)
    nearer = np.abs(place[lower] - wanted) <= np.abs(place[low] - wanted)
    return np.where(nearer, lower, low)


def _spread(
    walls: Walls, label: _Ints, count: int, counts: _Bools | None = None
) -> tuple[_Floats, _Floats, _Floats]:
    """Least, median (along it) and greatest thickness of every label, of those samples that count;
    those that have the label -1 do not, and nobody asks for them.

    Along a flank thickness runs straight, or as good as, so its length counts evenly for all values
    from that at its one end to that at the other.
    """
    asked, pieces = label >= 0, walls.flanks.pieces
    counts = asked if counts is None else counts & asked
    if not asked.all():
        pieces = pieces.chosen(asked[pieces.sample])
    own = counts[pieces.sample]
    one, other = pieces.one, pieces.other
    # What is one value but for rounding lies at it.
    even = np.abs(other - one) < _EQUAL
    least, most = (
        np.minimum(one, other),
        np.where(even, np.minimum(one, other), np.maximum(one, other)),
    )
    thickness, of = walls.thickness, label[pieces.sample]
    # What is seen of a corner only has no length.
    bare = np.flatnonzero((np.bincount(of, minlength=count) == 0)[label] & asked)
    typical = medians(
        np.concatenate([of, label[bare]]),
        np.concatenate([least, thickness[bare]]),
        np.concatenate([most, thickness[bare]]),
        np.concatenate([np.where(own, pieces.length, 0.0) + 1e-12, np.full(len(bare), 1e-9)]),
        count,
    )
    label, thickness = label[counts], thickness[counts]
    low, high = (grouped(each, label, count, thickness) for each in (np.minimum, np.maximum))
    return low, np.clip(typical, low, high), high


def _crossed(walls: Walls, piece: _Ints, groups: _Ints) -> _Ints:
    """A square post is one wall, not one in each direction: join pieces that are as short as they
    are thick and have the same middle."""
    count = int(piece.max()) + 1
    low, high = (grouped(way, piece, count, walls.centre) for way in (np.minimum, np.maximum))
    by_thickness = np.lexsort((walls.thickness, piece))
    first = by_thickness[np.searchsorted(piece[by_thickness], np.arange(count))]
    short = np.flatnonzero(np.maximum(*(high - low).T) < walls.thickness[first] / 2)
    if len(short) < 2:
        return piece
    spot = first[short]
    middle = (low + high)[short] / 2
    posts = Boxes(middle, middle, walls.section[spot])
    links = [short[:0]], [short[:0]]
    for one, other in meetings(posts.wider(_SAME_PLACE), posts, _SAME_PLACE):
        same = (groups[spot[one]] == groups[spot[other]]) & (one < other)
        same &= np.hypot(*(rows(middle, one) - rows(middle, other)).T) <= _SAME_PLACE
        links[0].append(short[one[same]])
        links[1].append(short[other[same]])
    joined: _Ints = connected(np.concatenate(links[0]), np.concatenate(links[1]), count)[1]
    return joined[piece]


def _held_ends(piece: _Ints, ring: _Ints, count: int, breaks: tuple[_Ints, _Ints, _Bools]) -> _Ints:
    """How many ends of each piece run into other material, 0 to 2; a closed wall counts as 2.

    A break is where one run of wall ends and the next begins. Round a free end both belong to the
    same piece; every other end of a run is held. Where one of its flanks is a ring without a break,
    as that of a tube with a rib outside, the wall comes back to where it began: it is closed, too.
    """
    before, after, end = breaks
    free = end & (piece[before] == piece[after])
    runs = np.bincount(piece[before], minlength=count) + np.bincount(piece[after], minlength=count)
    loose = np.bincount(piece[before[free]], minlength=count)
    held = runs - 2 * loose
    whole = np.ones(int(ring.max(initial=-1)) + 1, bool)
    whole[ring[before]] = False
    closed = np.bincount(piece[whole[ring]], minlength=count) > 0
    closed = (runs == 0) | (closed & (loose == 0))
    return np.where(closed, 2, np.minimum((held + 1) // 2, 2)).astype(np.int64)
