"""Join the sampled thickness into walls (and gaps), along each outline and from layer to layer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, grouped, inside, ranges, spread
from wallguard.sections.sections import Sections, neighbours
from wallguard.walls.edges import Edges, air_edges, material_edges
from wallguard.walls.samples import Samples, take_samples
from wallguard.walls.stretch import Stretch

# Along an outline a wall goes on across a turn of up to 50 degrees (an eight-sided tube is one
# wall, a square one four) and across a junction no longer than twice its thickness.
_ALONG = float(np.cos(np.radians(50.0)))
_JUNCTION = 2.0
# An outline that turns back within three thicknesses goes round the free end of a wall.
_END = 3.0
# A wall that varies by less than this is one thickness: facets and computing error.
_UNIFORM_MM, _UNIFORM = 0.02, 0.02

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]


def find_walls(sections: Sections, largest: float, splits: Sequence[float] = ()) -> list[Stretch]:
    """All walls up to `largest` mm thick; a wall that crosses one of `splits` (mm, rising) is
    divided there. Thinnest first."""
    return find_walls_divided(sections, largest, [splits])[0]


def find_walls_divided(
    sections: Sections, largest: float, ways: Sequence[Sequence[float]]
) -> list[list[Stretch]]:
    """The same for several lists of splits; the thickness is sampled once for all of them."""
    return _find(sections, material_edges(sections), largest, ways, held=True)


def find_gaps(sections: Sections, largest: float, splits: Sequence[float] = ()) -> list[Stretch]:
    """The same on the air side: gaps within a part and between its bodies. `sides` is 0."""
    return _find(sections, air_edges(sections), largest, [splits], held=False)[0]


@dataclass(frozen=True)
class _Pieces:
    """Walls within single distinct sections, before layers are joined; one entry each."""

    section: _Ints
    group: _Ints
    low: _Floats  # thickness
    typical: _Floats
    high: _Floats
    thinnest: _Ints  # sample
    length: _Floats
    ends: _Ints  # held ends, 0 to 2
    whole: _Ints  # the wall in this section that it is a piece of
    box_low: _Floats
    box_high: _Floats


@dataclass(frozen=True)
class Links:
    """Pairs (one, other) of wall samples that belong together; for each wall sample the wall in
    its section, and the thickness by which it is judged. `breaks`: see `_along_rings`."""

    one: _Ints
    other: _Ints
    breaks: tuple[_Ints, _Ints, NDArray[np.bool_]]
    whole: _Ints
    judged: _Floats


def _find(
    sections: Sections,
    edges: Edges,
    largest: float,
    ways: Sequence[Sequence[float]],
    *,
    held: bool,
) -> list[list[Stretch]]:
    none: list[list[Stretch]] = [[] for _ in ways]
    if not len(edges.length) or largest <= 0:
        return none
    samples = take_samples(edges, largest, _grouping(sorted(set().union(*ways))))
    wall = np.flatnonzero(samples.wall)
    if not len(wall):
        return none
    links = _links(edges, samples, wall)
    found = []
    for splits in ways:
        pieces, piece = _pieces(edges, samples, wall, links, _grouping(splits))
        walls, _ = _over_layers(sections, samples, wall, pieces, piece, held=held)
        found.append(sorted(walls, key=lambda s: (s.group, round(s.minimum, 4), s.point)))
    return found


class Followed(NamedTuple):
    """Walls that `follow` found, and for each wall sample the number of its wall."""

    walls: list[Stretch]
    number: NDArray[np.int64]


def follow(
    sections: Sections, edges: Edges, samples: Samples, links: Links, groups: _Ints
) -> Followed:
    """Join wall samples that are linked and of one group, and follow them from layer to layer.

    links, groups  of the samples that lie on walls, in their order; what else is known of them
                   than their thickness may go into the groups
    """
    wall = np.flatnonzero(samples.wall)
    if not len(wall):
        return Followed([], np.zeros(0, np.int64))
    pieces, piece = _pieces(edges, samples, wall, links, lambda _: groups)
    found, label = _over_layers(sections, samples, wall, pieces, piece, held=True)
    return Followed(found, label[piece])


def linked(edges: Edges, samples: Samples) -> Links:
    """Which wall samples of one section belong together."""
    return _links(edges, samples, np.flatnonzero(samples.wall))


def _grouping(splits: Sequence[float]) -> Callable[[_Floats], _Ints]:
    """A function that numbers the ranges between `splits` (mm, rising)."""
    limits = np.asarray(splits, np.float64)
    return lambda thickness: np.searchsorted(limits, thickness, side="right").astype(np.int64)


def _links(edges: Edges, samples: Samples, wall: _Ints) -> Links:
    """Which wall samples of one section belong together, whatever their thickness."""
    thickness = samples.thickness[wall]
    normal = samples.normal[wall]
    ring = edges.ring[samples.edge[wall]]
    one, other, breaks = _along_rings(edges, samples, wall, thickness, normal, ring)
    across = _across(samples, wall, normal)
    one = np.concatenate([one, across[0]])
    other = np.concatenate([other, across[1]])
    whole = connected(one, other, len(wall))[1]
    low, typical, high = spread(whole, thickness, samples.share[wall] + 1e-9, int(whole.max()) + 1)
    uniform = high - low <= np.maximum(_UNIFORM_MM, _UNIFORM * typical)
    # One thickness: the median speaks for all. Else every sample for itself.
    judged = np.where(uniform[whole], typical[whole], thickness)
    return Links(one, other, breaks, whole, judged)


def _pieces(
    edges: Edges,
    samples: Samples,
    wall: _Ints,
    links: Links,
    group: Callable[[_Floats], _Ints],
) -> tuple[_Pieces, _Ints]:
    """Join wall samples of one section; returns the pieces and each wall sample's piece."""
    thickness = samples.thickness[wall]
    groups = group(links.judged)
    alike = groups[links.one] == groups[links.other]
    piece = connected(links.one[alike], links.other[alike], len(wall))[1]
    section = edges.section[samples.edge[wall]]
    piece = _crossed(piece, section, groups, samples.centre[wall], thickness)

    count = int(piece.max()) + 1
    low, typical, high = spread(piece, thickness, samples.share[wall] + 1e-9, count)
    centre, radius = samples.centre[wall], thickness[:, None] / 2
    # Of the places as thin as the thinnest, as shown, the one nearest to the middle.
    members = np.bincount(piece, minlength=count)
    middle = np.column_stack([np.bincount(piece, column, count) / members for column in centre.T])
    off = np.round(np.hypot(*(centre - middle[piece]).T), 3)
    by_thickness = np.lexsort((off, np.round(thickness, 2), piece))
    first = by_thickness[np.searchsorted(piece[by_thickness], np.arange(count))]
    length = np.bincount(piece, samples.share[wall], count) / 2
    return (
        _Pieces(
            section=section[first].astype(np.int64),
            group=groups[first],
            low=low,
            typical=typical,
            high=high,
            thinnest=wall[first],
            length=length,
            ends=_held_ends(piece, count, links.breaks),
            whole=links.whole[first],
            box_low=grouped(np.minimum, piece, count, centre - radius),
            box_high=grouped(np.maximum, piece, count, centre + radius),
        ),
        piece,
    )


