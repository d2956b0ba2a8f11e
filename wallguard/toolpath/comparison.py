"""What really becomes of each wall: the laid beads of every layer against the part's section.

    1  levels     the layers of this copy; those in which nothing is laid are told apart
    2  samples    where is the part a wall, and how thick? 0.5 mm apart at most along outlines
    3  across     at each of these a line across the wall: which beads does it meet?
    4  stops      more lines right behind each end of a strand, so that no gap along a wall falls
                  between two lines
    5  outcome    solid, hollow, sparse, broken, missing: one table decides (its page has it); and
                porous where a hollow wall leans far enough
    6  here       what came out alike and belongs together is one wall, through all its layers

Walls are measured in the part's own frame; beads are brought there, not the part to the plate.

       the part's section       what is laid in that layer       lines 1, 2, 3 across the wall
                                                                       1    2    3
      ____________________       ======================             ===|====|====|===
              t                                                        |    |    |     p1, p2, p3
      ____________________       ===========                        ===|====|
                                            o a strand ends here            ^ behind it: `stops`

Line i says how thick the wall is drawn there, t_i, and from where to where it is printed, p_i. A
wall that tapers has other t_i along it, so what is told as printed is not the median of the p_i but

    printed = typical t + median over i of (p_i - t_i),

which is as far from what was drawn as the wall is along half of its length. A line stands for the
piece of outline s_i and the k_i layers of its slab, so the share that is laid is that of s_i k_i.

What decides, from top to bottom:

    of a layer                                             then
    -----------------------------------------------------  ----------------------------------------
    nothing is laid in it, but above it                    it is told as left out, no wall is judged
    nothing is laid in it, nor above it                    its walls are judged: they are missing
    drawn and laid as in a slab that is measured           that one's lines hold for it (`slabs`)

    of what came out alike                                 then
    -----------------------------------------------------  ----------------------------------------
    thickness differs by a step of 0.1 mm or more          walls of their own, though they stand on
                                                           each other
    too small to matter to a print (`is_speck`)            left out
    an outline hardly longer than thick: a post            kept, however short
    missing, shorter than 0.3 mm                           left out: a corner of an outline
    else shorter than two beads or half its thickness      left out: the turn or the end of a bead
    of one wall, one range of thickness, one outcome       one wall, as its largest piece says
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wallguard.bands.porous import Lean, inside
from wallguard.base.arrays import quantiles, ranges
from wallguard.part.geometry import Geometry
from wallguard.sections.cut import cut_at
from wallguard.sections.sections import Sections
from wallguard.toolpath.across import Across, Lines, Own, Plate
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.levels import Level, levels_of
from wallguard.toolpath.outcome import (
    FILLS,
    VARIES,
    Judged,
    Laid,
    Seen,
    judge,
)
from wallguard.toolpath.placement import Placement
from wallguard.toolpath.slabs import Slabs, find_slabs
from wallguard.toolpath.stops import find_stops
from wallguard.walls.discs import Discs
from wallguard.walls.edges import Edges, material_edges
from wallguard.walls.samples import Samples, take_samples
from wallguard.walls.stretch import Stretch, is_speck, joined
from wallguard.walls.trace import Followed, follow, linked

# Walls of two toolpaths are the same where they were measured in the same cubes, of this side, mm;
# a part has fewer than this along a side.
CELL, _SIDE = 1.0, 2**20
# Sides of a wall that are less shifted than this lie straight across from each other, mm.
_STRAIGHT = 0.05
# What is read from a toolpath is right to this (k = 2): a wall's printed thickness, its air, mm.
UNCERTAINTY = 0.03
# A shorter piece that is not laid is a corner's, mm.
_SHORTEST = 0.3
# A post is at most so many times as long as it is thick.
_POST = 2.0

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class LaidWall:
    """A wall of the part as this toolpath lays it. Lengths in mm.

    stretch  the wall, in the frame the part is printed in
    fill     what is inside; `sparse`: a fill with room in it, laid on purpose in a thick wall
    air      width of the air across a hollow or porous wall, median along it
    printed  from outer edge to outer edge of its beads, or as much as two fill that are forced on
             each other (`across`), median along it; None where missing
    bead     usual width of its beads; 0 where missing
    laid     share of its length (over its layers) that is laid
    layers   numbers of its lowest and highest layer, from 1
    pores    share of the wall that is air in pieces too short to make it hollow
    copy     number of the copy, from 0
    post     whether it stands alone and is hardly longer than thick
    cells    where it was measured: numbers of cubes of CELL mm, rising
    """

    stretch: Stretch
    fill: Laid
    air: float
    printed: float | None
    bead: float
    laid: float
    layers: tuple[int, int] = (0, 0)
    pores: float = 0.0
    copy: int = 0
    post: bool = False
    cells: _Ints = field(default_factory=lambda: np.zeros(0, np.int64), compare=False, repr=False)


@dataclass(frozen=True)
class Comparison:
    """All walls of one copy; its layers; and from where to where (mm above the plate) the part has
    material, but nothing is laid although there is something above."""

    walls: tuple[LaidWall, ...]
    levels: tuple[Level, ...]
    skipped: tuple[tuple[float, float], ...] = ()


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
    every = levels_of(geometry, laid, placement)
    levels = [level for level in every if not level.skipped]
    if not levels:
        return Comparison((), ())
    skipped = _skipped(geometry, placement, every)
    base = _sections(geometry, placement, levels)
    edges = material_edges(base)
    if not len(edges.length):
        return Comparison((), tuple(levels), skipped)
    limits = np.asarray(splits, np.float64)
    samples = take_samples(
        edges, largest, lambda t: np.searchsorted(limits, t, side="right").astype(np.int64)
    )
    plate = Plate(laid, placement, levels)
    slabs = find_slabs(geometry, plate, base.distinct)
    sections, edges, samples = _layer_by_layer(base, edges, samples, slabs.first)
    if not samples.wall.any():
        return Comparison((), tuple(levels), skipped)
    walls = _Walls((sections, edges, samples), plate, slabs, limits)
    merged = [replace(wall, copy=copy) for wall in _merged(walls.laid())]
    return Comparison(tuple(merged), tuple(levels), skipped)


def _sections(geometry: Geometry, placement: Placement, levels: list[Level]) -> Sections:
    heights = np.array([level.top - level.height / 2 - placement.lift for level in levels])
    usual = float(np.median([level.height for level in levels]))
    return cut_at(geometry.placed.mesh, heights, usual, untangle=not geometry.sound)


def _skipped(
    geometry: Geometry, placement: Placement, every: list[Level]
) -> tuple[tuple[float, float], ...]:
    """From where to where layers are left out in which the part has material."""
    out = [level for level in every if level.skipped]
    if not out:
        return ()
    there = _sections(geometry, placement, out).distinct >= 0
    spans: list[tuple[float, float]] = []
    for level in (level for level, has in zip(out, there.tolist(), strict=True) if has):
        low = level.top - level.height
        if spans and abs(spans[-1][1] - low) < 1e-6:
            spans[-1] = (spans[-1][0], level.top)
        else:
            spans.append((low, level.top))
    return tuple(spans)


class _Walls:
    """The walls of one copy: measured, judged, and joined."""

    def __init__(
        self,
        measured: tuple[Sections, Edges, Samples],
        plate: Plate,
        slabs: Slabs,
        limits: _Floats,
    ) -> None:
        self.sections, self.edges, self.samples = measured
        self.plate, self.slabs, self.limits = plate, slabs, limits
        self.wall = np.flatnonzero(self.samples.wall)
        self.thickness = self.samples.thickness[self.wall]
        self.level = self.edges.section[self.samples.edge[self.wall]].astype(np.int64)
        self.links = linked(self.edges, self.samples)

    def laid(self) -> list[LaidWall]:
        lines = Lines(
            self.level,
            self.samples.centre[self.wall],
            self.samples.normal[self.wall],
            self.thickness,
        )
        # What is laid alike in several slabs is measured in the first.
        once = self.slabs.like[self.level] == self.level
        own = np.flatnonzero(once)
        some = lines.some(own)
        across, voids = self.plate.across(some)
        stops = find_stops(self.plate, some, self.links.whole[own], self._straight()[own])
        if len(own) < len(once):
            across, voids, stops = self.slabs.copied(self.level, across, voids, stops)
        judged = judge(self._seen(), across, voids, stops)
        group = np.searchsorted(self.limits, self.links.judged, side="right")
        kinds = _kinds(judged.typical) * len(FILLS) + judged.code
        followed = self._follow(kinds * (len(self.limits) + 1) + group)
        return self._walls(followed, judged, across)

    def _straight(self) -> _Bools:
        """Where the wall's sides lie straight across from each other, not at a junction."""
        samples, wall = self.samples, self.wall
        across = samples.point[wall] + self.thickness[:, None] * samples.normal[wall]
        off = samples.discs.contact[wall] - across
        straight: _Bools = np.hypot(off[:, 0], off[:, 1]) < _STRAIGHT
        return straight

    def _follow(self, groups: _Ints) -> Followed:
        return follow(self.sections, self.edges, self.samples, self.links, groups)

    def _seen(self) -> Seen:
        samples, wall = self.samples, self.wall
        return Seen(
            thickness=self.thickness,
            share=samples.share[wall],
            layers=self.slabs.layers[self.level],
            at=samples.at[wall],
            ring=self.edges.ring[samples.edge[wall]].astype(np.int64),
            wall=self._follow(_kinds(self.links.judged)).number,
            one=self.links.one,
            other=self.links.other,
            usual=self.plate.usual,
        )

    def _walls(self, followed: Followed, judged: Judged, across: Across) -> list[LaidWall]:
        """The walls with what was measured along them."""
        number, count = followed.number, len(followed.walls)
        laid = across.covered > 0
        openly = laid & (across.air > 0)
        air = quantiles(number[openly], across.air[openly], count)
        deviation = quantiles(number[laid], (across.printed - self.thickness)[laid], count)
        width = quantiles(number[laid], across.width[laid], count)
        weight = (self.samples.share[self.wall] + 1e-9) * self.slabs.layers[self.level]
        share = np.bincount(number, weight * laid, count) / np.bincount(number, weight, count)
        kinds, pores = np.zeros(count, np.int64), np.zeros(count)
        kinds[number], pores[number] = judged.code, judged.pores
        first, last = (np.full(count, start) for start in (len(self.plate.levels), -1))
        np.minimum.at(first, number, self.level)
        np.maximum.at(last, number, self.level + self.slabs.layers[self.level] - 1)
        posts = np.bincount(number, self._alone(), count) > 0
        cells = self._cells(number, count)
        walls = []
        for index, stretch in enumerate(followed.walls):
            fill = FILLS[kinds[index]]
            layers = int(first[index]), int(last[index])
            missing = fill == "missing"
            placed = self._placed(stretch, layers)
            height = (placed.high - placed.low) / (layers[1] - layers[0] + 1)
            if fill == "hollow":
                lean = Lean(height, stretch.slope)
                closed = inside(float(air[index]), UNCERTAINTY, lean) == "porous"
                fill = "porous" if closed else "hollow"
            walls.append(
                LaidWall(
                    stretch=placed,
                    fill=fill,
                    air=float(air[index]) if fill in ("hollow", "porous", "broken") else 0.0,
                    printed=None if missing else float(stretch.typical + deviation[index]),
                    bead=0.0 if missing else float(width[index]),
                    laid=float(share[index]),
                    layers=(layers[0] + 1, layers[1] + 1),
                    pores=float(pores[index]) if fill == "solid" else 0.0,
                    post=bool(posts[index]),
                    cells=cells[index],
                )
            )
        return walls

    def _cells(self, number: _Ints, count: int) -> list[_Ints]:
        """The cubes in which each wall was measured, each once."""
        heights = np.array([level.top - level.height / 2 for level in self.plate.levels])
        z = np.floor((heights - self.plate.placement.raised) / CELL).astype(np.int64)
        cube = np.floor(self.samples.centre[self.wall] / CELL).astype(np.int64) + _SIDE // 2
        last = self.level + self.slabs.layers[self.level] - 1
        bottom = z[self.level]
        owner, up = ranges(bottom, z[last] - bottom + 1)
        key = ((cube[:, 0] * _SIDE + cube[:, 1])[owner] * _SIDE) + up + _SIDE // 2
        order = np.lexsort((key, number[owner]))
        wall, key = number[owner][order], key[order]
        fresh = np.append(True, (wall[1:] != wall[:-1]) | (key[1:] != key[:-1]))
        wall, key = wall[fresh], key[fresh]
        begin = np.searchsorted(wall, np.arange(count + 1))
        return [key[low:high] for low, high in pairwise(begin.tolist())]

    def _placed(self, stretch: Stretch, layers: tuple[int, int]) -> Stretch:
        """The stretch with the heights of its layers, in the frame the part is printed in."""
        lowest, highest = (self.plate.levels[layer] for layer in layers)
        low = lowest.top - lowest.height - self.plate.placement.lift
        high = highest.top - self.plate.placement.lift
        (x0, y0, _), (x1, y1, _) = stretch.box
        return replace(stretch, low=low, high=high, box=((x0, y0, low), (x1, y1, high)))

    def _alone(self) -> _Bools:
        """Which lines lie in outlines hardly longer than the wall is thick."""
        begin = self.sections.ring_start[:-1]
        low = np.minimum.reduceat(self.sections.points, begin, axis=0)
        high = np.maximum.reduceat(self.sections.points, begin, axis=0)
        ring = self.edges.ring[self.samples.edge[self.wall]]
        alone: _Bools = (high - low).max(axis=1)[ring] <= _POST * self.thickness
        return alone


