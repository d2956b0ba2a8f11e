"""What really becomes of each wall: the laid beads of every layer against the part's section.

Across each wall, at every place where its thickness is known, a line is drawn through the middle of
the largest disc there, and the beads it meets are worked out exactly. Beads whose middle lies
in the wall, or that cover most of it, belong to it; so brims, supports and neighbours do not. What
lies between the outer edges of its beads is its printed thickness there, what no bead covers
between them is air. Lines are drawn 0.5 mm apart at most, and right behind each end of a strand, so
that no gap along a wall falls between two of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, quantiles, ranges, weighted_median
from wallguard.part.geometry import Geometry
from wallguard.sections.cut import cut_at
from wallguard.sections.sections import Sections
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.lines import Cells, Strands, crossings
from wallguard.toolpath.placing import Placement, turned
from wallguard.walls.discs import Discs
from wallguard.walls.edges import Edges, material_edges
from wallguard.walls.samples import Samples, take_samples
from wallguard.walls.stretch import Stretch, is_speck, joined
from wallguard.walls.trace import Links, follow, linked

Laid = Literal["solid", "hollow", "missing", "broken", "sparse"]
FILLS: tuple[Laid, ...] = ("solid", "hollow", "missing", "broken", "sparse")
SOLID, HOLLOW, MISSING, BROKEN, SPARSE = range(5)

# Narrower air than this is rounding in the program's numbers, mm.
VOID = 0.02
# Air wider than this many beads has room for a fill: left open on purpose where a fill crosses it.
_ROOM = 2.0
# A wall counts as laid where at least this share of it, or of a bead if that is less, is covered.
_LAID = 0.25
# A bead belongs to a wall if its middle lies no further outside than this share of its width.
_OUTSIDE = 0.25
# Right behind the end of a strand, mm.
_BEHIND = 0.02
# Thickness varies if it differs by more, mm.
_VARIES = 0.1
# A shorter piece that is not laid is a corner's, mm.
_SHORTEST = 0.3
# A post is at most so many times as long as it is thick.
_POST = 2.0
# Samples of layers worked on at a time.
_BLOCK = 150_000

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class LaidWall:
    """A wall of the part as this toolpath lays it. Lengths in mm.

    stretch  the wall, in the frame the part is printed in
    fill     what is inside; `sparse`: a fill with room in it, laid on purpose in a thick wall
    air      width of the air across a hollow wall, median along it
    printed  from outer edge to outer edge of its beads, median along it; None where missing
    bead     usual width of its beads; 0 where missing
    laid     share of its length (over its layers) that is laid
    copy     number of the copy, from 0
    post     whether it stands alone and is hardly longer than thick
    """

    stretch: Stretch
    fill: Laid
    air: float
    printed: float | None
    bead: float
    laid: float
    copy: int = 0
    post: bool = False


@dataclass(frozen=True)
class Level:
    """One layer of a copy: height of its top above the plate, layer height (mm), and the number of
    the toolpath's layer; -1 where nothing is laid."""

    top: float
    height: float
    layer: int


@dataclass(frozen=True)
class Comparison:
    """All walls of one copy; layers, and those in which nothing at all is laid."""

    walls: tuple[LaidWall, ...]
    levels: tuple[Level, ...]


