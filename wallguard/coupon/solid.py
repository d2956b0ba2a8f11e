"""The solid of one plate, as a mesh.

Everything but the lying holes is drawn up from outlines. Those that are drawn from the same height
to the same height are united in the plane before solids are united.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wallguard.coupon.layout import Plate
from wallguard.coupon.marks import Outline
from wallguard.coupon.plan import Sizes
from wallguard.coupon.shapes import SIDES, Bore, Prism
from wallguard.mesh.mesh import Mesh

if TYPE_CHECKING:
    from manifold3d import Manifold

# Vertices are put on a grid of this many decimals of a millimetre: a file written in single
# precision then has equal numbers where the solid has equal ones.
_DECIMALS = 4


def solid(plate: Plate, sizes: Sizes) -> Mesh:
    """The mesh of `plate`: closed, one body, its triangles in an order of their own.

    Raises ValueError where the pieces do not make one healthy body (an error of the layout).
    """
    from manifold3d import Manifold, OpType

    content = plate.content
    bottom, middle, top = 0.0, sizes.base / 2, sizes.base + sizes.mark
    strokes = [
        Prism(outline, middle, top) for mark in content.marks for outline in mark.strokes(sizes.pen)
    ]
    base = Prism(plate.outline, bottom, sizes.base)
    adds = _drawn_up([base, *content.prisms, *strokes])
    cuts = _drawn_up(content.cuts) + [_cylinder(bore) for bore in content.bores]
    whole = Manifold.batch_boolean(adds, OpType.Add)
    if cuts:
        whole -= Manifold.batch_boolean(cuts, OpType.Add)
    if len(whole.decompose()) != 1:
        raise ValueError(f"plate {plate.number} is in pieces")
    return _mesh(whole)


def _drawn_up(prisms: tuple[Prism, ...] | list[Prism]) -> list[Manifold]:
    from manifold3d import CrossSection, FillRule, Manifold

    spans = sorted({(each.low, each.high) for each in prisms})
    outlines: dict[tuple[float, float], list[Outline]] = {span: [] for span in spans}
    for each in prisms:
        outlines[each.low, each.high].append(each.outline)
    return [
        Manifold.extrude(
            CrossSection([np.array(ring) for ring in rings], FillRule.NonZero), high - low
        ).translate([0, 0, low])
        for (low, high), rings in outlines.items()
    ]


def _cylinder(bore: Bore) -> Manifold:
    from manifold3d import Manifold

    radius = bore.diameter / 2
    upright = Manifold.cylinder(bore.length, radius, radius, SIDES)
    turned = upright.rotate([0, 90, 0] if bore.along == "x" else [-90, 0, 0])
    return turned.translate(list(bore.start))


def _mesh(whole: Manifold) -> Mesh:
    raw = whole.to_mesh64()
    vertices = np.round(np.asarray(raw.vert_properties[:, :3], np.float64), _DECIMALS) + 0.0
    triangles = np.asarray(raw.tri_verts, np.int64)
    unique, index = np.unique(vertices, axis=0, return_inverse=True)
    triangles = index.reshape(-1)[triangles]
    a, b, c = triangles.T
    triangles = triangles[(a != b) & (b != c) & (c != a)]
    # Each begins with its lowest vertex, and they stand in order: as the solid, not as it was made.
    first = triangles.argmin(axis=1)
    rows = np.arange(len(triangles))
    triangles = np.stack([triangles[rows, (first + at) % 3] for at in range(3)], axis=1)
    order = np.lexsort(triangles.T[::-1])
    return Mesh(unique, triangles[order].astype(np.int32))