def _crossed(
    piece: _Ints,
    section: NDArray[np.int32],
    groups: _Ints,
    centre: _Floats,
    thickness: _Floats,
) -> _Ints:
    """A square post is one wall, not one in each direction: join pieces that are as short as they
    are thick and have the same middle."""
    from scipy.spatial import cKDTree

    count = int(piece.max()) + 1
    low, high = (grouped(way, piece, count, centre) for way in (np.minimum, np.maximum))
    by_thickness = np.lexsort((thickness, piece))
    first = by_thickness[np.searchsorted(piece[by_thickness], np.arange(count))]
    short = np.flatnonzero((high - low).max(axis=1) < thickness[first] / 2)
    if len(short) < 2:
        return piece
    spot = first[short]
    apart = 1e3 * np.column_stack([section[spot], groups[spot]])
    tree = cKDTree(np.column_stack([(low + high)[short] / 2, apart]))
    pairs = tree.query_pairs(0.05, output_type="ndarray")
    return connected(short[pairs[:, 0]], short[pairs[:, 1]], count)[1][piece]


def _along_rings(
    edges: Edges,
    samples: Samples,
    wall: _Ints,
    thickness: _Floats,
    normal: _Floats,
    ring: NDArray[np.int32],
) -> tuple[_Ints, _Ints, tuple[_Ints, _Ints, NDArray[np.bool_]]]:
    """Links between wall samples that follow each other on a ring, and the breaks between runs:
    (last sample, next sample, whether the outline there goes round a free end)."""
    this = np.arange(len(wall))
    ahead = this + 1
    last = np.append(ring[1:] != ring[:-1], True)
    ahead[last] = np.flatnonzero(np.append(True, ring[1:] != ring[:-1]))
    perimeter = np.bincount(edges.ring, edges.length, len(edges.round_ring))[ring]
    way = samples.at[wall][ahead] - samples.at[wall]
    way[last] += perimeter[last]
    share = samples.share[wall]
    free = way - (share + share[ahead]) / 2
    thick = np.maximum(thickness, thickness[ahead])
    turn = (normal * normal[ahead]).sum(axis=1)
    joined = (turn >= _ALONG) & (free <= _JUNCTION * thick)
    broken = np.flatnonzero(~joined)
    end = (turn[broken] < 0) & (free[broken] <= _END * thick[broken])
    return this[joined], ahead[joined], (this[broken], ahead[broken], end)