def compare(
    geometry: Geometry,
    laid: Beads,
    placement: Placement,
    *,
    largest: float = 4.0,
    splits: tuple[float, ...] = (),
    copy: int = 0,
) -> Comparison:
    """What becomes of every wall of one copy, up to `largest` mm; walls are divided at `splits`.

    Raises TooLargeError.
    """
    levels = levels_of(geometry, laid, placement)
    if not levels:
        return Comparison((), ())
    mesh = geometry.placed.mesh
    low = float(mesh.vertices[:, 2].min())
    heights = np.array([level.top - level.height / 2 + low for level in levels])
    usual = float(np.median([level.height for level in levels]))
    base = cut_at(mesh, heights, usual, untangle=not geometry.sound)
    edges = material_edges(base)
    if not len(edges.length):
        return Comparison((), tuple(levels))
    limits = np.asarray(splits, np.float64)
    samples = take_samples(
        edges, largest, lambda t: np.searchsorted(limits, t, side="right").astype(np.int64)
    )
    sections, edges, samples = _layer_by_layer(base, edges, samples)
    links = linked(edges, samples)
    wall = np.flatnonzero(samples.wall)
    if not len(wall):
        return Comparison((), tuple(levels))
    layer = edges.section[samples.edge[wall]].astype(np.int64)
    usual_bead = _usual_width(laid)
    across = _measure(laid, placement, levels, samples, wall, layer, usual_bead)
    events = _ends(laid, placement, levels, samples, wall, layer, links, usual_bead)
    code, typical = _outcomes(samples, wall, links, across, events, usual_bead)
    group = np.searchsorted(limits, links.judged, side="right")
    group = (_kinds(typical) * len(FILLS) + code) * (len(limits) + 1) + group
    followed = follow(sections, edges, samples, links, group)
    walls = _walls(followed.walls, followed.number, code, across, samples, wall, layer, levels, low)
    ring = edges.ring[samples.edge[wall]]
    alone = _extent(sections)[ring] <= _POST * samples.thickness[wall]
    posts = np.bincount(followed.number, alone, len(walls)) > 0
    walls = [replace(one, post=bool(post)) for one, post in zip(walls, posts, strict=True)]
    return Comparison(tuple(replace(one, copy=copy) for one in _merged(walls)), tuple(levels))


def _extent(sections: Sections) -> _Floats:
    """The longer side of the box of each ring, mm."""
    begin = sections.ring_start[:-1]
    low = np.minimum.reduceat(sections.points, begin, axis=0)
    high = np.maximum.reduceat(sections.points, begin, axis=0)
    longest: _Floats = (high - low).max(axis=1)
    return longest


def levels_of(geometry: Geometry, laid: Beads, placement: Placement) -> list[Level]:
    """The layers of one copy, lowest first: those of the toolpath that lay something in its box,
    and where heights are left out in between or above, empty ones."""
    extents = geometry.placed.mesh.vertices
    corners = placement.to_plate(np.array([extents.min(axis=0)[:2], extents.max(axis=0)[:2]]))
    box_low, box_high = corners.min(axis=0), corners.max(axis=0)
    middle = (laid.start + laid.end) / 2
    here = ((middle >= box_low) & (middle <= box_high)).all(axis=1) & ~laid.odd
    volume = np.bincount(laid.layer[here], laid.volume[here], len(laid.layer_z))
    part = geometry.extents[2]
    fits = (volume > 0) & (laid.layer_height > 0) & (laid.layer_z - laid.layer_height / 2 < part)
    chosen: list[int] = []
    for layer in np.flatnonzero(fits)[np.argsort(-volume[fits], kind="stable")].tolist():
        top, height = laid.layer_z[layer], laid.layer_height[layer]
        if all(
            top - height >= laid.layer_z[other] - 1e-3
            or top <= laid.layer_z[other] - laid.layer_height[other] + 1e-3
            for other in _beside(chosen, laid, top)
        ):
            chosen.append(layer)
    chosen.sort(key=lambda layer: float(laid.layer_z[layer]))
    if not chosen:
        return []
    usual = float(np.median(laid.layer_height[chosen]))
    found: list[Level] = []
    reached = 0.0
    for layer in chosen:
        top, height = float(laid.layer_z[layer]), float(laid.layer_height[layer])
        found += _empty(reached, top - height, usual)
        found.append(Level(top, height, layer))
        reached = top
    return found + _empty(reached, part, usual)


def _beside(chosen: list[int], laid: Beads, top: float) -> list[int]:
    return [other for other in chosen if abs(laid.layer_z[other] - top) < 2.0]


def _empty(low: float, high: float, usual: float) -> list[Level]:
    """Empty layers between two heights; a rest of less than half a layer is none."""
    count = int(np.floor((high - low) / usual + 0.5 - 1e-6))
    return [Level(low + usual * (number + 1), usual, -1) for number in range(count)]


def _usual_width(laid: Beads) -> float:
    good = ~laid.odd
    return weighted_median(laid.width[good], laid.volume[good]) if good.any() else 0.4


