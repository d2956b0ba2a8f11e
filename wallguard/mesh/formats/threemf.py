"""3MF: the 3MF Core Specification 1.x, and model parts in several files (production extension).

The specifications are quoted from memory. What is printed is what the `<build>` lists: objects,
each a mesh or composed of others (components), placed by affine transforms. Objects of the
types `support`, `solidsupport` and `other` are not part of what is printed.

    extension        here
    production       read: parts of a package in files of their own
    materials        ignored: no geometry is in them
    slice            ignored, with a remark: the mesh is checked, and not its slices; refused where
                     the mesh is said to be coarser than these
    beam lattice     refused, and so is any other that a file requires
"""

from __future__ import annotations

import itertools
import math
from array import array
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wallguard.base.errors import InputError
from wallguard.base.plain import plain
from wallguard.base.units import Unit
from wallguard.mesh.formats.drawing import EXPORT, MAX_TRIANGLES, Drawing, label
from wallguard.mesh.formats.package import Package
from wallguard.mesh.formats.xmlstream import (
    UNDECLARED,
    Attributes,
    UndeclaredError,
    declared,
    parse,
    undeclared_prefixes,
)

MAX_DEPTH = 32
MAX_INSTANCES = 10_000
MAX_ALIKE = 100  # one mesh in one place; nobody prints it twice there
MAX_MODELS = 1_000
MAX_OBJECTS = 100_000  # with components and items: in all that is read, used or not

# 3MF Core Specification, 3.4 "Model": the values of `unit`; millimeter is the default.
UNITS: dict[str, Unit] = {
    "micron": "micrometre",
    "millimeter": "mm",
    "centimeter": "cm",
    "inch": "inch",
    "foot": "foot",
    "meter": "m",
}

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_VERTEX, _TRIANGLE, _MESH = (f"{_CORE} {local}" for local in ("vertex", "triangle", "mesh"))
_PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_MATERIAL = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
_SLICE = "http://schemas.microsoft.com/3dmanufacturing/slice/2015/07"
_LATTICE = "http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02"
_MODEL_TYPE = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_RELATIONSHIP = "http://schemas.openxmlformats.org/package/2006/relationships Relationship"
_UNDERSTOOD = {_CORE, _PRODUCTION, _MATERIAL, _SLICE}
_MOST_PREFIXES = 1_000
_NOT_PRINTED = {"support", "solidsupport", "other"}
# What elements hold whose every word matters.
_GEOMETRY = {"object", "build"}
_SLICED = "its slices are not read: the mesh is checked"
_COARSE = "holds the part as slices, which are not read, and a mesh of low resolution"

Key = tuple[str, str]  # the model part, the object's id in it
Matrix = NDArray[np.float64]  # (4, 3): a row vector (x, y, z, 1) times it is the placed point
_UPRIGHT: Matrix = np.eye(4, 3)


@dataclass(frozen=True)
class _Placed:
    """A build item or a component: which object, and where."""

    key: Key
    matrix: Matrix


@dataclass
class _Object:
    kind: str
    corners: array[float] = field(default_factory=lambda: array("d"))
    indices: array[int] = field(default_factory=lambda: array("q"))
    components: list[_Placed] = field(default_factory=list)
    name: str = ""


@dataclass
class _Model:
    """`remarks`: what is not read of it."""

    unit: str = "millimeter"
    remarks: set[str] = field(default_factory=set)
    objects: dict[str, _Object] = field(default_factory=dict)
    build: list[_Placed] = field(default_factory=list)


def read(path: Path, data: bytes) -> Drawing:
    """Read what a 3MF file says is to be built; raises InputError."""
    package = Package(path, data)
    first = _first_model(path, package)
    models: dict[str, _Model] = {}
    named = itertools.count(1)

    def model(name: str) -> _Model:
        if name not in models:
            if len(models) >= MAX_MODELS:
                raise InputError(path, f"has more than {MAX_MODELS} model parts")
            models[name] = _read_model(path, package, name, named)
        return models[name]

    root = model(first)
    vertices: list[NDArray[np.float64]] = []
    triangles: list[NDArray[np.int64]] = []
    objects: list[NDArray[np.int64]] = []
    total = count = 0
    alike: Counter[tuple[int, bytes]] = Counter()
    names: list[str] = []
    for solid, matrix, name in _instances(path, root, model):
        names.append(name)
        place = id(solid), matrix.tobytes()
        alike[place] += 1
        if alike[place] > MAX_ALIKE:
            what = f"places one object in the same place more than {MAX_ALIKE} times"
            raise InputError(path, what, remedy="Place it there once")
        points = np.frombuffer(solid.corners, np.float64).reshape(-1, 3)
        faces = np.frombuffer(solid.indices, np.int64).reshape(-1, 3)
        total += len(faces)
        if total > MAX_TRIANGLES or count + len(points) > 3 * MAX_TRIANGLES:
            raise InputError(path, f"builds more than {MAX_TRIANGLES} triangles")
        if _det(matrix) < 0:  # a mirror turns every face inside out
            faces = faces[:, ::-1]
        objects.append(np.full(len(points), len(vertices)))
        with np.errstate(all="ignore"):  # what lies beyond all measure is refused later
            vertices.append(points @ matrix[:3] + matrix[3])
        triangles.append(faces + count)
        count += len(points)
    if not total:
        raise InputError(path, "its <build> holds no triangles to print", remedy=EXPORT)
    if len({each.unit for each in models.values()}) > 1:
        raise InputError(path, "its model parts are drawn in different units", remedy=EXPORT)
    return Drawing(
        np.concatenate(vertices),
        np.concatenate(triangles),
        UNITS[root.unit],
        np.concatenate(objects),
        names=tuple(names),
        remarks=tuple(sorted({said for each in models.values() for said in each.remarks})),
    )


