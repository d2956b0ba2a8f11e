"""Measure a model drawn at full size at each reduction: how do its walls come out?

Each reduction is measured anew, in the layers that the model would be printed in: a wall measured
once and divided by the factor would be wrong where layers cut it elsewhere (under a sloping roof,
at a cornice), and where what was a block becomes thin enough to be a wall. The cost is bounded: a
model that would take too many layers, or too much outline, is measured in thicker ones, and says
so.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path
from typing import Literal, get_args

import numpy as np

from wallguard.bands.advice import Range, leaning, nearest_drawn
from wallguard.bands.declared import band_table
from wallguard.bands.table import Verdict
from wallguard.base.errors import TooLargeError
from wallguard.base.text import below
from wallguard.base.units import Unit
from wallguard.checks.case import Case
from wallguard.findings.model import Spread
from wallguard.findings.outcomes import loss
from wallguard.findings.scale import Holding, Reduction, Scales
from wallguard.jobs.check import triangles_in
from wallguard.jobs.choose import How
from wallguard.jobs.limits import is_small, most_for
from wallguard.jobs.watched import Watch
from wallguard.jobs.workers import cost_of_mesh, do_all
from wallguard.part.geometry import Geometry
from wallguard.part.part import Part
from wallguard.repository.entry import Assignment
from wallguard.rules.features import FEATURES
from wallguard.rules.model import Rules
from wallguard.walls.stretch import Stretch, is_speck

# ISO 5455:1979, reduction scales, and full size (from memory).
STANDARD = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000)

# A model is measured in at most so many layers, and so much outline (mm).
_LAYERS = 2000
_OUTLINE = 200_000.0
# Models this many times as large as the build volume are not measured; mm where none is known.
_BEYOND = 4.0
_LARGEST = 2000.0
# What is too small to be called a wall may come out otherwise as long as it is no more than this
# share of all walls' length: where walls meet, such bits are left. What is shorter than the second
# (mm) is nothing to print or to lose, however much there is of it.
_CRUMBS, _NOTHING = 0.01, 0.1
# The limits that are looked at.
_OF_WALLS = ("wall", "free_wall")
_Becomes = Verdict | Literal["thin"]
_VERDICTS = (*sorted(get_args(Verdict), key=loss), "thin")


@dataclass(frozen=True)
class Model:
    """A part's file and how it lies, at whatever scale; `drawn_in`: see `Part.load`."""

    file: Path
    placed: Assignment
    name: str
    drawn_in: Unit | None = None

    @cached_property
    def part(self) -> Part:
        """The part, loaded once by each process that measures it."""
        return Part.load(self.file, self.placed, name=self.name, drawn_in=self.drawn_in)


def scale(part: Part, rules: Rules, wanted: float | None = None, jobs: int = 1) -> Scales:
    """How a part comes out at each reduction, whatever scale it was loaded with.

    wanted  a reduction that is asked for: 200 for 1:200, standard or not
    jobs    reductions measured at a time

    Raises InputError where no band table follows from the rules, and where a process that measured
    a reduction was killed.
    """
    cost = cost_of_mesh(part.geometry.facts.triangles)
    return _scales(part, rules, wanted, jobs, Watch(part.path, None, lambda: True, cost))


def scale_of(model: Model, rules: Rules, wanted: float | None, how: How) -> Scales:
    """The same of a part's file, each reduction held to what may be taken.

    Raises InputError as `scale` does, where the file cannot be read, and where one takes more.
    """

    def plain() -> bool:
        return is_small(model.file, [(replace(model.placed, scale=1.0), rules.layer_height)])

    cost = cost_of_mesh(triangles_in(model.file))
    watch = Watch(model.name, most_for([model.file], how.allowed), plain, cost)
    return _scales(model, rules, wanted, how.jobs, watch)