def _layer_by_layer(
    base: Sections, edges: Edges, samples: Samples, slab: _Ints
) -> tuple[Sections, Edges, Samples]:
    """The same with a section of its own for every slab: equal ones were measured once.

    slab  (L,) the first layer of the slab that each layer is of
    """
    distinct = base.distinct.astype(np.int64)
    full = np.flatnonzero((distinct >= 0) & (slab == np.arange(len(slab))))
    sources = distinct[full]
    ring_low = np.searchsorted(base.ring_section, sources, side="left")
    ring_high = np.searchsorted(base.ring_section, sources, side="right")
    ring_of, ring = ranges(ring_low, ring_high - ring_low)
    edge_low, edge_high = base.ring_start[ring_low], base.ring_start[ring_high]
    edge_of, edge = ranges(edge_low, edge_high - edge_low)
    ring_shift = np.cumsum(ring_high - ring_low) - (ring_high - ring_low) - ring_low
    edge_shift = np.cumsum(edge_high - edge_low) - (edge_high - edge_low) - edge_low
    section_of_sample = edges.section[samples.edge]
    sample_low = np.searchsorted(section_of_sample, sources, side="left")
    sample_high = np.searchsorted(section_of_sample, sources, side="right")
    sample_of, sample = ranges(sample_low, sample_high - sample_low)
    made = replace(
        base,
        distinct=np.where(distinct >= 0, slab, -1).astype(np.int32),
        points=base.points[edge],
        ring_start=np.append(0, np.cumsum(np.diff(base.ring_start)[ring])).astype(np.int64),
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
            ahead=samples.ahead[sample],
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


def _kinds(thickness: _Floats) -> _Ints:
    """A number for each thickness (n,): equal where others lead from one to the other in steps of
    less than 0.1 mm, so that walls that stand on each other and differ are told apart."""
    known = np.unique(np.round(thickness, 3))
    number = np.cumsum(np.diff(known, prepend=known[:1]) > VARIES)
    kinds: _Ints = number[np.searchsorted(known, np.round(thickness, 3))].astype(np.int64)
    return kinds


def _merged(walls: list[LaidWall]) -> list[LaidWall]:
    """Join pieces of one wall that came out alike, leave out specks, thinnest first."""
    kept = [wall for wall in walls if not is_speck(wall.stretch) and not _is_corner(wall)]
    of = {id(wall.stretch): wall for wall in kept}
    merged: list[LaidWall] = []
    groups: dict[tuple[str, int], list[Stretch]] = {}
    for wall in kept:
        groups.setdefault((wall.fill, wall.stretch.group), []).append(wall.stretch)
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
                key=lambda wall: (wall.stretch.length * _rise(wall.stretch), wall.stretch.point),
            )
            cells = np.unique(np.concatenate([wall.cells for wall in members]))
            merged.append(replace(longest, stretch=whole, cells=cells))
    return sorted(
        merged, key=lambda wall: (round(wall.stretch.minimum, 4), wall.stretch.point, wall.fill)
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


def strands_across(
    laid: Beads,
    placement: Placement,
    levels: list[Level],
    centre: _Floats,
    normal: _Floats,
    thickness: float,
) -> Own:
    """What lines across the middle of a wall at `centre` (n, 2) along `normal` (n, 2), in the part
    as printed, meet in each of some levels; line k of level j has the number j n + k."""
    count, many = len(centre), len(levels)
    lines = Lines(
        np.repeat(np.arange(many), count),
        np.tile(centre, (many, 1)),
        np.tile(normal, (many, 1)),
        np.full(many * count, thickness),
    )
    return Plate(laid, placement, levels).own(lines)


def free_across(
    laid: Beads,
    placement: Placement,
    level: Level,
    centre: _Floats,
    normal: _Floats,
    width: float,
) -> _Floats:
    """How far (n,), mm, nothing is laid to either side of points (n, 2) in one level, along
    `normal` (n, 2); 0 where something is laid there. `width`: about what is expected."""
    count = len(centre)
    lines = Lines(np.zeros(count, np.int64), centre, normal, np.full(count, width))
    return Plate(laid, placement, [level]).free(lines)