def _layer_by_layer(
    base: Sections, edges: Edges, samples: Samples
) -> tuple[Sections, Edges, Samples]:
    """The same with a section of its own for every layer: equal ones were measured once."""
    distinct = base.distinct.astype(np.int64)
    full = np.flatnonzero(distinct >= 0)
    sources = distinct[full]
    ring_low = np.searchsorted(base.ring_section, sources, side="left")
    ring_high = np.searchsorted(base.ring_section, sources, side="right")
    ring, ring_of = _ranges(ring_low, ring_high)
    edge_low, edge_high = base.ring_start[ring_low], base.ring_start[ring_high]
    edge, edge_of = _ranges(edge_low, edge_high)
    ring_shift = np.cumsum(ring_high - ring_low) - (ring_high - ring_low) - ring_low
    edge_shift = np.cumsum(edge_high - edge_low) - (edge_high - edge_low) - edge_low
    section_of_sample = edges.section[samples.edge]
    sample_low = np.searchsorted(section_of_sample, sources, side="left")
    sample_high = np.searchsorted(section_of_sample, sources, side="right")
    sample, sample_of = _ranges(sample_low, sample_high)
    made = replace(
        base,
        distinct=np.where(distinct >= 0, np.arange(len(distinct)), -1).astype(np.int32),
        points=base.points[edge],
        ring_start=np.concatenate([[0], np.cumsum(np.diff(base.ring_start)[ring])]).astype(
            np.int64
        ),
        ring_section=full[ring_of].astype(np.int32),
        slope=base.slope[edge],
    )
    held = samples.discs.edge[sample]
    return (
        made,
        Edges(
            start=edges.start[edge],
            along=edges.along[edge],
            length=edges.length[edge],
            section=full[edge_of].astype(np.int32),
            ring=(edges.ring[edge] + ring_shift[edge_of]).astype(np.int32),
            before=edges.before[edge] + edge_shift[edge_of],
            at=edges.at[edge],
            round_ring=edges.round_ring[ring],
            lean=edges.lean[edge],
        ),
        Samples(
            edge=samples.edge[sample] + edge_shift[sample_of],
            at=samples.at[sample],
            share=samples.share[sample],
            point=samples.point[sample],
            normal=samples.normal[sample],
            discs=Discs(
                samples.discs.radius[sample],
                samples.discs.contact[sample],
                np.where(held >= 0, held + edge_shift[sample_of], -1),
                samples.discs.facing[sample],
            ),
            wall=samples.wall[sample],
        ),
    )


def _ranges(low: _Ints, high: _Ints) -> tuple[_Ints, _Ints]:
    """All numbers of the ranges low up to high, one range after the other, and whose each is."""
    owner, number = ranges(low, high - low)
    return number, owner


@dataclass(frozen=True)
class _Across:
    """What a line across a wall meets, one entry each. mm.

    covered  of the wall itself; printed: between the outer edges; air: not covered between them
    widest   the widest piece of that air; width: of the beads, mean
    """

    covered: _Floats
    printed: _Floats
    air: _Floats
    widest: _Floats
    width: _Floats


def _measure(
    laid: Beads,
    placement: Placement,
    levels: list[Level],
    samples: Samples,
    wall: _Ints,
    layer: _Ints,
    usual: float,
) -> _Across:
    return _lines(
        laid,
        placement,
        levels,
        layer,
        samples.centre[wall],
        samples.normal[wall],
        samples.thickness[wall],
        usual,
    )


def _lines(
    laid: Beads,
    placement: Placement,
    levels: list[Level],
    layer: _Ints,
    centre: _Floats,
    normal: _Floats,
    thickness: _Floats,
    usual: float,
) -> _Across:
    """Measure across walls at `centre` (n, 2) along `normal` (n, 2); `layer` is sorted."""
    count = len(layer)
    found = _Across(*(np.zeros(count) for _ in range(5)))
    point = placement.to_plate(centre)
    direction = turned(normal, placement.turns)
    reach = thickness / 2 + max(1.0, 1.5 * usual)
    bounds = np.searchsorted(layer, np.arange(len(levels) + 1))
    first = 0
    while first < len(levels):
        last = first + 1
        while last < len(levels) and bounds[last + 1] - bounds[first] <= _BLOCK:
            last += 1
        some = slice(int(bounds[first]), int(bounds[last]))
        if some.stop > some.start:
            near = point[some]
            strands = _strands(laid, levels, first, last, near.min(axis=0), near.max(axis=0))
            _block(
                found,
                some,
                Cells(strands),
                layer[some] - first,
                near,
                direction[some],
                reach[some],
                thickness[some],
            )
        first = last
    return found


