"""Gaps between bodies that are to move: which gaps have another body on each side.

The middle of a gap lies half its width from what bounds it. So it is between two bodies where each
of two lies no farther from it than that.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from wallguard.mesh.mesh import Mesh
from wallguard.shapes.shells import Shells, shells_of
from wallguard.walls.clear import nearest

if TYPE_CHECKING:
    from wallguard.walls.stretch import Stretch

# How much farther than half a gap's width its sides may be, as a share and in mm: a place is told
# to some thousandths, and a gap is wider a little further on.
_SHARE, _MORE = 0.05, 0.02


def between_bodies(mesh: Mesh, gaps: Sequence[Stretch]) -> list[bool]:
    """Of each gap whether it parts two bodies."""
    label = shells_of(mesh)
    if not len(label) or int(label.max()) == 0:
        return [False] * len(gaps)
    body = Shells.of(mesh, label).bodies(label)
    corner = mesh.vertices[mesh.triangles]
    normal = np.cross(corner[:, 2] - corner[:, 0], corner[:, 1] - corner[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]
    low, high = corner.min(axis=1), corner.max(axis=1)
    made = []
    for gap in gaps:
        point = np.array(gap.point)
        reach = gap.maximum / 2 * (1 + _SHARE) + _MORE
        near = np.flatnonzero(((low <= point + reach) & (high >= point - reach)).all(axis=1))
        feet = nearest(np.repeat(point[None], len(near), axis=0), corner[near], normal[near])
        off = np.linalg.norm(feet - point, axis=1)
        made.append(len(np.unique(body[near[off <= reach]])) > 1)
    return made
