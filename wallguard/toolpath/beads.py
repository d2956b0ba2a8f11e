"""Beads: what a toolpath lays, strand by strand, and the ground that a layer's strands cover."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import weighted_median
from wallguard.base.errors import InputError
from wallguard.toolpath.feeding import Kind, feeding
from wallguard.toolpath.layers import Layers, find_layers
from wallguard.toolpath.moves import Toolpath
from wallguard.toolpath.width import bead_width

if TYPE_CHECKING:
    from shapely import Geometry

# A bead wider than this many layer heights, or than this many usual beads, cannot be laid.
WIDEST_HEIGHTS = 20.0
WIDEST_USUAL = 5.0
# A strand of less than this share of the layer height does not hold together.
THINNEST = 0.1
# Up to this share of the laid length may rise while it is laid, as ramps between layers do.
_RAMPS = 0.05

# Beads whose widths are equal to this are covered in one go, mm.
_WIDTH_STEP = 0.005

_Floats = NDArray[np.float64]


class NotFlatError(InputError):
    """A toolpath that changes height all the time while it lays material: it has no layers."""


@dataclass(frozen=True)
class OddBead:
    """A bead of impossible width: line of the file, width and layer height in mm, and why."""

    line: int
    width: float
    height: float
    problem: Literal["too wide", "too thin", "no height"]


@dataclass(frozen=True)
class Beads:
    """All laid strands in the order they are laid. Lengths in mm, volumes in mm^3.

    start, end  (n, 2) float64
    z           (n,) float64: the top of the bead's layer, the height of the nozzle while laying
    height      (n,) float64: layer height
    width       (n,) float64
    volume      (n,) float64
    line        (n,) int64: line of the file
    tool        (n,) int32
    layer       (n,) int64: index of the layer, lowest first
    odd         (n,) bool: of impossible width; `footprint` leaves these out
    order       (n,) int64: indices of the beads, layer after layer
    layer_start (L + 1,) int64: order[layer_start[k]:layer_start[k + 1]] are the beads of layer k
    layer_z, layer_height  (L,) float64; objects of different layer height have layers of their own
    layer_reach  (L,) float64: the greatest height of the nozzle; more than layer_z of a turn
    layer_partial  (L,) bool: the end of a spiral that does not come around, not to be compared
    primed      volume that comes out in place, without a bead
    withdrawn   volume of filament that is still drawn back at the end
    fed         volume of filament fed, net: volume.sum() + primed - withdrawn
    notes       what was taken as it is not quite, with line numbers
    """

    start: _Floats
    end: _Floats
    z: _Floats
    height: _Floats
    width: _Floats
    volume: _Floats
    line: NDArray[np.int64]
    tool: NDArray[np.int32]
    layer: NDArray[np.int64]
    odd: NDArray[np.bool_]
    order: NDArray[np.int64]
    layer_start: NDArray[np.int64]
    layer_z: _Floats
    layer_height: _Floats
    layer_reach: _Floats
    layer_partial: NDArray[np.bool_]
    primed: float
    withdrawn: float
    fed: float
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.z)

    def in_layer(self, layer: int) -> NDArray[np.int64]:
        """Indices of the beads of one layer, in the order they are laid."""
        return self.order[self.layer_start[layer] : self.layer_start[layer + 1]]

    def odd_beads(self, most: int = 20, among: NDArray[np.int64] | None = None) -> list[OddBead]:
        """The first beads of impossible width, of all or of those `among` which they are."""
        odd = []
        for index in (np.flatnonzero(self.odd) if among is None else among)[:most]:
            width, height = float(self.width[index]), float(self.height[index])
            problem: Literal["too wide", "too thin", "no height"] = "too wide"
            if not height > 0.0:
                problem = "no height"
            elif width < height:
                problem = "too thin"
            odd.append(OddBead(int(self.line[index]), width, height, problem))
        return odd


def beads(toolpath: Toolpath) -> Beads:
    """The strands that a toolpath lays.

    Raises NotFlatError where it rises all the time while laying, and InputError where it lays
    nothing.
    """
    account = feeding(toolpath)
    move = np.flatnonzero(account.kind == Kind.LAYING)
    if not len(move):
        raise InputError(
            toolpath.path,
            "lays no material: what it feeds never exceeds what it draws back",
            remedy="Are its E words absolute or relative? M82 and M83 say so",
        )
    start, end = toolpath.start[move], toolpath.end[move]
    line = toolpath.line[move]
    length = np.hypot(*(end - start)[:, :2].T)
    area = np.pi / 4.0 * toolpath.filament**2 * toolpath.flow
    volume = account.laid[move] * area
    late = account.late[move]
    start = start + (end - start) * late[:, None]
    section = volume / (length * (1.0 - late))
    layers = find_layers(start, end, section)
    notes = _notes(toolpath.path, layers, length, line)
    piece, share = layers.bead, layers.high - layers.low
    start, end = _cut(layers, start, end)
    section, volume, line, move = section[piece], volume[piece] * share, line[piece], move[piece]
    height = layers.height[layers.of]
    z = layers.z[layers.of]
    odd = _odd(bead_width(section, height), height, volume)
    # Where seams ramp up they fade out as well: what is too thin there lies on the ramp.
    odd &= ~(layers.ramped[layers.of] & (layers.width < height))
    order = np.argsort(layers.of, kind="stable")
    counts = np.bincount(layers.of, minlength=len(layers.z))
    return Beads(
        start,
        end,
        z,
        height,
        layers.width,
        volume,
        line,
        toolpath.tool[move],
        layers.of,
        odd,
        order,
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        layers.z,
        layers.height,
        layers.reach,
        layers.partial,
        account.primed * area,
        account.withdrawn * area,
        float(toolpath.e.sum()) * area,
        notes,
    )


def _cut(layers: Layers, start: _Floats, end: _Floats) -> tuple[_Floats, _Floats]:
    """Beads from start to end (n, 3), cut where a turn of a spiral ends: their ends (m, 2)."""
    one, other = start[layers.bead, :2], end[layers.bead, :2]
    way = other - one
    cut = layers.high[:, None] < 1.0
    return one + way * layers.low[:, None], np.where(cut, one + way * layers.high[:, None], other)


def _notes(path: str, layers: Layers, length: _Floats, line: NDArray[np.int64]) -> tuple[str, ...]:
    """What was taken as it is not quite; an error where that is too much."""
    notes = []
    if layers.spiral:
        notes.append(
            f"it rises all the time in a spiral: {layers.spiral} turns were taken as layers"
        )
    rest, first = layers.rising
    if first < 0:
        return tuple(notes)
    if rest > _RAMPS * length.sum():
        raise NotFlatError(
            path,
            "changes height all the time while it lays material, and is neither a spiral nor made "
            "of flat layers",
            remedy="Make the toolpath with flat layers",
            line=int(line[first]),
        )
    notes.append(
        f"line {line[first]}: beads change height along {rest:.1f} mm of their way; each was taken "
        "as lying at the height of its end"
    )
    return tuple(notes)


def _odd(width: _Floats, height: _Floats, volume: _Floats) -> NDArray[np.bool_]:
    """Which beads cannot be laid. The usual width is the median over the material laid."""
    usual = weighted_median(width, np.where(np.isfinite(width), volume, 0.0))
    odd: NDArray[np.bool_] = (
        ~(height > 0.0)
        | (width > WIDEST_HEIGHTS * height)
        | (width > WIDEST_USUAL * usual)
        | (width < THINNEST * height)
    )
    return odd


def footprint(laid: Beads, chosen: NDArray[np.int64]) -> Geometry:
    """The ground that the chosen beads cover, seen from above: a polygon or several, mm.

    Each bead covers a rectangle as wide as it is, with round ends; beads of impossible width are
    left out. Round ends are polygons of 8 sides to the quarter, at most 0.25 % of the width too
    small. Beads that follow one another at one width (to 0.005 mm) are covered in one go.
    """
    import shapely

    chosen = chosen[~laid.odd[chosen]]
    if not len(chosen):
        return shapely.MultiPolygon()
    start, end = laid.start[chosen], laid.end[chosen]
    step = np.round(laid.width[chosen] / _WIDTH_STEP)
    follows = (start[1:] == end[:-1]).all(axis=1) & (step[1:] == step[:-1])
    path = np.concatenate([[0], np.cumsum(~follows)])
    head = np.flatnonzero(np.concatenate([[True], ~follows]))
    # Corners of each path: where it starts, then the end of each of its beads.
    corner = np.concatenate([start[head], end])
    owner = np.concatenate([path[head], path])
    order = np.argsort(owner, kind="stable")
    lines = shapely.linestrings(corner[order], indices=owner[order])
    covered = shapely.buffer(lines, step[head] * (_WIDTH_STEP / 2.0), quad_segs=8)
    return shapely.union_all(covered)