def _strands(
    laid: Beads, levels: list[Level], first: int, last: int, low: _Floats, high: _Floats
) -> Strands:
    """The beads of some layers that come near a box."""
    kept, number = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for index in range(first, last):
        if levels[index].layer < 0:
            continue
        chosen = laid.in_layer(levels[index].layer)
        kept.append(chosen)
        number.append(np.full(len(chosen), index - first, np.int64))
    which, layer = np.concatenate(kept), np.concatenate(number)
    one, other = laid.start[which], laid.end[which]
    near = (np.minimum(one, other) <= high + 4.0).all(axis=1)
    near &= (np.maximum(one, other) >= low - 4.0).all(axis=1)
    near &= ~laid.odd[which]
    which, layer = which[near], layer[near]
    return Strands(laid.start[which], laid.end[which], laid.width[which], layer)


def _block(
    found: _Across,
    some: slice,
    cells: Cells,
    layer: _Ints,
    point: _Floats,
    direction: _Floats,
    reach: _Floats,
    thickness: _Floats,
) -> None:
    for met in crossings(cells, layer, point, direction, thickness / 2, reach):
        line, low, high = met.line, met.low, met.high
        width = cells.strands.width[met.bead]
        half = thickness[line] / 2
        inside = np.minimum(high, half) - np.maximum(low, -half)
        own = np.abs(low + high) / 2 <= half + _OUTSIDE * width
        own |= inside > 0.5 * np.minimum(width, 2 * half)
        own &= inside > 0
        line, low, high, width, half = line[own], low[own], high[own], width[own], half[own]
        if not len(line):
            continue
        span = 4.0 * float(reach.max()) + 1.0
        reached = np.maximum.accumulate(high + line * span) - line * span
        fresh = np.append(True, line[1:] != line[:-1])
        before = np.append(0.0, reached[:-1])
        gap = np.where(fresh, 0.0, np.maximum(low - before, 0.0))
        # Of each bead what no earlier one covers, inside the wall.
        begin = np.where(fresh, low, np.maximum(low, before))
        new = np.maximum(np.minimum(high, half) - np.maximum(begin, -half), 0.0)
        begins = np.flatnonzero(fresh)
        who = line[begins]
        ends = np.append(begins[1:], len(line)) - 1
        at = some.start + who
        found.covered[at] = np.add.reduceat(new, begins)
        found.printed[at] = reached[ends] - low[begins]
        found.air[at] = np.add.reduceat(np.where(gap >= VOID, gap, 0.0), begins)
        found.widest[at] = np.maximum.reduceat(gap, begins)
        found.width[at] = np.add.reduceat(width, begins) / (ends - begins + 1)


@dataclass(frozen=True)
class _Events:
    """What lies right behind the end of a strand in the middle of a wall: the wall sample it is
    nearest to, and what the line across meets there."""

    sample: _Ints
    across: _Across


