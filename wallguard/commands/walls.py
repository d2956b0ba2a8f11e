"""`wallguard walls`: every distinct wall of a part, for a designer who asks what is in a file."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.commands.arguments import Commands, command, length
from wallguard.jobs.check import plain_walls, report_walls
from wallguard.reports.json_report import walls_text
from wallguard.reports.walls_table import table
from wallguard.repository.changes import find_root
from wallguard.repository.config import Assignment, load_repository
from wallguard.rules.load import load_rules


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "walls",
        "wallguard walls bracket.stl --rules rules/petg.yaml",
        _command,
    )
    parser.add_argument("part", type=Path, metavar="PART")
    parser.add_argument("--rules", type=Path, metavar="FILE", help="say how each wall comes out")
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    parser.add_argument(
        "--up-to",
        type=length,
        default=20.0,
        metavar="MM",
        help="the thickest wall to list (default 20 mm)",
    )
    parser.add_argument(
        "--layer-height",
        type=length,
        default=0.2,
        metavar="MM",
        help="where no rules give one (default 0.2 mm)",
    )


def _command(arguments: argparse.Namespace) -> int:
    print(
        run(
            arguments.part,
            rules=arguments.rules,
            as_json=arguments.json,
            up_to=arguments.up_to,
            layer_height=arguments.layer_height,
        ),
        end="",
    )
    return 0


def run(
    part: Path,
    *,
    rules: Path | None = None,
    as_json: bool = False,
    up_to: float = 20.0,
    layer_height: float = 0.2,
) -> str:
    """The walls of `part` up to `up_to` mm, as a table or as JSON.

    The part lies as `wallguard.yaml` says, where one covers it; coordinates are the file's own.

    Raises InputError where the part or the rule file cannot be used.
    """
    from wallguard.bands.declared import band_table
    from wallguard.checks.case import Case
    from wallguard.part.part import Part

    loaded = load_rules(rules) if rules else None
    assignment = lies(part)
    geometry = Part.load(part, assignment).geometry
    if loaded:
        case = Case(geometry, loaded, band_table(loaded))
        case.largest = max(case.largest, up_to)
        walls = report_walls(case)
    else:
        walls = plain_walls(geometry, geometry.walls(layer_height, up_to, ()))
    return walls_text(walls) if as_json else table(walls)


def lies(part: Path, rules: str = "") -> Assignment:
    """How the part is printed: as `wallguard.yaml` above it says for the file `rules`, else as it
    says first, else upright."""
    root = find_root(part.parent)
    name = Path(part).absolute()
    if name.is_relative_to(root):
        found = load_repository(root).assignments(name.relative_to(root).as_posix())
        for one in found:
            if rules and (root / one.rules).resolve() == Path(rules).resolve():
                return one
        if found:
            return found[0]
    return Assignment(rules="")