def _scales(
    model: Part | Model, rules: Rules, wanted: float | None, jobs: int, watch: Watch
) -> Scales:
    factors = sorted({*map(float, STANDARD), *([wanted] if wanted else [])})
    work = watch.work(partial(_measure, model, rules))
    scales, *measured = do_all(work, [None, *factors], jobs)
    assert isinstance(scales, Scales)
    rows = tuple(each for each in measured if isinstance(each, Reduction))
    return replace(scales, reductions=rows, wanted=wanted)


def _measure(model: Part | Model, rules: Rules, factor: float | None) -> Scales | Reduction:
    """The part at a reduction; None: what is said of the part as a whole."""
    part = model if isinstance(model, Part) else model.part
    geometry = part.geometry.at_scale(1.0)
    if factor is not None:
        return reduction(geometry, rules, factor)
    unsound = (
        "The mesh is not sound, so some walls may be wrong or left out: `wallguard check` says "
        "what is wrong with it."
    )
    return Scales(
        path=part.path,
        rules=rules.path,
        rules_name=rules.name,
        unit=geometry.facts.unit,
        size=geometry.extents,
        reductions=(),
        remarks=() if geometry.health.healthy else (unsound,),
        unseen=tuple(
            row.id for row in FEATURES if row.id in rules.minimum and row.id not in _OF_WALLS
        ),
    )


def reduction(geometry: Geometry, rules: Rules, factor: float) -> Reduction:
    """The part at the reduction 1:`factor`, see `reductions`."""
    table = band_table(rules)
    model = geometry.at_scale(1 / factor)
    size = model.extents
    fits = None if rules.build_volume is None else _fits(size, rules.build_volume)
    plain = Reduction(
        factor=factor,
        size=size,
        fits=fits,
        measured=False,
        layer_height=rules.layer_height,
        up_to=Case(model, rules, table).largest,
    )
    volume = rules.build_volume or (_LARGEST / _BEYOND,) * 3
    if not _fits(size, [_BEYOND * side for side in volume]):
        return replace(plain, beyond=True, note="too large, not measured")
    layered = rules.category == "material extrusion"
    if size[2] < rules.layer_height / 2:
        return replace(plain, note="less than half a layer high: nothing is printed")
    try:
        height = _layer_height(model, rules.layer_height) if layered else rules.layer_height
        case = Case(model, rules, table, height)
        measured = _measured(case, plain)
    except (TooLargeError, MemoryError):
        return replace(plain, beyond=True, note="too much to measure")
    return replace(measured, layer_height=height)


def _fits(size: Sequence[float], volume: Sequence[float]) -> bool:
    """Whether the model, perhaps turned by a quarter on the plate, fits the build volume."""
    pairs = [*zip(sorted(volume[:2]), sorted(size[:2]), strict=True), (volume[2], size[2])]
    return not any(below(room, side) for room, side in pairs)


def _layer_height(model: Geometry, asked: float) -> float:
    """The layer height to measure in: as asked, or thicker to stay within bounds."""
    height = max(asked, model.extents[2] / _LAYERS)
    sections = model.sections(height)
    ahead = np.roll(sections.points, -1, axis=0)
    last = sections.ring_start[1:] - 1
    ahead[last] = sections.points[sections.ring_start[:-1]]
    outline = float(np.linalg.norm(ahead - sections.points, axis=1).sum())
    return height * max(1.0, outline / _OUTLINE)


def _measured(case: Case, plain: Reduction) -> Reduction:
    lengths: dict[str, float] = {}
    crumbs = 0.0
    for piece in case.pieces_and_specks:
        verdict = _verdict(case, piece)
        lengths[verdict] = lengths.get(verdict, 0.0) + piece.length
        if is_speck(piece) and piece.length >= _NOTHING and _bad(case, verdict):
            crumbs += piece.length
    total = math.fsum(lengths.values())
    walls = case.walls
    holding = sorted(
        _holding(case, plain.factor),
        key=lambda wall: (wall.drawn.min, wall.kind, wall.location, wall.box),
    )
    good, note = not holding, ""
    if good and total and crumbs / total > _CRUMBS:
        good = False
        note = f"{crumbs / total:.0%} of its walls are crumbs that do not come out as asked"
    elif good and not walls:
        note = _too_small(case)
        good = not note
    return replace(
        plain,
        measured=True,
        walls=len(walls),
        thinnest=min((wall.across for wall in walls), default=None),
        shares=tuple(
            (name, lengths[name] / total) for name in _VERDICTS if total and name in lengths
        ),
        good=good,
        holding=tuple(holding),
        note=note,
    )


