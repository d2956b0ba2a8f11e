"""The same jobs from Python, each a call that gives what the command reports.

import wallguard

rules = wallguard.load_rules("rules/petg.yaml")
part = wallguard.load_part("bracket.stl", rules=rules)
for finding in wallguard.check(part, rules).findings:
    print(finding.severity, finding.message, finding.advice)

report = wallguard.check_repository(wallguard.Asked(base="origin/main"))
impact = wallguard.compare("rules/petg.yaml", "rules/petg-after-update.yaml")
print(report.exit_code, impact.exit_code)

All of them raise InputError where what is asked cannot be done, and print nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.base.rotation import Rotation, rotation_from_up
from wallguard.base.units import Unit
from wallguard.findings.impact import Impact
from wallguard.findings.model import PartReport, Report, Wall
from wallguard.jobs import walls
from wallguard.jobs.check import report_on
from wallguard.jobs.choose import Asked, How
from wallguard.jobs.impact import Processes, impact
from wallguard.jobs.review import review
from wallguard.part.part import Part
from wallguard.repository.fields import DIRECTIONS
from wallguard.repository.nearest import lies
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
    said = lies(Path(path), *([Path(rules.path)] if rules else []))
    said = replace(
        said,
        unit=unit or said.unit,
        rotation=said.rotation if up is None else _rotation(path, up),
        scale=said.scale if scale is None else scale,
    )
    return Part.load(Path(path), said)


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
    return impact(processes, list(map(Path, paths)), everything=everything, jobs=jobs)


def find_walls(
    part: Part, rules: Rules | None = None, *, layer_height: float = 0.2, up_to: float = 20.0
) -> tuple[Wall, ...]:
    """Every wall of a part up to `up_to` mm thick, with how it comes out where there are rules, in
    layers of `layer_height` mm where rules give none.

    Raises InputError where the part is of absurd size, or no band table follows from the rules.
    """
    return walls.find_walls(part, rules, layer_height=layer_height, up_to=up_to)