def _across(samples: Samples, wall: _Ints, normal: _Floats) -> tuple[_Ints, _Ints]:
    """Links from each wall sample to the wall sample nearest to its contact, if that looks back."""
    number = np.full(len(samples.edge), -1, np.int64)
    number[wall] = np.arange(len(wall))
    by_edge = np.argsort(samples.edge, kind="stable")
    edge = samples.edge[by_edge]
    touched = samples.discs.edge[wall]
    begin = np.searchsorted(edge, touched, side="left")
    end = np.searchsorted(edge, touched, side="right")
    contact = samples.discs.contact[wall]
    # Samples of one edge are few (0.5 mm apart); step to the nearest by halving.
    low, high = begin.copy(), end - 1
    point = samples.point[by_edge]
    direction = point[np.maximum(high, 0)] - point[np.minimum(begin, len(point) - 1)]
    reach = ((contact - point[begin]) * direction).sum(axis=1)
    for _ in range(int(np.ceil(np.log2(max(2, int((end - begin).max()))))) + 1):
        middle = (low + high) // 2
        before = ((point[middle] - point[begin]) * direction).sum(axis=1) < reach
        low = np.where(before & (low < high), middle + 1, low)
        high = np.where(~before & (low < high), middle, high)
    lower = np.maximum(low - 1, begin)
    gap_low = np.linalg.norm(point[lower] - contact, axis=1)
    gap_high = np.linalg.norm(point[low] - contact, axis=1)
    nearest = number[by_edge[np.where(gap_low <= gap_high, lower, low)]]
    back = np.flatnonzero(nearest >= 0)
    back = back[(normal[back] * normal[nearest[back]]).sum(axis=1) <= -_ALONG]
    return back, nearest[back]


def _held_ends(piece: _Ints, count: int, breaks: tuple[_Ints, _Ints, NDArray[np.bool_]]) -> _Ints:
    """How many ends of each piece run into other material, 0 to 2; a closed wall counts as 2.

    A break is where one run of wall ends and the next begins. Round a free end both belong to the
    same piece; every other end of a run is held.
    """
    before, after, end = breaks
    free = end & (piece[before] == piece[after])
    runs = np.bincount(piece[before], minlength=count) + np.bincount(piece[after], minlength=count)
    held = runs - 2 * np.bincount(piece[before[free]], minlength=count)
    return np.where(runs == 0, 2, np.minimum((held + 1) // 2, 2)).astype(np.int64)


def _over_layers(
    sections: Sections,
    samples: Samples,
    wall: _Ints,
    pieces: _Pieces,
    piece: _Ints,
    *,
    held: bool,
) -> tuple[list[Stretch], _Ints]:
    """Follow pieces upward. A slab is a run of layers with one distinct section; a node is one
    piece in one slab. Also the number of the wall that each piece went into (the last, where its
    section comes in several slabs)."""
    distinct = sections.distinct.astype(np.int64)
    slab_first = np.flatnonzero(np.diff(distinct, prepend=-2))
    slab_last = np.append(slab_first[1:], len(distinct)) - 1
    slab_section = distinct[slab_first]

    order = np.argsort(pieces.section, kind="stable")
    begin = np.searchsorted(pieces.section[order], slab_section, side="left")
    end = np.searchsorted(pieces.section[order], slab_section, side="right")
    size = end - begin
    node_slab, place = ranges(begin, size)
    node_start = np.cumsum(size) - size
    node_piece = order[place]
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))

    slab, below, above = _upward(sections, samples, wall, pieces, piece, slab_section)
    # From (slab, piece) to node number: pieces of a section stand in `order`.
    lower = node_start[slab] + rank[below] - begin[slab]
    upper = node_start[slab + 1] + rank[above] - begin[slab + 1]
    alike = pieces.group[below] == pieces.group[above]
    label = connected(lower[alike], upper[alike], len(node_slab))[1]
    # One connected wall: pieces of one wall in a section, and what lies over each other, of
    # whatever thickness: a rib that gets thinner upward is one wall.
    beside = np.lexsort((pieces.whole[node_piece], node_slab))
    same = np.flatnonzero(
        (np.diff(node_slab[beside]) == 0) & (np.diff(pieces.whole[node_piece][beside]) == 0)
    )
    whole = connected(
        np.concatenate([lower, beside[same]]),
        np.concatenate([upper, beside[same + 1]]),
        len(node_slab),
    )[1]
    went = np.zeros(len(pieces.section), np.int64)
    went[node_piece] = label
    return _summarise(
        sections,
        samples,
        pieces,
        node_piece,
        slab_first[node_slab],
        slab_last[node_slab],
        label,
        whole,
        held,
    ), went


