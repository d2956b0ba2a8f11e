"""`wallguard toolpath`: its arguments."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from wallguard.cli.shared import Commands, command, length


def add(commands: Commands) -> None:
    """Declare the command."""
    toolpath = command(
        commands,
        "toolpath",
        "verify a program against its part: what becomes of every wall, and whether the rules hold",
        "wallguard toolpath bracket.gcode --part bracket.stl --rules rules/petg.yaml",
        _toolpath,
    )
    toolpath.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="programs (RS-274, plain or gzip)"
    )
    toolpath.add_argument(
        "--part", type=Path, required=True, metavar="PART", help="the part they make"
    )
    toolpath.add_argument(
        "--rules",
        type=Path,
        metavar="FILE",
        help="compare with what these rules say, and use their levels and tolerance",
    )
    toolpath.add_argument(
        "--against",
        type=Path,
        metavar="OTHER",
        help="the program as it was before: tell only what changes, and fail if a wall gets worse",
    )
    toolpath.add_argument(
        "--place",
        type=place,
        default=None,
        metavar="auto|X,Y",
        help="near which place of the plate the middle of the part's box lies (default: search)",
    )
    toolpath.add_argument(
        "--filament",
        type=length,
        metavar="MM",
        help="its diameter (default: as the rules say, else 1.75 mm)",
    )
    toolpath.add_argument(
        "--flow",
        type=length,
        metavar="FACTOR",
        help="between filament fed and material laid (default: as the rules say, else 1)",
    )
    toolpath.add_argument("--junit", type=Path, metavar="FILE", help="write JUnit XML")
    toolpath.add_argument("--markdown", type=Path, metavar="FILE", help="write a Markdown summary")
    toolpath.add_argument("--json", type=Path, metavar="FILE", help="write the full report as JSON")
    toolpath.add_argument(
        "--pictures", type=Path, metavar="FOLDER", help="write a picture of each finding (SVG)"
    )


def place(text: str) -> tuple[float, float] | None:
    """`auto`, or a place on the plate."""
    if text == "auto":
        return None
    try:
        x, y = map(float, text.split(","))
    except ValueError:
        x = y = math.nan
    if not (abs(x) < 1e5 and abs(y) < 1e5):
        raise argparse.ArgumentTypeError(f"{text!r} is neither auto nor a place such as 110,90")
    return x, y


def _toolpath(arguments: argparse.Namespace) -> int:
    from wallguard.commands import toolpath
    from wallguard.commands.publish import Outputs

    return toolpath.run(
        arguments.files,
        part=arguments.part,
        rules=arguments.rules,
        against=arguments.against,
        place=arguments.place,
        filament=arguments.filament,
        flow=arguments.flow,
        outputs=Outputs(junit=arguments.junit, markdown=arguments.markdown, json=arguments.json),
        pictures=arguments.pictures,
    )
