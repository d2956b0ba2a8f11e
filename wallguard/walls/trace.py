r"""Walls and gaps of a part in its layers: sampled, joined in each section, followed upward.

    outlines ->  samples          ->  pieces              ->  nodes          ->  stretches
                 where a wall         of one section and      pieces over        what is said of
                 can be               one group               each other         each wall
                 `places`             `joins`                 `upward`           here

A sample is a point of the outline and the largest disc that touches it there (`discs`). Samples
are taken once; they are then divided and joined for each list of splits that is asked for.

A node is a piece of length l, of thickness t, that stands unchanged in k layers of height h, so it
takes up l k h of the wall as seen from its side. What is said of a wall is said of that area A:

    minimum, maximum   over all samples of all nodes but its roots
    typical            the median: half of A is thinner
    lean               sections of a wall that leans by an angle a move on by m = tan a with
                       height; with s^2 = mean(m^2) - mean(m)^2 over A, mean(m) -+ 2 s holds for
                       three quarters of A at least (Chebyshev's inequality, from memory)

A rib that stands on a floor by a fillet, seen along it:

             | |      node 3 )
             | |      node 2 )  one wall: nodes over each other, of one range of thickness
            /   \     node 1 )  its root: it runs into the floor, and is no thicker wall
       ____/__x__\____
                      x: material right below half of the lowest node or more: it is held there

What decides:

    question                                  where it is so
    ----------------------------------------  ----------------------------------------------------
    do pieces lie over each other (`upward`)  they are one connected wall, whatever they measure
    and are they of one range of thickness    and one stretch; otherwise each range has its own
    does a stretch widen downward faster      it is the other's root: it gets the label of the wall
    than a draft, with material right below   that it meets, and tells nothing of its thickness; so
    it, and is no higher than twice its       does what the fillet begins with, no higher than half
    thickness; or so upward                   its thickness (`junctions.swellings`)
    does an outline turn back round its end   that end is free (`joins`), otherwise held: of all
                                              layers the one with most held ends counts
    is there material right beyond half of    it is held on that side too: so on 0 to 4 sides; a gap
    its lowest or its highest layer           is only asked for its ends
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct, grouped, lengths, ranges, rows, spread
from wallguard.sections.sections import Sections, neighbours, section_heights
from wallguard.walls.edges import Edges, air_edges, material_edges
from wallguard.walls.joins import Links, Pieces, Walls, links_of, marks, pieces_of, walls_of
from wallguard.walls.junctions import FASTER, swellings
from wallguard.walls.samples import Kept, Layers, Samples, Taken, take_layers, take_samples
from wallguard.walls.spans import Bridges, Spans, alone, bridges_of
from wallguard.walls.stretch import Stretch
from wallguard.walls.upward import Nodes, nodes_of

__all__ = ["Followed", "Links", "find_gaps", "find_walls", "find_walls_divided", "follow", "linked"]

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]

# Where another outcome begins with the lean: (first, last, offset, slope) each. A piece from first
# to last thick (mm) lies beyond it where it moves on with height by offset + slope * thickness.
Closings = Sequence[tuple[float, float, float, float]]
Way = tuple[Sequence[float], Closings]
# Whether it is told on how many sides walls are held: those that are anywhere, or mostly.
Held = Literal["no", "anywhere", "mostly"]


def find_walls(
    sections: Sections,
    largest: float,
    splits: Sequence[float] = (),
    closings: Closings = (),
    *,
    everywhere: bool = False,
    kept: Kept | None = None,
) -> list[Stretch]:
    """All walls up to `largest` mm thick; a wall that crosses one of `splits` (mm, rising) is
    divided there, or where its lean crosses one of `closings` (see `Closings`). Thinnest first.

    everywhere, kept  see `take_samples`
    """
    way = splits, closings
    return _find(sections, largest, [way], everywhere=everywhere, kept=kept)[0]


def find_walls_mostly_held(sections: Sections, largest: float) -> list[Stretch]:
    """The same, undivided, where a side counts as held only where half of it is, and where the wall
    leans only where what lies beyond is more than its own slanting end."""
    return _find(sections, largest, [((), ())], held="mostly")[0]


def find_walls_divided(
    sections: Sections, largest: float, ways: Sequence[Way]
) -> list[list[Stretch]]:
    """The same for several lists of splits and closings; the thickness is sampled once for all of
    them."""
    return _find(sections, largest, ways)


def find_gaps(
    sections: Sections, largest: float, splits: Sequence[float] = (), *, everywhere: bool = False
) -> list[Stretch]:
    """The same on the air side: gaps within a part and between its bodies. `sides` counts only
    the ends at which a gap is closed."""
    return _find(sections, largest, [(splits, ())], held="no", everywhere=everywhere)[0]


def _find(
    sections: Sections,
    largest: float,
    ways: Sequence[Way],
    *,
    held: Held = "anywhere",
    everywhere: bool = False,
    kept: Kept | None = None,
) -> list[list[Stretch]]:
    none: list[list[Stretch]] = [[] for _ in ways]
    edges = air_edges(sections) if held == "no" else material_edges(sections)
    if not len(edges.length) or largest <= 0:
        return none
    group = _grouping(sorted(set().union(*(splits for splits, _ in ways))))
    if everywhere:
        samples = take_samples(edges, largest, group, everywhere=True)
        taken = Taken(edges, samples, Spans.none(), ())
    else:
        taken = take_layers(edges, largest, group, Layers(section_heights(sections), kept))
    walls = walls_of(edges, taken.samples)
    if not len(walls.number):
        return none
    walls, links, found = _pieces(sections, taken, walls, [_grouping(splits) for splits, _ in ways])
    results = []
    for (_, closings), (piece, bridges) in zip(ways, found, strict=True):
        pieces = bridges.pieces
        parted = replace(bridges, pieces=replace(pieces, group=_parted(pieces, closings)))
        nodes = nodes_of(sections, edges, walls, links, (parted, piece))
        stretches = _stretches(sections, walls, (pieces, piece), nodes, held)
        results.append(sorted(stretches, key=lambda s: (s.group, round(s.minimum, 4), s.point)))
    return results


def _pieces(
    sections: Sections, taken: Taken, walls: Walls, groups: Sequence[Callable[[_Floats], _Ints]]
) -> tuple[Walls, Links, list[tuple[_Ints, Bridges]]]:
    """The walls, their links, and for each way to tell ranges of thickness apart the piece of each
    wall sample and all pieces. Where pieces at the ends of a span do not belong together, the
    sections between have samples as well."""
    edges, heights = taken.edges, section_heights(sections)
    while True:
        links = links_of(edges, walls)
        found, good = [], _once(sections, taken.spans)
        for group in groups:
            pieces, piece = pieces_of(walls, links, group)
            bridges, together = bridges_of(heights, edges, walls, (pieces, piece), taken.spans)
            found.append((piece, bridges))
            good &= together
        if good.all():
            return walls, links, found
        taken = taken.filled(good)
        walls = walls_of(edges, taken.samples)


def _once(sections: Sections, spans: Spans) -> NDArray[np.bool_]:
    """(g,) whether each section that a span leaves out comes once only in the part."""
    distinct = sections.distinct[np.flatnonzero(np.diff(sections.distinct, prepend=-2))]
    often = np.bincount(distinct[distinct >= 0])
    of, section = spans.between()
    once = np.ones(len(spans.first), bool)
    once[of[often[section] > 1]] = False
    return once


def _grouping(splits: Sequence[float]) -> Callable[[_Floats], _Ints]:
    """A function that numbers the ranges between `splits` (mm, rising)."""
    limits = np.asarray(splits, np.float64)
    return lambda thickness: np.searchsorted(limits, thickness, side="right").astype(np.int64)


def _parted(pieces: Pieces, closings: Closings) -> _Ints:
    """The group of each piece, its own where it lies beyond other closings than the rest of it."""
    if not closings:
        return pieces.group
    first, last, offset, slope = np.array(closings).T[:, :, None]
    thick, moves = pieces.typical, pieces.moves[:, 0]
    beyond = (first <= thick) & (thick < last) & (moves >= offset + slope * thick)
    if not beyond.any():
        return pieces.group
    told = pieces.group
    for each in beyond[beyond.any(axis=1)]:
        told = 2 * told + each
        told = np.searchsorted(distinct(told), told)
    return told


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
    walls = walls_of(edges, samples)
    if not len(walls.number):
        return Followed([], np.zeros(0, np.int64))
    pieces, piece = pieces_of(walls, links, lambda _: groups)
    nodes = nodes_of(sections, edges, walls, links, (alone(pieces), piece))
    # The last, where a section comes in several slabs.
    went = np.zeros(len(pieces.section), np.int64)
    went[nodes.piece] = nodes.label
    return Followed(_stretches(sections, walls, (pieces, piece), nodes, "anywhere"), went[piece])


def linked(edges: Edges, samples: Samples) -> Links:
    """Which wall samples of one section belong together."""
    return links_of(edges, walls_of(edges, samples))


def _stretches(
    sections: Sections,
    walls: Walls,
    found: tuple[Pieces, _Ints],
    nodes: Nodes,
    held: Held,
) -> list[Stretch]:
    """What is said of every wall, from its nodes; found: the pieces, and the piece of each wall
    sample."""
    pieces, _ = found
    if held != "no":
        nodes = _without_roots(sections, walls, found, nodes)
    label, piece, counts = nodes.label, nodes.piece, nodes.counts
    count = int(label.max()) + 1
    layers = nodes.last - nodes.first + 1
    area = np.bincount(label, pieces.length[piece] * layers, count) * sections.layer_height
    bottom = grouped(np.minimum, label, count, nodes.first)
    top = grouped(np.maximum, label, count, nodes.last)
    box_low = grouped(np.minimum, label, count, rows(pieces.box_low, piece))
    box_high = grouped(np.maximum, label, count, rows(pieces.box_high, piece))
    thinnest = _thinnest(pieces, nodes, bottom + top, (box_low + box_high) / 2)
    weight = (pieces.length[piece] + 1e-6) * layers * counts
    _, typical, _ = spread(label, pieces.typical[piece], weight, count)
    minimum = grouped(np.minimum, label[counts], count, pieces.low[piece[counts]])
    maximum = grouped(np.maximum, label[counts], count, pieces.high[piece[counts]])
    length = grouped(np.maximum, label, count, pieces.length[piece])
    moves, slope = _moves(pieces, nodes, count)
    ends = _ends(pieces, nodes, weight, mostly=held == "mostly")
    sides = ends
    if held != "no":
        slants = maximum * slope / (1 + slope**2) * (held == "mostly")
        sides = ends + _held_over_and_under(sections, walls, found, nodes, slants)
    centre = rows(pieces.spot, piece[thinnest])
    across = _across(pieces, nodes, count)
    height = _height(sections, bottom + top, nodes, thinnest)
    half = sections.layer_height / 2
    lowest, highest = sections.heights[bottom] - half, sections.heights[top] + half
    return [
        Stretch(
            minimum=float(minimum[i]),
            typical=float(typical[i]),
            maximum=float(maximum[i]),
            across=float(across[i]),
            length=float(length[i]),
            low=float(lowest[i]),
            high=float(highest[i]),
            point=_point(centre[i], height[i]),
            box=(_point(box_low[i], lowest[i]), _point(box_high[i], highest[i])),
            group=int(pieces.group[piece[thinnest[i]]]),
            sides=int(sides[i]),
            ends=int(ends[i]),
            wall=int(nodes.wall[thinnest[i]]),
            area=float(area[i]),
            bend=float(pieces.bend[piece[thinnest[i]]]),
            sagitta=float(pieces.sagitta[piece[thinnest[i]]]),
            moves=(float(moves[i, 0]), float(moves[i, 1])),
            slope=float(slope[i]),
        )
        for i in range(count)
    ]


def _moves(pieces: Pieces, nodes: Nodes, count: int) -> tuple[_Floats, _Floats]:
    """By how much the middle of each wall moves on with height: least and greatest (count, 2), and
    in the mean (count,).

    Within two standard deviations of the mean: so they hold at once where a wall leans the same
    all over or in two ways, and what leans otherwise in a few odd places does not count.
    """
    weight = (pieces.length[nodes.piece] + 1e-6) * (nodes.last - nodes.first + 1) * nodes.counts
    total = np.bincount(nodes.label, weight, count)
    mean, square = (
        np.bincount(nodes.label, weight * value, count) / total
        for value in rows(pieces.moves, nodes.piece).T
    )
    off = 2 * np.sqrt(np.maximum(square - mean**2, 0.0))
    return np.column_stack([np.maximum(mean - off, 0.0), mean + off]), mean


def _across(pieces: Pieces, nodes: Nodes, count: int) -> _Floats:
    """(count,) the least thickness square to each wall: in each layer as far as it leans there at
    least, within two standard deviations."""
    mean, square = pieces.moves.T
    lean = np.maximum(mean - 2 * np.sqrt(np.maximum(square - mean**2, 0.0)), 0.0)
    own = (pieces.low / np.hypot(1.0, lean))[nodes.piece[nodes.counts]]
    return grouped(np.minimum, nodes.label[nodes.counts], count, own)


def _without_roots(
    sections: Sections, walls: Walls, found: tuple[Pieces, _Ints], nodes: Nodes
) -> Nodes:
    """The nodes, where what swells at the foot or the top of a wall has the wall's label."""
    pieces, _ = found
    label, piece = nodes.label, nodes.piece
    one, other = label[nodes.lower], label[nodes.upper]
    meets = one != other
    if not meets.any():
        return nodes
    count = int(label.max()) + 1
    weight = (pieces.length[piece] + 1e-6) * (nodes.last - nodes.first + 1)
    total = np.bincount(label, weight, count)
    thickness, widens = (
        np.bincount(label, weight * value[piece], count) / total
        for value in (pieces.typical, pieces.widens)
    )
    if (np.abs(widens) < FASTER).all():
        return nodes
    bottom = grouped(np.minimum, label, count, nodes.first)
    top = grouped(np.maximum, label, count, nodes.last)
    below = _held_beyond(sections, walls, found, nodes, nodes.first, (-1, bottom)) > 0
    above = _held_beyond(sections, walls, found, nodes, nodes.last, (1, top)) > 0
    may = (below & (widens <= -FASTER)) | (above & (widens >= FASTER))
    # As high as it is all along: what reaches farther in a corner only counts little.
    longest = grouped(np.maximum, label, count, pieces.length[piece] + 1e-6)
    height = total / longest * sections.layer_height
    # A fillet begins gently: what it begins with is short.
    thick, thinner = np.where(thickness[one] > thickness[other], (one, other), (other, one))
    begins = np.zeros(count, bool)
    begins[thinner[meets & may[thick]]] = True
    room = thickness * np.where(may, 2.0, np.where(begins, 0.5, -1.0))
    wall = swellings(thickness, height, (room, thickness), one[meets], other[meets])
    counts = (wall == np.arange(count))[label]
    if counts.all():
        return nodes
    return replace(nodes, label=np.unique(wall[label], return_inverse=True)[1], counts=counts)