def _upward(
    sections: Sections,
    samples: Samples,
    wall: _Ints,
    pieces: _Pieces,
    piece: _Ints,
    slab_section: _Ints,
) -> tuple[_Ints, _Ints, _Ints]:
    """Slabs, pieces in them, and pieces in the next slab that lie over those.

    Wall samples fall into square cells; two pieces that look alike in direction and share a cell
    belong together. Cells are laid four times, shifted by half, so that centres
    nearer than half a cell always meet.
    """
    cell = 2 * max(0.3, 1.5 * sections.layer_height)
    centre = samples.centre[wall]
    normal = samples.normal[wall]
    section = pieces.section[piece]
    lowers: list[_Ints] = []
    uppers: list[_Ints] = []
    slabs: list[_Ints] = []
    for shift in ((0.0, 0.0), (0.5, 0.0), (0.0, 0.5), (0.5, 0.5)):
        place = np.floor(centre / cell + shift).astype(np.int64)
        place -= place.min(axis=0)
        width = place.max(axis=0) + 1
        key = place[:, 0] * width[1] + place[:, 1]
        # One sample stands for its piece in a cell; the next on the outline is often in it too.
        chosen = np.flatnonzero((np.diff(piece, prepend=-1) != 0) | (np.diff(key, prepend=-1) != 0))
        chosen = chosen[np.lexsort((key[chosen], piece[chosen]))]
        fresh = (np.diff(piece[chosen], prepend=-1) != 0) | (np.diff(key[chosen], prepend=-1) != 0)
        chosen = chosen[fresh]
        chosen = chosen[np.lexsort((key[chosen], section[chosen]))]
        section_of, key_of = section[chosen], key[chosen]
        full = section_of * (int(key.max()) + 1) + key_of
        begin = np.searchsorted(section_of, slab_section[:-1], side="left")
        size = np.searchsorted(section_of, slab_section[:-1], side="right") - begin
        slab, at = ranges(begin, size)
        low = chosen[at]
        wanted = slab_section[slab + 1] * (int(key.max()) + 1) + key[low]
        first = np.searchsorted(full, wanted, side="left")
        many = np.searchsorted(full, wanted, side="right") - first
        many[slab_section[slab + 1] < 0] = 0
        pair, at = ranges(first, many)
        high = chosen[at]
        low, slab = low[pair], slab[pair]
        alike = np.abs((normal[low] * normal[high]).sum(axis=1)) >= _ALONG
        lowers.append(piece[low[alike]])
        uppers.append(piece[high[alike]])
        slabs.append(slab[alike])
    return np.concatenate(slabs), np.concatenate(lowers), np.concatenate(uppers)


