"""Details without a flat top or floor: ridges, beads, V-grooves, the cuts of ball mills.

       w                                     w = width at the face
     ┌───┐            ╲ w ╱                  h = height, or depth
    ──╮ ╭── face   ────╲ ╱────  face
      ╰─╯ h             V h

All that is sunken hangs together by inner corners, and is left over outer ones; of what is raised
it is the other way round. So the pieces that patches fall into where only creases of one sign join
them are looked at, with the outline where each ends: its *mouth*. It is a detail

    of whose mouth two thirds lie in one plane, and next to a face that is level with it: what is
        left may be where it runs off the part, or into something else
    that lies on one side of that plane, and goes straight down or narrows, but for 15°
    that is no higher than `is_low` says of its mouth; its height is the greatest over all of it
    whose face is at least twice as large as its mouth, and, if it is raised, no thinner than it is
        high, as of other details
    whose face turns by no more than 8° along it, so that it is seen square to its middle

What runs right round a shaft is not found so; nor is what is rounded into its face, without a
crease, nor what is raised and flush with an end of the part.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator

import numpy as np
import shapely
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.shapes.details import (
    BROAD,
    LOW,
    ROUNDING,
    SHARE,
    Detail,
    Kind,
    depth,
    is_low,
    is_one,
)
from wallguard.shapes.patches import CREASE, Patches
from wallguard.shapes.unfolded import TURNS, seen_square

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]

# How far sides may lean over, as a cosine.
_UNDERCUT = math.cos(math.radians(105.0))
# How far beside its tip it is asked what is behind it, as a share of the facet there.
_BESIDE = 0.05
# All of a piece is no more than so many times its mouth: sides as high as they may be, and a floor.
_FACETS = 10.0


def shaped_details(patches: Patches, kind: Kind, taken: Collection[int]) -> Iterator[Detail]:
    """The details of a kind without a flat top or floor; `taken`: patches that are one."""
    for piece, rim in _pieces(patches, kind, taken):
        detail = _detail(patches, kind, piece, rim)
        if detail is not None:
            yield detail


def _pieces(patches: Patches, kind: Kind, taken: Collection[int]) -> Iterator[tuple[_Ints, _Ints]]:
    """Facets that hang together, rising, and the sides where they end: what may be a detail by its
    size and by how the faces around it lie."""
    sign = 1.0 if kind == "raised" else -1.0
    rim = patches.rim
    joins = rim[sign * patches.turn[rim] > CREASE]
    own, across = patches.patch[joins // 3], patches.patch[patches.opposite[joins] // 3]
    count, label = connected(own, across, patches.count)
    piece = label[patches.patch]
    beyond = np.where(patches.opposite >= 0, piece[patches.opposite // 3], -1)
    rim = rim[beyond[rim] != piece[rim // 3]]
    if not len(rim):
        return
    start, end = patches.ends(rim)
    length = np.linalg.norm(end - start, axis=1)
    of, face = piece[rim // 3], patches.opposite[rim] // 3
    whole = np.bincount(of, length, count)
    level = np.stack(
        [np.bincount(of, length * patches.normal[face, axis], count) for axis in range(3)], axis=1
    )
    broad = np.zeros(count)
    np.maximum.at(broad, of, patches.areas[patches.patch[face]])
    fits = np.linalg.norm(level, axis=1) >= SHARE * TURNS * whole - 1e-9
    fits &= (whole > 0) & (np.bincount(piece, patches.area, count) * BROAD <= _FACETS * broad)
    # An edge of one facet, or of three.
    fits[of[patches.opposite[rim] < 0]] = False
    fits[label[list(taken)]] = False
    order = np.argsort(of, kind="stable")
    first = np.searchsorted(of[order], np.arange(count + 1))
    facets = np.argsort(piece, kind="stable")
    begin = np.searchsorted(piece[facets], np.arange(count + 1))
    for at in np.flatnonzero(fits).tolist():
        yield facets[begin[at] : begin[at + 1]], rim[order[first[at] : first[at + 1]]]


def _detail(patches: Patches, kind: Kind, facets: _Ints, rim: _Ints) -> Detail | None:
    """A piece as a detail; None where it is none."""
    start, end = patches.ends(rim)
    length = np.linalg.norm(end - start, axis=1)
    beyond = patches.opposite[rim] // 3
    face = int(np.argmax(np.bincount(patches.patch[beyond], length)))
    beside = np.flatnonzero(patches.patch[beyond] == face)
    normal = (length[beside, None] * patches.normal[beyond[beside]]).sum(axis=0)
    normal /= max(float(np.linalg.norm(normal)), 1e-12)
    way = (start + end) / 2 @ normal
    plane = float(np.average(way[beside], weights=length[beside]))
    over = (patches.corner[facets] @ normal - plane) * (1.0 if kind == "raised" else -1.0)
    high = float(over.max())
    leans = patches.normal[facets] @ normal
    level = patches.normal[beyond] @ normal >= TURNS
    level &= np.array([is_one(high + off, high) for off in (way - plane).tolist()])
    around = float(length.sum())
    if high < LOW or not is_one(high - over.min(), high) or leans.min() < _UNDERCUT:
        return None
    if float(length[level].sum()) < SHARE / 2 * around:
        return None
    flat = seen_square(patches, facets[leans > 1e-3], rim, normal)
    if flat is None:
        return None
    known = set(rim[level].tolist())
    around = 0.0
    for points, sides in flat.rings:
        long = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        lies = np.array([side in known for side in sides.tolist()])
        if long[lies].sum() < SHARE * long.sum():
            return None
        around += float(long.sum())
    area = flat.area
    broad = patches.areas[face] * ROUNDING >= BROAD * area.area
    if not area.is_valid or not broad or not is_low(high, area.area, around):
        return None
    corner = patches.corner[facets].reshape(-1, 3)
    tip = corner[int(np.argmax(over))]
    if kind == "sunken":
        # Beside the tip, which may lie on an end of the part.
        spot = tip + _BESIDE * (
            patches.corner[facets[int(np.argmax(over)) // 3]].mean(axis=0) - tip
        )
        behind = depth(patches, spot, normal) - float((spot - tip) @ normal)
    else:
        spot = flat.lift(shapely.get_coordinates(area.representative_point())[0], patches.corner)
        behind = depth(patches, spot, normal) - (float(spot @ normal) - plane)
        if not high <= behind < math.inf:
            return None
    box = corner.min(axis=0), corner.max(axis=0)
    wide = 2 * area.area / around
    return Detail(kind, -1, high, face, flat, wide, behind, box, normal, tip)
