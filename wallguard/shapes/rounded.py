"""Convex edges and how far they are rounded.

sharp    two facets meet in one edge at which the surface turns by 60° or more: radius 0. All of a
         part are one, told at the longest
rounded  facets of about one width, side by side, each turned a little from the last, between wider
         faces, that turn by 60° or more in all; those of one radius are one, too. Corners of the
         facets lie on the arc that was drawn, so facets of width w that turn by a have its radius,
         w / (2 sin(a / 2)): closed form

Edges that are cut off (one facet between two wider ones) are neither, nor are what turns less,
inner corners, pins and balls, which have no wider faces beside them. The bounds are our own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected, weighted_median
from wallguard.mesh.mesh import Mesh
from wallguard.shapes.patches import Patches, patches_of

Point = tuple[float, float, float]
Box = tuple[Point, Point]
_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# A surface that turns by less is one face; by this or more it is an edge, degrees.
_FLAT, _EDGE = 0.5, 60.0
# Facets of one arc differ in width by no more than this, the faces beside them by more.
_ALIKE = 1.5
# Edges shorter than this in all, mm, are none; radii are looked for up to so much more than asked.
_SHORT, _MORE = 0.5, 1.05
# What is rounded by less than this, mm, is sharp: facets of computing error.
_FINE = 0.005
# How far the points that show the faces beside an edge lie from it, mm.
_BESIDE = 1.0


@dataclass(frozen=True)
class Rounded:
    """A convex edge. Lengths in mm, in the print frame.

    radius  0: sharp
    length  of all of that radius
    point   in the middle of the longest piece
    centre  of the arc there
    sides   points in the faces on both sides there
    box     around it
    """

    radius: float
    length: float
    point: Point
    centre: Point
    sides: tuple[Point, Point]
    box: Box


@dataclass(frozen=True, eq=False)
class _Bends:
    """Where a surface turns outward: sides (k,), each edge once, and of each: the angle, radians,
    its length, and the flat faces (numbers, widths across it) on both sides."""

    side: _Ints
    turn: _Floats
    length: _Floats
    one: _Ints
    other: _Ints
    wide_one: _Floats
    wide_other: _Floats


def find_rounded(mesh: Mesh, smaller: float, sharper: float = 0.0) -> list[Rounded]:
    """Convex edges of a radius of less than `smaller` mm; the sharp ones first, without those of
    an angle of less than `sharper` degrees."""
    patches = patches_of(mesh)
    if not len(patches.area):
        return []
    bends = _bends(patches)
    made = []
    blunt = bends.turn <= np.radians(180.0 - sharper)
    sharp = np.flatnonzero((bends.turn >= np.radians(_EDGE)) & blunt)
    if len(sharp) and bends.length[sharp].sum() >= _SHORT:
        made.append(_edge(patches, bends, sharp, 0.0, float(bends.length[sharp].sum())))
    made += _arcs(patches, bends, smaller)
    return sorted(made, key=lambda each: (round(each.radius, 4), -each.length, each.point))


def _bends(patches: Patches) -> _Bends:
    opposite = patches.opposite
    every = np.flatnonzero(opposite > np.arange(len(opposite)))
    flat = every[np.abs(patches.turn[every]) <= _FLAT]
    _, face = connected(flat // 3, opposite[flat] // 3, len(patches.area))
    side = every[patches.turn[every] > _FLAT]
    start, end = patches.ends(side)
    length = np.linalg.norm(end - start, axis=1)
    one, other = face[side // 3], face[opposite[side] // 3]
    wide = _widths(patches, face, side, length)
    turn = np.radians(patches.turn[side])
    return _Bends(side, turn, length, one, other, wide[one], wide[other])


def _widths(patches: Patches, face: _Ints, side: _Ints, length: _Floats) -> _Floats:
    """How wide each flat face is across its longest bent edge; inf where it has none."""
    count = int(face.max()) + 1
    both = np.concatenate([side, patches.opposite[side]])
    owner, long = face[both // 3], np.tile(length, 2)
    order = np.lexsort((both, -long, owner))
    first = order[np.diff(owner[order], prepend=-1) > 0]
    start, end = patches.ends(both[first])
    across = np.zeros((count, 3))
    made = np.cross(patches.normal[both[first] // 3], end - start)
    across[owner[first]] = made / np.maximum(np.linalg.norm(made, axis=1), 1e-12)[:, None]
    off = np.einsum("tij,tj->ti", patches.corner, across[face])
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, face, off.min(axis=1))
    np.maximum.at(high, face, off.max(axis=1))
    wide: _Floats = np.full(count, np.inf)
    wide[owner[first]] = (high - low)[owner[first]]
    return wide


def _arcs(patches: Patches, bends: _Bends, smaller: float) -> list[Rounded]:
    least = np.minimum(bends.wide_one, bends.wide_other)
    most = np.maximum(bends.wide_one, bends.wide_other)
    # Corners on the arc: half of the mean width over the sine of half the angle.
    radius = (least + most) / 4 / np.sin(bends.turn / 2)
    inner = (bends.turn < np.radians(_EDGE)) & (most <= _ALIKE * least)
    inner &= radius < _MORE * smaller
    if not inner.any():
        return []
    count = int(max(bends.one.max(), bends.other.max())) + 1
    within = np.zeros(count, bool)
    within[bends.one[inner]] = within[bends.other[inner]] = True
    # Where an edge is curved, it goes on across bends that are no part of the arc.
    along = within[bends.one] & within[bends.other] & (bends.turn < np.radians(_EDGE))
    _, strip = connected(bends.one[along], bends.other[along], count)
    # Beside a strip: an edge with one face in it, and a wider one.
    rim = (within[bends.one] != within[bends.other]) & (most > _ALIKE * least)
    rim &= bends.turn < np.radians(_EDGE)
    owner = np.where(within[bends.one], strip[bends.one], strip[bends.other])
    length = np.bincount(owner[rim], bends.length[rim], count) / 2
    both = inner | rim
    turned = np.bincount(owner[both], (bends.turn * bends.length)[both], count)
    good = (length >= _SHORT) & (turned >= np.radians(_EDGE) * length)
    own = np.flatnonzero(inner & good[owner])
    order = own[np.argsort(owner[own], kind="stable")]
    strips: dict[float, list[_Ints]] = {}
    for each in np.split(order, np.flatnonzero(np.diff(owner[order])) + 1):
        size = weighted_median(radius[each], bends.length[each]) if len(each) else 0.0
        if _FINE <= size < smaller:
            strips.setdefault(round(size, 2), []).append(each)
    made = []
    for parts in strips.values():
        every = np.concatenate(parts)
        size = weighted_median(radius[every], bends.length[every])
        long = float(length[[owner[each[0]] for each in parts]].sum())
        made.append(_edge(patches, bends, every, size, long))
    return made


def _edge(patches: Patches, bends: _Bends, own: _Ints, radius: float, length: float) -> Rounded:
    """An edge of these bends, told at the longest."""
    start, end = patches.ends(bends.side[own])
    at = int(np.lexsort((np.arange(len(own)), -bends.length[own].round(4)))[0])
    side = int(bends.side[own[at]])
    middle, way = (start[at] + end[at]) / 2, (end - start)[at] / bends.length[own[at]]
    normals = patches.normal[side // 3], patches.normal[patches.opposite[side] // 3]
    sides = [
        middle + max(_BESIDE, 2 * radius) * each
        for each in (np.cross(normals[0], way), np.cross(way, normals[1]))
    ]
    out = normals[0] + normals[1]
    centre = middle - radius * out / max(float(np.linalg.norm(out)), 1e-12)
    every = np.concatenate([start, end])
    low, high = every.min(axis=0), every.max(axis=0)
    first, second = (_point(each) for each in sides)
    box = _point(low), _point(high)
    return Rounded(radius, length, _point(middle), _point(centre), (first, second), box)


def _point(values: _Floats) -> Point:
    x, y, z = values.tolist()
    return x, y, z