def _instances(
    path: Path, root: _Model, model: Callable[[str], _Model]
) -> Iterator[tuple[_Object, Matrix, str]]:
    """Every mesh to print, once for each place it stands in, in the file's order; with the name of
    its object, or of what that is a component of."""
    waiting: list[tuple[_Placed, int, str]] = []
    total = 0

    def push(placed: list[_Placed], depth: int, matrix: Matrix, name: str) -> None:
        nonlocal total
        total += len(placed)
        if total > MAX_INSTANCES:
            raise InputError(path, f"places objects more than {MAX_INSTANCES} times")
        waiting.extend((_within(component, matrix), depth, name) for component in reversed(placed))

    push(root.build, 0, _UPRIGHT, "")
    while waiting:
        placed, depth, above = waiting.pop()
        if depth > MAX_DEPTH:
            raise InputError(path, f"nests components more than {MAX_DEPTH} deep, or in a ring")
        part, number = placed.key
        item = model(part).objects.get(number)
        if item is None:
            raise InputError(
                path,
                f"its part {part!r} has no object {number!r}, which is to be printed",
                remedy=EXPORT,
            )
        if item.kind in _NOT_PRINTED:
            continue
        if item.corners:
            yield item, placed.matrix, item.name or above
        push(item.components, depth + 1, placed.matrix, item.name or above)


def _within(child: _Placed, matrix: Matrix) -> _Placed:
    """A component as it lies where its object is placed."""
    if matrix is _UPRIGHT:
        return child
    with np.errstate(all="ignore"):
        placed = child.matrix @ matrix[:3]
        placed[3] += matrix[3]
    return _Placed(child.key, placed)


def _det(matrix: Matrix) -> float:
    """How many times larger what is placed so is, below zero where it is mirrored."""
    (a, b, c), (d, e, f), (g, h, i) = matrix[:3].tolist()
    return float(a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g))


def _first_model(path: Path, package: Package) -> str:
    """The name of the model part that the package's relationships name as the 3D model."""
    targets: list[str] = []

    def start(name: str, attributes: Attributes) -> None:
        if name == _RELATIONSHIP and attributes.get("Type") == _MODEL_TYPE:
            targets.append(_part_name(attributes.get("Target", "")))
            if len(targets) > 1:
                raise ValueError("names more than one 3D model")

    if "_rels/.rels" not in package:
        raise InputError(path, "is a zip file, but not 3MF: it has no '_rels/.rels'")
    parse(path, "_rels/.rels", package.blocks("_rels/.rels"), start, lambda name: None)
    if not targets:
        raise InputError(path, "names no 3D model", remedy=EXPORT)
    return targets[0]


def _part_name(target: str) -> str:
    """Only ever looked up in the package; still, nothing that looks like a way out of it."""
    name = target.lstrip("/")
    if not name or "\\" in name or ":" in name or ".." in name.split("/"):
        raise ValueError(f"{target!r} does not name a part of the package")
    return name


def _read_model(path: Path, package: Package, part: str, named: Iterator[int]) -> _Model:
    """Read a model part; `named` counts what is named in all of them.

    Programs leave prefixes undeclared in what they add of their own. XML forbids that, so that such
    a file is read again with these prefixes declared, and refused only where geometry needs one.
    """
    try:
        return _read_part(path, package, part, named, None)
    except UndeclaredError as error:
        prefixes = undeclared_prefixes(package.blocks(part))
        if not prefixes:
            raise
        model = _read_part(path, package, part, named, _Undeclared(prefixes))
        model.remarks.add(f"{error.problem}; nothing of its geometry needs that")
        return model