def _thinnest(pieces: Pieces, nodes: Nodes, middle: _Ints, centre: _Floats) -> _Ints:
    """The node of each wall where it is thinnest; of several as thin, as shown, the one nearest to
    the middle of its height (`middle` is twice the layer there), and to its centre (n, 2)."""
    low = np.round(pieces.low[nodes.piece], 3)
    wanted = middle[nodes.label]
    away = np.maximum(np.maximum(2 * nodes.first - wanted, wanted - 2 * nodes.last), 0)
    off = rows(pieces.spot, nodes.piece) - rows(centre, nodes.label)
    aside = lengths(off).round(3)
    order = np.lexsort((nodes.first, aside, away, low, ~nodes.counts, nodes.label))
    chosen: _Ints = order[np.searchsorted(nodes.label[order], np.arange(len(centre)))]
    return chosen


def _point(place: _Floats, height: float) -> tuple[float, float, float]:
    return float(place[0]), float(place[1]), float(height)


def _height(sections: Sections, middle: _Ints, nodes: Nodes, thinnest: _Ints) -> _Floats:
    """How high each wall's thinnest node is told: in the middle of the slab, as near as that allows
    to the middle of the wall, of twice this layer."""
    middle = np.clip(middle, 2 * nodes.first[thinnest], 2 * nodes.last[thinnest])
    return (sections.heights[middle // 2] + sections.heights[(middle + 1) // 2]) / 2


def _ends(pieces: Pieces, nodes: Nodes, weight: _Floats, *, mostly: bool) -> _Ints:
    """How many ends of each wall are held: in any layer, or in most of the wall by weight."""
    label, ends, count = nodes.label, pieces.ends[nodes.piece], int(nodes.label.max()) + 1
    if not mostly:
        return grouped(np.maximum, label, count, ends)
    usual: _Floats = spread(label, ends.astype(np.float64), weight, count)[1]
    return usual.round().astype(np.int64)


def _held_over_and_under(
    sections: Sections,
    walls: Walls,
    found: tuple[Pieces, _Ints],
    nodes: Nodes,
    slants: _Floats,
) -> _Ints:
    """0 to 2: whether there is material right below and right above each wall, and so many mm
    beyond that, too: the slanting end of a wall that is t thick in its layers and leans by m is
    t m / (1 + m^2) high."""
    sides = np.zeros(len(slants), np.int64)
    off = np.ceil(slants / sections.layer_height).astype(np.int64)
    for layer, step in ((nodes.first, -1), (nodes.last, 1)):
        function = np.minimum if step < 0 else np.maximum
        extreme = grouped(function, nodes.label, len(slants), layer)
        beyond = _held_beyond(sections, walls, found, nodes, layer, (step, extreme))
        if off.any():
            last = extreme + step * off
            farther = _beyond(sections, walls, found, nodes, layer, (step, extreme, last))
            beyond = np.minimum(beyond, farther)
        sides += beyond
    return sides


def _held_beyond(
    sections: Sections,
    walls: Walls,
    found: tuple[Pieces, _Ints],
    nodes: Nodes,
    layer: _Ints,
    beyond: tuple[int, _Ints],
) -> _Ints:
    """0 or 1: whether there is material right below, or right above, half of each wall or more.

    layer   (n,) the lowest, or highest, layer of each node
    beyond  the step to the layer beyond, and each wall's own lowest, or highest
    """
    step, extreme = beyond
    return _beyond(sections, walls, found, nodes, layer, (step, extreme, extreme))


def _beyond(
    sections: Sections,
    walls: Walls,
    found: tuple[Pieces, _Ints],
    nodes: Nodes,
    layer: _Ints,
    beyond: tuple[int, _Ints, _Ints],
) -> _Ints:
    """The same one step beyond a layer of each wall, which is given last."""
    (pieces, _), (step, extreme, last) = found, beyond
    node = np.flatnonzero(layer == extreme[nodes.label])
    wanted = distinct(nodes.piece[node])
    of, point = marks(walls, found, wanted)
    number = np.searchsorted(wanted, nodes.piece[node])
    size = np.bincount(of, minlength=len(wanted))[number]
    which, place = ranges(np.searchsorted(of, number), size)
    label = nodes.label[node][which]
    there = last[label] + step
    within = (there >= 0) & (there < len(sections.heights))
    section = np.where(within, sections.distinct[np.where(within, there, 0)], -1)
    inside = inside_section(sections, section.astype(np.int64), rows(point, place))
    weight = ((pieces.length[nodes.piece[node]] + 1e-6) / size)[which]
    count = len(extreme)
    half = np.bincount(label, weight, count) / 2 * (1 - 1e-9)
    return (np.bincount(label, weight * inside, count) >= half).astype(np.int64)


def inside_section(sections: Sections, section: _Ints, point: _Floats) -> NDArray[np.bool_]:
    """Whether each point (n, 2) lies in the material of its distinct section (n,); -1 is empty."""
    result = np.zeros(len(point), bool)
    some = np.flatnonzero(section >= 0)
    if not len(some) or not len(sections.points):
        return result
    asked = np.zeros(int(sections.ring_section[-1]) + 1, bool)
    asked[section[some]] = True
    size = np.diff(sections.ring_start)
    ring = np.repeat(sections.ring_section, size)
    edge = np.flatnonzero(asked[ring])
    (ax, ay), (bx, by) = (
        rows(sections.points, each).T for each in (edge, neighbours(sections.ring_start)[1][edge])
    )
    # Sections one above the other, so that all are looked through at once: even-odd rule.
    lowest = float(sections.points[:, 1].min())
    step = float(sections.points[:, 1].max()) - lowest + 1.0
    x, y = rows(point, some).T
    height = section[some] * step + np.clip(y - lowest, -0.5, step - 0.5)
    order = np.argsort(height, kind="stable")
    level = ring[edge] * step
    begin, end = (np.searchsorted(height[order], level + (each - lowest)) for each in (ay, by))
    low = np.minimum(begin, end)
    which, at = ranges(low, np.maximum(begin, end) - low)
    at = order[at]
    share = (y[at] - ay[which]) / (by[which] - ay[which])
    right = x[at] < ax[which] + share * (bx[which] - ax[which])
    result[some] = np.bincount(at[right], minlength=len(some)) % 2 == 1
    return result
