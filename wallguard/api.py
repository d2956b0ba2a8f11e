"""The same jobs from Python, each a call that gives what the command reports.

import wallguard

rules = wallguard.load_rules("rules/petg.yaml")
part = wallguard.load_part("bracket.stl", rules=rules)  # or part_from(shape)
for finding in wallguard.check(part, rules).findings:
    print(finding.severity, finding.message, finding.advice)

report = wallguard.check_repository(wallguard.Asked(base="origin/main"))
impact = wallguard.compare("rules/petg.yaml", "rules/petg-after-update.yaml")
update = wallguard.rehearse("rules/petg.yaml", ["coupon/after.gcode"], coupon="coupon")
laid = wallguard.verify("bracket.gcode", part, rules)
scales = wallguard.scale(part, rules, wanted=200)
fitted = wallguard.fit(["readings.csv"], "rules/petg.yaml")
print(report.exit_code, impact.exit_code, laid.status, scales.exit_code, fitted.text)

All of them raise InputError where what is asked cannot be done, and print nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from wallguard.base.errors import InputError
from wallguard.base.rotation import UPRIGHT, Rotation, rotation_from_up
from wallguard.base.units import Unit
from wallguard.findings.impact import Impact
from wallguard.findings.model import PartReport, Report, Wall
from wallguard.findings.rehearsal import Rehearsal
from wallguard.findings.scale import Scales
from wallguard.jobs import characterise, walls
from wallguard.jobs import rehearse as rehearsing
from wallguard.jobs import scale as scaling
from wallguard.jobs.characterise import Fitted, Toolpaths
from wallguard.jobs.check import report_on
from wallguard.jobs.choose import Asked, How
from wallguard.jobs.impact import Processes, impact
from wallguard.jobs.measures import Measures
from wallguard.jobs.rehearse import Update
from wallguard.jobs.review import review
from wallguard.jobs.toolpath import judge_toolpath, task_for
from wallguard.jobs.verify import Reading
from wallguard.mesh.objects import drawing_of
from wallguard.mesh.read import mesh_of
from wallguard.part.part import AsDrawn, Part
from wallguard.repository.entry import DIRECTIONS
from wallguard.repository.nearest import assignment_of
from wallguard.rules.load import load_rules as _load_rules
from wallguard.rules.model import Rules


def load_part(
    path: str | Path,
    *,
    rules: Rules | None = None,
    unit: Unit | None = None,
    up: str | Sequence[float] | None = None,
    scale: float | None = None,
) -> Part:
    """Read a part, and place it as the nearest `wallguard.yaml` above it says.

    rules  how it lies for these, where entries of that file differ
    unit   of the file where its format carries none; None: as that file says, else mm
    up     the file's direction that is up on the printer: +x, -x, ... -z, or three numbers; None:
           as that file says, else +z
    scale  printed size over the size in the file; None: as that file says, else 1

    Raises InputError: the file or that `wallguard.yaml` cannot be used, or no such direction.
    """
    said = assignment_of(Path(path), Path(rules.path) if rules else None)
    said = replace(
        said,
        unit=unit or said.unit,
        rotation=said.rotation if up is None else _rotation(path, up),
        scale=said.scale if scale is None else scale,
    )
    return Part.load(Path(path), said)


def part_from(
    thing: Any,
    name: str = "part",
    *,
    unit: Unit = "mm",
    up: str | Sequence[float] | None = None,
    scale: float = 1.0,
) -> Part:
    """A part that a program holds: whatever gives triangles, see `mesh.objects`.

    name   what it is called in messages
    unit   that the program draws in; curved faces of a shape are given facets that lie off them by
           no more than 0.01 of it
    up     its direction that is up on the printer, as of `load_part`; None: +z
    scale  printed size over its own

    Raises InputError: it gives no triangles, or none that can be used, or no such direction.
    """
    drawing = replace(drawing_of(thing, name), unit=unit)
    rotation = UPRIGHT if up is None else _rotation(name, up)
    return Part.of(mesh_of(Path(name), drawing), name, AsDrawn(rotation, scale))


def _rotation(path: str | Path, up: str | Sequence[float]) -> Rotation:
    if isinstance(up, str):
        if up not in DIRECTIONS:
            known = ", ".join(DIRECTIONS)
            raise InputError(path, f"no direction {up!r}", remedy=f"Choose one of {known}")
        return rotation_from_up(DIRECTIONS[up])
    x, y, z = up
    return rotation_from_up((float(x), float(y), float(z)))


def load_rules(path: str | Path) -> Rules:
    """Read a rule file with what it extends. Raises InputError."""
    return _load_rules(Path(path))


def check(part: Part, rules: Rules) -> PartReport:
    """Check a part against the rules of one process.

    Raises InputError where the rules give no band table, or the part is of absurd size.
    """
    return report_on(part.geometry, rules, part.path)


def check_repository(
    asked: Asked | None = None, *, folder: str | Path = ".", jobs: int = 1
) -> Report:
    """Check a design repository as `wallguard check` does.

    asked   what to check, and against what; None: what changed, else all
    folder  a folder of the repository; jobs: how many parts are checked at a time

    Raises InputError where nothing can be checked at all; a part or a rule file that cannot be used
    is told in the report.
    """
    return review(asked or Asked(), How(jobs), here=Path(folder)).report


def compare(
    old: str | Path,
    new: str | Path,
    paths: Sequence[str | Path] = (),
    *,
    everything: bool = False,
    jobs: int = 1,
) -> Impact:
    """What changes on parts of the repository that the current folder is in, when the process of
    the rule file `old` becomes that of `new`: see `jobs.impact.impact`.

    Raises InputError where a rule file or `wallguard.yaml` cannot be used.
    """
    processes = Processes(Path(old), Path(new))
    return impact(processes, list(map(Path, paths)), everything=everything, how=How(jobs))


def rehearse(
    rules: str | Path,
    toolpaths: Sequence[str | Path],
    paths: Sequence[str | Path] = (),
    *,
    coupon: str | Path | None = None,
    before: Sequence[str | Path] = (),
    jobs: int = 1,
) -> Rehearsal:
    """What an update of slicing software does to parts of the repository that the current folder is
    in, from the toolpaths that it makes of a coupon: see `jobs.rehearse.Update` and `compare`.

    A toolpath that cannot be used is told in the result. Raises InputError: rules, a coupon or a
    `wallguard.yaml` that cannot be used.
    """
    update = Update(
        Path(rules),
        tuple(map(Path, toolpaths)),
        None if coupon is None else Path(coupon),
        tuple(map(Path, before)),
    )
    return rehearsing.rehearse(update, list(map(Path, paths)), how=How(jobs))


def rehearse_changed(
    rules: Sequence[str | Path] = (), *, base: str | None = None, jobs: int = 1
) -> Rehearsal:
    """The same for every rule file of which `wallguard.yaml` names a toolpath that is another than
    at the git revision `base`: see `jobs.rehearse.rehearse_changed`.

    Raises InputError: no toolpath is named, a `wallguard.yaml` that cannot be used, or git cannot
    tell.
    """
    return rehearsing.rehearse_changed(list(map(Path, rules)), base=base, how=How(jobs))


def verify(
    toolpath: str | Path, part: Part, rules: Rules | None = None, reading: Reading | None = None
) -> PartReport:
    """What a toolpath really lays for a part, as a report on it.

    rules    which it is held against; None: none
    reading  filament, flow and where the part lies on the plate; None: as the rules say, else 1.75
             mm and 1, and the part is searched

    A toolpath that cannot be used gives a report that says why. Raises InputError where no band
    table follows from the rules, or they are of a process that lays no beads.
    """
    return judge_toolpath(Path(toolpath), task_for(part, rules, reading)).report


def scale(part: Part, rules: Rules, wanted: float | None = None) -> Scales:
    """How a model drawn at full size comes out at each standard reduction, and at 1:`wanted`.

    Raises InputError where no band table follows from the rules.
    """
    return scaling.scale(part, rules, wanted)


def fit(
    readings: Sequence[str | Path], rules: str | Path, *, toolpaths: Toolpaths | None = None
) -> Fitted:
    """The rule file (`Fitted.text`) that the readings of a coupon ask for; nothing is written.

    rules      what is known of the process before
    toolpaths  toolpaths of the coupon, as readings of their own kind

    Raises InputError: no readings, or readings, toolpaths or rules that cannot be used.
    """
    return characterise.fit(list(map(Path, readings)), Path(rules), toolpaths=toolpaths)


def find_walls(
    part: Part, rules: Rules | None = None, *, layer_height: float = 0.2, up_to: float = 20.0
) -> tuple[Wall, ...]:
    """Every wall of a part up to `up_to` mm thick, with how it comes out where there are rules, in
    layers of `layer_height` mm where rules give none.

    Raises InputError where the part is of absurd size, or no band table follows from the rules.
    """
    return walls.find_walls(part, rules, layer_height=layer_height, up_to=up_to)


def measure(
    part: Part, rules: Rules | None = None, *, layer_height: float = 0.2, up_to: float = 20.0
) -> Measures:
    """The sizes of a part's walls, gaps, holes and pins: see `jobs.measures.Measures`."""
    return Measures(part, rules, layer_height=layer_height, up_to=up_to)