def _summarise(
    sections: Sections,
    samples: Samples,
    pieces: _Pieces,
    node_piece: _Ints,
    first_layer: _Ints,
    last_layer: _Ints,
    label: _Ints,
    whole: _Ints,
    held: bool,
) -> list[Stretch]:
    count = int(label.max()) + 1
    half = sections.layer_height / 2
    layers = last_layer - first_layer + 1
    area = np.bincount(label, pieces.length[node_piece] * layers, count) * sections.layer_height
    low = pieces.low[node_piece]
    order = np.lexsort((first_layer, first_layer - last_layer, np.round(low, 3), label))
    thinnest = order[np.searchsorted(label[order], np.arange(count))]
    weight = (pieces.length[node_piece] + 1e-6) * (last_layer - first_layer + 1)
    _, typical, _ = spread(label, pieces.typical[node_piece], weight, count)
    minimum = grouped(np.minimum, label, count, low)
    maximum = grouped(np.maximum, label, count, pieces.high[node_piece])
    length = grouped(np.maximum, label, count, pieces.length[node_piece])
    ends = grouped(np.maximum, label, count, pieces.ends[node_piece].astype(np.float64))
    bottom = grouped(np.minimum, label, count, first_layer.astype(np.float64)).astype(np.int64)
    top = grouped(np.maximum, label, count, last_layer.astype(np.float64)).astype(np.int64)
    box_low = grouped(np.minimum, label, count, pieces.box_low[node_piece])
    box_high = grouped(np.maximum, label, count, pieces.box_high[node_piece])
    sides = ends.astype(np.int64)
    if held:
        sides = sides + _held_above_or_below(
            sections, samples, pieces, node_piece, first_layer, last_layer, label, bottom, top
        )
    spot = pieces.thinnest[node_piece[thinnest]]
    centre = samples.centre[spot]
    middle = (sections.heights[first_layer[thinnest]] + sections.heights[last_layer[thinnest]]) / 2
    lowest, highest = sections.heights[bottom] - half, sections.heights[top] + half
    return [
        Stretch(
            minimum=float(minimum[i]),
            typical=float(typical[i]),
            maximum=float(maximum[i]),
            length=float(length[i]),
            low=float(lowest[i]),
            high=float(highest[i]),
            point=(float(centre[i, 0]), float(centre[i, 1]), float(middle[i])),
            box=(
                (float(box_low[i, 0]), float(box_low[i, 1]), float(lowest[i])),
                (float(box_high[i, 0]), float(box_high[i, 1]), float(highest[i])),
            ),
            group=int(pieces.group[node_piece[thinnest[i]]]),
            sides=int(sides[i]),
            wall=int(whole[thinnest[i]]),
            area=float(area[i]),
        )
        for i in range(count)
    ]


def _held_above_or_below(
    sections: Sections,
    samples: Samples,
    pieces: _Pieces,
    node_piece: _Ints,
    first_layer: _Ints,
    last_layer: _Ints,
    label: _Ints,
    bottom: _Ints,
    top: _Ints,
) -> _Ints:
    """0, 1 or 2: whether there is material right below and right above each wall."""
    count = len(bottom)
    result = np.zeros(count, np.int64)
    for layer, step, extreme in ((first_layer, -1, bottom), (last_layer, 1, top)):
        at_extreme = np.flatnonzero(layer == extreme[label])
        order = at_extreme[np.argsort(label[at_extreme], kind="stable")]
        node = order[np.searchsorted(label[order], np.arange(count))]
        spot = samples.centre[pieces.thinnest[node_piece[node]]]
        beyond = extreme + step
        inside = (beyond >= 0) & (beyond < len(sections.heights))
        section = np.where(inside, sections.distinct[np.where(inside, beyond, 0)], -1)
        result += inside_section(sections, section, spot)
    return result


def inside_section(sections: Sections, section: _Ints, point: _Floats) -> NDArray[np.bool_]:
    """Whether each point (n, 2) lies in the material of its distinct section (n,); -1 is empty."""
    result = np.zeros(len(point), bool)
    if not len(sections.points):
        return result
    ring_start = sections.ring_start
    _, after = neighbours(ring_start)
    a, b = sections.points, sections.points[after]
    order = np.argsort(section, kind="stable")
    for number in np.unique(section[section >= 0]).tolist():
        low, high = np.searchsorted(sections.ring_section, [number, number + 1])
        edges = slice(int(ring_start[low]), int(ring_start[high]))
        begin, end = np.searchsorted(section, [number, number + 1], sorter=order)
        here = order[begin:end]
        result[here] = inside(a[edges], b[edges], point[here])
    return result
