"""Characterise a process: make its coupon, fit what was read of it, say what to print next, and
hold a later print against the rules."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wallguard.base.errors import InputError
from wallguard.coupon import files as coupon_files
from wallguard.coupon.effort import Effort, effort
from wallguard.coupon.layout import Plate, lay_out
from wallguard.coupon.plan import Extent, Plan, plan
from wallguard.coupon.readings import Readings, read_readings
from wallguard.coupon.solid import solid
from wallguard.documents.reading import parse_document
from wallguard.fitting import drift as drifting
from wallguard.fitting import fit as fitting
from wallguard.fitting import next_steps as stepping
from wallguard.fitting.rule_file import rule_file
from wallguard.jobs.provenance import Stated, day_of, odd, stated
from wallguard.rules.load import load_rules, rules_from
from wallguard.rules.model import Rules

if TYPE_CHECKING:
    from wallguard.jobs.limits import Allowed

# What reading a toolpath of a coupon takes beside a check of a part.
_WAYS = 2.0
NOTHING_STATED = Stated()


@dataclass(frozen=True)
class Coupon:
    """A test part for one process.

    round_number  counts coupons of one process: a later one carries the few steps that narrow what
                  an earlier one left uncertain
    """

    rules: Rules
    plan: Plan
    plates: tuple[Plate, ...]
    round_number: int = 1

    @property
    def effort(self) -> Effort:
        """How much material it takes, and about how long it prints."""
        meshes = [solid(plate, self.plan.sizes) for plate in self.plates]
        return effort(self.rules, meshes)

    def files(self) -> dict[str, bytes]:
        """The plates as STL and 3MF, and the readings to fill in, by name."""
        made: dict[str, bytes] = {}
        for plate in self.plates:
            mesh, stem = solid(plate, self.plan.sizes), coupon_files.stem(plate)
            title = f"Coupon, plate {plate.number}: {self.rules.name}"
            made[f"{stem}.stl"] = coupon_files.stl(mesh)
            made[f"{stem}.3mf"] = coupon_files.threemf(mesh, title)
        made["readings.csv"] = coupon_files.readings_csv(self.rules, self.plan, self.round_number)
        return made

    def manifest(self) -> Mapping[str, Any]:
        """Which feature is where on which plate, see `coupon.files`."""
        return coupon_files.manifest(self.rules, self.plan, self.plates, self.round_number)


@dataclass(frozen=True)
class Fitted:
    """What readings say of a process, and the rule file that says so.

    text    of the rule file (YAML)
    rules   what it says, loaded
    inputs  every file that was read
    """

    fit: fitting.Fit
    base: Rules
    text: str
    rules: Rules
    inputs: tuple[Path, ...]


@dataclass(frozen=True)
class Toolpaths:
    """Toolpaths that lay plates of a coupon: readings of their own kind, which the rule file says.

    coupon    the folder of the coupon that they lay
    filament  its diameter in mm; None: as in the base, else 1.75
    flow      between filament fed and laid; None: as in the base, else 1
    allowed   what reading each of them may take; None: as much as it takes
    """

    files: tuple[Path, ...]
    coupon: Path
    filament: float | None = None
    flow: float | None = None
    allowed: Allowed | None = None


def make_coupon(
    rules: Rules | Path,
    *,
    steps: Sequence[float] | None = None,
    height: float | None = None,
    features: Iterable[str] | None = None,
    round_number: int = 1,
    extent: Extent = "usual",
) -> Coupon:
    """A coupon for one process; nothing is written.

    steps     thicknesses of the walls, mm; None: chosen from the rules
    height    of the walls, mm; None: 6
    features  of "wall", "gap", "hole" and "pin"; None: all, of a quick coupon walls only
    extent    the ten walls that tell most along each axis (quick), what prints within an hour on a
              common machine (usual), or all that tells anything (fine)

    Raises InputError: rules or values that no coupon follows from, or a build volume too small.
    """
    loaded = load_rules(rules) if isinstance(rules, Path) else rules
    planned = plan(loaded, steps=steps, height=height, kinds=features, extent=extent)
    return Coupon(loaded, planned, lay_out(planned), round_number)


def fit(
    readings: Sequence[Path],
    rules: Path,
    *,
    toolpaths: Toolpaths | None = None,
    shown: str = "fitted.yaml",
    said: Stated = NOTHING_STATED,
) -> Fitted:
    """Fit the readings of a coupon; rounds of one process merge. Nothing is written.

    rules  the base: what is known of the process before
    shown  what the rule file is called in messages, and where it will lie
    said   how the coupon was made, where the heads of the readings do not say it

    Raises InputError: no readings, or readings, toolpaths or rules that cannot be used.
    """
    paths = toolpaths.files if toolpaths else ()
    if not readings and not paths:
        raise InputError("readings", "no file of readings is given", remedy="Name one or more")
    base = load_rules(rules)
    unique = _each_once(readings)
    read = [read_readings(path) for path in unique]
    laid = _laid(toolpaths, base) if toolpaths is not None else []
    fitted = fitting.fit([*read, *laid], base)
    fitted = replace(fitted, odd=(*fitted.odd, *odd(said, read)))
    text = rule_file(fitted, stated(base, said, read, paths, Path(shown)))
    made = rules_from(parse_document(text, shown), shown)
    return Fitted(fitted, base, text, made, (*unique, *paths, rules, *map(Path, base.files)))


def next_steps(rules: Path, at_most: int = 8) -> tuple[stepping.NextStep, ...]:
    """The walls to print next, thinnest first, see `fit.next_steps`; none where nothing is
    uncertain any more. Raises InputError where the rule file cannot be used."""
    return stepping.next_steps(load_rules(rules), at_most)


def drift(rules: Path, readings: Sequence[Path]) -> drifting.Drift:
    """A later print of the coupon against the rule file, or several: then it says between which of
    their days it drifted.

    Raises InputError where the rule file or the readings cannot be used.
    """
    files, loaded = [read_readings(path) for path in readings], load_rules(rules)
    found = drifting.drift(files, loaded)
    if not found.drifted:
        return found
    dated = [(day, file) for file in files if (day := day_of(file)) is not None]
    return replace(found, since=drifting.since(dated, loaded))


def _each_once(paths: Sequence[Path]) -> tuple[Path, ...]:
    """A file that was given twice must not count twice."""
    return tuple({os.path.realpath(path): path for path in paths}.values())


def _laid(toolpaths: Toolpaths, base: Rules) -> list[Readings]:
    from wallguard.jobs.laid_readings import toolpath_readings
    from wallguard.jobs.limits import is_short, most_for
    from wallguard.jobs.watched import Watch, watched

    return [
        watched(
            partial(
                toolpath_readings,
                path,
                toolpaths.coupon,
                filament=toolpaths.filament or base.filament or 1.75,
                flow=toolpaths.flow or base.flow or 1.0,
            ),
            Watch(
                str(path),
                most_for([path, *toolpaths.coupon.glob("*.stl")], toolpaths.allowed, _WAYS),
                partial(is_short, [path]),
            ),
        )
        for path in _each_once(toolpaths.files)
    ]
