"""What a toolpath makes that is not the part: how that is known, and how it is told."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from wallguard.base.errors import InputError
from wallguard.part.geometry import Geometry
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.placement import NEAR

if TYPE_CHECKING:
    from shapely import Geometry as Shape

# Of another scale are outlines that differ by more than this, mm, and alike in both directions.
_DIFFERS, _ALIKE = (0.3, 0.6), (0.8, 1.25)
# At that scale, so much of the outline has to agree.
_FITS = 0.75


class OtherPartError(InputError):
    """What a toolpath lays is not this part; `why`: what of it is not so, for who names both."""

    def __init__(self, path: str | Path, problem: str, *, why: str, remedy: str) -> None:
        super().__init__(path, problem, remedy=remedy)
        self.why = why


def mirror(part: str | Path, path: str | Path) -> OtherPartError:
    """What to say of a toolpath that makes the part as in a mirror."""
    return OtherPartError(
        path,
        f"makes {part} as in a mirror, left for right",
        why="what lies there is as in a mirror, left for right",
        remedy="Look for what mirrors it: a scale below zero, an axis that runs the other way, the "
        "other one of a pair",
    )


def mismatch(
    geometry: Geometry, laid: Beads, part: str | Path, path: str | Path, problem: str
) -> OtherPartError:
    """An error that says how large both are, and what that looks like."""
    size = np.array(geometry.extents)
    # Where all beads are of impossible width, their paths still tell a size.
    fine = ~laid.odd if not laid.odd.all() else np.ones(len(laid), bool)
    # Skirts, brims and priming lie in the first layer; the whole part above it tells its size.
    upper = fine & (laid.z > 1.5 * float(np.median(laid.height[fine])))
    chosen = upper if upper.any() else fine
    wide = laid.width[chosen, None] / 2
    low = np.minimum(laid.start, laid.end)[chosen] - wide
    high = np.maximum(laid.start, laid.end)[chosen] + wide
    made = np.append(high.max(axis=0) - low.min(axis=0), laid.z[chosen].max())
    sizes = [" × ".join(f"{value:.1f}" for value in sides) for sides in (made, size)]
    ratio = np.sort(made[:2]) / np.maximum(np.sort(size[:2]), 1e-9)
    scale = np.append(ratio, made[2] / max(size[2], 1e-9))
    if scale.max() - scale.min() < 0.03 * scale.mean() and abs(scale.mean() - 1) > 0.004:
        guess = f"It looks like the same part at {scale.mean():.4g} times the size"
    elif np.allclose(np.sort(made), np.sort(size), atol=1.0) and abs(made[2] - size[2]) > 0.5:
        guess = "It looks like the same part lying otherwise; wallguard.yaml says how it is printed"
    else:
        guess = "Check whether it is the toolpath of another part, or of an older one"
    why = f"{problem}. It makes something of {sizes[0]} mm; the part is {sizes[1]} mm as printed"
    return OtherPartError(path, f"does not make {part}: {why}", why=why, remedy=guess)


def other_size(everything: Shape, shape: Shape) -> str:
    """Why what is laid where the section lies has another scale; empty where it has not."""
    import shapely

    pieces = [
        piece
        for piece in getattr(everything, "geoms", [everything])
        if shapely.intersection(piece, shape).area > 0.3 * piece.area > 0
    ]
    if not pieces:
        return ""
    made, drawn = (np.array(ground.bounds) for ground in (shapely.union_all(pieces), shape))
    size = drawn[2:] - drawn[:2]
    more = (made[2:] - made[:2]) - size
    least, most = np.abs(more).min(), np.abs(more).max()
    if least < _DIFFERS[0] or most < _DIFFERS[1] or more[0] * more[1] < 0:
        return ""
    ratio = (more[0] / size[0]) / (more[1] / size[1])
    if not _ALIKE[0] < ratio < _ALIKE[1]:
        return ""
    scale = 1 + float((more / size).mean())
    middle, goal = (drawn[:2] + drawn[2:]) / 2, (made[:2] + made[2:]) / 2
    other = shapely.transform(shape, lambda points: (points - middle) * scale + goal)
    edge = shapely.boundary(shapely.union_all(pieces)).buffer(NEAR)

    def agrees(shape: Shape) -> float:
        outline = shapely.boundary(shape)
        return float(shapely.intersection(outline, edge).length / max(outline.length, 1e-9))

    # Walls that are left out make it smaller too; but then the rest does not fit.
    if agrees(other) < max(_FITS, agrees(shape) + 0.05):
        return ""
    return f"its layers are {scale:.4g} times the size of the part's sections"
