"""A plate with several different parts: each is found, placed and judged, and what belongs to none
is told."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import connected
from wallguard.base.errors import InputError
from wallguard.base.plain import counted
from wallguard.findings.model import LeftOut, PartReport, Trouble
from wallguard.jobs import limits
from wallguard.jobs.toolpath import Judged, Task, judged, reading_of, unusable
from wallguard.jobs.verify import Laid, Step, compared, placed, read_laid
from wallguard.part.geometry import Geometry
from wallguard.sections.cut import cut_at
from wallguard.toolpath.otherwise import OtherPartError
from wallguard.toolpath.placement import Placement
from wallguard.toolpath.placing import Places, polygon

if TYPE_CHECKING:
    from shapely import Geometry as Shape

# Two parts share no ground: with more of the smaller one's, only the one that fits better is there.
_SHARED = 0.2
# Heights at which a part's ground is looked at.
_HEIGHTS = 7
# How far from a part (mm) what is laid may be its own: a brim, supports.
_OWN = 3.0
# What belongs to no part is told from so many layers on and so much material (mm³): skirts and
# lines that prime the nozzle are in the first layers. What lies within `_CELL` mm is one thing.
_LAYERS, _VOLUME, _CELL = 4, 10.0, 3.0
# How much larger than the plate's content (mm) a part may seem: beads that are thinner than drawn.
_LARGER = 1.0
_TOLD = 8


@dataclass(frozen=True)
class Plate:
    """What was found on one plate.

    judged   what becomes of each part that is there
    absent   parts that are not
    rest     what belongs to none of them, in words
    trouble  why the plate could not be judged
    """

    judged: tuple[Judged, ...] = ()
    absent: tuple[LeftOut, ...] = ()
    rest: tuple[Trouble, ...] = ()
    trouble: Trouble | None = None

    @property
    def reports(self) -> tuple[PartReport, ...]:
        return tuple(each.report for each in self.judged)


@dataclass
class _Found:
    """A part with the places where it lies, and its ground at each of them, on the plate."""

    task: Task
    places: Places
    ground: list[Shape]
    hull: list[Shape]


def judge_plate(file: Path, tasks: Sequence[Task], step: Step | None = None) -> Plate:
    """Find each of these parts on a plate, and judge what it lays for them.

    A toolpath that cannot be used, or that holds none of the parts, is told in the result.
    """
    begun, tell = time.perf_counter(), step or (lambda what, share: None)
    try:
        laid = read_laid(file, reading_of(tasks[0]), tell)
        found, absent, failed = _all_found(file, laid, tasks, tell)
    except (InputError, MemoryError) as error:
        why = limits.too_large() if limits.out_of_memory(error) else str(error)
        return Plate(trouble=Trouble(str(file), why))
    if not found and not failed:
        why = f"{file}: makes none of the {counted(len(tasks), 'part')} that may be on it."
        return Plate(absent=tuple(absent), trouble=Trouble(str(file), why))
    made = list(failed)
    for each in found:
        geometry, how = each.task.part.geometry, reading_of(each.task)
        # What else lies there is told of the plate as a whole.
        places = each.places._replace(remarks=()) if len(tasks) > 1 else each.places
        try:
            verified = compared(laid, geometry, each.task.part.path, how, places, tell)
        except (InputError, MemoryError) as error:
            made.append(_failed(file, each.task, error))
            continue
        made.append(judged(file, each.task, verified, begun))
        begun = time.perf_counter()
    rest = tuple(Trouble(str(file), f"{file}: {said}") for said in _rest(laid, found))
    return Plate(tuple(made), tuple(absent), rest)


def _all_found(
    file: Path, laid: Laid, tasks: Sequence[Task], tell: Step
) -> tuple[list[_Found], list[LeftOut], list[Judged]]:
    """The parts that are there, those that are not, and those that could not be looked for."""
    found: list[_Found] = []
    absent: list[LeftOut] = []
    failed: list[Judged] = []
    size = _size(laid)
    for number, task in enumerate(tasks):
        tell(f"placing {task.part.path}", number / len(tasks))
        try:
            geometry = task.part.geometry
            if not _may_hold(size, geometry):
                absent.append(LeftOut(task.part.path, f"not on {file}: it is larger"))
                continue
            places = placed(laid, geometry, task.part.path, reading_of(task))
        except OtherPartError as error:
            absent.append(LeftOut(task.part.path, f"not on {file}: {error.why}"))
            continue
        except (InputError, MemoryError) as error:
            failed.append(_failed(file, task, error))
            continue
        shape, hull = _ground(geometry)
        found.append(
            _Found(
                task,
                places,
                [_there(shape, place) for place in places.copies],
                [_there(hull, place).buffer(_OWN) for place in places.copies],
            )
        )
    kept = _apart(found)
    absent += [
        LeftOut(each.task.part.path, f"not on {file}: what is like it there is another part")
        for each in found
        if not any(each is other for other, _ in kept)
    ]
    return [_only(each, copies) for each, copies in kept], absent, failed


def _failed(file: Path, task: Task, error: Exception) -> Judged:
    why = limits.too_large() if limits.out_of_memory(error) else str(error)
    return Judged(unusable(file, task.part.path, task.rules, why))


def _apart(found: Sequence[_Found]) -> list[tuple[_Found, list[int]]]:
    """Each part with the copies that no other part explains better; those without any are gone."""
    every = sorted(
        ((each, copy) for each in found for copy in range(len(each.places.copies))),
        key=lambda pair: _worse(pair[0].places.copies[pair[1]]),
    )
    taken: list[tuple[_Found, int]] = []
    for each, copy in every:
        own = each.ground[copy]
        if not any(
            other is not each and _share(own, other.ground[number]) > _SHARED
            for other, number in taken
        ):
            taken.append((each, copy))
    kept = [(each, sorted(copy for other, copy in taken if other is each)) for each in found]
    return [(each, copies) for each, copies in kept if copies]


def _worse(place: Placement) -> tuple[float, float, float]:
    """Larger for a place that fits worse."""
    return -round(place.outline, 2), -round(place.inside, 2), -place.agrees


def _share(one: Shape, other: Shape) -> float:
    smaller = min(one.area, other.area)
    return float(one.intersection(other).area / smaller) if smaller > 0 else 0.0


def _only(each: _Found, copies: Sequence[int]) -> _Found:
    chosen = tuple(each.places.copies[copy] for copy in copies)
    return replace(
        each,
        places=each.places._replace(copies=chosen),
        ground=[each.ground[copy] for copy in copies],
        hull=[each.hull[copy] for copy in copies],
    )


def _ground(geometry: Geometry) -> tuple[Shape, Shape]:
    """What of a part stands over the plate, by a few of its sections, and the hull of that."""
    import shapely

    mesh = geometry.placed.mesh
    low, high = mesh.vertices[:, 2].min(), mesh.vertices[:, 2].max()
    step = float(high - low) / _HEIGHTS
    heights = low + step * (np.arange(_HEIGHTS) + 0.5)
    cut = cut_at(mesh, heights, step, untangle=not geometry.sound)
    shapes = [polygon(cut.rings(number)) for number in {*cut.distinct.tolist()} - {-1}]
    shape = shapely.union_all(shapes)
    return shape, shapely.MultiPoint(mesh.vertices[:, :2]).convex_hull


def _there(shape: Shape, place: Placement) -> Shape:
    import shapely

    return shapely.transform(shape, place.to_plate)


def _size(laid: Laid) -> NDArray[np.float64]:
    """Width, depth and height (3,) of all that is laid, mm."""
    beads = laid.beads
    wide = beads.width[:, None] / 2
    low = (np.minimum(beads.start, beads.end) - wide).min(axis=0)
    high = (np.maximum(beads.start, beads.end) + wide).max(axis=0)
    return np.append(high - low, beads.z.max())


def _may_hold(size: NDArray[np.float64], geometry: Geometry) -> bool:
    """Whether a part of this size may lie there, turned or not."""
    x, y, z = geometry.extents
    diagonal = float(np.hypot(size[0], size[1]))
    return z <= size[2] + _LARGER and max(x, y) <= diagonal + _LARGER


def _rest(laid: Laid, found: Sequence[_Found]) -> Iterator[str]:
    """What is laid and belongs to none of these parts, in words; the largest first."""
    import shapely

    beads = laid.beads
    middle = (beads.start + beads.end) / 2
    own = shapely.union_all([hull for each in found for hull in each.hull])
    shapely.prepare(own)
    left = np.flatnonzero(~shapely.contains_xy(own, middle[:, 0], middle[:, 1]))
    told = []
    for group in _groups(middle[left]):
        some = left[group]
        layers, volume = len(np.unique(beads.layer[some])), float(beads.volume[some].sum())
        if layers >= _LAYERS and volume >= _VOLUME:
            ends = np.concatenate([beads.start[some], beads.end[some]])
            told.append((volume, layers, ends.min(axis=0), ends.max(axis=0)))
    told.sort(key=lambda each: -each[0])
    for volume, layers, low, high in told[:_TOLD]:
        yield (
            f"{volume:.0f} mm³ in {layers} layers, at X {low[0]:.0f} to {high[0]:.0f} Y "
            f"{low[1]:.0f} to {high[1]:.0f} of the plate, belong to none of these parts."
        )
    if len(told) > _TOLD:
        yield f"{len(told) - _TOLD} more things on the plate belong to none of these parts."


def _groups(points: NDArray[np.float64]) -> list[NDArray[np.int64]]:
    """Numbers of points (n, 2) in groups: what lies in cells that touch is one."""
    if not len(points):
        return []
    places = np.floor(points / _CELL).astype(np.int64)
    cells, cell_of = np.unique(places, axis=0, return_inverse=True)
    cell_of = cell_of.reshape(-1)
    number = {tuple(cell): at for at, cell in enumerate(cells.tolist())}
    pairs = [
        (at, number[x + dx, y + dy])
        for (x, y), at in number.items()
        for dx in (-1, 0, 1)
        for dy in (-1, 0, 1)
        if (x + dx, y + dy) in number
    ]
    rows, columns = np.array(pairs).T
    count, label = connected(rows, columns, len(cells))
    return [np.flatnonzero(label[cell_of] == each) for each in range(count)]
