"""The same job from Python: load a part, load rules, check one against the other.

import wallguard

part = wallguard.load_part("bracket.stl", up="+y")
report = wallguard.check(part, wallguard.load_rules("rules/petg.yaml"))
for finding in report.findings:
    print(finding.severity, finding.message, finding.advice)
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.base.rotation import rotation_from_up
from wallguard.base.units import Unit
from wallguard.findings.model import PartReport, Wall
from wallguard.jobs.check import plain_walls, report_on
from wallguard.part.part import AsDrawn, Part
from wallguard.repository.fields import DIRECTIONS
from wallguard.rules.load import load_rules as _load_rules
from wallguard.rules.model import Rules


def load_part(
    path: str | Path,
    *,
    unit: Unit | None = None,
    up: str | Sequence[float] = "+z",
    scale: float = 1.0,
) -> Part:
    """Read a part.

    unit   of the file where its format carries none; mm if None
    up     the file's direction that is up on the printer: +x, -x, ... -z, or three numbers
    scale  printed size over the size in the file

    Raises InputError: the file cannot be read, or no such direction.
    """
    if isinstance(up, str):
        if up not in DIRECTIONS:
            known = ", ".join(DIRECTIONS)
            raise InputError(path, f"no direction {up!r}", remedy=f"Choose one of {known}")
        direction = DIRECTIONS[up]
    else:
        x, y, z = up
        direction = (float(x), float(y), float(z))
    return Part.load(Path(path), AsDrawn(rotation_from_up(direction), scale, unit))


def load_rules(path: str | Path) -> Rules:
    """Read a rule file with what it extends. Raises InputError."""
    return _load_rules(Path(path))


def check(part: Part, rules: Rules) -> PartReport:
    """Check a part against the rules of one process.

    Raises InputError where the rules give no band table, or the part is of absurd size.
    """
    return report_on(part.geometry, rules, part.path)


def find_walls(part: Part, *, layer_height: float = 0.2, up_to: float = 20.0) -> tuple[Wall, ...]:
    """Every wall of a part up to `up_to` mm thick, in layers of `layer_height` mm.

    Raises InputError where the part is of absurd size.
    """
    return plain_walls(part.geometry, part.geometry.walls(layer_height, up_to, ()))