def _ends(
    laid: Beads,
    placement: Placement,
    levels: list[Level],
    samples: Samples,
    wall: _Ints,
    layer: _Ints,
    links: Links,
    usual: float,
) -> _Events:
    """Measure right behind each end of a strand that no other strand continues."""
    from scipy.spatial import cKDTree

    none = _Events(np.zeros(0, np.int64), _Across(*(np.zeros(0) for _ in range(5))))
    points, ways, radii, layers = [], [], [], []
    for index, level in enumerate(levels):
        if level.layer < 0:
            continue
        chosen = laid.in_layer(level.layer)
        chosen = chosen[~laid.odd[chosen]]
        one, other = laid.start[chosen], laid.end[chosen]
        along = (other - one) / np.maximum(np.hypot(*(other - one).T), 1e-12)[:, None]
        joins = (np.abs(one[1:] - other[:-1]) < 1e-6).all(axis=1)
        begins = ~np.append(False, joins)[: len(chosen)]
        stops = ~np.append(joins, False)[: len(chosen)]
        points += [one[begins], other[stops]]
        ways += [-along[begins], along[stops]]
        radii += [laid.width[chosen[begins]] / 2, laid.width[chosen[stops]] / 2]
        layers += [np.full(np.count_nonzero(begins) + np.count_nonzero(stops), index)]
    if not points:
        return none
    point, way = np.concatenate(points), np.concatenate(ways)
    radius, where = np.concatenate(radii), np.concatenate(layers)
    behind = placement.to_part(point + (radius + _BEHIND)[:, None] * way)
    way = turned(way, -placement.turns)
    # Layers lie far apart in the third direction, so that only samples of the same one are near.
    far = 1e4
    tree = cKDTree(np.column_stack([samples.centre[wall], layer * far]))
    here = np.column_stack([behind, where * far])
    distance, near = tree.query(here, distance_upper_bound=2.5 + usual)
    good = np.flatnonzero(np.isfinite(distance))
    near, here, way, behind = near[good], here[good], way[good], behind[good]
    normal, thickness = samples.normal[wall[near]], samples.thickness[wall[near]]
    off = behind - samples.centre[wall[near]]
    aside = (off * normal).sum(axis=1)
    tangent = np.column_stack([-normal[:, 1], normal[:, 0]])
    along = (off * tangent).sum(axis=1)
    # In the wall, pointing along it, and the wall goes on behind.
    kept = (np.abs(aside) <= thickness / 2) & (np.abs(along) <= 0.75)
    kept &= np.abs((way * tangent).sum(axis=1)) >= 0.7
    further = here.copy()
    step = np.maximum(thickness, usual)
    further[:, :2] = samples.centre[wall[near]] + (along * 1.0)[:, None] * tangent
    further[:, :2] += (np.sign((way * tangent).sum(axis=1)) * step)[:, None] * tangent
    distance, beyond = tree.query(further, distance_upper_bound=0.6)
    kept &= np.isfinite(distance)
    kept[kept] &= links.whole[beyond[kept]] == links.whole[near[kept]]
    near, along, tangent = near[kept], along[kept], tangent[kept]
    if not len(near):
        return none
    order = np.argsort(layer[near], kind="stable")
    near, along, tangent = near[order], along[order], tangent[order]
    spot = wall[near]
    across = _lines(
        laid,
        placement,
        levels,
        layer[near],
        samples.centre[spot] + along[:, None] * tangent,
        samples.normal[spot],
        samples.thickness[spot],
        usual,
    )
    return _Events(near, across)