class _Undeclared:
    """Prefixes that a file uses and does not declare, and where it stands."""

    def __init__(self, prefixes: Sequence[str]) -> None:
        self.prefixes = prefixes
        self.told = ", ".join(map(plain, prefixes[:5]))
        self.inside = 0  # of elements that hold geometry

    def forbids(self, space: str, name: str, attributes: Attributes) -> bool:
        """Whether something of an element that begins is lost that geometry needs: the element
        itself within an object or the build, or where an object lies."""
        if space == _CORE and name.rpartition(" ")[2] in _GEOMETRY:
            self.inside += 1
        if space.startswith(UNDECLARED) and self.inside:
            return True
        return any(key.startswith(UNDECLARED) and key.endswith(" path") for key in attributes)

    def ends(self, name: str) -> None:
        """An element ends."""
        if name.startswith(_CORE) and name.rpartition(" ")[2] in _GEOMETRY:
            self.inside -= 1


def _beside(model: _Model, space: str, local: str) -> None:
    """What is to be said of an element that is not read. Raises ValueError where it is geometry."""
    if space == _LATTICE and local == "beamlattice":
        raise ValueError("holds a beam lattice, which is not read; export it as triangles")
    if space == _SLICE and local == "slicestack":
        model.remarks.add(_SLICED)


def _read_part(
    path: Path, package: Package, part: str, named: Iterator[int], undeclared: _Undeclared | None
) -> _Model:
    model = _Model()
    prefixes: dict[str, str] = {}
    current = _Object("model")

    def start(name: str, attributes: Attributes) -> None:
        nonlocal current
        # The two that come by the million stand first.
        if name == _TRIANGLE:
            current.indices.extend(
                (int(attributes["v1"]), int(attributes["v2"]), int(attributes["v3"]))
            )
            return
        if name == _VERTEX:
            current.corners.extend(
                (float(attributes["x"]), float(attributes["y"]), float(attributes["z"]))
            )
            return
        space, _, local = name.rpartition(" ")
        if undeclared is not None and undeclared.forbids(space, name, attributes):
            raise ValueError(f"a prefix is not declared that geometry needs: {undeclared.told}")
        if space in (_SLICE, _LATTICE):
            _beside(model, space, local)
        if space != _CORE:
            return
        if local in ("object", "component", "item") and next(named) > MAX_OBJECTS:
            raise ValueError(f"more than {MAX_OBJECTS} objects, components and items")
        if local == "object":
            current = _object(attributes)
            if model.objects.setdefault(attributes["id"], current) is not current:
                raise ValueError(f"a second object {attributes['id']!r}")
        elif local == "component":
            current.components.append(_placed(part, attributes))
        elif local == "item":
            model.build.append(_placed(part, attributes))
        elif local == "model":
            model.unit = _unit(attributes, prefixes)

    def end(name: str) -> None:
        if undeclared is not None:
            undeclared.ends(name)
        if name == _MESH:
            indices = np.array(current.indices)
            if len(indices) and not 0 <= indices.min() <= indices.max() < len(current.corners) // 3:
                raise ValueError("a triangle names a vertex that its object does not have")

    def prefix(name: str, uri: str) -> None:
        prefixes[name] = uri
        if len(prefixes) > _MOST_PREFIXES:
            raise ValueError(f"declares more than {_MOST_PREFIXES} prefixes")

    blocks = package.blocks(part)
    if undeclared is not None:
        blocks = declared(blocks, undeclared.prefixes)
    parse(path, part, blocks, start, end, prefix)
    return model


def _unit(attributes: Attributes, prefixes: dict[str, str]) -> str:
    """The unit of a model, of which nothing is required that is not read."""
    unit = attributes.get("unit", _Model.unit)
    if unit not in UNITS:
        raise ValueError(f"unknown unit {unit!r}; 3MF has {', '.join(UNITS)}")
    for prefix in attributes.get("requiredextensions", "").split():
        uri = prefixes.get(prefix)
        if uri not in _UNDERSTOOD:
            raise ValueError(f"requires the 3MF extension {uri or prefix!r}, which is not read")
    return unit


def _object(attributes: Attributes) -> _Object:
    """An object that begins."""
    if attributes.get(f"{_SLICE} meshresolution") == "lowres":
        raise ValueError(_COARSE)
    return _Object(attributes.get("type", "model"), name=label(attributes.get("name", "")))


def _placed(part: str, attributes: Attributes) -> _Placed:
    other = attributes.get(f"{_PRODUCTION} path")
    key = _part_name(other) if other else part, attributes["objectid"]
    if "transform" not in attributes:
        return _Placed(key, _UPRIGHT)
    values = [float(word) for word in attributes["transform"].split()]
    if len(values) != 12 or not all(math.isfinite(value) for value in values):
        raise ValueError(f"a transform needs 12 numbers, not {attributes['transform'][:80]!r}")
    matrix = np.array(values).reshape(4, 3)
    size = _det(matrix)
    if size == 0 or not math.isfinite(size):
        what = "flattens the part" if size == 0 else "enlarges the part beyond all measure"
        raise ValueError(f"a transform that {what}: {attributes['transform'][:80]!r}")
    return _Placed(key, matrix)
