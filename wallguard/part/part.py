"""The one way from a part's file to the part as it is printed: read, examined, placed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Protocol

from wallguard.base.formats import CHORD
from wallguard.base.rotation import UPRIGHT, Rotation
from wallguard.base.units import MILLIMETRES, Unit
from wallguard.mesh.health import Health, examine
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.read import read_mesh
from wallguard.part.geometry import Geometry
from wallguard.part.memory import Memory


class Pose(Protocol):
    """How a part lies: what `repository.config.Assignment` says of it, and what stands in for one.

    rotation  rows of the matrix from the file's frame to the printer's
    scale     printed size over the size in the file
    unit      unit of the file where its format carries none; None: not stated
    chord     how far facets lie off the curve, mm, where a file holds curves
    """

    @property
    def rotation(self) -> Rotation: ...
    @property
    def scale(self) -> float: ...
    @property
    def unit(self) -> Unit | None: ...
    @property
    def chord(self) -> float: ...


@dataclass(frozen=True)
class AsDrawn:
    """How a part lies of which nothing is said: upright, at full size."""

    rotation: Rotation = UPRIGHT
    scale: float = 1.0
    unit: Unit | None = None
    chord: float = CHORD


@dataclass(frozen=True, eq=False)
class Part:
    """A part as it is printed; `path` is its name in reports and errors."""

    path: str
    geometry: Geometry

    @classmethod
    def load(
        cls,
        file: Path,
        pose: Pose | None = None,
        *,
        root: Path | None = None,
        name: str | None = None,
        drawn_in: Unit | None = None,
    ) -> Part:
        """Read a part's file and place the part as it lies (None: as it is drawn).

        root      a folder that the file must lie in, links followed; None: it may lie anywhere
        name      what the part is called where `file` is a copy of it; None: as the file
        drawn_in  the unit it is drawn in, whatever its format or `pose` says

        Raises InputError: see `mesh.read.read_mesh`.
        """
        return PartFile(file, root=root, name=name, drawn_in=drawn_in).lying(pose or AsDrawn())

    @classmethod
    def of(cls, mesh: Mesh, name: str, pose: Pose | None = None) -> Part:
        """The part that a mesh describes, placed as it lies (None: as it is drawn)."""
        lies = pose or AsDrawn()
        return cls(name, Geometry(mesh, examine(mesh), lies.rotation, lies.scale, name))


class PartFile:
    """One part's file, for which several rule files may say how it lies: it is read once for each
    unit and placed once for each way. The arguments are those of `Part.load`.

    data      what the file holds; None: it is read
    memories  gives the memory for the part as it lies some way, told in words; None: nothing is
              remembered
    """

    def __init__(
        self,
        file: Path,
        *,
        root: Path | None = None,
        name: str | None = None,
        drawn_in: Unit | None = None,
        data: bytes | None = None,
        memories: Callable[[str], Memory] | None = None,
    ) -> None:
        self.name = str(file) if name is None else name
        self._several = False
        self._file, self._root, self._drawn_in = file, root, drawn_in
        self._data, self._memories = data, memories
        self._meshes: dict[tuple[Unit | None, float], tuple[Mesh, Health]] = {}
        self._parts: dict[tuple[object, ...], Part] = {}

    def for_several(self) -> None:
        """Say that several rule files ask for the same: see `Geometry.for_several`."""
        self._several = True

    def lying(self, pose: Pose) -> Part:
        """The part placed as `pose` says. Raises InputError."""
        key = pose.unit, pose.rotation, pose.scale, pose.chord
        if key not in self._parts:
            if self._memories is None:
                mesh, health = self._read(pose)
                geometry = Geometry(mesh, health, pose.rotation, pose.scale, self.name)
            else:
                memory = self._memories(repr((self._drawn_in, *key)))
                read = partial(self._read, pose)
                geometry = Geometry.remembered(read, pose, self.name, memory)
            if self._several:
                geometry.for_several()
            self._parts[key] = Part(self.name, geometry)
        return self._parts[key]

    def _read(self, pose: Pose) -> tuple[Mesh, Health]:
        key = pose.unit, pose.chord
        if key not in self._meshes:
            mesh = read_mesh(
                self._file,
                unit=self._drawn_in or pose.unit,
                root=self._root,
                shown=self.name,
                data=self._data,
                chord=pose.chord,
            )
            mesh = _in_unit(mesh, self._drawn_in)
            self._meshes[key] = mesh, examine(mesh)
        return self._meshes[key]


def _in_unit(mesh: Mesh, unit: Unit | None) -> Mesh:
    """The mesh as it is if it is drawn in `unit`, also where its format says another."""
    if unit is None or mesh.unit == unit:
        return mesh
    factor = MILLIMETRES[unit] / MILLIMETRES[mesh.unit]
    return replace(mesh, vertices=mesh.vertices * factor, unit=unit, step=mesh.step * factor)