def _outcomes(
    samples: Samples, wall: _Ints, links: Links, across: _Across, events: _Events, usual: float
) -> tuple[_Ints, _Floats]:
    """How each wall sample comes out (SOLID...), judged piece by piece of even thickness; and the
    median thickness of its piece."""
    thickness, share = samples.thickness[wall], samples.share[wall] / 2
    one, other = links.one, links.other
    alike = np.abs(thickness[one] - thickness[other]) <= 0.03 + 0.03 * thickness[one]
    piece = connected(one[alike], other[alike], len(wall))[1]
    count = int(piece.max()) + 1

    def total(values: _Floats | _Bools) -> _Floats:
        found: _Floats = np.bincount(piece, share * values, count).astype(np.float64)
        return found

    def extreme(function: np.ufunc, start: float, chosen: _Bools) -> _Floats:
        found = np.full(count, start)
        function.at(found, piece[chosen], thickness[chosen])
        return found

    bead = np.where(across.width > 0, across.width, usual)
    laid = across.covered >= _LAID * np.minimum(thickness, bead)
    wide = laid & (across.widest > _ROOM * bead)
    hollow = laid & (across.widest >= VOID) & ~wide
    # As thick as it is laid mostly; or here and there, but no thicker than drawn.
    deviation = across.printed - thickness
    usually = quantiles(piece[laid], deviation[laid], count)
    often = np.minimum(quantiles(piece[laid], deviation[laid], count, 0.9), 0.0)
    typical = np.maximum(usually, often)[piece] + thickness
    narrow = laid & ~wide & (across.printed < typical - 0.5 * bead)
    gap = ~laid | narrow

    length = total(np.ones(len(wall)))
    laid_length, gap_length = total(laid), total(gap)
    thin = extreme(np.minimum, np.inf, np.ones(len(wall), bool))
    thick = extreme(np.maximum, 0.0, np.ones(len(wall), bool))
    even = thick - thin <= np.maximum(_VARIES, 0.1 * thick)
    mixed = extreme(np.maximum, 0.0, ~laid) > extreme(np.minimum, np.inf, laid) + _VARIES
    end = np.maximum(np.maximum(1.0, 2 * thick), 3 * usual)
    missing = laid_length <= np.maximum(0.05 * length, 1e-9)
    broken = ~missing & (gap_length > end) & (even | mixed)
    # Wholly laid but for its ends, yet open in the middle somewhere.
    event_bead = np.where(events.across.width > 0, events.across.width, usual)
    event_open = events.across.covered < _LAID * np.minimum(thickness[events.sample], event_bead)
    event_open |= (events.across.printed < typical[events.sample] - 0.5 * event_bead) & ~wide[
        events.sample
    ]
    stops = np.bincount(piece[events.sample[event_open]], minlength=count)
    broken |= ~missing & (stops > 0)

    opened = hollow & _neighbours_too(hollow, piece)
    mostly = total(hollow) >= 0.5 * np.maximum(laid_length, 1e-9)
    partly = total(opened) >= np.maximum(1.0, 2 * thick) / 2
    airy = ~event_open & (events.across.widest > 0.1) & ~wide[events.sample]
    dotted = np.bincount(piece[events.sample[airy]], minlength=count) >= 2
    roomy = total(wide) >= 0.5 * np.maximum(laid_length, 1e-9)

    code = np.full(len(wall), SOLID, np.int64)
    whole = mostly & even | (dotted & ~partly)
    code[whole[piece] & ~wide] = HOLLOW
    some = (partly & ~(mostly & even))[piece]
    code[some & np.where(even[piece], opened, hollow)] = HOLLOW
    code[wide & ~roomy[piece]] = SPARSE
    code[roomy[piece]] = SPARSE
    code[~even[piece] & ~laid] = MISSING
    code[broken[piece]] = BROKEN
    code[missing[piece]] = MISSING
    return code, _medians(piece, thickness, np.ones(len(wall), bool), count)[piece]


def _kinds(thickness: _Floats) -> _Ints:
    """A number for each thickness (n,): equal where others lead from one to the other in steps of
    less than 0.1 mm, so that walls that stand on each other and differ are told apart."""
    known = np.unique(np.round(thickness, 3))
    number = np.cumsum(np.diff(known, prepend=known[:1]) > _VARIES)
    kinds: _Ints = number[np.searchsorted(known, np.round(thickness, 3))].astype(np.int64)
    return kinds


def _medians(piece: _Ints, values: _Floats, chosen: _Bools, count: int) -> _Floats:
    """Median of the chosen values of each piece; 0 where none is chosen."""
    return quantiles(piece[chosen], values[chosen], count)


def _neighbours_too(chosen: _Bools, piece: _Ints) -> _Bools:
    """Chosen samples that lie in a run of three or more along their outline."""
    same = piece[1:] == piece[:-1]
    left = np.append(False, chosen[:-1] & same)
    right = np.append(chosen[1:] & same, False)
    core = chosen & left & right
    grown: _Bools = core | np.append(False, core[:-1] & same) | np.append(core[1:] & same, False)
    return grown


