"""Solids of known walls for the tests, made with manifold3d (a general-purpose solid modeller)."""

from __future__ import annotations

import manifold3d as m3
import numpy as np

from wallguard.mesh.mesh import Mesh


def mesh(solid: m3.Manifold) -> Mesh:
    raw = solid.to_mesh64()
    return Mesh(
        np.ascontiguousarray(raw.vert_properties[:, :3], np.float64),
        np.ascontiguousarray(raw.tri_verts, np.int32),
    )


def box(size, corner=(0, 0, 0)) -> m3.Manifold:
    return m3.Manifold.cube(size).translate(corner)


def prism(outline, height) -> m3.Manifold:
    """An outline (list of corners, counter-clockwise) drawn up along z."""
    return m3.Manifold.extrude(m3.CrossSection([np.asarray(outline, float)]), height)


def tube(outer_diameter, wall, height, segments=256) -> m3.Manifold:
    radius = outer_diameter / 2
    outside = m3.Manifold.cylinder(height, radius, radius, segments)
    inside = m3.Manifold.cylinder(height + 2, radius - wall, radius - wall, segments)
    return outside - inside.translate([0, 0, -1])


def i_section(height, width, web, flange, length) -> m3.Manifold:
    """An I-section without its root fillets, standing on end: its walls lie in the layers."""
    return (
        box([width, flange, length])
        + box([width, flange, length], [0, height - flange, 0])
        + box([web, height, length], [(width - web) / 2, 0, 0])
    )


def wedge(thin, thick, length, height) -> m3.Manifold:
    """A wall that tapers evenly from `thick` to `thin`; thin 0 is a knife edge."""
    corners = [[0, -thick / 2], [length, -thin / 2], [length, thin / 2], [0, thick / 2]]
    return prism(corners if thin else [corners[0], [length, 0], corners[3]], height)


def save(path, solid) -> None:
    """Write a binary STL (float32 corners, as the format has them)."""
    raw = solid.to_mesh64()
    corners = raw.vert_properties[:, :3][raw.tri_verts].astype("<f4")
    record = np.zeros(
        len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]
    )
    record["corners"] = corners
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"part".ljust(80) + np.uint32(len(record)).tobytes() + record.tobytes())
