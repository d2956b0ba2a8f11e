"""Mend what can be mended without guessing, so that a mesh can be cut; the rest stays as it is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.mesh.edges import edges_of
from wallguard.mesh.health import Anatomy, Health, examine, triangles_of
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.overlap import manifold


def solid(mesh: Mesh, health: Health) -> tuple[Mesh, tuple[str, ...]]:
    """A mesh to be cut, and plain sentences that say what was changed.

    Leaves out needless faces, turns faces and bodies that face the wrong way where the body is
    closed, and unites bodies that overlap or touch, unless they are too many to tell all that do.
    Open edges and all else are left alone. A mesh with nothing to mend comes back as it is.
    """
    done: list[str] = []
    needless = int(health.anatomy.needless.sum())
    if 0 < needless < len(mesh.triangles):
        mesh = _with(mesh, mesh.triangles[~health.anatomy.needless])
        health = examine(mesh)
        done.append(f"left out {_number(needless, 'face')} without area or with a double")
    if health.anatomy.turned.any():
        triangles, turned = _agreed(mesh.triangles, health.anatomy)
        if turned:
            mesh = _with(mesh, triangles)
            health = examine(mesh)
            done.append(f"turned {_number(turned, 'face')} that lay the wrong way round")
    if health.anatomy.invert.any():
        invert = health.anatomy.invert
        inward = np.append(invert, False)[health.anatomy.body]
        triangles = np.where(inward[:, None], mesh.triangles[:, ::-1], mesh.triangles)
        done.append(f"turned {_number(int(invert.sum()), 'body')} that faced inward")
        mesh = _with(mesh, triangles)
        health = examine(mesh)
    if health.anatomy.meetings and health.complete:
        mesh, united = _united(mesh, health.anatomy)
        if united:
            done.append(f"united {_number(united, 'body')} that overlap or touch")
    return mesh, tuple(done)


def _number(count: int, noun: str) -> str:
    plural = "bodies" if noun == "body" else f"{noun}s"
    return f"{count} {noun if count == 1 else plural}"


def _with(
    mesh: Mesh, triangles: NDArray[np.int32], vertices: NDArray[np.float64] | None = None
) -> Mesh:
    """The mesh with other triangles, and those of the vertices that they use."""
    vertices = mesh.vertices if vertices is None else vertices
    used = np.zeros(len(vertices), bool)
    used[triangles] = True
    index = np.cumsum(used, dtype=np.int32) - np.int32(1)
    return Mesh(vertices[used], index[triangles], mesh.unit, mesh.unit_source, mesh.step)


def _agreed(triangles: NDArray[np.int32], anatomy: Anatomy) -> tuple[NDArray[np.int32], int]:
    """Turn the fewest faces so that all faces of each closed body agree, where they can.

    Each face stands for two nodes, as it is and turned. Across an edge, the ones that agree are
    linked; then all nodes linked with a face as it is say how to turn its body. Where a face is
    linked with its own turned self, the surface has one side only and is left alone.
    """
    faces = len(triangles)
    edges = edges_of(triangles, anatomy.body >= 0)
    pair = np.flatnonzero(edges.count == 2)
    at = edges.start[pair]
    a, b = edges.sides[at] // 3, edges.sides[at + 1] // 3
    agree = edges.back[at] != edges.back[at + 1]
    other = np.where(agree, b, b + faces)
    opposite = np.where(agree, b + faces, b)
    count, label = connected(
        np.concatenate([a, a + faces]), np.concatenate([other, opposite]), 2 * faces
    )
    kept, turned = label[:faces], label[faces:]
    sizes = np.bincount(kept, minlength=count)
    # Of the two ways, the one that keeps more faces as they are; the first where they are equal.
    turn = (sizes[kept] < sizes[turned]) | ((sizes[kept] == sizes[turned]) & (kept > turned))
    turn &= np.append(anatomy.turned, False)[anatomy.body]
    return np.where(turn[:, None], triangles[:, ::-1], triangles), int(turn.sum())


def _united(mesh: Mesh, anatomy: Anatomy) -> tuple[Mesh, int]:
    """Unite solids that meet; returns how many were united."""
    import manifold3d as m3

    solids = triangles_of(mesh.triangles, anatomy.body, anatomy.solids)
    first = np.array([met.first for met in anatomy.meetings])
    second = np.array([met.second for met in anatomy.meetings])
    _, label = connected(first, second, len(solids))
    middle = np.array([(column.min() + column.max()) / 2 for column in mesh.vertices.T])
    centred = mesh.vertices - middle
    gone = np.zeros(len(anatomy.invert) + 1, bool)
    vertices, triangles = [mesh.vertices], []
    count, united = len(mesh.vertices), 0
    for group in np.flatnonzero(np.bincount(label) > 1):
        members = np.flatnonzero(label == group)
        bodies = [manifold(centred, solids[each]) for each in members]
        if any(body is None for body in bodies):
            continue
        whole = m3.Manifold.batch_boolean(bodies, m3.OpType.Add)
        if whole.status() != m3.Error.NoError or whole.is_empty():
            continue
        result = whole.to_mesh64()
        vertices.append(np.asarray(result.vert_properties)[:, :3] + middle)
        triangles.append(np.asarray(result.tri_verts).astype(np.int32) + np.int32(count))
        count += len(vertices[-1])
        united += len(members)
        for each in members:
            gone[list(anatomy.solids[each])] = True
    if not united:
        return mesh, 0
    kept = mesh.triangles[~gone[anatomy.body]]
    return _with(mesh, np.concatenate([kept, *triangles]), np.concatenate(vertices)), united
