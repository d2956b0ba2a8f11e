"""`wallguard scale`: how a model drawn at full size comes out at each standard reduction."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.base.units import MILLIMETRES, Unit
from wallguard.commands.arguments import Commands, add_jobs, add_limits, allowed, command
from wallguard.jobs.choose import How
from wallguard.jobs.limits import Allowed
from wallguard.reports.scale_json import SCALE
from wallguard.reports.scale_table import table
from wallguard.repository.nearest import assignment_of
from wallguard.rules.load import load_rules

_LARGEST = 1_000_000
_BY_SIZE = How(allowed=Allowed())


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "scale",
        "wallguard scale hall.stl --rules rules/pla.yaml --unit m --wanted 1:200",
        _command,
    )
    parser.add_argument("part", type=Path, metavar="PART")
    parser.add_argument("--rules", type=Path, required=True, metavar="FILE")
    parser.add_argument("--unit", choices=tuple(MILLIMETRES), help="that the part is drawn in")
    parser.add_argument(
        "--wanted", metavar="1:N", help="say how thick its walls must be drawn for this reduction"
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    add_jobs(parser, "reductions measured")
    add_limits(parser, "a reduction")


def _command(arguments: argparse.Namespace) -> int:
    shown, code = run(
        arguments.part,
        arguments.rules,
        unit=arguments.unit,
        wanted=arguments.wanted,
        as_json=arguments.json,
        how=How(arguments.jobs, allowed=allowed(arguments)),
    )
    print(shown, end="")
    return code


def run(
    part: Path,
    rules: Path,
    *,
    unit: Unit | None = None,
    wanted: str | None = None,
    as_json: bool = False,
    how: How = _BY_SIZE,
) -> tuple[str, int]:
    """The part at each reduction as a table or as JSON, and the exit code: 1 where `wanted` is
    given and not all walls come out as asked there, else 0.

    unit    that the part is drawn in, whatever its format or `wallguard.yaml` says
    wanted  a reduction such as "1:200", standard or not
    how     how many reductions are measured at a time, and what each may take

    The part stands as `wallguard.yaml` says, for these rules if it names them; a scale that it
    states is left out of account.

    Raises InputError where the part, the rules or the wanted reduction cannot be used.
    """
    from wallguard.jobs.scale import Model, scale_of

    factor = None if wanted is None else _factor(wanted)
    loaded = load_rules(rules)
    assignment = assignment_of(part, rules)
    model = Model(part, assignment, part.as_posix(), unit)
    scales = scale_of(model, loaded, factor, how)
    return (SCALE.text(scales) if as_json else table(scales)), scales.exit_code


def _factor(wanted: str) -> float:
    """The 200 of "1:200". Raises InputError."""
    match = re.fullmatch(r"1:(\d{1,7}(?:\.\d{1,6})?)", wanted.replace(" ", ""))
    factor = float(match[1]) if match else 0.0
    if not 1 <= factor <= _LARGEST:
        raise InputError(
            f"--wanted {wanted}",
            f"this is not a reduction between 1:1 and 1:{_LARGEST}",
            remedy="Write it as in --wanted 1:200",
        )
    return factor