def _walls(
    stretches: list[Stretch],
    number: _Ints,
    code: _Ints,
    across: _Across,
    samples: Samples,
    wall: _Ints,
    layer: _Ints,
    levels: list[Level],
    low: float,
) -> list[LaidWall]:
    """The walls with what was measured along them."""
    count = len(stretches)
    thickness = samples.thickness[wall]
    laid = across.covered > 0
    bead = np.where(across.width > 0, across.width, 1.0)
    wide = laid & (across.widest > _ROOM * bead)
    openly = laid & (across.air > 0)
    air = _medians(number, across.air, openly, count)
    deviation = _medians(number, across.printed - thickness, laid, count)
    width = _medians(number, across.width, laid, count)
    lengths = np.bincount(number, samples.share[wall] + 1e-9, count)
    share = np.bincount(number, (samples.share[wall] + 1e-9) * laid, count) / lengths
    crossed = np.bincount(number, laid & ~wide, count) / np.bincount(number, minlength=count)
    kinds = np.zeros(count, np.int64)
    kinds[number] = code
    # A wide void that nothing ever crosses is no fill.
    kinds[(kinds == SPARSE) & (crossed < 0.02)] = HOLLOW
    tops = np.array([level.top for level in levels])
    bottoms = tops - np.array([level.height for level in levels])
    first = np.full(count, np.inf)
    last = np.full(count, -np.inf)
    np.minimum.at(first, number, bottoms[layer])
    np.maximum.at(last, number, tops[layer])
    found = []
    for index, stretch in enumerate(stretches):
        bottom, top = float(first[index]) + low, float(last[index]) + low
        (x0, y0, _), (x1, y1, _) = stretch.box
        placed = replace(stretch, low=bottom, high=top, box=((x0, y0, bottom), (x1, y1, top)))
        fill = FILLS[kinds[index]]
        found.append(
            LaidWall(
                stretch=placed,
                fill=fill,
                air=float(air[index]) if fill in ("hollow", "broken") else 0.0,
                printed=None if fill == "missing" else float(stretch.typical + deviation[index]),
                bead=0.0 if fill == "missing" else float(width[index]),
                laid=float(share[index]),
            )
        )
    return found


def _merged(walls: list[LaidWall]) -> list[LaidWall]:
    """Join pieces of one wall that came out alike, leave out specks, thinnest first."""
    kept = [one for one in walls if not is_speck(one.stretch) and not _is_corner(one)]
    of = {id(one.stretch): one for one in kept}
    found: list[LaidWall] = []
    groups: dict[tuple[str, int], list[Stretch]] = {}
    for one in kept:
        groups.setdefault((one.fill, one.stretch.group), []).append(one.stretch)
    for pieces in groups.values():
        for whole in joined(pieces, lambda piece: piece.group):
            low, high = np.array(whole.box)
            members = [
                of[id(piece)]
                for piece in pieces
                if piece.wall == whole.wall
                and (np.array(piece.box[0]) >= low - 1e-9).all()
                and (np.array(piece.box[1]) <= high + 1e-9).all()
            ]
            longest = max(
                members,
                key=lambda one: (one.stretch.length * _rise(one.stretch), one.stretch.point),
            )
            found.append(replace(longest, stretch=whole))
    return sorted(
        found, key=lambda one: (round(one.stretch.minimum, 4), one.stretch.point, one.fill)
    )


def _is_corner(wall: LaidWall) -> bool:
    """Whether a piece is so short that what is laid there is the shape of a bead's turn or end."""
    if wall.post:
        return False
    if wall.fill == "missing":
        return wall.stretch.length < _SHORTEST
    return wall.stretch.length < max(2 * wall.bead, wall.stretch.typical / 2)


def _rise(stretch: Stretch) -> float:
    return stretch.high - stretch.low


def across_walls(
    laid: Beads,
    placement: Placement,
    levels: Sequence[Level],
    level: int,
    centre: _Floats,
    normal: _Floats,
    thickness: float,
) -> _Floats:
    """Printed thickness (n,), mm, of a wall in one level, across its middle at `centre` (n, 2)
    along `normal` (n, 2), in the part as printed; 0 where nothing is laid."""
    count = len(centre)
    return _lines(
        laid,
        placement,
        list(levels),
        np.full(count, level),
        centre,
        normal,
        np.full(count, thickness),
        _usual_width(laid),
    ).printed