def _too_small(case: Case) -> str:
    """Why not even a wall as thick as the whole model would do: no disc in a layer is wider than
    the model, and no ball in it. Empty where it would."""
    extents = case.geometry.extents
    widest = min(extents[:2] if case.layered else extents)
    if case.table.classify(widest, case.rules.tolerance) == "missing":
        return "smaller than the thinnest wall that prints: nothing is printed"
    if below(widest, case.rules.strictest("wall")):
        return "smaller than the thinnest wall that is allowed"
    return ""


def _verdict(case: Case, wall: Stretch) -> _Becomes:
    """What becomes of a wall; `thin` where it comes out but is below the minimum."""
    verdict = case.verdict(wall)
    if not case.judges(wall):
        # As a pin or a floor; of these only what is lost counts here.
        return "missing" if verdict == "missing" else "solid"
    if not _bad(case, verdict) and below(wall.across, case.least(wall)):
        return "thin"
    return verdict


def _bad(case: Case, verdict: _Becomes) -> bool:
    """Whether an outcome is not as asked; one that the rules ignore or only note is."""
    if verdict == "solid" or verdict == "thin":
        return verdict == "thin"
    return case.rules.level(verdict) in ("fail", "warn")


def _holding(case: Case, factor: float) -> Iterator[Holding]:
    whole: dict[int, float] = {}
    for piece in case.pieces:
        whole[piece.wall] = whole.get(piece.wall, 0.0) + piece.length
    for wall in case.walls:
        verdict = _verdict(case, wall)
        # A post is short as well, but all that there is.
        bit = wall.length < _NOTHING <= whole[wall.wall] - wall.length
        if bit or not _bad(case, verdict):
            continue
        judged = wall.minimum if verdict == "thin" else wall.typical
        least, tolerance = case.least(wall), case.rules.tolerance
        thinner, thicker = nearest_drawn(case.table, judged, tolerance, least, wall.square)
        # As it is drawn: square to it.
        share = 1.0 if leaning(wall.typical, wall.square) is None else sum(wall.square) / 2
        model = [share * each for each in (wall.minimum, wall.typical, wall.maximum)]
        point, box = case.place(wall.point, wall.box)
        yield Holding(
            kind="wall",
            verdict=verdict,
            drawn=Spread(*(factor * t for t in model)),
            printed=Spread(*model),
            lean=0.0 if share == 1 else wall.lean,
            length=factor * wall.length,
            least=least,
            location=point,
            box=box,
            **_instead(factor, thinner, thicker),
        )
    for pin in case.rounds if _bad(case, "missing") else ():
        if pin.kind != "pin" or case.table.outcome(pin.diameter).fill != "missing":
            continue
        upright = (1.0, 1.0)
        _, thicker = nearest_drawn(case.table, pin.diameter, case.rules.tolerance, 0.0, upright)
        point, box = case.place(pin.centre, pin.box)
        yield Holding(
            kind="pin",
            verdict="missing",
            drawn=Spread(*[factor * pin.diameter] * 3),
            printed=Spread(*[pin.diameter] * 3),
            lean=0.0,
            length=factor * pin.length,
            least=0.0,
            location=point,
            box=box,
            **_instead(factor, None, thicker),
        )


def _instead(
    factor: float, thinner: Range | None, thicker: Range | None
) -> dict[str, float | None]:
    """What may be drawn at full size, of ranges as printed, by the fields of `Holding`."""
    ends = {
        "thinner": thinner and thinner[1],
        "thinner_from": thinner and thinner[0],
        "thicker": thicker and thicker[0],
        "thicker_to": thicker and thicker[1],
    }
    return {
        name: None if end is None or math.isinf(end) else factor * end for name, end in ends.items()
    }
