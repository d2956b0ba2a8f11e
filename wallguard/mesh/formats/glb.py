"""GLB, as a tessellator writes it: glTF 2.0 (Khronos Group, from memory), triangles and places."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.mesh.formats.drawing import MAX_TRIANGLES
from wallguard.mesh.mesh import volume

_JSON, _BINARY = 0x4E4F534A, 0x004E4942
_TYPES = {5121: "<u1", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_COUNTS = {"SCALAR": 1, "VEC3": 3}
_TRIANGLES = 4
_DEEP, _MOST = 64, 100_000
# In so many solids at most one mesh is told apart.
_SOLIDS = 1000


@dataclass(frozen=True, eq=False)
class Placed:
    """One mesh where it stands: the names of its nodes from the outermost, and its own; vertices
    (n, 3) in metres, triangles (m, 3)."""

    names: tuple[str, ...]
    vertices: NDArray[np.float64]
    triangles: NDArray[np.int64]


def placed(data: bytes) -> Iterator[Placed]:
    """Every mesh of the scene, once for each place it stands in.

    Raises ValueError (KeyError, IndexError, TypeError): these bytes are not such, or too much.
    """
    tree, binary = _chunks(data)
    nodes, meshes = tree.get("nodes", []), tree.get("meshes", [])
    scenes = tree.get("scenes", [{}])
    waiting: list[tuple[int, NDArray[np.float64], tuple[str, ...]]] = [
        (number, np.eye(4), ())
        for number in reversed(scenes[tree.get("scene", 0)].get("nodes", []))
    ]
    total = seen = 0
    while waiting:
        number, matrix, above = waiting.pop()
        seen += 1
        if seen > _MOST or len(above) > _DEEP:
            raise ValueError("it places too many bodies")
        node = nodes[number]
        matrix = _matrix(node) @ matrix
        names: tuple[str, ...] = (*above, str(node.get("name", "")))
        if "mesh" in node:
            mesh = meshes[node["mesh"]]
            for part in mesh["primitives"]:
                made = _primitive(tree, binary, part, matrix)
                if made is None:
                    continue
                total += len(made[1])
                if total > MAX_TRIANGLES:
                    raise ValueError(f"it has more than {MAX_TRIANGLES} facets")
                yield Placed((*names, str(mesh.get("name", ""))), *made)
        waiting += [(child, matrix, names) for child in reversed(node.get("children", []))]


def solids(body: Placed) -> list[Placed]:
    """The solids of one mesh, in the order of their triangles, each with the hollows within it; the
    mesh as it is where it is one, or where surfaces are not closed or touch, so that nobody can
    tell its solids apart."""
    shells = _shells(body)
    if not 1 < len(shells) <= _SOLIDS:
        return [body]
    corners = [body.vertices[body.triangles[shell]].reshape(-1, 3) for shell in shells]
    low = np.array([points.min(axis=0) for points in corners])
    high = np.array([points.max(axis=0) for points in corners])
    full = np.array([volume(body.vertices, body.triangles[shell]) > 0 for shell in shells])
    size = np.where(full, (high - low).prod(axis=1), np.inf)
    of = np.arange(len(shells))
    for hollow in np.flatnonzero(~full).tolist():
        round_it = full & (low <= low[hollow]).all(axis=1) & (high >= high[hollow]).all(axis=1)
        if not round_it.any():
            return [body]
        of[hollow] = np.argmin(np.where(round_it, size, np.inf))
    made = []
    for solid in np.flatnonzero(full).tolist():
        ours = [shell for shell, whose in zip(shells, of.tolist(), strict=True) if whose == solid]
        used, index = np.unique(body.triangles[np.concatenate(ours)], return_inverse=True)
        made.append(Placed(body.names, body.vertices[used], index.reshape(-1, 3)))
    return made


def _shells(body: Placed) -> list[NDArray[np.int64]]:
    """The triangles of each closed surface, in their order; none where one is not closed."""
    kept, same = np.unique(body.vertices, axis=0, return_inverse=True)
    corners = same.reshape(-1)[body.triangles]
    start, end = corners.ravel(), np.roll(corners, -1, axis=1).ravel()
    there, back = (np.sort(one * len(kept) + other) for one, other in ((start, end), (end, start)))
    # Each edge is gone along once this way and once that way.
    if not np.array_equal(there, back) or (np.diff(there) == 0).any():
        return []
    shell = connected(start, end, len(kept))[1][corners[:, 0]]
    first = np.unique(shell, return_index=True)[1]
    order = np.argsort(shell, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(shell[order])) + 1)
    return [groups[at] for at in np.argsort(first, kind="stable").tolist()]


def _chunks(data: bytes) -> tuple[dict[str, Any], bytes]:
    if data[:4] != b"glTF":
        raise ValueError("this is no GLB")
    found: dict[int, bytes] = {}
    at = 12
    while at + 8 <= len(data):
        size, kind = struct.unpack_from("<II", data, at)
        found[kind] = data[at + 8 : at + 8 + size]
        at += 8 + size
    return json.loads(found[_JSON]), found.get(_BINARY, b"")


def _matrix(node: dict[str, Any]) -> NDArray[np.float64]:
    """A row vector (x, y, z, 1) times it is the placed point: columns come one after the other."""
    return np.array(node.get("matrix", np.eye(4)), np.float64).reshape(4, 4)


def _primitive(
    tree: dict[str, Any], binary: bytes, part: dict[str, Any], matrix: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]] | None:
    """Vertices and triangles; None where it is of lines or points."""
    if part.get("mode", _TRIANGLES) != _TRIANGLES:
        return None
    points = _array(tree, binary, part["attributes"]["POSITION"]).astype(np.float64)
    faces = _array(tree, binary, part["indices"]).astype(np.int64).reshape(-1, 3)
    if len(faces) and faces.max() >= len(points):
        raise ValueError("a triangle names a vertex that is not there")
    if np.linalg.det(matrix[:3, :3]) < 0:  # a mirror turns every face inside out
        faces = faces[:, ::-1]
    return points @ matrix[:3, :3] + matrix[3, :3], faces


def _array(tree: dict[str, Any], binary: bytes, number: int) -> NDArray[Any]:
    accessor = tree["accessors"][number]
    view = tree["bufferViews"][accessor["bufferView"]]
    kind = np.dtype(_TYPES[accessor["componentType"]])
    wide = _COUNTS[accessor["type"]]
    start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    step = view.get("byteStride", kind.itemsize * wide)
    if step != kind.itemsize * wide:
        raise ValueError("its numbers are interleaved")
    return np.frombuffer(binary, kind, accessor["count"] * wide, start).reshape(-1, wide)
